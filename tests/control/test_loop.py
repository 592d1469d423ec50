"""What a vessel asks for: on/off, PID, manual, off, and the ways from one to the other."""

from collections import deque
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simple_pid import PID as Bare

from controller.control.estimate import estimate
from controller.control.loop import demand
from controller.control.site import Vessel
from controller.control.state import NO_ESTIMATE, NO_LOOP, LoopState, Manual, Mode
from controller.control.values import Demand, Drive, Estimate, Setpoint, Signal, Status
from tests.factories import HEAT_CAPACITY_J_PER_K, HOUR_S, ON_OFF, PID, SCAN_S, vessel

ALE = replace(vessel(), heat_capacity_j_per_k=HEAT_CAPACITY_J_PER_K)
TWO_POSITION = replace(ALE, loop=ON_OFF)
AT_19 = Setpoint(19.0, 19.0)
RISE = Setpoint(17.0, 21.0)
HELD = LoopState(automatic=True)


def wort(celsius: float, warm_c: float | None = None, drive: Drive = Drive.BOTH) -> Estimate:
    """A wort at that temperature; with `warm_c` a second probe reads that much."""
    warmer_c = celsius if warm_c is None else warm_c
    return Estimate((celsius + warmer_c) / 2.0, celsius, warmer_c, 0.0, celsius, drive, "")


def ask(
    celsius: float,
    last: LoopState = HELD,
    applied_w: float = 0.0,
    *,
    fermenter: Vessel = ALE,
    setpoint: Setpoint | None = AT_19,
    mode: Mode = Mode.AUTO,
    manual: Manual | None = None,
    drive: Drive = Drive.BOTH,
    dt_s: float = SCAN_S,
) -> tuple[Demand, LoopState]:
    return demand(fermenter, mode, manual, setpoint, wort(celsius, drive=drive), last, applied_w, dt_s)


# What is not regulated


def test_without_a_setpoint_nothing_is_asked_for_and_nothing_remembered() -> None:
    wanted, loop = ask(25.0, LoopState(-200.0, 19.0, 0.0, -200.0, -1, True), setpoint=None)
    assert (wanted.heat_w, wanted.reason, loop) == (0.0, "no batch to regulate", NO_LOOP)


def test_in_mode_off_nothing_is_asked_for_and_nothing_remembered() -> None:
    wanted, loop = ask(25.0, LoopState(-200.0, 19.0, 0.0, -200.0, -1, True), mode=Mode.OFF)
    assert (wanted.heat_w, wanted.reason, loop) == (0.0, "mode off", NO_LOOP)


@pytest.mark.parametrize(("duty", "heat_w"), [(-1.0, -300.0), (-0.25, -75.0), (0.0, 0.0), (0.5, 40.0), (1.0, 80.0)])
def test_in_manual_the_brewers_share_of_the_output_is_asked_for(duty: float, heat_w: float) -> None:
    wanted, _ = ask(25.0, mode=Mode.MANUAL, manual=Manual(duty, 1e9))
    assert (wanted.heat_w, wanted.reason) == (heat_w, "manual")


def test_manual_asks_nothing_of_an_output_that_is_not_there() -> None:
    bare = vessel(cooler_w=None, heater_w=None)
    for duty in (-1.0, 1.0):
        assert ask(25.0, fermenter=bare, mode=Mode.MANUAL, manual=Manual(duty, 1e9))[0].heat_w == 0.0


@pytest.mark.parametrize("fermenter", [ALE, TWO_POSITION])
def test_a_blind_vessel_asks_for_nothing(fermenter: Vessel) -> None:
    for celsius in (5.0, 25.0):
        wanted, _ = ask(celsius, fermenter=fermenter, drive=Drive.NOTHING)
        assert (wanted.heat_w, wanted.reason) == (0.0, "no signal fit to drive")


