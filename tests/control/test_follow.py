"""A batch on its way through a profile, scan by scan: what it does by itself, and what only the brewer may do."""

from dataclasses import replace
from itertools import pairwise

import pytest

from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.follow import JUMP_K
from controller.control.lifecycle import initial_state, resumed_state
from controller.control.site import Site
from controller.control.state import BatchState, Mode, SiteState, VesselState
from controller.control.step import step
from controller.control.values import Action, Inputs, Record, RecordKind, Setpoint
from tests.factories import DAY_S, HOUR_S, SCAN_S, UTC_S, readings, running_state, scan, site, vessel

ENDLESS = Ends(gravity=1.000)  # waits for a gravity that nobody enters
NO_WAIT = Ends()


def a_step(name: str, target_c: float, ends: Ends = ENDLESS, kind: StepKind = StepKind.HOLD, **more) -> ProfileStep:
    return replace(ProfileStep(name, kind, target_c, 0.5, ends, 10 * DAY_S), **more)


def a_profile(*steps: ProfileStep) -> Profile:
    return Profile("hold", "A profile for a test", steps)


def cellar_with(*steps: ProfileStep) -> Site:
    return site(vessel("ale"), profile=a_profile(*steps))


def ale(state: SiteState) -> VesselState:
    return state.vessels["ale"]


def go_on(
    cellar: Site, state: SiteState, celsius: float, lasting_s: float, *actions: Action, scan_s: float = 10.0
) -> tuple[SiteState, list[Record]]:
    """Scans at one temperature for so long, and what was recorded."""
    records: list[Record] = []
    for _ in range(round(lasting_s / scan_s)):
        result = scan(cellar, state, celsius, *actions, dt_s=scan_s)
        state, actions = result.state, ()
        records += result.records
    return state, records


def steps_told(records: list[Record]) -> list[tuple[str, str]]:
    return [(r.subject, r.value) for r in records if r.kind is RecordKind.STEP]


def doing(verb: str, name: str = "ale", **arguments: float | str | bool) -> Action:
    return Action(f"{verb} {sorted(arguments.items())}", name, verb, arguments, "brewer")


# Through the profile


def test_a_rest_that_has_lasted_gives_way_to_the_next_step_and_both_are_recorded() -> None:
    cellar = cellar_with(a_step("rest", 20.0, Ends(after_s=HOUR_S), StepKind.REST), a_step("crash", 2.0))
    state, records = go_on(cellar, running_state(cellar, 20.0), 20.0, HOUR_S)
    assert steps_told(records) == [("rest", "ended"), ("crash", "begun")]
    assert ale(state).setpoint == Setpoint(2.0, 2.0)


def test_a_ramp_begins_at_the_setpoint_of_the_hold_before_it_not_at_a_stray_temperature() -> None:
    ramp = a_step("rise", 24.0, kind=StepKind.RAMP, rate_k_per_s=2.0 / DAY_S)
    cellar = cellar_with(a_step("hold", 20.0, Ends(after_s=300.0)), ramp)
    state, _ = go_on(cellar, running_state(cellar, 20.3), 20.3, 60.0)
    assert ale(state).program is not None
    assert ale(state).program.step == 1
    assert ale(state).program.from_c == 20.0


def test_after_a_free_rise_a_ramp_begins_where_the_wort_is() -> None:
    rise = a_step("rise", 26.0, Ends(after_s=300.0), StepKind.FREE_RISE, floor_c=18.0)
    cellar = cellar_with(rise, a_step("ramp", 18.0, kind=StepKind.RAMP, rate_k_per_s=2.0 / DAY_S))
    state, _ = go_on(cellar, running_state(cellar, 22.5), 22.5, 60.0)
    assert ale(state).program.from_c == pytest.approx(22.5)
    assert ale(state).setpoint.low_c == pytest.approx(22.5, abs=0.01)


def test_in_a_free_rise_nothing_heats_or_cools_between_floor_and_ceiling() -> None:
    cellar = cellar_with(a_step("rise", 26.0, kind=StepKind.FREE_RISE, floor_c=18.0))
    state = running_state(cellar, 22.0)
    state, records = go_on(cellar, state, 22.0, HOUR_S)
    assert [r for r in records if r.kind is RecordKind.OUTPUT] == []
    state, records = go_on(cellar, state, 26.6, HOUR_S)
    assert [(r.subject, r.value) for r in records if r.kind is RecordKind.OUTPUT][:1] == [("cooler", "on")]


def test_in_a_free_rise_below_the_floor_the_wort_is_warmed() -> None:
    cellar = cellar_with(a_step("rise", 26.0, kind=StepKind.FREE_RISE, floor_c=18.0))
    state, _ = go_on(cellar, running_state(cellar, 17.0), 17.0, HOUR_S)
    assert ale(state).heater.on
    assert ale(state).cooler.starts == 0


