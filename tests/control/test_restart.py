"""Stopping, saving, loading and going on: the beer must not notice."""

import random
from dataclasses import replace

import pytest

from controller.control.balance import Balance
from controller.control.codec import from_json, to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.diagnosis import COOLER_NO_EFFECT, Diagnosis, Minute, OutputFault, Retry
from controller.control.lifecycle import initial_state, resumed_state, stopped_state
from controller.control.site import Limits, Site
from controller.control.state import AlarmPhase, AlarmState, BatchState, SiteState
from controller.control.step import StepResult, step
from controller.control.suspicion import NOBODY, Suspicion, Suspicions
from controller.control.values import Action, Inputs, RecordKind, Setpoint, Status
from controller.plant.brewer import Plan
from controller.plant.demo import DEMO_BEERS
from controller.plant.weather import weathered_room
from controller.simulate import EPOCH_UTC_S
from tests.control.simulated import amber_cellar, amber_site, brewers
from tests.factories import DAY_S, HOUR_S, UTC_S, readings, scan, site, starting, vessel

STEPS = (
    ProfileStep("pull down", StepKind.HOLD, 18.0, 0.5, Ends(reached=True, confirmed="Is the yeast in?"), DAY_S),
    ProfileStep("primary", StepKind.FREE_RISE, 21.0, 0.5, Ends(attenuation=0.3), 5 * DAY_S),
    ProfileStep("rise", StepKind.RAMP, 22.0, 0.5, Ends(), 5 * DAY_S, rate_k_per_s=2.0 / DAY_S),
    ProfileStep("rest", StepKind.REST, 22.0, 0.5, Ends(after_s=DAY_S), 5 * DAY_S),
    ProfileStep("crash", StepKind.CRASH, 3.0, 0.5, Ends(reached=True), 5 * DAY_S),
    ProfileStep("cold", StepKind.HOLD, 3.0, 1.0, Ends(after_s=DAY_S), 5 * DAY_S),
)
WEEK = Profile("week", "An ale in a week", STEPS)
SCANS = round(7 * DAY_S / 30.0)


def a_simulated_week() -> tuple[Site, list[tuple[SiteState, Inputs, StepResult]]]:
    """State before, inputs and result of each scan of a week in the simulated cellar."""
    cellar_site, plant = amber_site({"week": WEEK}), amber_cellar(weathered_room(7))
    acts = brewers(cellar_site, plant, [Plan("amber", "Amber 8", "week", DEMO_BEERS["amber"], 60.0)])
    state, now_s, scans = initial_state(cellar_site, 0.0), 0.0, []
    for _ in range(SCANS):
        inputs = Inputs(now_s, EPOCH_UTC_S + now_s, plant.readings(), acts(now_s, state))
        result = step(cellar_site, state, inputs)
        scans.append((state, inputs, result))
        plant.obey(result.commands)
        plant.advance(30.0)
        state, now_s = result.state, now_s + 30.0
    return cellar_site, scans


@pytest.fixture(scope="module")
def week() -> tuple[Site, list[tuple[SiteState, Inputs, StepResult]]]:
    return a_simulated_week()


def test_the_week_has_seen_something(week: tuple[Site, list[tuple[SiteState, Inputs, StepResult]]]) -> None:
    _, scans = week
    begun = {r.subject for _, _, result in scans for r in result.records if r.kind is RecordKind.STEP}
    assert begun == {each.name for each in STEPS}


def test_a_state_written_and_read_at_any_instant_decides_the_same_to_the_last_bit(
    week: tuple[Site, list[tuple[SiteState, Inputs, StepResult]]],
) -> None:
    cellar_site, scans = week
    for at in sorted(random.Random(20).sample(range(SCANS - 200), 20)):
        state = from_json(SiteState, to_json(scans[at][0]))
        assert repr(state) == repr(scans[at][0])
        for _, inputs, result in scans[at : at + 200]:
            again = step(cellar_site, state, from_json(Inputs, to_json(inputs)))
            assert again.commands == result.commands
            assert again.records == result.records
            state = again.state
        assert to_json(state) == to_json(scans[at + 199][2].state)


