"""Identification on demand: when it may begin, what ends it, and that it never does what it must not."""

from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.control.codec import from_json, to_json
from controller.control.diagnosis import HEATER_NO_EFFECT, OutputFault
from controller.control.identification import Method, Phase
from controller.control.identify_guard import EXCURSION_K, LONGEST_S
from controller.control.lifecycle import reloaded_state, resumed_state
from controller.control.site import Limits, Site
from controller.control.state import BatchState, GravityReading, SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Inputs, Record, RecordKind, Status
from tests.control.cellar_actions import allowed, left, refused, told, wish
from tests.factories import DAY_S, HOUR_S, UTC_S, running_state, scan, site, starting, vessel

SCAN_S = 15.0
CELLAR = site(vessel("left"), vessel("right"))
WATER = {"batch": "water", "setpoint_c": 19.0, "og": 1.05, "volume_l": 50.0}


def water(cellar: Site = CELLAR, celsius: float = 19.0) -> SiteState:
    """50 L of water at the setpoint of 19 °C: neither an OG nor a yeast was entered."""
    state = running_state(cellar, celsius, setpoint_c=19.0)
    return state._replace(vessels={name: now._replace(batch=now.batch._replace(og=None)) for name, now in
                                   state.vessels.items()})  # fmt: skip


def changed(state: SiteState, **fields: object) -> SiteState:
    return state._replace(vessels={**state.vessels, "left": left(state)._replace(**fields)})


def under_test(test: str = "step", cellar: Site = CELLAR) -> SiteState:
    """A test has just begun, by a brewer at the controller."""
    return allowed(water(cellar), wish("identify", test=test), cellar)


def until(phase: Phase, state: SiteState, cellar: Site = CELLAR, celsius: float = 19.0) -> SiteState:
    for _ in range(round(3 * HOUR_S / SCAN_S)):
        experiment = left(state).identification.experiment
        assert experiment is not None, left(state).identification.ended
        if experiment.phase is phase:
            return state
        state = scan(cellar, state, celsius, dt_s=SCAN_S).state
    raise AssertionError(f"{phase} never came")


def said(result: StepResult) -> list[Record]:
    return [record for record in result.records if record.subject == "identification"]


# When it may begin


@pytest.mark.parametrize("test", ["step", "relay"])
def test_water_at_its_setpoint_may_be_tested(test: str) -> None:
    state = water()
    assert told(state, wish("identify", test=test)) == [("left", "mode", "identification", test)]
    experiment = left(allowed(state, wish("identify", test=test))).identification.experiment
    assert experiment is not None
    assert (experiment.method.value, experiment.centre_c) == (test, 19.0)
    assert (experiment.cooler_w, experiment.heater_w) == (300.0, 80.0)


def test_without_a_known_volume_the_heater_is_not_used() -> None:
    state = water()
    batch = left(state).batch
    assert batch is not None
    state = allowed(changed(state, batch=batch._replace(volume_l=None)), wish("identify", test="step"))
    experiment = left(state).identification.experiment
    assert experiment is not None
    assert (experiment.cooler_w, experiment.heater_w) == (300.0, 0.0)


NOT_READY: list[tuple[str, Callable[[SiteState], SiteState]]] = [
    ("has no batch", lambda state: allowed(state, wish("packaged"))),
    ("hold it first", lambda state: changed(state, condition=BatchState.RUNNING)),
    ("the batch is aborted", lambda state: changed(state, condition=BatchState.ABORTED)),
    ("the mode is off", lambda state: allowed(state, wish("mode", mode="off"))),
    ("the mode is manual", lambda state: allowed(state, wish("mode", mode="manual", duty=-0.5, for_s=600.0))),
    ("quiet hours", lambda state: allowed(state, wish("quiet", for_s=3600.0))),
    ("heater without effect", lambda state: changed(state, faults={HEATER_NO_EFFECT: OutputFault(0.0, "")})),
    ("no signal", lambda state: step(CELLAR, state, Inputs(state.now_s + 100.0, None, {})).state),
    ("+0.5 K from its setpoint", lambda state: settled(state, 19.5)),
    ("less than 1.5 K from a limit", lambda state: settled(allowed(state, wish("setpoint", celsius=1.9)), 1.9)),
    ("less than 1.5 K from a limit", lambda state: settled(allowed(state, wish("setpoint", celsius=27.0)), 27.0)),
    ("under way", lambda state: allowed(state, wish("identify", test="relay"))),
]


