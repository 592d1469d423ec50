"""Quiet hours: no pump beside the bedroom for a night, and the beer is looked after all the same."""

from dataclasses import replace

import pytest

from controller.control.codec import from_json, to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import resumed_state
from controller.control.quiet import quiet_after
from controller.control.site import AlarmLimits, Limits, Loop, Site
from controller.control.state import AlarmPhase, Mode, Quiet, SiteState, VesselState
from controller.control.step import step
from controller.control.values import Drive, Estimate, Inputs, Record, RecordKind, Setpoint
from tests.control.cellar_actions import allowed, answered, refused, told, wish
from tests.factories import (
    DAY_S,
    HEAT_CAPACITY_J_PER_K,
    HOUR_S,
    ON_OFF,
    PID,
    UTC_S,
    readings,
    running_state,
    scan,
    site,
    vessel,
)  # fmt: skip

SCAN_S = 15.0
REST = Profile("hold", "A rest", (ProfileStep("rest", StepKind.REST, 19.0, 0.5, Ends(after_s=9 * DAY_S), 20 * DAY_S),))


def cellar_with(loop: Loop = PID) -> Site:
    return site(vessel("left", loop=loop), profile=REST)


def left(state: SiteState) -> VesselState:
    return state.vessels["left"]


class Night:
    """A wort of 60 L warmed by its yeast (or cooled by the room), and what happened to it."""

    def __init__(self, cellar: Site, state: SiteState, celsius: float, yeast_w: float) -> None:
        self.cellar, self.state, self.celsius, self.yeast_w = cellar, state, celsius, yeast_w
        self.records: list[Record] = []
        self.seen_c: list[float] = []
        self.on_s = 0.0

    def passes(self, lasting_s: float) -> "Night":
        for _ in range(round(lasting_s / SCAN_S)):
            now = left(self.state)
            watts = self.yeast_w - (300.0 if now.cooler.on else 0.0) + (80.0 if now.heater.on else 0.0)
            self.celsius += watts * SCAN_S / HEAT_CAPACITY_J_PER_K
            result = scan(self.cellar, self.state, self.celsius, dt_s=SCAN_S)
            self.state, self.records = result.state, self.records + list(result.records)
            self.seen_c.append(self.celsius)
            self.on_s += SCAN_S * (left(self.state).cooler.on or left(self.state).heater.on)
        return self

    def told(self, kind: RecordKind, subject: str) -> list[str]:
        return [record.value for record in self.records if record.kind is kind and record.subject == subject]

    def forgets(self) -> "Night":
        self.records, self.seen_c, self.on_s = [], [], 0.0
        return self


def settled(loop: Loop = PID, yeast_w: float = 40.0) -> Night:
    """A day on, at the setpoint of 19 °C."""
    cellar = cellar_with(loop)
    return Night(cellar, running_state(cellar, 19.0), 19.0, yeast_w).passes(DAY_S).forgets()


def quieten(night: Night, for_s: float = 8 * HOUR_S, drift_k: float = 1.0) -> Night:
    night.state = allowed(night.state, wish("quiet", for_s=for_s, drift_k=drift_k), night.cellar)
    return night


# A night


@pytest.mark.parametrize("loop", [PID, ON_OFF], ids=["pid", "on/off"])
def test_the_outputs_rest_while_the_wort_stays_within_the_drift(loop: Loop) -> None:
    """A slow fermentation: 10 W warm 60 L by about 0.15 K an hour."""
    night = settled(loop, yeast_w=10.0)
    assert night.passes(6 * HOUR_S).on_s > 0.0  # the pump would have run
    quieten(night.forgets(), for_s=4 * HOUR_S)
    night.passes(10 * 60.0).forgets().passes(3.5 * HOUR_S)
    assert night.on_s == 0.0
    assert "quiet" in left(night.state).cooler.reason
    assert max(night.seen_c) < 20.0