# After a stop of unknown length

REST = Profile("hold", "A rest", (ProfileStep("rest", StepKind.REST, 20.0, 0.5, Ends(after_s=2 * DAY_S), 9 * DAY_S),))
CELLAR = site(vessel("ale"), profile=REST)


def busy(celsius: float, output: str) -> SiteState:
    """A cellar that has run for some time, with that output of the vessel on at this moment."""
    state = scan(CELLAR, initial_state(CELLAR, 0.0), celsius).state
    state = scan(CELLAR, state, celsius, starting("ale")).state
    for _ in range(2000):
        state = scan(CELLAR, state, celsius).state
        if state.now_s > HOUR_S and getattr(state.vessels["ale"], output).on:
            return state
    raise AssertionError(f"the {output} never came on")


def resumed(cellar: Site, state: SiteState) -> SiteState:
    """The state as the service has it after a restart: from the store, on the same time line."""
    return resumed_state(cellar, from_json(SiteState, to_json(state)), state.now_s)


@pytest.mark.parametrize(("celsius", "output"), [(21.5, "cooler"), (18.5, "heater")])
def test_after_a_restart_everything_is_off_for_the_protective_time_and_then_goes_on(
    celsius: float, output: str
) -> None:
    """Design rules 3 and 8: off before anything else, and the off time runs from the restart."""
    before = busy(celsius, output)
    state, on_at = resumed(CELLAR, before), []
    first = scan(CELLAR, state, celsius)
    assert {(c.tag, c.on) for c in first.commands} == {("ale/cooler", False), ("ale/heater", False)}
    state = first.state
    for _ in range(600):
        result = scan(CELLAR, state, celsius)
        state = result.state
        on_at += [state.now_s for command in result.commands if command.on]
    assert on_at[0] - before.now_s >= 180.0
    assert getattr(state.vessels["ale"], output).starts > getattr(before.vessels["ale"], output).starts


def test_the_heater_waits_for_the_change_over_if_the_cooler_ran_before_the_stop() -> None:
    """Design rule 1; change-over of 15 minutes by the site file, counted from the restart."""
    before = busy(21.5, "cooler")
    state = resumed(CELLAR, before)
    for _ in range(600):
        result = scan(CELLAR, state, 17.0)
        state = result.state
        if any(command.on for command in result.commands):
            break
    assert state.vessels["ale"].heater.on
    assert state.now_s - before.now_s >= 900.0


def test_outputs_stay_off_until_a_signal_has_been_seen() -> None:
    state = resumed(CELLAR, busy(21.5, "cooler"))
    assert {signal.status for signal in state.signals.values()} == {Status.FAILURE}
    for _ in range(200):
        now_s = state.now_s + 5.0
        result = step(CELLAR, state, Inputs(now_s, None, {}))
        assert not any(command.on for command in result.commands)
        state = result.state


def test_the_batch_goes_on_where_it_was() -> None:
    before = busy(20.4, "cooler").vessels["ale"]
    after = resumed(CELLAR, busy(20.4, "cooler")).vessels["ale"]
    assert (after.batch, after.program, after.setpoint) == (before.batch, before.program, before.setpoint)
    assert (after.condition, after.mode) == (BatchState.RUNNING, before.mode)
    assert (after.cooler.starts, after.cooler.on_s) == (before.cooler.starts, before.cooler.on_s)


def test_each_start_has_a_higher_epoch_and_the_numbers_go_on() -> None:
    """Design rules 4 and 10: nodes of our own ignore what is older."""
    before = busy(21.5, "cooler")
    once = scan(CELLAR, resumed(CELLAR, before), 21.5)
    twice = scan(CELLAR, resumed(CELLAR, once.state), 21.5)
    assert {c.epoch for c in once.commands} == {before.epoch + 1}
    assert {c.epoch for c in twice.commands} == {before.epoch + 2}
    assert min(c.number for c in once.commands) > before.number