def settled(state: SiteState, celsius: float) -> SiteState:
    for _ in range(120):
        state = scan(CELLAR, state, celsius).state
    return state


@pytest.mark.parametrize(("why", "how"), NOT_READY)
def test_it_is_refused_where_it_cannot_be_done(why: str, how: Callable[[SiteState], SiteState]) -> None:
    assert why in refused(how(water()), wish("identify", test="step", force=True))


@pytest.mark.parametrize(
    ("test", "why"), [("both", "step, relay or stop"), ("Step", "step, relay or stop"), ("", "missing")]
)
def test_an_unknown_test_is_refused(test: str, why: str) -> None:
    assert why in refused(water(), wish("identify", test=test))


def test_it_is_begun_at_the_controller_only_and_stopped_from_anywhere() -> None:
    assert "over MQTT" in refused(water(), wish("identify", who="mqtt", test="step", force=True))
    state = allowed(under_test(), wish("identify", who="mqtt", test="stop"))
    assert left(state).identification.experiment is None
    assert left(state).identification.ended == "stopped by hand"
    assert "no identification under way" in refused(water(), wish("identify", test="stop"))


# Yeast


def with_gravities(state: SiteState, *gravities: tuple[float, float]) -> SiteState:
    """Gravities of an ale of OG 1.050, each with how many hours ago it was measured."""
    batch = left(state).batch
    assert batch is not None
    readings = tuple(GravityReading(gravity, state.now_s - hours * HOUR_S, None) for gravity, hours in gravities)
    return changed(state, batch=batch._replace(og=1.050, gravities=readings))


@pytest.mark.parametrize(
    ("gravities", "why"),
    [
        ([], "no gravity was entered"),
        ([(1.030, 1.0)], "1.030 was not yet found steady"),
        ([(1.012, 30.0), (1.010, 1.0)], "1.010 was not yet found steady"),
        ([(1.010, 20.0), (1.010, 1.0)], "not yet found steady over a day"),
    ],
)
def test_while_yeast_may_be_at_work_it_must_be_forced(gravities: list[tuple[float, float]], why: str) -> None:
    state = with_gravities(water(), *gravities)
    answer = refused(state, wish("identify", test="step"))
    assert "yeast may be at work" in answer
    assert why in answer
    assert "force=true" in answer
    refused(state, wish("identify", test="step", force=1.0))  # exactly true, nothing that looks like it
    allowed(state, wish("identify", test="step", force=True))


def test_a_gravity_that_was_steady_over_a_day_says_that_it_is_done() -> None:
    allowed(with_gravities(water(), (1.010, 26.0), (1.010, 1.0)), wish("identify", test="step"))


def test_a_complete_batch_is_done() -> None:
    allowed(changed(with_gravities(water()), condition=BatchState.COMPLETE), wish("identify", test="step"))


@pytest.mark.parametrize(("rest_k_per_h", "forced"), [(0.05, False), (0.5, True), (-0.5, False)])
def test_heat_that_the_room_does_not_explain_is_yeast(rest_k_per_h: float, forced: bool) -> None:
    state = water()
    diagnosis = left(state).diagnosis
    warm = diagnosis._replace(balance=diagnosis.balance._replace(ticks=500, rest_k_per_h=rest_k_per_h))
    state = changed(state, diagnosis=warm)
    if forced:
        assert "warms the wort by 0.50 K an hour" in refused(state, wish("identify", test="step"))
    allowed(state, wish("identify", test="step", force=forced))


# What ends it at once