@pytest.mark.parametrize("fermenter", [ALE, TWO_POSITION])
def test_a_signal_out_of_specification_asks_for_cooling_and_never_for_heat(fermenter: Vessel) -> None:
    assert ask(25.0, fermenter=fermenter, drive=Drive.COOLING)[0].heat_w == -300.0
    loop = HELD
    for _ in range(1000):
        wanted, loop = ask(10.0, loop, fermenter=fermenter, drive=Drive.COOLING)
        assert wanted.heat_w == 0.0


@pytest.mark.parametrize("loop", [PID, ON_OFF])
def test_nothing_is_asked_of_a_cooler_or_heater_that_is_not_there(loop: object) -> None:
    assert ask(25.0, fermenter=vessel(loop=loop, cooler_w=None))[0].heat_w == 0.0  # type: ignore[arg-type]
    assert ask(10.0, fermenter=vessel(loop=loop, heater_w=None))[0].heat_w == 0.0  # type: ignore[arg-type]


# Free rise


@pytest.mark.parametrize("fermenter", [ALE, TWO_POSITION])
def test_inside_a_free_rise_nothing_is_asked_for(fermenter: Vessel) -> None:
    before = LoopState(-120.0, 18.0, 0.0, -120.0, -1, True, -120.0)  # the hold before it was cooling
    for celsius in (17.1, 18.0, 19.0, 20.9):
        assert ask(celsius, before, -120.0, fermenter=fermenter, setpoint=RISE)[0].heat_w == 0.0


@pytest.mark.parametrize("fermenter", [ALE, TWO_POSITION])
def test_a_free_rise_is_cooled_above_its_ceiling_and_heated_below_its_floor(fermenter: Vessel) -> None:
    assert ask(22.0, fermenter=fermenter, setpoint=RISE)[0].heat_w < -100.0
    assert ask(16.0, fermenter=fermenter, setpoint=RISE)[0].heat_w > 30.0


def test_the_cooling_of_the_hold_before_does_not_come_back_at_the_ceiling() -> None:
    _, loop = ask(18.0, LoopState(-120.0, 18.0, 0.0, -120.0, -1, True), -120.0, setpoint=RISE)
    wanted, _ = ask(21.01, loop, 0.0, setpoint=RISE)
    assert -5.0 < wanted.heat_w < 0.0


# Two probes that disagree


@pytest.mark.parametrize("fermenter", [ALE, TWO_POSITION])
def test_while_two_probes_disagree_across_the_setpoint_nothing_is_asked_for(fermenter: Vessel) -> None:
    wanted, _ = demand(fermenter, Mode.AUTO, None, AT_19, wort(18.0, warm_c=20.0), HELD, 0.0, SCAN_S)
    assert wanted.heat_w == 0.0


@pytest.mark.parametrize("fermenter", [ALE, TWO_POSITION])
def test_the_colder_probe_limits_cooling_and_the_warmer_limits_heating(fermenter: Vessel) -> None:
    cooled, _ = demand(fermenter, Mode.AUTO, None, AT_19, wort(19.5, warm_c=40.0), HELD, 0.0, SCAN_S)
    as_one, _ = demand(fermenter, Mode.AUTO, None, AT_19, wort(19.5), HELD, 0.0, SCAN_S)
    assert cooled.heat_w == as_one.heat_w < 0.0
    heated, _ = demand(fermenter, Mode.AUTO, None, AT_19, wort(5.0, warm_c=18.5), HELD, 0.0, SCAN_S)
    as_one, _ = demand(fermenter, Mode.AUTO, None, AT_19, wort(18.5), HELD, 0.0, SCAN_S)
    assert heated.heat_w == as_one.heat_w > 0.0


# On/off


