"""From a grant to an output that is on or off, and why; most of it through whole scans."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.control.drive import OFF_AGAIN_S, START, drive, due
from controller.control.follow import Course, Moment
from controller.control.lifecycle import initial_state, resumed_state
from controller.control.site import Ending, Limits, Output
from controller.control.state import Batch, BatchState, Mode, OutputState, SiteState
from controller.control.step import step
from controller.control.values import (
    Action,
    Drive,
    Estimate,
    Grant,
    Inputs,
    Reading,
    Record,
    RecordKind,
    Setpoint,
    Signal,
    Status,
)
from tests.factories import PID, SCAN_S, UTC_S, readings, running_state, scan, site, starting, vessel

NOW_S = 1e5
ALE = vessel()
CELLAR = site(ALE)
BATCH = Batch("pale", 1.050, 50.0, "", None, 0.0, None)
RESTED = OutputState(False, 0.0, 0.0, "")
RUNNING = OutputState(True, NOW_S - 600.0, NOW_S - 10.0, "cooling to the setpoint", ended_s=NOW_S - 5.0, starts=1)
JUST_ON = RUNNING._replace(since_s=NOW_S - 5.0)


def driven(
    heat_w: float,
    celsius: float = 19.0,
    *,
    reason: str = "because",
    cooler: OutputState = RESTED,
    heater: OutputState = RESTED,
    condition: BatchState = BatchState.RUNNING,
    mode: Mode = Mode.AUTO,
    batch: Batch | None = BATCH,
    status: Status = Status.GOOD,
    started: bool = True,
    pulse: int | None = None,
) -> tuple[OutputState, OutputState, float, list[Record]]:
    """Cooler, heater, applied watts and records after one scan with this grant."""
    records: list[Record] = []
    was = (
        initial_state(CELLAR, 0.0)
        .vessels["ale"]
        ._replace(condition=condition, mode=mode, batch=batch, cooler=cooler, heater=heater)
    )
    wort = Estimate(celsius, celsius, celsius, 0.0, celsius, Drive.BOTH, "")
    course = Course(condition, mode, None, None, Setpoint(19.0, 19.0), None, 0.0, False)
    moment = Moment(NOW_S, UTC_S, SCAN_S, False, 0.0)
    signals = [Signal(celsius, NOW_S, status, "stale" if status is Status.FAILURE else "")]
    after = drive(ALE, was, course, wort, Grant(heat_w, reason), signals, moment, started, records, pulse=pulse)
    assert after.cooler is not None
    assert after.heater is not None
    return after.cooler, after.heater, after.applied_w, records


def outputs(state: SiteState) -> tuple[bool, bool]:
    """Whether the ale's cooler and heater are on."""
    ale = state.vessels["ale"]
    assert ale.cooler is not None
    assert ale.heater is not None
    return ale.cooler.on, ale.heater.on


def cooling() -> SiteState:
    """The ale at 25 °C with its setpoint at 19 °C, cooling in full."""
    state = running_state(CELLAR, 25.0)
    assert outputs(state) == (True, False)
    return state


def heating() -> SiteState:
    """The ale at 15 °C with its setpoint at 19 °C, heating in full."""
    state = running_state(CELLAR, 15.0)
    assert outputs(state) == (False, True)
    return state


# Design rule 3: everything off first


def test_before_everything_was_commanded_off_nothing_is_on_and_the_reason_says_so() -> None:
    for heat_w in (-300.0, -100.0, 0.0, 80.0):
        cooler, heater, applied_w, _ = driven(heat_w, started=False)
        assert (cooler.on, heater.on, applied_w) == (False, False, 0.0)
        assert cooler.reason == heater.reason == START


def test_an_output_that_was_somehow_on_at_the_start_is_commanded_off() -> None:
    for on in (RUNNING, JUST_ON):
        assert not driven(-300.0, cooler=on, started=False)[0].on
        assert not driven(80.0, heater=on, started=False)[1].on


@pytest.mark.parametrize("celsius", [10.0, 19.0, 25.0])
def test_the_first_commands_of_all_are_off(celsius: float) -> None:
    result = scan(CELLAR, initial_state(CELLAR, 0.0), celsius)
    assert [(command.tag, command.on, command.reason) for command in result.commands] == [
        ("ale/cooler", False, START),
        ("ale/heater", False, START),
    ]


def test_after_a_restart_in_the_middle_of_cooling_everything_is_off_first_and_the_pump_rests() -> None:
    state = resumed_state(CELLAR, cooling(), 0.0)
    first = scan(CELLAR, state, 25.0)
    assert {(command.on, command.reason) for command in first.commands} == {(False, START)}
    state, on_after_s = first.state, 0.0
    while not outputs(state)[0]:
        state = scan(CELLAR, state, 25.0).state
        on_after_s = state.now_s
    assert on_after_s >= Output("x", 1.0, Ending.DEVICE_TIMER).shortest_off_s


