"""The heat balance of one vessel, minute by minute: what cooler and heater should do, and what else goes on.

A small observer after the wort's thermal network (design §7): the wort's temperature, the rate at which it warms for
reasons that are not ours (yeast, room), the outputs' effect on its way through coil or wrap, and how strong each
output really is beside the site file's figure. The diagnosis asks it what should have happened.
"""

from math import exp
from typing import NamedTuple

TICK_S = 60.0  # the balance is struck once a minute: pumps and worts are slower
# From contacts to probe: hold-up of coil or wrap, and the thermowell. Common practice, no source.
LAG_S = 360.0
# Memory of the observer: shorter than a yeast takes to change its pace, longer than a pulse. Common practice.
MEMORY_S = 2400.0
YOUNG_TICKS = 25  # fewer than these, and the rate of what is not ours is not known yet
# A minute further from what was expected than this is an event (a lid, a hand, a stir), not a balance.
EVENT_K = 0.8
# The wort at which the site file's figure of a cooler holds: "warm wort". Its power follows the distance to the glycol.
WARM_WORT_C = 20.0
LEAST_REACH, MOST_REACH = 0.05, 1.6

# A site file's figure before anything was learnt: below 1, since coils are over-rated more often than under-rated,
# and how unsure it is. Common practice, no source; as are the bounds of what can be learnt.
FIRST_STRENGTH, FIRST_VARIANCE = 0.85, 0.09
LEAST_STRENGTH, MOST_STRENGTH = 0.45, 2.0
# What a minute's mean strays from the model for other reasons (layers, steps of the probe), and what an output's
# strength may change in a minute: 0.1 in a day. Common practice, no source.
STRAY_K = 0.06
DRIFT_VARIANCE = 0.01 / 1440.0


class Strength(NamedTuple):
    """How strong an output really is, as a share of the site file's figure; `variance` says how sure that is."""

    share: float = FIRST_STRENGTH
    variance: float = FIRST_VARIANCE
    by_wort: float = 0.0  # d(expected wort) / d(share)
    by_rate: float = 0.0  # d(rate of the rest) / d(share)


class Balance(NamedTuple):
    """`wort_c` and `rest_k_per_s`, the warming that is not ours, are good after `YOUNG_TICKS` ticks. `cooling` and
    `heating` are the outputs' duties as they have come through to the wort, 0..1."""

    wort_c: float = 0.0
    rest_k_per_s: float = 0.0
    ticks: int = 0
    cooling: float = 0.0
    heating: float = 0.0
    cooler: Strength = Strength()
    heater: Strength = Strength()


class Tick(NamedTuple):
    """What happened in one minute: the mean of the wort's fit signals, the share of the time that each output was
    commanded on, and the rates in K/s that full cooling (< 0) and full heating (> 0) should give by the site file."""

    dt_s: float
    wort_c: float
    cooled: float
    heated: float
    full_cooling_k_per_s: float
    full_heating_k_per_s: float


def full_cooling_k_per_s(power_w: float, heat_capacity_j_per_k: float, wort_c: float, bath_c: float) -> float:
    """The rate of full cooling by the site file's figure, which holds for wort of 20 °C: coil power is in
    proportion to the distance between wort and glycol. `bath_c` is the measured bath or, unmeasured, its setpoint."""
    reach = (wort_c - bath_c) / max(WARM_WORT_C - bath_c, 5.0)
    return -power_w / heat_capacity_j_per_k * min(max(reach, LEAST_REACH), MOST_REACH)


def came_through(before: float, duty: float, dt_s: float) -> float:
    """A duty on its way through coil or wrap: a first-order lag."""
    return before + (duty - before) * (1.0 - exp(-dt_s / LAG_S))


def expected_rate(balance: Balance, tick: Tick, cooling: float, heating: float) -> float:
    """How fast the wort should change, K/s, with these duties having come through."""
    return (
        balance.rest_k_per_s
        + balance.cooler.share * tick.full_cooling_k_per_s * cooling
        + balance.heater.share * tick.full_heating_k_per_s * heating
    )