def brewed(
    fermenter: Vessel, room_w: float, hours: float, start_c: float = 20.0, denied_h: float = 0.0
) -> list[tuple[float, float]]:
    """Pairs of demand and wort of a 60 L vessel whose coil acts five minutes late and holds cold for ten more,
    watched through the estimator. `room_w` is what room and yeast bring; for `denied_h` nothing is granted."""
    wort_c, coil_w, pipe, loop, applied_w = start_c, 0.0, deque([0.0] * 60), NO_LOOP, 0.0
    seen, rows = NO_ESTIMATE, []
    for k in range(int(hours * HOUR_S / SCAN_S)):
        seen = estimate([Signal(round(wort_c * 16) / 16, 0.0, Status.GOOD, "")], seen, SCAN_S, gap=False)
        wanted, loop = demand(fermenter, Mode.AUTO, None, AT_19, seen, loop, applied_w, SCAN_S)
        applied_w = 0.0 if k * SCAN_S < denied_h * HOUR_S else wanted.heat_w
        pipe.append(applied_w)
        coil_w += (pipe.popleft() - coil_w) * SCAN_S / 600.0
        wort_c += (room_w + coil_w) * SCAN_S / HEAT_CAPACITY_J_PER_K
        rows.append((wanted.heat_w, wort_c))
    return rows


def turns(rows: list[tuple[float, float]]) -> int:
    """How often a demand for cooling was followed by one for heat or the other way round."""
    wanted = [heat_w for heat_w, _ in rows if heat_w]
    return sum(a * b < 0.0 for a, b in pairwise(wanted))


@pytest.mark.parametrize("room_w", [5.0, 40.0, 150.0])
def test_an_on_off_loop_never_heats_away_the_cold_that_the_coil_still_holds(room_w: float) -> None:
    rows = brewed(TWO_POSITION, room_w, hours=72.0)
    assert any(heat_w < 0.0 for heat_w, _ in rows)
    assert turns(rows) == 0
    settled = [wort_c for _, wort_c in rows[int(6 * HOUR_S / SCAN_S) :]]
    assert 19.0 - 0.3 < min(settled) < max(settled) < 19.0 + 0.65  # at 150 W its mean is half a kelvin too warm


def test_cooling_stops_early_by_what_the_coil_still_holds() -> None:
    running = LoopState(held_w=-300.0, calling=-1, automatic=True)  # the coil gives 300 W, a quarter of an hour's worth
    coming_k = 300.0 * 900.0 / HEAT_CAPACITY_J_PER_K
    assert ask(19.0 - 0.15 + coming_k + 0.01, running, -300.0, fermenter=TWO_POSITION)[0].heat_w == -300.0
    assert ask(19.0 - 0.15 + coming_k - 0.01, running, -300.0, fermenter=TWO_POSITION)[0].heat_w == 0.0


def test_an_on_off_loop_in_a_cold_room_only_heats() -> None:
    rows = brewed(TWO_POSITION, -30.0, hours=72.0, start_c=19.0)
    assert {heat_w for heat_w, _ in rows} == {0.0, 80.0}
    assert min(wort_c for _, wort_c in rows) > 19.0 - 0.5


@pytest.mark.parametrize(
    ("celsius", "calling", "heat_w"),
    [
        (19.14, 0, 0.0),  # inside the deadband
        (19.16, 0, -300.0),  # half a deadband above
        (18.86, -1, -300.0),  # goes on down to half a deadband below
        (18.84, -1, 0.0),
        (18.75, -1, 0.0),  # no reason to heat yet
        (18.69, -1, 80.0),  # a whole deadband below
        (18.80, 1, 80.0),  # goes on up to half a deadband below
        (18.86, 1, 0.0),
    ],
)
def test_the_on_off_loop_switches_at_its_points(celsius: float, calling: int, heat_w: float) -> None:
    wanted, _ = ask(celsius, LoopState(calling=calling, automatic=True), fermenter=TWO_POSITION)
    assert wanted.heat_w == heat_w


# PID


@given(st.lists(st.floats(19.05, 19.6), min_size=1, max_size=60))
def test_inside_its_band_the_loop_asks_for_what_simple_pid_would(worts: list[float]) -> None:
    loop, applied_w = LoopState(-20.0, automatic=True), 0.0
    library = Bare(
        PID.gain_w_per_k, PID.gain_w_per_k / PID.integral_s, 0.0, 19.0, sample_time=None, starting_output=-20.0
    )
    for celsius in worts:
        wanted, loop = ask(celsius, loop, applied_w)
        applied_w = wanted.heat_w
        assert wanted.heat_w == pytest.approx(library(celsius, dt=SCAN_S), rel=1e-9)