# Design rule 1: never both


def test_the_heater_waits_for_the_change_over_after_cooling() -> None:
    state = cooling()
    while outputs(state)[0]:
        state = scan(CELLAR, state, 15.0).state
    off_s = state.now_s
    while not outputs(state)[1]:
        state = scan(CELLAR, state, 15.0).state
        assert not outputs(state)[0]
    assert state.now_s - off_s >= PID.changeover_s


def test_the_cooler_waits_for_the_change_over_after_heating() -> None:
    state = heating()
    while outputs(state)[1]:
        state = scan(CELLAR, state, 25.0).state
    off_s = state.now_s
    while not outputs(state)[0]:
        state = scan(CELLAR, state, 25.0).state
        assert not outputs(state)[1]
    assert state.now_s - off_s >= PID.changeover_s


def test_while_the_heater_is_on_a_grant_of_cold_is_not_applied() -> None:
    cooler, heater, applied_w, records = driven(-300.0, heater=RUNNING)
    assert (cooler.on, heater.on, cooler.reason) == (False, False, "the heater is on")
    assert applied_w == 0.0
    assert Record(NOW_S, UTC_S, "ale", RecordKind.LIMIT, "cooler", "off", "the heater is on") in records


# Safety ignores the shortest on time


@pytest.mark.parametrize(
    ("celsius", "status", "reason"),
    [
        (19.0, Status.FAILURE, "no signal fit to drive"),
        (0.0, Status.GOOD, "no cooling: the wort is near freezing or at its hard limit"),
        (41.0, Status.GOOD, "no cooling above 40 °C"),
    ],
)
def test_a_missing_permit_stops_the_pump_within_its_shortest_on_time(
    celsius: float, status: Status, reason: str
) -> None:
    cooler, _, applied_w, records = driven(-300.0, celsius, cooler=JUST_ON, status=status)
    assert (cooler.on, cooler.reason, applied_w) == (False, reason, 0.0)
    assert [(r.kind, r.subject, r.value, r.reason) for r in records] == [(RecordKind.OUTPUT, "cooler", "off", reason)]


def test_a_demand_that_ends_waits_for_the_shortest_on_time() -> None:
    cooler, _, applied_w, _ = driven(0.0, cooler=JUST_ON)
    assert cooler.on
    assert applied_w == 0.0
    assert not driven(0.0, cooler=RUNNING)[0].on


@pytest.mark.parametrize(
    ("condition", "mode"),
    [
        (BatchState.RUNNING, Mode.OFF),
        (BatchState.ABORTED, Mode.AUTO),
        (BatchState.IDLE, Mode.AUTO),
        (BatchState.ABORTED, Mode.MANUAL),
    ],
)
def test_off_and_aborted_and_packaged_are_off_at_once(condition: BatchState, mode: Mode) -> None:
    for heat_w in (-300.0, 0.0, 80.0):
        cooler, heater, applied_w, _ = driven(heat_w, cooler=JUST_ON, condition=condition, mode=mode)
        assert (cooler.on, heater.on, applied_w) == (False, False, 0.0)
        cooler, heater, applied_w, _ = driven(heat_w, heater=JUST_ON, condition=condition, mode=mode)
        assert (cooler.on, heater.on, applied_w) == (False, False, 0.0)


@pytest.mark.parametrize(
    ("condition", "mode"),
    [(BatchState.RUNNING, Mode.OFF), (BatchState.ABORTED, Mode.AUTO), (BatchState.IDLE, Mode.AUTO)],
)
def test_off_and_aborted_do_not_hang_on_the_interlock_alone(
    condition: BatchState, mode: Mode, monkeypatch: pytest.MonkeyPatch
) -> None:
    for permit in ("may_cool", "may_heat"):
        monkeypatch.setattr(f"controller.control.drive.{permit}", lambda *_: "")
    cooler, heater, _, _ = driven(-300.0, cooler=JUST_ON, condition=condition, mode=mode)
    assert (cooler.on, heater.on) == (False, False)
    cooler, heater, _, _ = driven(80.0, heater=JUST_ON, condition=condition, mode=mode)
    assert (cooler.on, heater.on) == (False, False)


def test_the_brewers_off_is_commanded_in_the_same_scan() -> None:
    result = scan(CELLAR, cooling(), 25.0, Action("a", "ale", "mode", {"mode": "off"}, "test"))
    assert [(command.tag, command.on, command.reason) for command in result.commands] == [
        ("ale/cooler", False, "mode off")
    ]


