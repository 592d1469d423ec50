"""Pulses sized in energy: what a budget buys, how a pull-down lands, when the heater waits."""

from dataclasses import replace
from math import sqrt
from typing import NamedTuple

import pytest

from controller.control.drive import switched
from controller.control.estimate import estimate
from controller.control.follow import Moment
from controller.control.loop import demand
from controller.control.observer import NOT_OBSERVED, Seen, closed, opened, sure
from controller.control.outlook import Outlook
from controller.control.pulses import LEAST_SPREAD, MOST_SPREAD, levels, period_h, rarer, tooth_k
from controller.control.shaping import shaped
from controller.control.site import Ending, Output
from controller.control.state import NO_ESTIMATE, NO_LOOP, Mode, OutputState
from controller.control.values import Setpoint, Signal, Status
from controller.control.vessel_model import Nodes, Rates, Shares, advanced, rates
from tests.factories import PID, vessel

HOUR_S, DAY_S, SCAN_S = 3600.0, 86400.0, 10.0
FERMENTER = replace(vessel(), heat_capacity_j_per_k=60.0 * 1.05 * 3900.0)
PUMP = Output("ale/cooler", 300.0, Ending.DEVICE_TIMER, starts_per_day=24.0)
RESTED = OutputState(False, -1e6, -1e6, "")
BATH_C, ROOM_C = -3.0, 19.0
STRONG, SMALL = Shares(1.3, 0.8, 1.5, 1.0), Shares(0.7, 0.8, 0.5, 1.0)  # beside the site file's figures


class Kept(NamedTuple):
    """The wort, scan by scan; starts and hours of cooler and heater; when the cooler ran."""

    wort: list[float]
    starts: int
    cooled_h: float
    heated_h: float


def kept(
    yeast_k_per_h: float, days: float, *, start_c: float = 19.0, target_c: float = 19.0, budget: float = 24.0,
    true: Shares = STRONG,
) -> Kept:  # fmt: skip
    """A 60 L vessel on a plant of the network's lines, whose coil, hold-up and heater the site file has wrong."""
    assert FERMENTER.cooler is not None
    assert FERMENTER.heater is not None
    ours = replace(
        FERMENTER,
        cooler=replace(FERMENTER.cooler, starts_per_day=budget),
        heater=replace(FERMENTER.heater, starts_per_day=budget),
    )
    nominal: Rates = rates(ours, 60.0, None)
    plant, observed, loop, seen_c = Nodes(start_c, start_c), NOT_OBSERVED, NO_LOOP, NO_ESTIMATE
    cooler, heater, worts, cooled, heated = RESTED, RESTED, [], 0, 0
    for k in range(int(days * DAY_S / SCAN_S)):
        now_s = k * SCAN_S
        shown = round((plant.shown_c + 0.03 * ((k * 7919) % 13 - 6) / 6.0) * 16.0) / 16.0
        look = Seen(shown, cooler.on, heater.on, BATH_C, ROOM_C, True, True, 60.0, nominal)
        after = opened(observed, shown, cooler.on, heater.on, SCAN_S)
        observed = closed(observed, look, SCAN_S) if after is None else after
        thought = observed.thought
        wort_c = thought.nodes.wort_c + thought.ahead.wort_k_per_h * observed.passed_s / HOUR_S
        signal = Signal(shown, now_s, Status.GOOD, "")
        seen_c = estimate([signal], seen_c, SCAN_S, False, wort_c if sure(observed) else None)
        _, loop = demand(
            ours, Mode.AUTO, None, Setpoint(target_c, target_c), seen_c, loop, 0.0, SCAN_S, False, 1.0, observed,
            (cooler, heater), now_s,
        )  # fmt: skip
        moment = Moment(now_s, None, SCAN_S, False, 0.0)
        assert ours.cooler is not None
        assert ours.heater is not None
        for output, sign in ((ours.cooler, -1), (ours.heater, 1)):
            was = cooler if sign < 0 else heater
            wish = shaped(output, was, float(loop.pulse == sign), 1200.0, now_s, SCAN_S)
            now = switched("ale", "x", output, wish.on, 0.0, "", was, "", moment, [])
            cooler, heater = (now, heater) if sign < 0 else (cooler, now)
        assert not (cooler.on and heater.on)
        plant, _ = advanced(plant, nominal, true, yeast_k_per_h, cooler.on, heater.on, BATH_C, ROOM_C, SCAN_S)
        cooled, heated = cooled + cooler.on, heated + heater.on
        worts.append(plant.wort_c)
    return Kept(worts, cooler.starts, cooled * SCAN_S / HOUR_S, heated * SCAN_S / HOUR_S)


def rms_k(worts: list[float], target_c: float = 19.0) -> float:
    return sqrt(sum((wort_c - target_c) ** 2 for wort_c in worts) / len(worts))


def test_a_tooth_is_what_load_and_period_make_of_it() -> None:
    # A = L P (1 - d): 0.4 K/h of load, 4 K/h of cooling, a start an hour
    assert tooth_k(PUMP, 0.4, 4.0, 1.0, 0.0) == pytest.approx(0.4 * 0.9)
    # but never less than the shortest pulse gives, by hand: in 60 s the coil is filled to 1 - exp(-60 / 40) = 0.777,
    # has given 60 s - 40 s x 0.777 = 28.9 s of full cooling, and gives 0.777 of its hold-up of 0.1 h afterwards
    assert tooth_k(PUMP, 0.0, 4.0, 1.0, 0.1) == pytest.approx(4.0 * (28.9 / 3600.0 + 0.777 * 0.1), rel=0.001)


