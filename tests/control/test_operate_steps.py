"""The brewer changes the course of a batch: a step lasts longer, ends now, or begins again."""

from dataclasses import replace

import pytest

from controller.control.codec import from_json, to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import initial_state, resumed_state
from controller.control.state import BatchState, SiteState
from controller.control.values import RecordKind, Setpoint
from tests.control.cellar_actions import (
    ALE,
    CELLAR,
    CRASH,
    HOPS,
    PITCH,
    PRIMARY,
    REST,
    RISE,
    allowed,
    answered,
    at_step,
    left,
    refused,
    told,
    wish,
)
from tests.factories import DAY_S, HOUR_S, scan, site, vessel


@pytest.fixture
def empty() -> SiteState:
    state = initial_state(CELLAR, 0.0)
    for _ in range(3):
        state = scan(CELLAR, state, 20.0).state
    return state


def going_on(state: SiteState, celsius: float, lasting_s: float, scan_s: float = 15.0) -> SiteState:
    for _ in range(round(lasting_s / scan_s)):
        state = scan(CELLAR, state, celsius, dt_s=scan_s).state
    return state


def step_of(state: SiteState) -> ProfileStep:
    now = left(state)
    return now.batch.profile.steps[now.program.step]


def counted(state: SiteState, counted_s: float, elapsed_s: float | None = None) -> SiteState:
    """The same state with the clocks of the left vessel's step moved on."""
    now = left(state)
    position = now.program._replace(counted_s=counted_s, elapsed_s=elapsed_s if elapsed_s is not None else counted_s)
    return state._replace(vessels={**state.vessels, "left": now._replace(program=position)})


# extend


def test_a_rest_of_48_hours_extended_by_a_day_ends_after_72(empty: SiteState) -> None:
    state = going_on(at_step(REST, empty, 22.0), 22.0, 600.0)
    state = allowed(state, wish("extend", for_s=DAY_S))
    state = scan(CELLAR, counted(state, 72 * HOUR_S - 20.0), 22.0).state
    assert step_of(state).name == "rest"
    assert step_of(going_on(state, 22.0, 60.0)).name == "hops"


def test_the_longest_time_is_extended_likewise(empty: SiteState) -> None:
    state = allowed(at_step(REST, empty, 22.0), wish("extend", for_s=DAY_S))
    assert step_of(state).at_most_s == REST.at_most_s + DAY_S


def test_the_answer_says_how_long_in_all_and_how_much_is_to_come(empty: SiteState) -> None:
    state = counted(at_step(REST, empty, 22.0), 40 * HOUR_S)
    _, answer, _ = answered(state, wish("extend", for_s=12 * HOUR_S))
    assert answer.reason == "rest lasts 12.0 h longer: 60.0 h in all, 20.0 h of it to come"
    assert told(state, wish("extend", for_s=12 * HOUR_S)) == [("left", "step", "rest", "extended")]


def test_a_step_whose_time_is_over_and_that_waits_for_the_brewer_lasts_that_much_longer_from_now(
    empty: SiteState,
) -> None:
    asking = replace(REST, ends=Ends(after_s=DAY_S, confirmed="Is it clean?"))
    cellar = site(vessel("left"), vessel("right"), profile=Profile("ale", "Ale", (asking, CRASH)))
    state = allowed(empty, wish("start", batch="P", profile="ale"), cellar)
    state = allowed(counted(state, 40 * HOUR_S), wish("extend", for_s=6 * HOUR_S), cellar)
    assert step_of(state).ends.after_s == 46 * HOUR_S


def test_an_extension_ends_the_alarm_that_the_step_has_reached_its_longest_time(empty: SiteState) -> None:
    cellar = site(
        vessel("left"), vessel("right"), profile=Profile("ale", "Ale", (replace(REST, at_most_s=49 * HOUR_S), CRASH))
    )
    state = allowed(empty, wish("start", batch="P", profile="ale"), cellar)
    state = scan(cellar, counted(state, 20 * HOUR_S, 49 * HOUR_S), 20.0).state
    assert "left/step time" in state.alarms
    state = scan(cellar, allowed(state, wish("extend", for_s=HOUR_S), cellar), 20.0).state
    assert state.alarms["left/step time"].phase.value == "returned to normal, unacknowledged"
    result = scan(cellar, counted(state, 20 * HOUR_S, 50 * HOUR_S), 20.0)
    assert [r.value for r in result.records if r.kind is RecordKind.STEP] == ["longest time"]