def test_the_last_step_ends_the_profile_which_is_complete_and_still_regulates() -> None:
    cellar = cellar_with(a_step("cold", 4.0, Ends(after_s=600.0)))
    state, records = go_on(cellar, running_state(cellar, 4.0), 4.0, 600.0)
    assert ale(state).condition is BatchState.COMPLETE
    assert ale(state).setpoint == Setpoint(4.0, 4.0)
    told = [(r.subject, r.value) for r in records if r.kind in (RecordKind.STEP, RecordKind.STATE)]
    assert told == [("cold", "ended"), ("batch", "complete")]
    state, records = go_on(cellar, state, 5.5, HOUR_S)
    assert ("cooler", "on") in [(r.subject, r.value) for r in records]
    assert ale(state).condition is BatchState.COMPLETE


def test_a_batch_keeps_its_copy_when_the_file_of_the_profile_changes() -> None:
    cellar = cellar_with(a_step("primary", 19.0, Ends(after_s=HOUR_S)))
    state = running_state(cellar, 19.0)
    edited = cellar_with(a_step("primary", 25.0, Ends(after_s=60.0)))
    state, _ = go_on(edited, state, 19.0, 600.0)
    assert ale(state).setpoint == Setpoint(19.0, 19.0)
    assert ale(state).condition is BatchState.RUNNING


def test_two_steps_that_are_both_over_take_a_scan_each_and_none_is_skipped() -> None:
    over = [a_step(f"step {i}", 19.0, NO_WAIT) for i in range(3)]
    cellar = cellar_with(*over, a_step("last", 19.0, Ends(after_s=HOUR_S)))
    _, records = go_on(cellar, scan(cellar, initial_state(cellar, 0.0), 19.0).state, 19.0, 100.0,
                       doing("start", batch="b", profile="hold"))  # fmt: skip
    assert steps_told(records) == [
        ("step 0", "ended"), ("step 1", "begun"), ("step 1", "ended"), ("step 2", "begun"), ("step 2", "ended"),
        ("last", "begun"),
    ]  # fmt: skip


# Confirmation and longest time

PITCH = a_step("pitch", 19.0, Ends(reached=True, confirmed="Is the yeast in?"))


def test_a_step_waits_for_the_brewer_and_goes_on_when_they_have_confirmed() -> None:
    cellar = cellar_with(PITCH, a_step("primary", 19.0))
    state = running_state(cellar, 19.0)
    assert ale(state).program.waiting
    assert ale(state).program.step == 0
    state, records = go_on(cellar, state, 19.0, 10.0, doing("confirm"))
    assert ("primary", "begun") in steps_told(records)


def test_a_step_asks_only_when_nothing_but_the_answer_is_missing() -> None:
    cellar = cellar_with(PITCH)
    state = running_state(cellar, 22.0)
    assert not ale(state).program.waiting
    state, _ = go_on(cellar, state, 19.0, 1200.0)
    assert ale(state).program.waiting


def test_an_answer_given_early_is_kept() -> None:
    cellar = cellar_with(PITCH, a_step("primary", 19.0))
    state, _ = go_on(cellar, running_state(cellar, 22.0), 22.0, 10.0, doing("confirm"))
    assert ale(state).program.step == 0
    state, _ = go_on(cellar, state, 19.0, 1200.0)
    assert ale(state).program.step == 1


LONG = a_step("primary", 19.0, Ends(attenuation=0.75), at_most_s=2 * HOUR_S)


def test_at_its_longest_time_a_step_holds_and_raises_an_alarm_once() -> None:
    cellar = cellar_with(LONG, a_step("crash", 2.0))
    state, records = go_on(cellar, running_state(cellar, 19.0), 19.0, 4 * HOUR_S)
    assert steps_told(records) == [("primary", "longest time")]
    assert ale(state).program.step == 0
    assert ale(state).setpoint == Setpoint(19.0, 19.0)
    assert state.alarms["ale/step time"].phase.value == "active, unacknowledged"


def test_a_step_goes_on_at_its_longest_time_only_if_it_says_so() -> None:
    cellar = cellar_with(replace(LONG, goes_on=True), a_step("crash", 2.0))
    _, records = go_on(cellar, running_state(cellar, 19.0), 19.0, 2 * HOUR_S)
    assert steps_told(records) == [("primary", "longest time"), ("primary", "ended"), ("crash", "begun")]
    why = [r.reason for r in records if r.value == "ended"]
    assert why == ["its longest time is over"]