@pytest.mark.parametrize("room_w", [-40.0, 5.0, 40.0, 150.0])
def test_the_pid_loop_settles_at_the_setpoint_without_turning_round(room_w: float) -> None:
    rows = brewed(ALE, room_w, hours=96.0)
    last_day = rows[-int(24 * HOUR_S / SCAN_S) :]
    assert turns(last_day) == 0
    assert max(abs(wort_c - 19.0) for _, wort_c in last_day) < 0.2


def test_what_was_cooling_does_not_heat_before_the_wort_is_a_deadband_too_cold() -> None:
    cooling = LoopState(integral_w=0.0, heat_w=-20.0, calling=-1, automatic=True)
    wanted, loop = ask(18.75, cooling, -20.0)
    assert (wanted.heat_w, wanted.reason) == (0.0, "at the setpoint")
    assert loop.integral_w <= 0.0  # nor does it save up heat meanwhile
    assert ask(18.65, loop)[0].heat_w > 0.0


def test_what_was_heating_does_not_cool_before_the_wort_is_a_deadband_too_warm() -> None:
    heating = LoopState(integral_w=0.0, heat_w=20.0, calling=1, automatic=True)
    wanted, loop = ask(19.25, heating, 20.0)
    assert wanted.heat_w == 0.0
    assert loop.integral_w >= 0.0
    assert ask(19.35, loop)[0].heat_w < 0.0


@pytest.mark.parametrize("heat_w", [-250.0, -100.0, -20.0, 15.0, 60.0])
@pytest.mark.parametrize("celsius", [18.8, 19.0, 19.3])
def test_auto_takes_over_from_manual_without_a_bump(heat_w: float, celsius: float) -> None:
    duty = heat_w / (300.0 if heat_w < 0.0 else 80.0)
    _, loop = ask(celsius, mode=Mode.MANUAL, manual=Manual(duty, 1e9))
    wanted, _ = ask(celsius, loop, heat_w)
    reachable = -300.0 <= heat_w - PID.gain_w_per_k * (19.0 - celsius) <= 80.0
    if reachable:
        assert wanted.heat_w == pytest.approx(heat_w, abs=0.1)


def test_manual_at_the_share_of_the_moment_takes_over_from_auto_without_a_bump_and_back() -> None:
    _, loop = ask(19.4, LoopState(-60.0, automatic=True), 0.0)
    was_w = loop.heat_w
    wanted, loop = ask(19.4, loop, was_w, mode=Mode.MANUAL, manual=Manual(was_w / 300.0, 1e9))
    assert wanted.heat_w == pytest.approx(was_w)
    for _ in range(100):
        wanted, loop = ask(19.4, loop, wanted.heat_w, mode=Mode.MANUAL, manual=Manual(was_w / 300.0, 1e9))
    assert ask(19.4, loop, wanted.heat_w)[0].heat_w == pytest.approx(was_w, abs=0.1)


def test_a_manual_that_the_interlock_did_not_let_through_is_no_place_to_start_from() -> None:
    _, loop = ask(19.1, mode=Mode.MANUAL, manual=Manual(-1.0, 1e9))
    wanted, _ = ask(19.1, loop, 0.0)  # nothing of the 300 W was applied
    assert wanted.heat_w == pytest.approx(0.0, abs=0.1)


def test_from_off_the_loop_starts_at_nothing_inside_its_band_and_at_full_outside() -> None:
    assert ask(19.4, NO_LOOP)[0].heat_w == pytest.approx(0.0, abs=0.1)
    assert ask(25.0, NO_LOOP)[0].heat_w == -300.0
    assert ask(15.0, NO_LOOP)[0].heat_w == 80.0