def balanced(last: Balance, tick: Tick, learning: bool) -> tuple[Balance, float]:
    """The balance after one tick, and how far the wort was from what was expected, in K.

    An event (`EVENT_K`) is not learnt from. `learning` False keeps the strengths as they are.
    """
    dt_s = tick.dt_s
    cooling = came_through(last.cooling, tick.cooled, dt_s)
    heating = came_through(last.heating, tick.heated, dt_s)
    if not last.ticks:
        return Balance(tick.wort_c, last.rest_k_per_s, 1, cooling, heating, last.cooler, last.heater), 0.0
    expected_c = last.wort_c + expected_rate(last, tick, cooling, heating) * dt_s
    off_k = tick.wort_c - expected_c
    if abs(off_k) > EVENT_K:
        unsettled = doubtful(last)
        return unsettled._replace(wort_c=tick.wort_c, cooling=cooling, heating=heating), off_k
    n = last.ticks + 1
    # A critically damped observer; while it is young, the expanding memory of a straight line fitted to all so far
    # (N. Morrison, Introduction to Sequential Smoothing and Prediction, 1969; from memory).
    fade = exp(-dt_s / MEMORY_S)
    wort_gain = max(1.0 - fade * fade, 2.0 * (2.0 * n - 1.0) / (n * (n + 1.0)))
    rate_gain = max((1.0 - fade) ** 2, 6.0 / ((n + 1.0) * (n + 2.0))) / dt_s
    cooler, heater = last.cooler, last.heater
    if learning and n > YOUNG_TICKS:
        cooler = _learnt(cooler, tick.full_cooling_k_per_s * cooling * dt_s, off_k, wort_gain, rate_gain, dt_s)
        heater = _learnt(heater, tick.full_heating_k_per_s * heating * dt_s, off_k, wort_gain, rate_gain, dt_s)
    rest = last.rest_k_per_s + rate_gain * off_k
    return Balance(expected_c + wort_gain * off_k, rest, n, cooling, heating, cooler, heater), off_k


def passed(last: Balance, tick: Tick) -> Balance:
    """The balance after a tick in which nothing was seen: only what is on its way goes on."""
    cooling = came_through(last.cooling, tick.cooled, tick.dt_s)
    heating = came_through(last.heating, tick.heated, tick.dt_s)
    return Balance(0.0, last.rest_k_per_s, 0, cooling, heating, _settled(last.cooler), _settled(last.heater))


def doubtful(last: Balance) -> Balance:
    """The balance when something has happened that it does not know: the rate of the rest must be found again."""
    ticks = min(last.ticks, YOUNG_TICKS // 2)
    return last._replace(ticks=ticks, cooler=_settled(last.cooler), heater=_settled(last.heater))


def restarted(last: Balance) -> Balance:
    """The balance of another wort in the same vessel: how strong the outputs are is all that still holds."""
    return Balance(cooler=_settled(last.cooler), heater=_settled(last.heater))


def _settled(strength: Strength) -> Strength:
    return Strength(strength.share, strength.variance)


def _learnt(last: Strength, effect_k: float, off_k: float, wort_gain: float, rate_gain: float, dt_s: float) -> Strength:
    """Recursive prediction error (L. Ljung, System Identification, 1999, section 11.5; from memory): the share moves
    with what the expectation would have been, had it been another."""
    if effect_k == 0.0 and abs(last.by_wort) < 1e-4:
        if last.variance >= FIRST_VARIANCE:
            return last
        return last._replace(variance=min(last.variance + DRIFT_VARIANCE, FIRST_VARIANCE), by_wort=0.0, by_rate=0.0)
    by_wort = last.by_wort + last.by_rate * dt_s + effect_k
    spread = STRAY_K * STRAY_K + by_wort * by_wort * last.variance
    gain = last.variance * by_wort / spread
    share = min(max(last.share + gain * off_k, LEAST_STRENGTH), MOST_STRENGTH)
    variance = min(last.variance * (1.0 - gain * by_wort) + DRIFT_VARIANCE, FIRST_VARIANCE)
    return Strength(share, variance, (1.0 - wort_gain) * by_wort, last.by_rate - rate_gain * by_wort)