def test_even_then_it_never_goes_past_a_confirmation() -> None:
    ends = Ends(attenuation=0.75, confirmed="Is it done?")
    cellar = cellar_with(replace(LONG, ends=ends, goes_on=True), a_step("crash", 2.0))
    state, _ = go_on(cellar, running_state(cellar, 19.0), 19.0, 3 * HOUR_S)
    assert ale(state).program.step == 0
    state, records = go_on(cellar, state, 19.0, 10.0, doing("confirm"))
    assert ("crash", "begun") in steps_told(records)  # the answer was all that kept it


def test_a_gravity_ends_the_step_that_waited_for_it_even_after_its_longest_time() -> None:
    cellar = cellar_with(LONG, a_step("crash", 2.0))
    state, _ = go_on(cellar, running_state(cellar, 19.0), 19.0, 3 * HOUR_S)
    state, records = go_on(cellar, state, 19.0, 10.0, doing("gravity", gravity=1.010))
    assert ("crash", "begun") in steps_told(records)
    assert "ale/step time" not in state.alarms or state.alarms["ale/step time"].phase.value.startswith("returned")


# Signals and time


def test_without_a_signal_step_time_stands_still_but_the_longest_time_runs_on() -> None:
    cellar = cellar_with(a_step("rest", 20.0, Ends(after_s=DAY_S), StepKind.REST))
    before = state = running_state(cellar, 20.0)
    for _ in range(720):
        now_s = state.now_s + 5.0
        state = step(cellar, state, Inputs(now_s, UTC_S + now_s, {})).state
    assert ale(state).program.elapsed_s - ale(before).program.elapsed_s == pytest.approx(HOUR_S)
    # For the time that the probe may be quiet (30 s) its last reading stands.
    assert ale(state).program.counted_s - ale(before).program.counted_s <= 30.0


def outage(cellar: Site, celsius: float, lasting_s: float, *, trusted: bool = True) -> tuple[SiteState, SiteState]:
    """The state before a stop of so long, and the state half an hour after the start that followed."""
    before = running_state(cellar, celsius)
    state = resumed_state(cellar, before, before.now_s)
    for _ in range(360):
        now_s = state.now_s + SCAN_S
        utc_s = UTC_S + lasting_s + now_s if trusted else None
        state = step(cellar, state, Inputs(now_s, utc_s, readings(cellar, celsius, now_s))).state
    return before, state


REST = a_step("rest", 20.0, Ends(after_s=2 * DAY_S), StepKind.REST)


def test_an_outage_never_counts_for_a_rest() -> None:
    before, after = outage(cellar_with(REST), 20.0, 30 * HOUR_S)
    passed_s = ale(after).program.counted_s - ale(before).program.counted_s
    assert passed_s == pytest.approx(1800.0, abs=3 * SCAN_S)


def test_an_outage_counts_for_the_longest_time_once_utc_is_trusted() -> None:
    before, after = outage(cellar_with(REST), 20.0, 30 * HOUR_S)
    passed_s = ale(after).program.elapsed_s - ale(before).program.elapsed_s
    assert passed_s == pytest.approx(30.5 * HOUR_S, abs=3 * SCAN_S)


def test_until_utc_is_trusted_only_the_time_of_running_counts() -> None:
    before, after = outage(cellar_with(REST), 20.0, 30 * HOUR_S, trusted=False)
    passed_s = ale(after).program.elapsed_s - ale(before).program.elapsed_s
    assert passed_s == pytest.approx(1800.0, abs=3 * SCAN_S)


def test_utc_that_comes_late_and_after_a_second_stop_counts_both_outages_once() -> None:
    cellar = cellar_with(REST)
    before, between = outage(cellar, 20.0, 30 * HOUR_S, trusted=False)
    state = resumed_state(cellar, between, between.now_s)
    for scans in range(360):
        now_s = state.now_s + SCAN_S
        utc_s = UTC_S + 50 * HOUR_S + now_s if scans > 100 else None
        state = step(cellar, state, Inputs(now_s, utc_s, readings(cellar, 20.0, now_s))).state
    passed_s = ale(state).program.elapsed_s - ale(before).program.elapsed_s
    assert passed_s == pytest.approx(51 * HOUR_S, abs=3 * SCAN_S)


def test_an_outage_is_not_made_longer_by_hours_in_which_utc_was_not_trusted_before_it() -> None:
    cellar = cellar_with(REST)
    state = running_state(cellar, 20.0)
    for _ in range(720):
        now_s = state.now_s + SCAN_S
        state = step(cellar, state, Inputs(now_s, None, readings(cellar, 20.0, now_s))).state
    elapsed_s = ale(state).program.elapsed_s
    state = resumed_state(cellar, state, state.now_s)
    now_s = state.now_s + SCAN_S
    state = step(cellar, state, Inputs(now_s, UTC_S + 600.0 + now_s, readings(cellar, 20.0, now_s))).state
    assert ale(state).program.elapsed_s - elapsed_s == pytest.approx(600.0, abs=2 * SCAN_S)