def test_a_repeated_action_is_known_across_a_restart() -> None:
    first = scan(CELLAR, busy(21.5, "cooler"), 21.5, Action("7", "ale", "skip", {}, "jo"))
    result = scan(CELLAR, resumed(CELLAR, first.state), 21.5, Action("7", "ale", "skip", {}, "jo"))
    answers = [(r.value, r.reason) for r in result.records if r.kind is RecordKind.ACTION]
    (answer,) = [r.reason for r in first.records if r.kind is RecordKind.ACTION]
    assert answers == [("repeated", answer)]
    assert [r.subject for r in result.records if r.kind is RecordKind.STEP] == []


def outputs_told(result: StepResult) -> list[tuple[str, str, str, str]]:
    return [(r.vessel, r.subject, r.value, r.reason) for r in result.records if r.kind is RecordKind.OUTPUT]


@pytest.mark.parametrize(("celsius", "output"), [(21.5, "cooler"), (18.5, "heater")])
def test_an_output_that_was_on_when_the_power_went_is_recorded_as_off(celsius: float, output: str) -> None:
    """Design rule 11: every change of an output is recorded, also one that nobody saw."""
    lost = "power or program was lost; off at the start"
    first = scan(CELLAR, resumed(CELLAR, busy(celsius, output)), celsius)
    assert outputs_told(first) == [("ale", output, "off", lost)]
    (record,) = [r for r in first.records if r.kind is RecordKind.OUTPUT]
    assert (record.at_s, record.utc_s) == (first.state.now_s, UTC_S + first.state.now_s)
    assert outputs_told(scan(CELLAR, first.state, celsius)) == []
    again = scan(CELLAR, resumed(CELLAR, first.state), celsius)
    assert outputs_told(again) == []


def test_after_an_orderly_stop_nothing_was_lost_and_the_protective_times_hold() -> None:
    before = busy(21.5, "cooler")
    stopped = stopped_state(before)
    assert not stopped.vessels["ale"].cooler.on
    state = resumed(CELLAR, stopped)
    first = scan(CELLAR, state, 17.0)
    assert outputs_told(first) == []
    state = first.state
    while not state.vessels["ale"].heater.on:
        state = scan(CELLAR, state, 17.0).state
    assert state.now_s - before.now_s >= 900.0  # change-over, design rule 1


def test_a_setpoint_outside_of_new_narrower_hard_limits_is_brought_inside() -> None:
    """Design rule 7."""
    held = scan(CELLAR, busy(21.5, "cooler"), 21.5, Action("7", "ale", "hold", {}, "jo")).state
    cooler = site(vessel("ale", limits=Limits(0.0, 15.0)), profile=REST)
    assert resumed(cooler, held).vessels["ale"].setpoint == Setpoint(15.0, 15.0)


def test_an_acknowledged_alarm_is_still_acknowledged() -> None:
    alarm = AlarmState(AlarmPhase.ACKNOWLEDGED, 10.0, 20.0, "20.4 °C")
    before = busy(21.5, "cooler")._replace(alarms={"ale/deviation": alarm})
    assert dict(resumed(CELLAR, before).alarms) == {"ale/deviation": alarm}


# With another site file


def going_on(cellar: Site, state: SiteState, scans: int = 400) -> SiteState:
    state = resumed(cellar, state)
    for _ in range(scans):
        now_s = state.now_s + 5.0
        state = step(cellar, state, Inputs(now_s, UTC_S + now_s, readings(cellar, 21.5, now_s))).state
    to_json(state)
    return state