def test_a_pull_down_from_far_above_does_not_undershoot_as_a_wound_up_loop_would() -> None:
    rows = brewed(ALE, 25.0, hours=72.0, start_c=30.0)
    assert min(wort_c for _, wort_c in rows) > 19.0 - 0.3


def test_six_hours_without_a_grant_do_not_wind_the_loop_up() -> None:
    rows = brewed(ALE, 60.0, hours=60.0, start_c=19.0, denied_h=6.0)
    peak_c = max(wort_c for _, wort_c in rows)
    assert peak_c > 20.0  # the wort did get warm
    assert min(wort_c for _, wort_c in rows) > 19.0 - 0.3
    assert rows[-1][1] == pytest.approx(19.0, abs=0.1)


def test_a_steady_load_that_is_only_half_granted_is_asked_for_in_full_again() -> None:
    loop = LoopState(-150.0, 19.0, 0.0, -150.0, -1, True)
    for _ in range(1000):
        wanted, loop = ask(19.5, loop, -75.0)
    assert wanted.heat_w < -75.0  # the vessel keeps showing that it wants more than it gets


# What interrupts a loop


def test_a_minute_without_a_signal_does_not_cost_the_loop_what_it_has_learnt_of_the_yeast() -> None:
    loop = LoopState(-150.0, 19.0, 0.0, -150.0, -1, True)
    for _ in range(12):
        wanted, loop = ask(19.0, loop, drive=Drive.NOTHING)
        assert wanted.heat_w == 0.0
    assert ask(19.0, loop, 0.0)[0].heat_w == pytest.approx(-150.0, abs=1.0)


def test_a_restart_does_not_cost_the_loop_what_it_has_learnt_of_the_yeast() -> None:
    resumed = LoopState(integral_w=-150.0)  # what is kept of a loop over a restart
    assert ask(19.0, resumed, 0.0)[0].heat_w == pytest.approx(-150.0, abs=1.0)


def test_a_demand_for_heat_does_not_outlast_a_doubt_that_comes_in_the_same_instant() -> None:
    wanted, loop = ask(15.0, NO_LOOP)
    assert wanted.heat_w == 80.0
    assert ask(15.0, loop, drive=Drive.COOLING, dt_s=0.0)[0].heat_w == 0.0


def test_a_blind_time_after_manual_still_hands_over_without_a_bump() -> None:
    _, loop = ask(19.4, mode=Mode.MANUAL, manual=Manual(-0.5, 1e9))
    _, loop = ask(19.4, loop, 0.0, drive=Drive.NOTHING)
    assert ask(19.4, loop, 0.0)[0].heat_w == pytest.approx(0.0, abs=0.1)


@given(
    st.lists(
        st.tuples(
            st.floats(-60.0, 130.0),
            st.floats(0.0, 30.0),
            st.sampled_from(Drive),
            st.sampled_from([Mode.AUTO, Mode.AUTO, Mode.MANUAL, Mode.OFF]),
            st.floats(0.0, 1.0),
            st.floats(0.0, 10.0),
        ),
        max_size=50,
    ),
    st.sampled_from([ALE, TWO_POSITION]),
)
def test_a_demand_is_never_more_than_the_outputs_can_do(
    scans: list[tuple[float, float, Drive, Mode, float, float]], fermenter: Vessel
) -> None:
    loop, applied_w = NO_LOOP, 0.0
    for celsius, target_c, drive, mode, granted, dt_s in scans:
        wanted, loop = demand(
            fermenter, mode, Manual(0.5, 1e9), Setpoint(target_c, target_c), wort(celsius, drive=drive),
            loop, applied_w, dt_s,
        )  # fmt: skip
        assert -300.0 <= wanted.heat_w <= 80.0
        assert wanted.reason
        if drive is not Drive.BOTH and mode is Mode.AUTO:
            assert wanted.heat_w <= 0.0
        applied_w = wanted.heat_w * granted