def test_a_machine_that_slept_counts_the_sleep_for_the_longest_time_only() -> None:
    cellar = cellar_with(REST)
    before = running_state(cellar, 20.0)
    after = scan(cellar, before, 20.0, dt_s=6 * HOUR_S).state
    assert ale(after).program.elapsed_s - ale(before).program.elapsed_s == pytest.approx(6 * HOUR_S)
    assert ale(after).program.counted_s == ale(before).program.counted_s


@pytest.mark.parametrize("jump_s", [-20 * 365 * DAY_S, -3 * HOUR_S, 3 * HOUR_S, 400 * DAY_S])
def test_a_jump_of_the_clock_changes_nothing_but_labels(jump_s: float) -> None:
    """Metamorphic: a run whose UTC jumps differs from one whose UTC does not in no command, state or alarm."""
    cellar = cellar_with(a_step("rest", 20.0, Ends(after_s=600.0), StepKind.REST), replace(LONG, at_most_s=900.0))

    def run(jump_at: int) -> tuple[list[object], list[tuple[object, ...]]]:
        state, seen, told = running_state(cellar, 20.0), [], []
        for scans in range(400):
            now_s = state.now_s + SCAN_S
            utc_s = UTC_S + now_s + (jump_s if scans >= jump_at else 0.0)
            result = step(cellar, state, Inputs(now_s, utc_s, readings(cellar, 20.0 + 0.002 * scans, now_s)))
            state = result.state
            seen.append((result.commands, state._replace(utc_s=None)))
            told += [r._replace(utc_s=None) for r in result.records]
        return seen, told

    assert run(jump_at=150) == run(jump_at=1000)


# Overrides and arrival


def test_a_manual_override_ends_by_itself_and_says_so() -> None:
    cellar = cellar_with(a_step("hold", 20.0))
    full_cooling = doing("mode", mode="manual", duty=-1.0, for_s=1800.0)
    state, _ = go_on(cellar, running_state(cellar, 20.0), 20.0, 1790.0, full_cooling)
    assert ale(state).mode is Mode.MANUAL
    assert ale(state).cooler.on
    state, records = go_on(cellar, state, 20.0, 40.0)
    assert ale(state).mode is Mode.AUTO
    assert [r.reason for r in records if r.kind is RecordKind.MODE] == ["the manual override ended"]


def test_a_jump_of_the_setpoint_gives_the_wort_time_and_arrival_ends_that_time() -> None:
    cellar = cellar_with(a_step("hold", 20.0, Ends(after_s=300.0)), a_step("crash", 10.0, kind=StepKind.CRASH))
    state, _ = go_on(cellar, running_state(cellar, 20.0), 20.0, 60.0)
    assert ale(state).settling_best_k == pytest.approx(10.0, abs=0.2)
    state, _ = go_on(cellar, state, 15.0, 1200.0)
    assert ale(state).settling_best_k == pytest.approx(5.0, abs=0.2)
    state, _ = go_on(cellar, state, 10.2, 1200.0)
    assert ale(state).settling_best_k is None


def test_a_ramp_is_no_jump() -> None:
    cellar = cellar_with(a_step("hold", 20.0, Ends(after_s=300.0)),
                         a_step("rise", 24.0, kind=StepKind.RAMP, rate_k_per_s=5.0 / DAY_S))  # fmt: skip
    state, seen = running_state(cellar, 20.0), []
    for _ in range(400):
        state = scan(cellar, state, 20.0).state
        seen.append(ale(state).setpoint.low_c)
        assert ale(state).settling_best_k is None
    assert max(b - a for a, b in pairwise(seen)) < JUMP_K


@pytest.mark.parametrize(
    ("waits_within_k", "said"),
    [(None, "which goes on: the plant cannot follow it"), (0.3, "the setpoint waits for it")],
)
def test_it_is_told_once_that_a_wort_lags_behind_its_ramp(waits_within_k: float | None, said: str) -> None:
    ramp = a_step("warm", 22.0, kind=StepKind.RAMP, rate_k_per_s=1.0 / HOUR_S, waits_within_k=waits_within_k)
    cellar = cellar_with(ramp)
    state, records = go_on(cellar, running_state(cellar, 19.0), 19.0, 2 * HOUR_S)
    told = [r for r in records if r.kind is RecordKind.STEP and r.value == "behind"]
    assert len(told) == 1
    assert said in told[0].reason
    state, records = go_on(cellar, state, ale(state).setpoint.low_c, 300.0)
    assert [r.value for r in records if r.kind is RecordKind.STEP] == ["following"]