def test_a_probe_that_falls_silent_stops_the_heater_when_it_is_stale() -> None:
    state = heating()
    last_heard_s = state.now_s
    while outputs(state)[1]:
        now_s = state.now_s + SCAN_S
        bath = {"bath/supply": Reading(-3.0, now_s)}
        result = step(CELLAR, state, Inputs(now_s, UTC_S + now_s, bath))
        state = result.state
    assert 30.0 < state.now_s - last_heard_s <= 35.0
    assert [(c.tag, c.on, c.reason) for c in result.commands] == [("ale/heater", False, "no signal fit to drive")]


@pytest.mark.parametrize("celsius", [85.0, -127.0, float("nan"), float("inf"), -60.0])
def test_a_code_instead_of_a_temperature_stops_the_output_in_the_same_scan(celsius: float) -> None:
    for state in (cooling(), heating()):
        result = scan(CELLAR, state, celsius)
        assert outputs(result.state) == (False, False)
        assert [command.on for command in result.commands] == [False]


@pytest.mark.parametrize("celsius", [float("nan"), float("inf"), float("-inf")])
def test_a_signal_that_is_no_number_switches_both_off(celsius: float) -> None:
    assert not driven(-300.0, celsius, cooler=RUNNING)[0].on
    assert not driven(80.0, celsius, heater=RUNNING)[1].on


# Design rules 6 and 7 through whole scans


def test_a_crash_to_the_limit_without_known_alcohol_stops_half_a_kelvin_above_zero() -> None:
    cold = site(vessel(limits=Limits(-2.0, 30.0)))
    state = running_state(cold, 8.0, setpoint_c=-2.0)
    celsius = 8.0
    for _ in range(4000):
        celsius = max(-1.0, celsius - 0.005) if outputs(state)[0] else celsius
        state = scan(cold, state, celsius).state
    assert outputs(state) == (False, False)
    assert 0.4 <= celsius <= 0.6


@pytest.mark.parametrize("celsius", [1.2, 2.0, 19.0])
def test_the_mean_of_a_load_cools_nothing_while_the_loop_wants_nothing(celsius: float) -> None:
    """At 1.2 °C the duty is limited and saved up for, at 2 °C and above a pulse of the loop is followed at once."""
    wanted, unwanted = (driven(-100.0, celsius, pulse=pulse)[0] for pulse in (-1, 0))
    assert wanted.on or wanted.owed_s > 0.0
    assert not unwanted.on
    assert unwanted.owed_s == 0.0


def test_near_freezing_the_pump_runs_a_smaller_share_of_the_time() -> None:
    on = {}
    for celsius in (2.0, 1.0, 0.75):  # the limit is 0.5 °C
        cold = site(vessel(limits=Limits(-5.0, 30.0)))
        state, on[celsius] = running_state(cold, celsius, setpoint_c=-4.0), 0
        for _ in range(4000):
            state = scan(cold, state, celsius).state
            on[celsius] += outputs(state)[0]
    assert on[2.0] == 4000
    assert on[1.0] / 4000 == pytest.approx(0.5, abs=0.05)
    assert on[0.75] / 4000 == pytest.approx(0.25, abs=0.05)


def test_an_empty_vessel_is_not_heated() -> None:
    state = scan(CELLAR, initial_state(CELLAR, 0.0), 15.0).state
    no_volume = Action("s", "ale", "start", {"batch": "pale", "profile": "hold"}, "test")
    state = scan(CELLAR, state, 15.0, no_volume).state
    for _ in range(500):
        state = scan(CELLAR, state, 15.0).state
        assert outputs(state) == (False, False)
    ale = state.vessels["ale"]
    assert ale.heater is not None
    assert ale.heater.reason == "no heat: the batch's volume is not known"


def test_hot_wort_is_not_cooled_and_not_heated() -> None:
    state = running_state(CELLAR, 60.0)
    assert outputs(state) == (False, False)


def test_a_doubtful_signal_never_heats() -> None:
    cold = site(vessel(limits=Limits(-20.0, 30.0)))
    state = running_state(cold, -12.0)  # out of specification: no fermenter is so cold
    assert state.signals["ale/well"].status is Status.OUT_OF_SPECIFICATION
    for _ in range(300):
        state = scan(cold, state, -12.0).state
        assert outputs(state) == (False, False)


# Commands, counters, reasons


