"""Pulses sized in energy: when a cooler or heater starts and stops so that the wort's saw-tooth lies about the setpoint
and its height is what the budget of starts asks for.

With load L (K/h), duty d and starts n a day a wort swings by a tooth A = L P (1 - d), P = 24 h / n. A pulse starts when
the wort, after what coil and wrap still hold, is half a tooth past the setpoint, and stops when it will be half a tooth
before it. Over days of changing load the mean square is least where starts are spread as L^(2/3) (Lagrange: the sum of
(L/f)² is least for a given sum of f)."""

from math import exp
from typing import NamedTuple

from controller.control.budget import DAY_S, RUNAWAY_K
from controller.control.outlook import Outlook
from controller.control.site import Output
from controller.control.state import LoopState, OutputState, Plan
from controller.control.vessel_model import RISES_S

# A smaller tooth than this is not worth a start: the usual probe has steps of 1/16 K.
LEAST_TOOTH_K = 0.08
# Before heat follows cold, or cold heat, the wort must be farther away by so much, and by half of that farther than the
# other's pulses leave it, unless the balance is this sure of it.
TURNS_K, TURNS_SD = 0.1, 1.5
# Of the budget that pulses are sized for; the account sees to the rest.
BUDGET_SHARE = 0.97
# How far starts are spread about their mean, and over how long that mean is taken.
LEAST_SPREAD, MOST_SPREAD, SPREAD_S = 0.35, 1.6, 86400.0
# The account: this far ahead of the budget (in days' shares) doubles the period.
AHEAD_S = 1.5 * 3600.0
LONGEST_PERIOD_H = 24.0
# Farther than this beyond half a tooth is a way to go, not a hold. It ends at the middle of the tooth, and so many
# standard deviations before that by what is not known of the coil: the wait then tells, and a second pulse lands.
FAR_K, LANDS_SD = 0.3, 1.5
# What comes back by itself within this band and time is waited for, so that nothing is heated that is then cooled.
WAITS_K, WAITS_H, WAITS_SD = 0.4, 6.0, 0.5
# While it is not known yet what the wort does by itself (standard deviation), nothing is done within these bands.
UNKNOWN_K_PER_H, UNKNOWN_COOL_K, UNKNOWN_HEAT_K = 0.3, 0.3, 0.12
# All figures: common practice, no source; they were tried on the random plants of the benches.


class Turn(NamedTuple):
    """What is to be on: cooler (-1), heater (+1), neither (0); whether it is a way to go (`far`)."""

    pulse: int
    far: bool


def rarer(output: Output, state: OutputState, now_s: float, away_k: float) -> float:
    """By how much an output that is ahead of its budget is to start less often, 1 within it. Nobody counts the starts
    against a wort that runs away."""
    ahead_s = state.paid_s - now_s - DAY_S / output.starts_per_day
    return 1.0 + ahead_s / AHEAD_S if ahead_s > 0.0 and away_k <= RUNAWAY_K else 1.0


def period_h(output: Output, load: float, busy: float, longer: float) -> float:
    """The time from one start to the next that the budget asks for at this load^(2/3); `longer` is for who is ahead."""
    spread = load / busy if busy > 0.0 else 1.0
    spread = min(max(spread, LEAST_SPREAD), MOST_SPREAD)
    return min(24.0 * longer / (output.starts_per_day * BUDGET_SHARE * spread), LONGEST_PERIOD_H)


def tooth_k(
    output: Output, load_k_per_h: float, full_k_per_h: float, period: float, hold_h: float, longer: float = 1.0
) -> float:
    """The height of the wort's saw-tooth at this load and period, but never less than the shortest pulse gives or
    is worth a start; more for who is ahead of the budget by `longer`, so that it is kept whatever the coil does."""
    idle = max(1.0 - load_k_per_h / full_k_per_h, 0.0) if full_k_per_h > 0.0 else 0.0
    filled = 1.0 - exp(-output.shortest_on_s / RISES_S)
    shortest_h = (output.shortest_on_s - RISES_S * filled) / 3600.0 + filled * hold_h
    least_k = LEAST_TOOTH_K * longer * longer  # the square, since here nothing else makes starts rarer
    return max(least_k, load_k_per_h * period * idle, full_k_per_h * shortest_h * idle)


