"""The soft budget of starts: a pump that starts too often gets longer pulses, and never too little cold."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.budget import (
    BURST_S,
    DAY_S,
    LONGEST_STRETCH,
    RUNAWAY_K,
    SWING_K,
    paid_s,
    slower,
    starts_ahead,
    stretch,
    stretched_cycle_s,
    widened_k,
)
from controller.control.lifecycle import resumed_state
from controller.control.site import Ending, Loop, LoopKind, Output, SignalLoss, Site
from controller.control.state import AlarmPhase, OutputState, SiteState
from controller.control.step import StepResult
from controller.control.values import Action
from controller.control.watch import STARTS_DELAY_S
from controller.plant.cellar import Cellar
from controller.plant.demo import BATH, DARK
from controller.plant.specs import CellarSpec
from controller.simulate import simulate
from tests.control.blind_cellar import KEEN, LIMIT, OG, SETPOINT_C, VOLUME_L, lager_site
from tests.factories import HEAT_CAPACITY_J_PER_K, HOUR_S, ON_OFF, PID, running_state, scan, site, vessel

PUMP = Output("ale/cooler", 300.0, Ending.DEVICE_TIMER, starts_per_day=24.0)
RESTED = OutputState(False, 0.0, 0.0, "")


def started(times: int, every_s: float, pump: Output = PUMP) -> OutputState:
    """The pump after so many starts, at the moment of the last."""
    state = RESTED
    for number in range(times):
        state = state._replace(paid_s=paid_s(pump, state.paid_s, number * every_s))
    return state


# The account


def test_a_start_an_hour_is_what_a_budget_of_24_a_day_pays_for() -> None:
    for times in (1, 10, 1000):
        now_s = (times - 1) * HOUR_S
        assert starts_ahead(PUMP, started(times, HOUR_S), now_s) == pytest.approx(1.0)
        assert stretch(PUMP, started(times, HOUR_S), now_s, 0.0) == 1.0


def test_a_burst_of_two_hours_needs_no_answer_and_a_longer_one_does() -> None:
    assert stretch(PUMP, started(2, 0.0), 0.0, 0.0) == 1.0
    assert stretch(PUMP, started(6, 0.0), 0.0, 0.0) == pytest.approx(3.0)
    assert stretch(PUMP, started(6, 0.0), 4 * HOUR_S, 0.0) == 1.0  # it is paid off in time


def test_what_cannot_be_kept_is_forgiven() -> None:
    assert stretch(PUMP, started(10_000, 60.0), 10_000 * 60.0, 0.0) <= LONGEST_STRETCH
    assert started(10_000, 0.0).paid_s == LONGEST_STRETCH * BURST_S


def test_a_runaway_is_cooled_as_if_there_were_no_budget() -> None:
    spent = started(100, 0.0)
    assert stretch(PUMP, spent, 0.0, RUNAWAY_K) > 1.0
    assert stretch(PUMP, spent, 0.0, RUNAWAY_K + 0.01) == 1.0


@given(times=st.integers(0, 500), every_s=st.floats(0.0, DAY_S), away_k=st.floats(-5.0, 5.0), duty=st.floats(0.0, 1.0))
def test_cycles_only_become_longer_and_the_wort_never_swings_by_more_than_a_kelvin(
    times: int, every_s: float, away_k: float, duty: float
) -> None:
    fermenter = replace(vessel(), heat_capacity_j_per_k=HEAT_CAPACITY_J_PER_K)
    state, now_s = started(times, every_s), max(times - 1, 0) * every_s
    cycle_s = stretched_cycle_s(fermenter, PUMP, state, duty, now_s, away_k)
    assert PID.cycle_s <= cycle_s <= PID.cycle_s * LONGEST_STRETCH
    if cycle_s > PID.cycle_s:
        assert PUMP.power_w * duty * (1.0 - duty) * cycle_s / HEAT_CAPACITY_J_PER_K <= SWING_K * 1.000001


def test_a_deadband_widens_up_to_a_kelvin_and_a_wider_one_stays() -> None:
    assert [widened_k(0.3, longer) for longer in (1.0, 2.0, 9.0)] == [0.3, 0.6, SWING_K]
    assert widened_k(2.0, 9.0) == 2.0


def test_either_output_widens_the_deadband() -> None:
    now = running_state(site()).vessels["ale"]
    spent = started(100, 0.0)
    assert slower(vessel(), now._replace(cooler=spent, heater=RESTED), 0.0) > 1.0
    assert slower(vessel(), now._replace(cooler=RESTED, heater=spent), 0.0) > 1.0
    assert slower(vessel(cooler_w=None), now._replace(cooler=None, heater=RESTED), 0.0) == 1.0


def test_the_account_goes_on_after_a_restart() -> None:
    cellar = site()
    state = with_spent(cellar, running_state(cellar, 19.0))
    before = state.vessels["ale"].cooler
    after = resumed_state(cellar, state, state.now_s).vessels["ale"].cooler
    assert before is not None
    assert after is not None
    assert after.paid_s == before.paid_s > state.now_s


# In the core


def with_spent(cellar: Site, state: SiteState) -> SiteState:
    """The budget of the cooler is spent as far as it can be."""
    now = state.vessels["ale"]
    assert now.cooler is not None
    paid = state.now_s + LONGEST_STRETCH * BURST_S
    return state._replace(vessels={"ale": now._replace(cooler=now.cooler._replace(paid_s=paid))})


@pytest.mark.parametrize("loop", [PID, ON_OFF], ids=["pid", "on/off"])
def test_the_core_cools_a_runaway_with_an_empty_budget_as_with_a_full_one(loop: Loop) -> None:
    cellar = site(vessel(loop=loop))
    on_s = []
    for spent in (False, True):
        state = running_state(cellar, 20.5, scans=2)
        state = with_spent(cellar, state) if spent else state
        for _ in range(1440):
            state = scan(cellar, state, 20.5).state
        cooler = state.vessels["ale"].cooler
        assert cooler is not None
        on_s.append(cooler.on_s)
    assert on_s[0] == on_s[1] > HOUR_S


def test_protective_times_stay() -> None:
    """A runaway with an empty budget still waits for the pump's shortest off time."""
    cellar = site()
    state = with_spent(cellar, running_state(cellar, 25.0, scans=2))
    cooler = state.vessels["ale"].cooler
    while cooler is not None and not cooler.on:
        before, state = cooler, scan(cellar, state, 25.0).state
        cooler = state.vessels["ale"].cooler
    assert cooler is not None
    assert cooler.since_s - before.since_s >= PUMP.shortest_off_s