NARROW = replace(CELLAR, vessels=(replace(CELLAR.vessels[0], limits=Limits(18.0, 30.0)), CELLAR.vessels[1]))
WEAKER = replace(CELLAR, vessels=(vessel("left", cooler_w=250.0), CELLAR.vessels[1]))
ENDINGS: list[tuple[str, Callable[[SiteState], StepResult]]] = [
    ("mode is off", lambda state: scan(CELLAR, state, 19.0, wish("mode", mode="off"))),
    ("mode is manual", lambda state: scan(CELLAR, state, 19.0, wish("mode", mode="manual", duty=1.0, for_s=60.0))),
    ("quiet hours", lambda state: scan(CELLAR, state, 19.0, wish("quiet", for_s=600.0))),
    ("setpoint was changed", lambda state: scan(CELLAR, state, 19.0, wish("setpoint", celsius=19.1))),
    ("not there any more", lambda state: scan(CELLAR, state, 19.0, wish("packaged"))),
    ("not there any more", lambda state: scan(CELLAR, state, 19.0, wish("abort", sure=True))),
    ("a fault was found", lambda s: scan(CELLAR, changed(s, faults={HEATER_NO_EFFECT: OutputFault(0.0, "")}), 19.0)),
    ("no signal", lambda state: scan(CELLAR, state, -127.0)),
    ("nothing was regulated", lambda state: scan(CELLAR, state, 19.0, dt_s=100.0)),
    ("started anew", lambda state: scan(CELLAR, resumed_state(CELLAR, state, state.now_s), 19.0)),
    ("outputs", lambda state: scan(WEAKER, reloaded_state(CELLAR, WEAKER, state, state.now_s), 19.0)),
    ("from a limit", lambda state: scan(NARROW, reloaded_state(CELLAR, NARROW, state, state.now_s), 19.0)),
]  # fmt: skip


@pytest.mark.parametrize("phase", [Phase.CALM, Phase.PILOT])
@pytest.mark.parametrize(("why", "how"), ENDINGS)
def test_whatever_else_begins_to_act_ends_it_at_once(
    why: str, how: Callable[[SiteState], StepResult], phase: Phase
) -> None:
    result = how(until(phase, under_test()))
    now = left(result.state)
    assert now.identification.experiment is None
    assert why in now.identification.ended
    if "no signal" not in why:
        (record,) = said(result)[-1:]
        assert (record.kind, record.value, record.reason) == (RecordKind.MODE, "broken off", now.identification.ended)
    assert now.cooler is not None
    assert now.loop.heat_w > -300.0  # which is what the pulse asks for


def test_a_wort_that_goes_too_far_ends_it() -> None:
    state = until(Phase.PILOT, under_test())
    for celsius in (19.4, 19.8, 20.2, 20.4):  # the wort is a little ahead of a probe that rises
        for _ in range(60):
            state = scan(CELLAR, state, celsius).state
    assert left(state).identification.experiment is not None
    for _ in range(60):
        state = scan(CELLAR, state, 20.6).state
    assert left(state).identification.experiment is None
    assert "further than 1.5 K" in left(state).identification.ended


@pytest.mark.parametrize("test", ["step", "relay"])
def test_it_ends_in_time_even_where_nothing_moves(test: str) -> None:
    state, began_s = under_test(test), under_test(test).now_s
    while left(state).identification.experiment is not None:
        state = scan(CELLAR, state, 19.0, dt_s=SCAN_S).state
        assert state.now_s - began_s <= LONGEST_S[Method(test)] + 2 * SCAN_S
    assert left(state).identification.finding is None
    assert left(state).identification.ended != ""


def test_an_output_that_is_not_allowed_to_run_ends_it() -> None:
    state = until(Phase.PILOT, under_test())
    while left(state).identification.experiment is not None:
        state = scan(CELLAR, state, 19.0, dt_s=SCAN_S, bath_c=25.0).state
    assert "not allowed to run" in left(state).identification.ended
    assert "bath is not colder" in left(state).identification.ended


# What it does meanwhile


def test_it_says_why_an_output_runs_and_the_loop_learns_nothing() -> None:
    state = until(Phase.CALM, under_test())
    before_w = left(state).loop.integral_w
    state = until(Phase.PILOT, state)
    for _ in range(3):
        state = scan(CELLAR, state, 19.0, dt_s=SCAN_S).state
    now = left(state)
    assert now.cooler is not None
    assert now.cooler.on
    assert now.cooler.reason == "identification: step test"
    assert now.loop.integral_w == before_w
    assert now.loop.heat_w == -300.0