@pytest.mark.parametrize("loop", [PID, ON_OFF], ids=["pid", "on/off"])
@pytest.mark.parametrize("yeast_w", [60.0, -40.0], ids=["yeast warms", "the room cools"])
def test_a_wort_that_drifts_too_far_is_brought_back_and_the_outputs_rest_again(loop: Loop, yeast_w: float) -> None:
    night = quieten(settled(loop, yeast_w), for_s=12 * HOUR_S).passes(11.9 * HOUR_S)
    changes = night.told(RecordKind.MODE, "quiet")
    assert changes[:3] == ["acting", "resting", "acting"]
    assert changes == ["acting", "resting"] * (len(changes) // 2) + ["acting"] * (len(changes) % 2)
    assert max(abs(celsius - 19.0) for celsius in night.seen_c) < 1.3
    starts = night.told(RecordKind.OUTPUT, "cooler" if yeast_w > 0 else "heater").count("on")
    ordinary = settled(loop, yeast_w).passes(11.9 * HOUR_S)
    assert starts <= ordinary.told(RecordKind.OUTPUT, "cooler" if yeast_w > 0 else "heater").count("on")


def test_a_pump_that_runs_when_the_quiet_begins_keeps_its_shortest_time_and_stops() -> None:
    night = settled(ON_OFF, 60.0)
    while not left(night.state).cooler.on:
        night.passes(SCAN_S)
    quieten(night)
    night.passes(2 * SCAN_S)
    assert left(night.state).cooler.on  # 60 s at least, design rule 8
    night.passes(60.0)
    assert not left(night.state).cooler.on


def test_the_quiet_hours_end_by_themselves_and_say_so() -> None:
    night = quieten(settled(), for_s=2 * HOUR_S).passes(2 * HOUR_S - 30.0)
    assert left(night.state).quiet is not None
    night.passes(60.0)
    assert left(night.state).quiet is None
    (last,) = [r for r in night.records if r.kind is RecordKind.MODE and r.value == "over"]
    assert (last.reason, last.who) == ("the quiet hours are over", "")


def test_nothing_winds_up_in_a_night_of_drift() -> None:
    """What the loop has learnt of the yeast is the same after the night, and the wort comes back without swinging
    past the setpoint by more than the deadband of 0.3 K."""
    night = quieten(settled(PID, 15.0), for_s=4 * HOUR_S, drift_k=3.0)
    before_w = left(night.state).loop.integral_w
    night.passes(4 * HOUR_S - 30.0)
    assert left(night.state).loop.integral_w == before_w
    assert night.celsius > 19.5
    night.forgets().passes(DAY_S)
    assert min(night.seen_c) > 18.7
    assert abs(night.celsius - 19.0) < 0.2


def test_time_within_the_tolerance_counts_for_the_step() -> None:
    night = quieten(settled(PID, 10.0), for_s=3 * HOUR_S)
    before_s = left(night.state).program.counted_s
    night.passes(2 * HOUR_S)
    assert left(night.state).program.counted_s - before_s == pytest.approx(2 * HOUR_S)


def test_alarms_go_on() -> None:
    night = quieten(settled(PID, 60.0), drift_k=3.0).passes(3 * HOUR_S)
    assert night.state.alarms["left/deviation"].phase is AlarmPhase.UNACKNOWLEDGED


def test_very_active_yeast_makes_the_quiet_useless_but_does_no_harm() -> None:
    """High kräusen: 150 W."""
    night = quieten(settled(PID, 150.0), for_s=8 * HOUR_S, drift_k=0.3).passes(8 * HOUR_S)
    assert max(night.seen_c) < 19.6
    assert night.on_s > 3 * HOUR_S


def test_a_pull_down_goes_on_through_the_quiet_hours() -> None:
    cellar = cellar_with()
    night = quieten(Night(cellar, running_state(cellar, 25.0), 25.0, 0.0), for_s=8 * HOUR_S).passes(8 * HOUR_S)
    assert night.celsius < 20.0


# What it never overrides


LIMIT = AlarmLimits(1.0, 1800.0, -1.0, 28.0, 300.0, 0.2, 43200.0)


def wort(celsius: float, drive: Drive = Drive.BOTH) -> Estimate:
    return Estimate(celsius, celsius, celsius, 0.0, celsius, drive, "")


@pytest.mark.parametrize(
    ("setpoint_c", "celsius", "acts"),
    [
        (19.0, 21.9, False),
        (19.0, 22.1, True),
        (19.0, 15.9, True),
        (24.0, 25.1, True),  # above the alarm's high limit
        (24.0, 24.9, False),
        (10.0, 7.9, True),  # below the hard limit
        (2.0, 1.1, False),
        (1.0, 0.6, False),
        (1.0, 0.4, True),  # below the freezing point of water and the margin of 0.5 K
        (0.6, 0.4, False),  # but never less than the deadband
        (0.6, 0.2, True),
    ],
)
def test_the_drift_ends_at_hard_limits_alarm_limits_and_the_freezing_limit(
    setpoint_c: float, celsius: float, acts: bool
) -> None:
    low_c = 8.0 if setpoint_c == 10.0 else 0.0
    fermenter = replace(vessel("left"), limits=Limits(low_c, 30.0), alarms=replace(LIMIT, high_c=25.0))
    quiet = Quiet(9e9, 3.0)
    after = quiet_after(fermenter, quiet, None, Setpoint(setpoint_c, setpoint_c), wort(celsius), False)
    assert after.acting is acts


def test_inside_a_free_rise_nothing_has_drifted() -> None:
    after = quiet_after(vessel("left"), Quiet(9e9, 0.3), None, Setpoint(18.0, 24.0), wort(21.0), False)
    assert not after.acting


def test_without_a_fit_signal_nothing_changes() -> None:
    for acting in (False, True):
        quiet = Quiet(9e9, 0.3, acting)
        blind = wort(30.0, Drive.NOTHING)
        assert quiet_after(vessel("left"), quiet, None, Setpoint(19.0, 19.0), blind, False) is quiet


def test_a_setpoint_that_jumps_away_in_the_night_is_followed() -> None:
    night = quieten(settled(PID, 20.0), for_s=12 * HOUR_S)
    night.state = allowed(night.state, wish("hold"), night.cellar)
    night.state = allowed(night.state, wish("setpoint", celsius=15.0), night.cellar)
    night.passes(8 * HOUR_S)
    assert min(night.seen_c) < 15.2
    assert night.celsius < 16.1


# How it is asked for


def test_quiet_is_answered_in_words_and_recorded() -> None:
    state = running_state(cellar_with(), 19.0)
    _, answer, _ = answered(state, wish("quiet", for_s=8 * HOUR_S, drift_k=0.5), cellar_with())
    assert answer.reason == ("quiet for 8.0 h: the outputs rest unless the wort drifts more than 0.5 K; alarms go on")
    assert told(state, wish("quiet", for_s=HOUR_S), cellar_with()) == [("left", "mode", "quiet", "resting")]
    assert left(allowed(state, wish("quiet", for_s=HOUR_S), cellar_with())).quiet == Quiet(state.now_s + HOUR_S, 1.0)


def test_quiet_for_no_time_ends_it() -> None:
    state = running_state(cellar_with(), 19.0)
    assert "left has no quiet hours to end" in refused(state, wish("quiet", for_s=0.0), cellar_with())
    quiet = allowed(state, wish("quiet", for_s=HOUR_S), cellar_with())
    assert told(quiet, wish("quiet", for_s=0.0), cellar_with()) == [("left", "mode", "quiet", "over")]
    assert left(allowed(quiet, wish("quiet", for_s=0.0), cellar_with())).quiet is None


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ({}, "'for_s' must be a number"),
        ({"for_s": 12.1 * HOUR_S}, "'for_s' must lie between 0 and 43200"),
        ({"for_s": -1.0}, "'for_s' must lie between 0 and 43200"),
        ({"for_s": 30.0}, "at least a minute"),
        ({"for_s": HOUR_S, "drift_k": 0.1}, "'drift_k' must lie between 0.3 and 3"),
        ({"for_s": HOUR_S, "drift_k": 5.0}, "'drift_k' must lie between 0.3 and 3"),
        ({"for_s": HOUR_S, "drift_k": float("nan")}, "'drift_k' must be a number"),
    ],
)
def test_a_quiet_that_is_not_well_said_is_refused(arguments: dict, reason: str) -> None:
    assert reason in refused(running_state(cellar_with(), 19.0), wish("quiet", **arguments), cellar_with())