def test_a_held_step_may_be_extended_too_and_stays_held(empty: SiteState) -> None:
    held = allowed(at_step(REST, empty), wish("hold"))
    after = allowed(held, wish("extend", for_s=DAY_S))
    assert left(after).condition is BatchState.HELD
    assert step_of(after).ends.after_s == 72 * HOUR_S


def test_an_extension_outlives_a_restart(empty: SiteState) -> None:
    state = allowed(at_step(REST, empty, 22.0), wish("extend", for_s=DAY_S))
    after = resumed_state(CELLAR, from_json(SiteState, to_json(state)), state.now_s)
    assert step_of(after).ends.after_s == 72 * HOUR_S


def test_only_this_batch_is_extended_not_the_profile(empty: SiteState) -> None:
    state = allowed(at_step(REST, empty), wish("extend", for_s=DAY_S))
    state = allowed(state, wish("start", "right", batch="Pale 5", profile="ale"))
    assert state.vessels["right"].batch.profile == ALE


@pytest.mark.parametrize(
    ("step", "waits_for"),
    [
        (PITCH, 'it waits for your answer: "Is the yeast in?"'),
        (PRIMARY, "it waits for an apparent attenuation of 75%"),
        (RISE, "it waits for the ramp to arrive at 22.0 °C"),
        (CRASH, "it waits for the wort to reach 3.0 °C"),
    ],
)
def test_a_step_without_a_time_cannot_be_extended_and_the_brewer_hears_what_it_waits_for(
    empty: SiteState, step: ProfileStep, waits_for: str
) -> None:
    reason = refused(at_step(step, empty), wish("extend", for_s=DAY_S))
    assert f"the step {step.name!r} has no time to extend: {waits_for}" in reason


@pytest.mark.parametrize("for_s", [0.0, -3600.0, 59.0, 31 * DAY_S, float("nan"), "1 d", True, None])
def test_an_extension_by_nothing_sensible_is_refused(empty: SiteState, for_s: object) -> None:
    assert "'for_s' must" in refused(at_step(REST, empty), wish("extend", for_s=for_s))


# skip


def test_skip_ends_the_step_and_begins_the_next_where_the_wort_is(empty: SiteState) -> None:
    state = going_on(at_step(PRIMARY, empty, 19.2), 19.2, 600.0)
    assert told(state, wish("skip")) == [("left", "step", "primary", "ended"), ("left", "step", "rise", "begun")]
    now = left(allowed(state, wish("skip")))
    assert (now.program.step, now.program.counted_s, now.program.elapsed_s) == (2, 0.0, 0.0)
    assert now.program.from_c == 19.0  # the setpoint of the hold: what an ordinary end would come from
    assert now.setpoint == Setpoint(19.0, 19.0)


def test_skip_asks_before_it_passes_a_question_that_nobody_has_answered(empty: SiteState) -> None:
    state = at_step(HOPS, empty)
    for sure in ({}, {"sure": False}, {"sure": "true"}, {"sure": 1.0}):
        assert 'the step asks: "Are the hops in?" Confirm it' in refused(state, wish("skip", **sure))
    after, answer, _ = answered(state, wish("skip", sure=True))
    assert step_of(after).name == "crash"
    assert "its question unanswered" in answer.reason


def test_an_answered_question_is_no_hindrance(empty: SiteState) -> None:
    state = allowed(at_step(HOPS, empty), wish("confirm"))
    assert step_of(allowed(state, wish("skip"))).name == "crash"


def test_skip_to_a_later_step_counts_the_questions_between(empty: SiteState) -> None:
    state = at_step(PRIMARY, empty)
    assert '"Are the hops in?"' in refused(state, wish("skip", to="crash"))
    assert told(state, wish("skip", to="crash", sure=True)) == [
        ("left", "step", "primary", "ended"),
        ("left", "step", "rise", "skipped"),
        ("left", "step", "rest", "skipped"),
        ("left", "step", "hops", "skipped"),
        ("left", "step", "crash", "begun"),
    ]
    assert left(allowed(state, wish("skip", to="crash", sure=True))).setpoint == Setpoint(3.0, 3.0)
    assert step_of(allowed(state, wish("skip", to="rest"))).name == "rest"


def test_skip_goes_only_forward_and_only_to_steps_that_there_are(empty: SiteState) -> None:
    state = at_step(RISE, empty)
    assert "'primary' is not after 'rise'; 'back' goes back to it" in refused(state, wish("skip", to="primary"))
    assert "'rise' is not after 'rise'" in refused(state, wish("skip", to="rise"))
    reason = refused(state, wish("skip", to="lager"))
    assert "no step 'lager'; the profile has pitch, primary, rise, rest, hops, crash" in reason


