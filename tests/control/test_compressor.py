"""The chiller's compressor as a loop: the bath's deadband, its protective times, who has the last word."""

import json
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.codec import from_json, to_json
from controller.control.compressor import (
    CHILLS,
    COLD_ENOUGH,
    NEAR_FREEZING,
    NO_BATH_SIGNAL,
    NO_EFFECT_S,
    SHORTEST_ON,
    compressor,
)
from controller.control.follow import Moment
from controller.control.heard import UNRENEWED
from controller.control.interlock import PROTECTIVE_OFF
from controller.control.lifecycle import initial_state, resumed_state, stopped_state
from controller.control.site import COMPRESSOR, Ending, Output, Site, Supply, Upstream
from controller.control.state import AlarmPhase, Chilling, OutputState, SiteState
from controller.control.step import StepResult, step
from controller.control.values import Inputs, Reading, RecordKind, Signal, Status
from controller.control.watch import Watch, watch_chiller
from controller.outputs import driven_outputs, off_records
from tests.factories import SCAN_S, UTC_S, bath, site

OFF_S, ON_S = 300.0, 180.0
DEVICE = Upstream(Supply.CHILLER, Output(COMPRESSOR, 0.0, Ending.DEVICE_TIMER, 90.0, 25.0, ON_S, OFF_S), (), 0.0, 1.0)
CELLAR = replace(site(), upstream=(DEVICE,))
SETPOINT_C, LOWEST_C = -3.0, -10.0  # of the bath; its glycol freezes at -12 °C, with a margin of 2 K


def at(celsius: float | None, status: Status = Status.GOOD) -> Signal:
    return Signal(celsius, 0.0, status, "")


def was(on: bool, lasted_s: float = 3600.0) -> OutputState:
    return OutputState(on, -lasted_s, -lasted_s, "")


# bath, was on and for how long; on now and why
CASES = [
    pytest.param(at(-2.4), False, 3600.0, (True, CHILLS), id="half a deadband above the setpoint"),
    pytest.param(at(-2.6), False, 3600.0, (False, COLD_ENOUGH), id="within the deadband it stays off"),
    pytest.param(at(-3.4), True, 3600.0, (True, CHILLS), id="within the deadband it stays on"),
    pytest.param(at(-3.6), True, 3600.0, (False, COLD_ENOUGH), id="half a deadband below"),
    pytest.param(at(-3.6), True, ON_S - 5.0, (True, SHORTEST_ON), id="not before its shortest on time"),
    pytest.param(at(5.0), False, OFF_S - 5.0, (False, PROTECTIVE_OFF), id="not within its off time"),
    pytest.param(at(5.0), False, OFF_S, (True, CHILLS), id="when that is over"),
    pytest.param(at(LOWEST_C - 0.1), True, 5.0, (False, NEAR_FREEZING), id="freezing waits for no on time"),
    pytest.param(at(None, Status.FAILURE), True, 5.0, (False, NO_BATH_SIGNAL), id="no reading"),
    pytest.param(at(5.0, Status.FAILURE), True, 3600.0, (False, NO_BATH_SIGNAL), id="a probe that failed"),
    pytest.param(at(5.0, Status.FUNCTION_CHECK), False, 3600.0, (False, NO_BATH_SIGNAL), id="a stale one"),
    pytest.param(at(float("nan")), True, 3600.0, (False, NEAR_FREEZING), id="no number is no permit"),
    pytest.param(None, True, 3600.0, (False, NO_BATH_SIGNAL), id="no probe"),
]


@pytest.mark.parametrize(("signal", "on", "lasted_s", "wanted"), CASES)
def test_the_compressor_follows_the_bath_within_its_permits(
    signal: Signal | None, on: bool, lasted_s: float, wanted: tuple[bool, str]
) -> None:
    assert compressor(bath(), DEVICE, was(on, lasted_s), signal, 0.0) == wanted


@given(st.none() | st.floats(allow_nan=True), st.sampled_from(Status), st.booleans(), st.floats(0.0, 1e6))
def test_it_never_starts_early_nor_runs_on_a_bath_that_is_cold_or_unknown(
    celsius: float | None, status: Status, on: bool, lasted_s: float
) -> None:
    runs, reason = compressor(bath(), DEVICE, was(on, lasted_s), at(celsius, status), 0.0)
    assert reason
    if runs:
        assert celsius is not None
        assert celsius >= LOWEST_C
        assert status in (Status.GOOD, Status.MAINTENANCE, Status.OUT_OF_SPECIFICATION)
        assert on or lasted_s >= OFF_S


class Plant:
    """A scanned site whose bath has the temperature that `bath_c` says."""

    def __init__(self, cellar: Site = CELLAR, bath_c: float = 0.0, state: SiteState | None = None) -> None:
        self.site, self.bath_c = cellar, bath_c
        self.state = state or initial_state(cellar, 0.0)
        self.results: list[StepResult] = []
        self.silent = False

    def scan(self, seconds: float = SCAN_S, unheard: bool = False) -> None:
        for _ in range(round(seconds / SCAN_S)):
            now_s = self.state.now_s + SCAN_S
            readings = {} if self.silent else {"bath/supply": Reading(self.bath_c + 1e-6 * (now_s % 7.0), now_s)}
            readings["ale/well"] = Reading(19.0 + 1e-6 * (now_s % 7.0), now_s)
            lost = frozenset({COMPRESSOR}) if unheard else frozenset()
            result = step(self.site, self.state, Inputs(now_s, UTC_S + now_s, readings, (), lost, lost))
            self.state = result.state
            self.results.append(result)

    @property
    def output(self) -> OutputState:
        return self.state.upstream[COMPRESSOR]

    def sent(self) -> list[tuple[float, bool]]:
        return [(r.state.now_s, c.on) for r in self.results for c in r.commands if c.tag == COMPRESSOR]