def test_quiet_is_only_for_what_is_regulated() -> None:
    cellar = cellar_with()
    state = running_state(cellar, 19.0)
    off = allowed(state, wish("mode", mode="off"), cellar)
    assert "the mode is off" in refused(off, wish("quiet", for_s=HOUR_S), cellar)
    aborted = allowed(state, wish("abort", sure=True), cellar)
    assert "the batch is aborted" in refused(aborted, wish("quiet", for_s=HOUR_S), cellar)


@pytest.mark.parametrize("mode", [{"mode": "off"}, {"mode": "manual", "duty": -0.5, "for_s": 60.0}])
def test_a_hand_on_the_switch_ends_the_quiet_hours(mode: dict) -> None:
    cellar = cellar_with()
    quiet = allowed(running_state(cellar, 19.0), wish("quiet", for_s=HOUR_S), cellar)
    assert told(quiet, wish("mode", **mode), cellar)[1] == ("left", "mode", "quiet", "over")
    assert left(allowed(quiet, wish("mode", **mode), cellar)).quiet is None
    assert left(allowed(quiet, wish("mode", mode="auto"), cellar)).quiet is not None


def test_abort_and_packaged_end_the_quiet_hours() -> None:
    cellar = cellar_with()
    quiet = allowed(running_state(cellar, 19.0), wish("quiet", for_s=HOUR_S), cellar)
    assert left(allowed(quiet, wish("abort", sure=True), cellar)).quiet is None
    state = allowed(quiet, wish("packaged"), cellar)
    assert left(state).quiet is None
    assert left(state).mode is Mode.AUTO


def test_quiet_hours_outlive_a_restart() -> None:
    cellar = cellar_with()
    quiet = allowed(running_state(cellar, 19.0), wish("quiet", for_s=HOUR_S), cellar)
    back = resumed_state(cellar, from_json(SiteState, to_json(quiet)), quiet.now_s)
    assert left(back).quiet == left(quiet).quiet


def test_a_state_that_was_saved_before_there_were_quiet_hours_still_loads() -> None:
    state = running_state(cellar_with(), 19.0)
    old = to_json(state).replace(',"quiet":null', "")
    assert "quiet" not in old
    assert from_json(SiteState, old) == state


def test_with_a_lost_probe_the_quiet_hours_still_end() -> None:
    cellar = cellar_with()
    state = allowed(running_state(cellar, 19.0), wish("quiet", for_s=HOUR_S), cellar)
    end_s = state.now_s + HOUR_S
    while state.now_s < end_s + 30.0:
        now_s = state.now_s + SCAN_S
        bath_only = {tag: r for tag, r in readings(cellar, 19.0, now_s).items() if tag.startswith("bath")}
        state = step(cellar, state, Inputs(now_s, UTC_S + now_s, bath_only)).state
        assert not left(state).cooler.on
    assert left(state).quiet is None