def turned(
    last: LoopState, ahead: Outlook, need: float, above_k: float, below_k: float, teeth: tuple[float, float],
    may: tuple[bool, bool],
) -> Turn:  # fmt: skip
    """Whether cooler or heater is to be on. `above_k` and `below_k` say how far the wort will settle above the upper
    and below the lower setpoint, by colder and warmer reading; `teeth` and `may` (be switched on) are of both."""
    pulse, far = (0, False) if last.pulse is None else (last.pulse, last.far)
    far = far or (pulse < 0 and above_k > 0.5 * teeth[0] + FAR_K) or (pulse > 0 and below_k > 0.5 * teeth[1] + FAR_K)
    plan = levels(pulse, far, last.side, ahead, need, above_k, below_k, teeth, 0.0)
    if (pulse < 0 and above_k <= plan.cool_off_k) or (pulse > 0 and below_k <= plan.heat_off_k):
        pulse, far = 0, False
    if pulse >= 0 and may[0] and above_k >= plan.cool_on_k:
        return Turn(-1, above_k > 0.5 * teeth[0] + FAR_K)
    if pulse == 0 and may[1] and below_k >= plan.heat_on_k:
        return Turn(1, below_k > 0.5 * teeth[1] + FAR_K)
    return Turn(pulse, far)


def levels(
    pulse: int, far: bool, side: int, ahead: Outlook, need: float, above_k: float, below_k: float,
    teeth: tuple[float, float], high_w: float,
) -> Plan:  # fmt: skip
    """The levels at which outputs start and stop. A coil that holds cold keeps the mean of the wort that much above the
    saw-tooth of what is settling, and so a wrap; the levels make up for it."""
    cool_k, heat_k = 0.5 * teeth[0], 0.5 * teeth[1]
    held_k, warmed_k = max(need, 0.0) * ahead.hold_h, max(-need, 0.0) * ahead.wrap_h
    cool_on_k = max(cool_k, _waits_k(above_k + held_k, -need, ahead.own_sd)) + 2.0 * ahead.unsure_k - held_k
    heat_on_k = max(heat_k, _waits_k(below_k + warmed_k, need, ahead.own_sd)) - warmed_k
    if ahead.own_sd > UNKNOWN_K_PER_H:
        cool_on_k, heat_on_k = max(cool_on_k, UNKNOWN_COOL_K), max(heat_on_k, UNKNOWN_HEAT_K)
    if side > 0 and need < TURNS_SD * ahead.own_sd:
        cool_on_k = max(cool_on_k + TURNS_K, heat_k - held_k + 0.5 * TURNS_K)
    if side < 0 and -need < TURNS_SD * ahead.own_sd:
        heat_on_k = max(heat_on_k + TURNS_K, cool_k - warmed_k + 0.5 * TURNS_K)
    lands = pulse != 0 and far
    cool_off_k = (LANDS_SD * ahead.unsure_k if lands else -cool_k) - held_k
    heat_off_k = 0.0 if need > 0.0 else (0.0 if lands else -heat_k) - warmed_k
    return Plan(cool_on_k, cool_off_k, heat_on_k, heat_off_k, high_w)


def _waits_k(away_k: float, back_k_per_h: float, unsure_k_per_h: float) -> float:
    """How far the wort may be away while it comes back by itself at this rate, if that is sure enough."""
    if back_k_per_h <= WAITS_SD * unsure_k_per_h or away_k <= 0.0 or away_k > back_k_per_h * WAITS_H:
        return 0.0
    return WAITS_K


def busier(last: LoopState, need: float, dt_s: float) -> tuple[float, float, float]:
    """load^(2/3) of the moment, its mean, and for how long that has been taken."""
    load = float(pow(abs(need), 2.0 / 3.0))
    busy_s = min(last.busy_s + dt_s, SPREAD_S)
    return load, last.busy + (load - last.busy) * dt_s / max(busy_s, 1.0), busy_s