def test_an_on_is_renewed_before_its_lifetime_ends_and_an_off_is_said_again_rarely() -> None:
    state, sent = cooling(), []
    for _ in range(100):
        result = scan(CELLAR, state, 25.0)
        state = result.state
        sent += [(state.now_s, command) for command in result.commands if command.tag == "ale/cooler"]
    times = [at_s for at_s, _ in sent]
    assert len(times) >= 500.0 / 25.0 - 1
    assert all(later - before <= 25.0 for before, later in pairwise(times))
    assert {command.lifetime_s for _, command in sent} == {90.0}
    numbers = [command.number for _, command in sent]
    assert numbers == sorted(set(numbers))
    pump = Output("x", 1.0, Ending.DEVICE_TIMER)
    assert not due(pump, OutputState(False, 0.0, 100.0, ""), 100.0 + OFF_AGAIN_S - 1.0)
    assert due(pump, OutputState(False, 0.0, 100.0, ""), 100.0 + OFF_AGAIN_S)


def test_starts_and_hours_are_counted() -> None:
    cooler, _, _, _ = driven(-300.0)
    assert (cooler.on, cooler.starts, cooler.on_s, cooler.since_s) == (True, 1, 0.0, NOW_S)
    cooler, _, _, _ = driven(-300.0, cooler=RUNNING)
    assert (cooler.on, cooler.starts, cooler.on_s) == (True, 1, SCAN_S)


def test_what_is_granted_is_applied_and_what_is_denied_is_not() -> None:
    assert driven(-120.0)[2] == pytest.approx(-120.0)
    assert driven(40.0)[2] == pytest.approx(40.0)
    assert driven(-120.0, 1.0)[2] == pytest.approx(-120.0)  # half of full power: near freezing no more than that
    assert driven(-300.0, 1.0)[2] == pytest.approx(-150.0)
    assert driven(-300.0, 41.0)[2] == 0.0
    assert driven(80.0, batch=BATCH._replace(volume_l=None))[2] == 0.0


@pytest.mark.parametrize("heat_w", [float("nan"), 0.0])
def test_a_grant_of_nothing_or_of_no_number_rests_and_tells_why(heat_w: float) -> None:
    cooler, heater, applied_w, records = driven(heat_w, reason="free rise")
    assert (cooler.on, heater.on, applied_w, records) == (False, False, 0.0, [])
    assert cooler.reason == heater.reason == "free rise"


WEATHER = st.lists(
    st.tuples(
        st.floats(-5.0, 45.0) | st.sampled_from([85.0, -127.0, float("nan"), float("inf"), 19.0]),
        st.integers(1, 60),
        st.sampled_from(["", "", "", "off", "auto", "cool", "heat", "packaged", "start"]),
    ),
    min_size=1,
    max_size=12,
)


def said(word: str, k: int) -> tuple[Action, ...]:
    """What the brewer says in this part of the story."""
    if word in ("off", "auto"):
        return (Action(f"a{k}", "ale", "mode", {"mode": word}, "test"),)
    if word in ("cool", "heat"):
        duty = -1.0 if word == "cool" else 1.0
        return (Action(f"a{k}", "ale", "mode", {"mode": "manual", "duty": duty, "for_s": 3600.0}, "test"),)
    if word == "packaged":
        return (Action(f"a{k}", "ale", "packaged", {}, "test"),)
    return (starting("ale")._replace(id=f"a{k}"),) if word == "start" else ()


@settings(max_examples=60, deadline=None)
@given(WEATHER)
def test_whatever_happens_the_two_outputs_are_never_on_together_and_keep_their_times(
    story: list[tuple[float, int, str]],
) -> None:
    state = running_state(CELLAR, 20.0, scans=40)
    off_since_s = {"ale/cooler": 0.0, "ale/heater": 0.0}  # by the commands alone
    last_on_s = {"ale/cooler": -1e9, "ale/heater": -1e9}
    on = {"ale/cooler": False, "ale/heater": False}
    for k, (celsius, scans, word) in enumerate(story):
        for n in range(scans):
            now_s = state.now_s + SCAN_S
            inputs = Inputs(now_s, UTC_S + now_s, readings(CELLAR, celsius, now_s), said(word, k) if n == 0 else ())
            result = step(CELLAR, state, inputs)
            state = result.state
            for tag in on:
                if on[tag]:
                    last_on_s[tag] = now_s
            for command in result.commands:
                assert command.reason
                if command.on and not on[command.tag]:
                    other = "ale/heater" if command.tag == "ale/cooler" else "ale/cooler"
                    assert now_s - off_since_s[command.tag] >= 180.0
                    assert now_s - last_on_s[other] >= PID.changeover_s
                if on[command.tag] and not command.on:
                    off_since_s[command.tag] = now_s
                on[command.tag] = command.on
            assert not (on["ale/cooler"] and on["ale/heater"])
            assert (on["ale/cooler"], on["ale/heater"]) == outputs(state)