def test_a_vessel_of_an_older_store_has_no_identification() -> None:
    state = water()
    older = to_json(state)
    assert "identification" not in older
    assert from_json(SiteState, older) == state


def test_saving_and_loading_in_the_middle_changes_nothing() -> None:
    state = until(Phase.PILOT_ANSWER, under_test())
    other = from_json(SiteState, to_json(state))
    for i in range(200):
        celsius = 19.0 - 0.003 * i
        result, again = scan(CELLAR, state, celsius, dt_s=SCAN_S), scan(CELLAR, other, celsius, dt_s=SCAN_S)
        assert result == again
        state, other = result.state, from_json(SiteState, to_json(again.state))


# Any input

WISHES = st.sampled_from([
    ("identify", {"test": "step", "force": True}), ("identify", {"test": "relay", "force": True}),
    ("identify", {"test": "stop"}), ("hold", {}), ("resume", {}), ("setpoint", {"celsius": 19.0}),
    ("setpoint", {"celsius": 12.0}), ("mode", {"mode": "auto"}), ("mode", {"mode": "off"}),
    ("gravity", {"gravity": 1.02}),
    ("quiet", {"for_s": 600.0}), ("packaged", {}), ("start", WATER),
])  # fmt: skip
COURSE = st.lists(
    st.tuples(
        st.one_of(st.floats(-0.05, 0.05), st.floats(-2.0, 2.0), st.sampled_from([0.0, float("nan"), 85.0])),
        st.sampled_from([5.0, 15.0, 15.0, 15.0, 200.0, 0.0]),
        st.floats(-6.0, 22.0),
        st.one_of(st.none(), st.none(), st.none(), WISHES),
        st.integers(1, 150),
    ),
    min_size=1,
    max_size=25,
)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(COURSE, st.sampled_from(["step", "relay"]))
def test_at_any_input_it_stays_within_its_limits_and_ends(course: list, test: str) -> None:
    state, celsius = under_test(test), 19.0
    for number, (by_k, dt_s, bath_c, wanted, times) in enumerate(course):
        jumps = by_k != by_k or abs(by_k) > 3.0
        for repeat in range(times):
            shown_c = by_k if jumps else celsius + by_k * repeat / times
            actions = () if wanted is None or repeat else (Action(f"{number}", "left", wanted[0], wanted[1], "jo"),)
            state = scan(CELLAR, state, shown_c, *actions, dt_s=dt_s, bath_c=bath_c).state
            now = left(state)
            experiment = now.identification.experiment
            if experiment is None:
                continue
            assert -300.0 <= experiment.heat_w <= 80.0
            assert 0.0 <= state.now_s - experiment.began_s <= LONGEST_S[experiment.method]
            assert experiment.centre_c - EXCURSION_K <= now.estimate.cold_c
            assert now.estimate.warm_c <= experiment.centre_c + EXCURSION_K
            assert experiment.centre_c - EXCURSION_K >= 0.5  # the freezing limit of water
            assert experiment.centre_c + EXCURSION_K <= 28.0  # the alarm's limit; the hard limit is 30 °C
            assert state.signals["left/well"].status is Status.GOOD
            assert now.condition not in (BatchState.RUNNING, BatchState.ABORTED, BatchState.IDLE)
            assert len(experiment.samples) < 320
        celsius = celsius if jumps else celsius + by_k
    ends_s = state.now_s + max(LONGEST_S.values())
    while left(state).identification.experiment is not None:
        state = scan(CELLAR, state, celsius, dt_s=SCAN_S).state
        assert state.now_s <= ends_s + SCAN_S


def test_the_batch_of_the_tests_is_regulated() -> None:
    """Or the tests above would look at nothing."""
    state = scan(CELLAR, water(), 19.0, starting("left")).state
    assert left(state).condition is BatchState.STOPPED
    assert state.utc_s is not None
    assert state.utc_s > UTC_S - DAY_S