def test_skip_on_the_last_step_completes_the_batch_at_its_last_setpoint(empty: SiteState) -> None:
    state = at_step(CRASH, empty)
    assert told(state, wish("skip")) == [("left", "step", "crash", "ended"), ("left", "state", "batch", "complete")]
    now = left(allowed(state, wish("skip")))
    assert (now.condition, now.setpoint) == (BatchState.COMPLETE, Setpoint(3.0, 3.0))


def test_a_skip_to_a_far_setpoint_is_not_alarmed_while_the_wort_is_on_its_way(empty: SiteState) -> None:
    state = going_on(at_step(REST, empty, 22.0), 22.0, 600.0)
    state = allowed(state, wish("skip", to="crash", sure=True))
    celsius = 22.0
    for _ in range(240):  # an hour, cooling by 2 K
        celsius -= 2.0 / 240.0
        state = scan(CELLAR, state, celsius, dt_s=15.0).state
        active = [key for key, alarm in state.alarms.items() if alarm.phase.value.startswith("active")]
        assert not active


# back


def test_back_begins_the_previous_step_again_with_its_clocks_anew(empty: SiteState) -> None:
    state = going_on(at_step(HOPS, empty, 22.0), 22.0, 600.0)
    assert told(state, wish("back")) == [("left", "step", "hops", "left"), ("left", "step", "rest", "begun")]
    now = left(allowed(state, wish("back")))
    assert (now.program.step, now.program.counted_s, now.program.elapsed_s) == (3, 0.0, 0.0)


def test_back_to_a_named_earlier_step_comes_from_where_the_wort_is(empty: SiteState) -> None:
    state = at_step(CRASH, empty, 3.0)
    cold = going_on(state, 3.2, 600.0)
    now = left(allowed(cold, wish("back", to="rise")))
    assert (now.program.step, now.program.from_c) == (2, 3.0)
    assert now.setpoint == Setpoint(3.0, 3.0)  # the ramp begins at the setpoint of the moment


def test_the_running_step_itself_may_be_begun_again_by_its_name(empty: SiteState) -> None:
    state = counted(at_step(REST, empty), 30 * HOUR_S)
    assert left(allowed(state, wish("back", to="rest"))).program.counted_s == 0.0


def test_a_confirmation_is_asked_for_again_after_going_back(empty: SiteState) -> None:
    state = allowed(at_step(HOPS, empty), wish("confirm"))
    state = scan(CELLAR, state, 22.0).state
    assert step_of(state).name == "crash"
    state = allowed(state, wish("back"))
    state = going_on(state, 22.0, 60.0)
    assert step_of(state).name == "hops"
    assert left(state).program.waiting


def test_a_complete_batch_goes_back_to_its_last_step_and_runs_again(empty: SiteState) -> None:
    complete = allowed(at_step(CRASH, empty), wish("skip"))
    assert told(complete, wish("back")) == [
        ("left", "step", "crash", "left"),
        ("left", "step", "crash", "begun"),
        ("left", "state", "batch", "running"),
    ]
    now = left(allowed(complete, wish("back")))
    assert (now.condition, now.program.step) == (BatchState.RUNNING, 5)
    assert step_of(allowed(complete, wish("back", to="rest"))).name == "rest"


def test_back_says_when_the_step_would_end_at_once(empty: SiteState) -> None:
    state = allowed(at_step(RISE, empty), wish("gravity", gravity=1.010))
    _, answer, _ = answered(state, wish("back"))
    assert "all that it waits for is so already, so that it ends at once" in answer.reason
    assert step_of(going_on(allowed(state, wish("back")), 20.0, 30.0)).name == "rise"


def test_there_is_nothing_before_the_first_step_and_back_never_goes_forward(empty: SiteState) -> None:
    assert "'pitch' is the first step; name it as 'to'" in refused(at_step(PITCH, empty), wish("back"))
    assert "is named as 'to'" in refused(at_step(RISE, empty), wish("back", step="pitch"))
    reason = refused(at_step(RISE, empty), wish("back", to="crash"))
    assert "'crash' is after 'rise'; 'skip' goes on to it" in reason
    assert "there is no step 'lager'" in refused(at_step(RISE, empty), wish("back", to="lager"))


# Where none of it is possible


@pytest.mark.parametrize("verb", ["extend", "skip", "back"])
def test_a_batch_without_a_profile_has_no_steps(empty: SiteState, verb: str) -> None:
    assert "left has no batch" in refused(empty, wish(verb, for_s=DAY_S))
    cider = allowed(empty, wish("start", batch="Cider", setpoint_c=12.0))
    assert "Cider follows no profile" in refused(cider, wish(verb, for_s=DAY_S))