# Days on the plant


def days(kind: LoopKind, budget: float, count: int = 3) -> tuple[list[int], float, float, SiteState]:
    """Starts on each of `count` days of a keen lager at 10 °C after two days, the wort's extremes in °C, the end."""
    plain = lager_site(SignalLoss.OFF)
    dark = plain.vessels[0]
    assert dark.cooler is not None
    cooler = replace(dark.cooler, starts_per_day=budget)
    cellar_site = replace(plain, vessels=(replace(dark, loop=replace(dark.loop, kind=kind), cooler=cooler),))
    cellar = Cellar(CellarSpec((replace(DARK, yeast=KEEN),), BATH), lambda t_s: 20.0)
    cellar.pitch("dark", OG, LIMIT, VOLUME_L, SETPOINT_C)
    wort = {"batch": "lager", "og": OG, "volume_l": VOLUME_L, "setpoint_c": SETPOINT_C}
    start = Action("1", "dark", "start", wort, "me")
    state = simulate(cellar_site, cellar, 2 * DAY_S, lambda now_s, state: () if now_s else (start,))
    starts, seen = [], []

    def observe(result: StepResult) -> None:
        seen.append(cellar.wort_c("dark"))

    for _ in range(count):
        before = state.vessels["dark"].cooler
        state = simulate(cellar_site, cellar, DAY_S, observe=observe, state=state)
        after = state.vessels["dark"].cooler
        assert before is not None
        assert after is not None
        starts.append(after.starts - before.starts)
    return starts, min(seen), max(seen), state


def test_without_a_tight_budget_nothing_changes_and_nobody_is_told() -> None:
    starts, _, _, state = days(LoopKind.PID, 100.0, 1)
    assert 40 < starts[0] < 100
    assert "dark/starts" not in state.alarms


@pytest.mark.parametrize(("kind", "budget"), [(LoopKind.PID, 27.0), (LoopKind.PID, 20.0), (LoopKind.ON_OFF, 15.0)])
def test_a_tight_budget_is_kept_on_steady_days_and_the_beer_hardly_notices(kind: LoopKind, budget: float) -> None:
    starts, low_c, high_c, _ = days(kind, budget)
    print(f"{kind.value}, {budget:.0f} a day: {starts} starts, wort {low_c:.2f} to {high_c:.2f} °C")
    assert all(day <= 1.05 * budget for day in starts[1:])
    assert starts[0] <= 1.4 * budget  # the first day spends the burst as well
    assert low_c > SETPOINT_C - 1.0
    assert high_c < SETPOINT_C + 1.0


def test_an_alarm_of_low_priority_tells_of_it() -> None:
    """Pulses are sized for the budget beforehand: only a vessel in trouble spends more."""
    cellar = site()
    state = with_spent(cellar, running_state(cellar, 19.0))
    for _ in range(int(STARTS_DELAY_S / 5.0) + 2):
        state = scan(cellar, state, 19.0).state
    alarm = state.alarms["ale/starts"]
    assert alarm.phase is AlarmPhase.UNACKNOWLEDGED
    assert alarm.text == "the cooler starts more often than 100 times a day: pulses longer, deadband wider"
