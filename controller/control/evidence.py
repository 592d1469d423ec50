"""Evidence from temperatures for or against a fault of an output (design rule 5).

Each suspicion is a window in which two courses of the wort are reckoned from one beginning: how it should have gone,
and how it would have gone with the fault. When the two are far enough apart, and further than the reckoning may be
wrong, the wort says which was true.
"""

from enum import Enum
from math import sqrt
from typing import NamedTuple

from controller.control.balance import (
    COOLER_FALLS_S,
    HEATER_LAG_S,
    HOUR_S,
    Balance,
    Tick,
    Unsure,
    came_through,
    outputs_k_per_h,
    variance_ahead,
)

# While the two courses are not this far apart and do not part, the window follows the wort: nothing has begun.
BEGUN_K, IDLE = 0.05, 0.02
# The wort speaks for a fault when it has gone this share of the way to it, for the output when less than the lower
# share; beyond the outer ones something else is going on: a hand on the probe, a lid, another wort.
FAULT_SHARE, WORKS_SHARE = 0.6, 0.4
STRANGE_SHARE, STRANGE_NO_EFFECT_SHARE, STRANGE_BACK_SHARE = 3.0, 2.5, -2.0
# The least difference that counts, in K: several steps of the usual probe; less where an output is so weak that it
# moves little in the time allowed, and of that time's effect this share.
LARGE_K, SMALL_K, WEAK_SHARE = 0.28, 0.18, 0.4
# An output that will not stop is reckoned with this share of its figure: short pulses make it look stronger than it is.
STUCK_SHARE = 0.75
# How long the wort must speak for a fault, and how long a window lasts.
SPEAKS_TICKS = 2
LONGEST_S = 9000.0
# A window begins anew when what was seen speaks so much against a relay that will not stop: the logarithm of the ratio
# of likelihoods, as in Page's cumulative sum (Biometrika 41 (1954) 100-115). So it is young when the relay fails.
AGAINST = 2.0
# A window in which the fault would do no more than this many times what is unsure begins anew: it has waited too long.
HOPELESS_AFTER_S, HOPELESS_SHARE = 2400.0, 0.6
# How many standard deviations of the reckoning a difference must exceed: to be without effect, to be a relay that will
# not stop (which waits for a person), to clear an output.
SURE, SURE_OF_RELAY, SURE_OF_RELAY_COLD, SURE_ENOUGH = 2.0, 2.7, 4.0, 2.0
# Beside what the balance says of itself, the reckoning may be wrong by what yeast and room change, by a share of what
# an output did (more near 4 °C, where water is densest and a wort no longer turns over by itself), by a share of what
# is on its way through coil or wrap, and by the layers.
UNSURE, UNSURE_COLD, COLD_C = 0.06, 0.25, 6.0
UNSURE_ON_ITS_WAY = 0.5
LAYERS_K = 0.05
# All figures: common practice, no source; they were tried on the random plants of the benches.


class Suspicion(Enum):
    """What may be wrong with an output."""

    NO_EFFECT = "without effect"
    WILL_NOT_STOP = "will not stop"


class Window(NamedTuple):
    """`wort_c` as it should have become since the window began with the `rest_k_per_h` and how `unsure` that was;
    `fault_k` what the fault would have added to it, `duty` of the output as it would have come through with the fault.
    `cooled_k` and `heated_k` are what the site file's figures alone would have done, `on_s` is how long the output was
    commanded on, `on_its_way_k` the most that was on its way, `seen_k` how far the wort is from how it should have
    become, `sd_k` the standard deviation of that reckoning, `speaks` for how many ticks the wort has spoken,
    `began_c` the wort at its beginning."""

    rest_k_per_h: float
    unsure: Unsure
    wort_c: float
    duty: float
    fault_k: float = 0.0
    cooled_k: float = 0.0
    heated_k: float = 0.0
    on_s: float = 0.0
    lasted_s: float = 0.0
    on_its_way_k: float = 0.0
    seen_k: float = 0.0
    sd_k: float = 0.0
    speaks: int = 0
    began_c: float = 0.0


class Verdict(Enum):
    """What a window has shown."""

    OPEN = "open"
    FAULT = "fault"
    WORKS = "works"


def begun(balance: Balance, wort_c: float, cooler: bool) -> Window:
    """A window that begins with the wort at `wort_c`, for the cooler or for the heater."""
    duty = balance.cooling if cooler else balance.heating
    return Window(balance.rest_k_per_h, balance.unsure, wort_c, duty, began_c=wort_c)