@pytest.mark.parametrize(
    "changed",
    [
        site(vessel("ale", probes=2), profile=REST),
        site(vessel("ale", heater_w=None), profile=REST),
        site(vessel("ale"), vessel("new"), profile=REST),
        replace(site(vessel("ale"), profile=REST), bath=None),
    ],
    ids=["a second probe", "no heater", "another vessel", "no bath"],
)
def test_the_batch_goes_on_when_the_site_file_has_changed(changed: Site) -> None:
    before = busy(21.5, "cooler")
    after = going_on(changed, before)
    assert after.vessels["ale"].batch == before.vessels["ale"].batch
    assert after.vessels["ale"].cooler.starts > before.vessels["ale"].cooler.starts
    assert set(after.vessels) == {v.name for v in changed.vessels}
    assert (after.vessels["ale"].heater is None) == (changed.vessels[0].heater is None)


def test_a_probe_and_a_heater_that_were_not_there_before_are_used() -> None:
    poor = site(vessel("ale", heater_w=None), profile=REST)
    state = scan(poor, initial_state(poor, 0.0), 21.5).state
    state = scan(poor, state, 21.5, starting("ale")).state
    state = resumed(CELLAR, state)
    for _ in range(600):
        state = scan(CELLAR, state, 18.0).state
    assert state.vessels["ale"].heater.on


def test_a_vessel_with_a_batch_cannot_vanish_from_the_site_file() -> None:
    other = site(vessel("other"), profile=REST)
    with pytest.raises(ValueError, match="the store has a batch in ale, which the site file does not name"):
        resumed(other, busy(21.5, "cooler"))


def test_an_empty_vessel_may_vanish_and_its_alarms_with_it() -> None:
    both = site(vessel("ale"), vessel("empty"), profile=REST)
    state = scan(both, initial_state(both, 0.0), 20.0).state
    alarm = AlarmState(AlarmPhase.RETURNED, None, 20.0, "over")
    state = state._replace(alarms={"empty/high": alarm, "ale/high": alarm, "bath/bath warm": alarm})
    after = resumed(CELLAR, state)
    assert set(after.vessels) == {"ale"}
    assert set(after.alarms) == {"ale/high", "bath/bath warm"}
    assert set(resumed(replace(CELLAR, bath=None), state).alarms) == {"ale/high"}


def test_what_the_diagnosis_had_under_way_is_put_away_and_what_it_has_learnt_stays() -> None:
    """A suspicion, a balance or a test pulse of before a stop says nothing of after it: who knows how long it was?"""
    before = busy(20.4, "cooler")
    fault = OutputFault(5.0, "seen")
    balance = Balance(20.4, 0.3, 0.8, 1.2, ticks=300, cooling=0.7)
    known = Diagnosis(
        minute=Minute(30.0, 30.0, 600.0, 30.0, 0.0),
        balance=balance,
        suspicions=Suspicions(cooler_no_effect=Suspicion(borne=3.0, could=5.0)),
        younger=Suspicions(heater_no_effect=Suspicion()),
        retry=Retry(900.0, before.now_s + 900.0),
        asking_until_s=before.now_s + 600.0,
        asked_s=before.now_s,
    )
    ale = before.vessels["ale"]._replace(faults={COOLER_NO_EFFECT: fault}, diagnosis=known)
    after = resumed(CELLAR, before._replace(vessels={**before.vessels, "ale": ale})).vessels["ale"]
    assert after.faults == {COOLER_NO_EFFECT: fault}
    assert after.diagnosis.retry == known.retry
    assert (after.diagnosis.balance.cooler, after.diagnosis.balance.heater) == (0.8, 1.2)
    assert after.diagnosis.balance.ticks == 0
    assert after.diagnosis.balance.cooling == 0.0
    assert after.diagnosis.minute == Minute()
    assert (after.diagnosis.suspicions, after.diagnosis.younger) == (NOBODY, NOBODY)
    assert (after.diagnosis.asking_until_s, after.diagnosis.asked_s) == (None, None)