def running() -> Plant:
    plant = Plant()
    plant.scan(OFF_S + 60.0)
    assert plant.output.on
    return plant


def test_the_off_time_begins_at_power_up_and_everything_is_commanded_off_first() -> None:
    plant = Plant()
    plant.scan(OFF_S - SCAN_S)
    assert not plant.output.on
    assert plant.output.reason == PROTECTIVE_OFF
    assert plant.sent() == [(SCAN_S, False)]
    plant.scan(2 * SCAN_S)
    assert plant.sent()[1:] == [(OFF_S, True)]


def test_after_a_power_cut_the_off_time_begins_anew_whatever_the_store_says() -> None:
    state = running().state
    long_off = state.upstream[COMPRESSOR]._replace(on=False, since_s=-1e6)
    saved = from_json(SiteState, to_json(state._replace(upstream={COMPRESSOR: long_off})))
    plant = Plant(state=resumed_state(CELLAR, saved, 50_000.0))
    plant.scan(OFF_S - SCAN_S)
    assert not plant.output.on


def test_an_on_is_renewed_and_carries_its_lifetime() -> None:
    plant = running()
    plant.scan(100.0)
    times = [at_s for at_s, on in plant.sent() if on]
    assert {later - earlier for earlier, later in pairwise(times)} == {25.0}
    commands = [c for r in plant.results for c in r.commands if c.tag == COMPRESSOR and c.on]
    assert {(c.lifetime_s, c.reason) for c in commands} == {(90.0, CHILLS)}


def test_while_its_commands_do_not_get_through_it_ends_by_itself_and_its_off_time_does_not_run() -> None:
    plant = running()
    plant.scan(50.0, unheard=True)
    assert plant.output.on
    plant.scan(550.0, unheard=True)
    assert (plant.output.on, plant.output.reason) == (False, PROTECTIVE_OFF)
    assert UNRENEWED in [r.reason for result in plant.results for r in result.records]
    plant.scan(OFF_S - SCAN_S)
    assert (plant.output.on, plant.output.reason) == (False, PROTECTIVE_OFF)
    plant.scan(2 * SCAN_S)
    assert plant.output.on


def test_it_is_one_of_the_outputs_of_the_site() -> None:
    plant = running()
    assert driven_outputs(CELLAR, plant.state)[COMPRESSOR].was.on
    assert [(r.subject, r.value) for r in off_records(CELLAR, plant.state, "stopped")] == [("compressor", "off")]
    assert not stopped_state(plant.state).upstream[COMPRESSOR].on


def test_every_change_is_recorded_with_its_reason() -> None:
    plant = running()
    plant.silent = True
    plant.scan(120.0)
    told = [
        (r.value, r.reason)
        for result in plant.results
        for r in result.records
        if (r.vessel, r.kind, r.subject) == ("", RecordKind.OUTPUT, "compressor")
    ]
    assert told == [("on", CHILLS), ("off", NO_BATH_SIGNAL)]


def alarm(plant: Plant) -> str:
    found = plant.state.alarms.get("bath/chiller no effect")
    return found.phase.value if found else ""


def test_a_chiller_that_runs_without_effect_is_alarmed() -> None:
    plant = running()
    plant.scan(NO_EFFECT_S - 120.0)
    assert not alarm(plant)
    plant.scan(240.0)
    assert alarm(plant) == "active, unacknowledged"
    assert "still at 0.0 °C" in plant.state.alarms["bath/chiller no effect"].text
    plant.bath_c = -0.3
    plant.scan(60.0)
    assert alarm(plant) == "returned to normal, unacknowledged"


def test_a_bath_that_becomes_colder_slowly_raises_no_alarm() -> None:
    plant = running()
    for _ in range(10):
        plant.bath_c -= 0.21
        plant.scan(NO_EFFECT_S - 300.0)
        assert not alarm(plant)


def test_while_more_is_asked_of_it_than_it_can_give_that_is_no_alarm() -> None:
    watch = Watch({}, Moment(NO_EFFECT_S, None, SCAN_S, False, 0.0), [])
    watch_chiller(watch, Chilling(0.0, 0.0), overloaded=True)
    assert watch.alarms["bath/chiller no effect"].phase is AlarmPhase.SUPPRESSED
    watch_chiller(watch, Chilling(0.0, 0.0), overloaded=False)
    assert watch.alarms["bath/chiller no effect"].phase is AlarmPhase.UNACKNOWLEDGED


def test_a_state_of_the_version_before_still_loads() -> None:
    raw = json.loads(to_json(initial_state(CELLAR, 0.0)))
    assert not {"sharing", "chilling"} & set(raw)  # left out, as that version left them out
    assert from_json(SiteState, json.dumps(raw)) == initial_state(CELLAR, 0.0)