def test_heat_does_not_follow_what_a_pulse_of_cold_was_to_leave() -> None:
    """Nor cold a pulse of heat: the shortest pulse of a small vessel may leave the wort far beyond its setpoint."""
    unsure = Outlook(own_sd=0.2)
    for cold_k in (0.08, 0.2, 0.5):
        after_cold = levels(0, False, -1, unsure, 0.0, 0.0, 0.0, (cold_k, 0.08), 0.0)
        assert after_cold.heat_on_k > 0.5 * cold_k + 0.04
        assert after_cold.cool_on_k == pytest.approx(0.5 * cold_k)
        after_heat = levels(0, False, 1, unsure, 0.0, 0.0, 0.0, (0.08, cold_k), 0.0)
        assert after_heat.cool_on_k > 0.5 * cold_k + 0.04
    sure_of_cold = levels(0, False, -1, unsure, -0.5, 0.0, 0.0, (0.5, 0.08), 0.0)
    assert sure_of_cold.heat_on_k <= 0.04  # the balance asks for heat


def test_starts_are_spread_as_the_two_thirds_power_of_the_load() -> None:
    busy = 0.5 ** (2 / 3)
    usual = period_h(PUMP, busy, busy, 1.0)
    assert usual == pytest.approx(1.0, rel=0.05)  # 24 a day
    for load in (0.3, 0.5, 0.9):
        spread = min(max((load / 0.5) ** (2 / 3), LEAST_SPREAD), MOST_SPREAD)
        assert period_h(PUMP, load ** (2 / 3), busy, 1.0) == pytest.approx(usual / spread)


def test_who_is_ahead_of_the_budget_gets_longer_pulses_but_a_runaway_does_not() -> None:
    ahead = RESTED._replace(paid_s=5 * HOUR_S)
    assert rarer(PUMP, RESTED, 0.0, 0.0) == 1.0
    assert rarer(PUMP, ahead, 0.0, 0.0) > 1.5
    assert rarer(PUMP, ahead, 0.0, 1.5) == 1.0
    assert period_h(PUMP, 1.0, 1.0, 1.5) == pytest.approx(1.5 * period_h(PUMP, 1.0, 1.0, 1.0))


def test_a_budget_is_kept_though_the_bath_is_said_to_be_as_warm_as_the_wort() -> None:
    """Then nothing is known of the coil, and a tooth can only follow from what the account says."""
    assert tooth_k(PUMP, 0.4, 0.0, 1.0, 0.0, 2.0) == pytest.approx(4.0 * tooth_k(PUMP, 0.4, 0.0, 1.0, 0.0, 1.0))


@pytest.mark.parametrize("budget", [12.0, 24.0, 48.0])
def test_a_steady_hold_uses_its_budget_and_swings_no_more_than_it_must(budget: float) -> None:
    load_k_per_h = 0.45
    first = kept(load_k_per_h, 2.0, budget=budget, true=SMALL)
    whole = kept(load_k_per_h, 5.0, budget=budget, true=SMALL)
    starts = (whole.starts - first.starts) / 3.0
    settled = whole.wort[len(first.wort) :]
    full_k_per_h = SMALL.cooler * rates(FERMENTER, 60.0, None).coil_per_h * 22.0
    floor_k = load_k_per_h * 24.0 / starts * (1.0 - load_k_per_h / full_k_per_h) / sqrt(12.0)
    print(f"{starts:.1f} starts a day of {budget:g}, rms {rms_k(settled):.3f} K, floor {floor_k:.3f} K")
    assert 0.8 * budget <= starts <= 1.05 * budget
    assert rms_k(settled) <= max(1.15 * floor_k, 0.035)


@pytest.mark.parametrize("hold", [0.7, 1.0, 2.0])
@pytest.mark.parametrize("coil", [0.7, 1.3])
def test_a_pull_down_at_full_power_lands_whatever_the_coil_holds(hold: float, coil: float) -> None:
    there = kept(0.3, 1.0, start_c=24.0, true=Shares(coil, 1.0, hold, 1.0))
    arrived = next(k for k, wort_c in enumerate(there.wort) if wort_c < 19.3)
    tooth = max(there.wort[len(there.wort) // 2 :]) - min(there.wort[len(there.wort) // 2 :])
    print(f"lands {19.0 - min(there.wort[arrived:]):.2f} K past, half a tooth {tooth / 2:.2f} K")
    assert min(there.wort[arrived:]) >= 19.0 - 0.5 * tooth - 0.10


def test_a_wort_that_its_yeast_brings_back_is_not_heated() -> None:
    there = kept(0.25, 1.0, start_c=18.9)
    assert there.heated_h == 0.0


def test_a_wort_in_a_cold_room_is_heated_by_what_the_balance_asks_for() -> None:
    there = kept(-0.3, 3.0)
    needed_h = 72.0 * 0.3 / (0.8 * rates(FERMENTER, 60.0, None).heater_k_per_h)
    assert there.heated_h <= 1.05 * needed_h + 0.3
    assert there.cooled_h == 0.0
    assert rms_k(there.wort[len(there.wort) // 3 :]) < 0.08


def test_a_jump_upwards_is_heated_in_full_and_not_overshot() -> None:
    there = kept(-0.1, 1.0, start_c=16.0)
    assert max(there.wort) < 19.0 + 0.2
    assert there.cooled_h == 0.0


def test_a_long_way_is_gone_at_full_power() -> None:
    assert PID.cycle_s  # the loop's own pulses: no account of on-time is needed
    there = kept(0.1, 0.5, start_c=24.0)
    arrived = next(k for k, wort_c in enumerate(there.wort) if wort_c < 19.5)
    full_k_per_h = 1.3 * rates(FERMENTER, 60.0, None).coil_per_h * 25.0
    assert arrived * SCAN_S / HOUR_S < 1.05 * 4.5 / (full_k_per_h - 0.2) + 0.3