def watched(
    window: Window, balance: Balance, tick: Tick, cooler: bool, suspicion: Suspicion, within_s: float
) -> tuple[Window, Verdict]:
    """The window after one more tick, and what it shows. `balance` is the one after this tick; `within_s` is the
    on-time within which an output without effect is to be found where it is weak."""
    h = tick.dt_s / HOUR_S
    cooler_k_per_h, heater_k_per_h = outputs_k_per_h(balance, tick)
    own, full_k_per_h, on = (
        (balance.cooling, cooler_k_per_h, tick.cooled) if cooler else (balance.heating, heater_k_per_h, tick.heated)
    )
    if suspicion is Suspicion.WILL_NOT_STOP:
        full_k_per_h = STUCK_SHARE * (tick.full_cooling_k_per_h if cooler else tick.full_heating_k_per_h)
    # With a relay that will not stop the output runs on; one without effect gives nothing more.
    duty = came_through(window.duty, 1.0 if suspicion is Suspicion.WILL_NOT_STOP else 0.0, tick.dt_s, cooler)
    should_c = window.wort_c + h * (
        window.rest_k_per_h + cooler_k_per_h * balance.cooling + heater_k_per_h * balance.heating
    )
    on_its_way_k = max(
        window.on_its_way_k,
        abs(cooler_k_per_h) * balance.cooling * COOLER_FALLS_S / HOUR_S,
        heater_k_per_h * balance.heating * HEATER_LAG_S / HOUR_S,
    )
    window = Window(
        window.rest_k_per_h, window.unsure, should_c, duty,
        window.fault_k + full_k_per_h * (duty - own) * h,
        window.cooled_k + tick.full_cooling_k_per_h * balance.cooling * h,
        window.heated_k + tick.full_heating_k_per_h * balance.heating * h,
        window.on_s + on * tick.dt_s,
        window.lasted_s + tick.dt_s,
        on_its_way_k,
        tick.wort_c - should_c,
        speaks=window.speaks,
        began_c=window.began_c,
    )  # fmt: skip
    fresh = begun(balance, tick.wort_c, cooler)
    if (abs(window.fault_k) < BEGUN_K and abs(duty - own) < IDLE) or window.lasted_s > LONGEST_S:
        return fresh, Verdict.OPEN
    spoken = window.seen_k / window.fault_k if window.fault_k else 0.0
    strange = STRANGE_NO_EFFECT_SHARE if suspicion is Suspicion.NO_EFFECT else STRANGE_SHARE
    if abs(window.seen_k) > SMALL_K and not STRANGE_BACK_SHARE <= spoken <= strange:
        return fresh, Verdict.OPEN
    sd_k = _standard_deviation(window, tick)
    relay = suspicion is Suspicion.WILL_NOT_STOP
    speaks = spoken >= FAULT_SHARE
    if window.lasted_s >= HOPELESS_AFTER_S and sd_k > HOPELESS_SHARE * abs(window.fault_k) and not speaks:
        return fresh, Verdict.OPEN
    if relay and window.fault_k * (window.seen_k - 0.5 * window.fault_k) < -AGAINST * sd_k**2:
        return fresh, Verdict.OPEN
    window = window._replace(sd_k=sd_k)
    least_k, sure = LARGE_K, SURE
    if relay:
        sure = SURE_OF_RELAY if tick.wort_c > COLD_C else SURE_OF_RELAY_COLD
    if not relay and tick.wort_c > COLD_C:
        least_k = min(LARGE_K, max(SMALL_K, WEAK_SHARE * abs(full_k_per_h) * within_s / HOUR_S))
    if spoken >= FAULT_SHARE and abs(window.seen_k) >= max(least_k, sure * sd_k):
        window = window._replace(speaks=window.speaks + 1)
        return window, Verdict.FAULT if window.speaks >= SPEAKS_TICKS else Verdict.OPEN
    if spoken < WORKS_SHARE and abs(window.fault_k) >= max(least_k, SURE_ENOUGH * sd_k):
        return fresh, Verdict.WORKS
    return window._replace(speaks=0), Verdict.OPEN


def _standard_deviation(window: Window, tick: Tick) -> float:
    """Of the course that the wort should have taken, in K."""
    c, v = window.cooled_k, window.heated_k
    ahead = variance_ahead(window.unsure, tick.restless, window.lasted_s / HOUR_S, c, v)
    share = UNSURE if tick.wort_c > COLD_C else UNSURE_COLD
    others = (
        (share * c) ** 2 + (share * v) ** 2,
        (UNSURE_ON_ITS_WAY * window.on_its_way_k) ** 2,
        LAYERS_K**2,
    )
    return sqrt(ahead + sum(others))