@pytest.mark.parametrize("verb", ["extend", "skip", "back"])
def test_what_was_stopped_or_aborted_has_left_its_profile(empty: SiteState, verb: str) -> None:
    stopped = allowed(at_step(REST, empty), wish("stop"))
    assert "a batch that is stopped has no step" in refused(stopped, wish(verb, for_s=DAY_S))
    aborted = allowed(at_step(REST, empty), wish("abort", sure=True))
    assert "a batch that is aborted has no step" in refused(aborted, wish(verb, for_s=DAY_S))


@pytest.mark.parametrize("verb", ["skip", "back"])
def test_a_held_batch_is_resumed_before_it_moves_in_its_profile(empty: SiteState, verb: str) -> None:
    held = allowed(at_step(REST, empty), wish("hold"))
    assert "Pale 4 is held; resume it first" in refused(held, wish(verb, sure=True))


# start in the middle


def test_a_fermentation_that_is_under_way_begins_at_a_later_step_with_its_gravity(empty: SiteState) -> None:
    wanted = {"batch": "Pale 4", "og": 1.050, "gravity": 1.020, "volume_l": 50.0, "profile": "ale", "step": "rest"}
    after, answer, _ = answered(empty, wish("start", **wanted))
    assert answer.reason == "Pale 4 follows A hoppy ale from the step 'rest' on"
    now = left(after)
    assert step_of(after).name == "rest"
    assert [reading.gravity for reading in now.batch.gravities] == [1.020]
    assert now.batch.freezing_c < -1.0  # design rule 6: its alcohol is proven by OG and gravity
    assert now.setpoint == Setpoint(22.0, 22.0)
    assert (now.program.counted_s, now.program.from_c) == (0.0, pytest.approx(20.0, abs=1e-4))


def test_a_start_at_the_wrong_step_or_with_the_wrong_gravity_is_refused(empty: SiteState) -> None:
    reason = refused(empty, wish("start", batch="P", profile="ale", step="lager"))
    assert "there is no step 'lager'; the profile has pitch, primary" in reason
    reason = refused(empty, wish("start", batch="P", setpoint_c=12.0, step="rest"))
    assert "without a profile has no step" in reason
    reason = refused(empty, wish("start", batch="P", profile="ale", og=1.040, gravity=1.050))
    assert "above the OG of 1.040" in reason
    assert "'gravity' must lie between" in refused(empty, wish("start", batch="P", profile="ale", gravity=20.0))


def test_a_gravity_alone_proves_no_alcohol(empty: SiteState) -> None:
    now = left(allowed(empty, wish("start", batch="P", profile="ale", gravity=1.020)))
    assert now.batch.freezing_c == 0.0


# Which step the operator has seen


def test_an_action_may_expect_a_state_and_a_step(empty: SiteState) -> None:
    state = at_step(REST, empty)
    assert step_of(allowed(state, wish("skip", expects="running/rest"))).name == "hops"
    assert step_of(allowed(state, wish("skip", expects="running"))).name == "hops"


def test_a_second_skip_by_another_person_on_the_step_that_has_gone_is_refused_with_what_there_is(
    empty: SiteState,
) -> None:
    state = allowed(at_step(PRIMARY, empty), wish("skip", who="page, ann", expects="running/primary")._replace(id="a"))
    reason = refused(state, wish("skip", who="page, bob", expects="running/primary")._replace(id="b"))
    assert "expected to be 'running/primary', but it is running/rise" in reason
    held = allowed(state, wish("hold"))
    assert "but it is held/rise" in refused(held, wish("skip", expects="running/rise"))
    assert left(allowed(held, wish("resume", expects="held/rise"))).condition is BatchState.RUNNING


def test_a_complete_batch_is_in_no_step(empty: SiteState) -> None:
    complete = allowed(at_step(CRASH, empty), wish("skip"))
    assert "but it is complete;" in refused(complete, wish("back", expects="complete/crash"))
    allowed(complete, wish("back", expects="complete"))


def test_a_step_may_have_a_slash_in_its_name(empty: SiteState) -> None:
    odd = Profile("ale", "Ale", (ProfileStep("rise/rest", StepKind.REST, 20.0, 0.5, Ends(after_s=DAY_S), DAY_S),))
    cellar = site(vessel("left"), vessel("right"), profile=odd)
    state = allowed(empty, wish("start", batch="P", profile="ale"), cellar)
    allowed(state, wish("hold", expects="running/rise/rest"), cellar)
