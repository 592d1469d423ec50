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
    MOST_SOUND,
    Balance,
    Tick,
    Unsure,
    came_through,
    reckoned,
    variance_ahead,
)

# While the two courses are not this far apart and do not part, the window follows the wort: nothing has begun.
BEGUN_K, IDLE = 0.05, 0.02
# The wort speaks for a relay that will not stop or an output without effect when it has gone this share of the way to
# it, for the output when less than the lower share; beyond the outer ones something else is going on: a hand on the
# probe, a lid, another wort.
STUCK_SPEAKS, DEAD_SPEAKS, WORKS_SHARE = 0.6, 0.5, 0.4
STRANGE_SHARE, STRANGE_NO_EFFECT_SHARE, STRANGE_BACK_SHARE = 3.0, 2.5, -2.0
# The least difference that counts, in K. A relay that will not stop may move a wort by 0.5 K before it must be found;
# without effect: several steps of the usual probe; less where an output is so weak that it moves little in the time
# allowed, and of that time's effect this share.
RELAY_K, LARGE_K, SMALL_K, WEAK_SHARE = 0.37, 0.28, 0.18, 0.4
# A relay that will not stop goes on: lately (a lag of so long) the difference has grown by this share of what the
# output does, and the wort itself has gone that way by this share of what the fault would do. What a coil holds,
# turning layers, a lid and sun fade, and a wort that warms is not being cooled.
LATELY_S, GOES_ON_SHARE, GONE_SHARE = 480.0, 0.4, 0.3
# An output that has run for hours without a pause, as in a fresh wort too warm, looks strong and the rest great,
# since neither is known alone. A window that began while the strength was more than this, and the rest not known to so
# much, begins anew.
UNTOLD_SHARE, UNTOLD_REST_K_PER_H = 1.45, 0.25
# Who is known to be as strong as can be reckoned with may be stronger still: then so many times as much must be seen.
TWICE = 2.0
# Short pulses make an output look stronger than it is: of one without effect no more than this share is missed.
MOST_MISSED_SHARE = 1.3
# What an output without effect has missed is no more than this share of what it should have done, and the wort has not
# gone the output's way by more than this one; it has run in two pulses, or for this share of the time allowed.
MISSED_SHARE, WENT_SHARE, PULSES, RAN_SHARE = 1.4, 0.5, 2, 0.25
# An output whose strength is known to be more than this share is not without effect. A lid is off for so long at most.
KNOWN_SHARE, LID_S = 0.75, 2400.0
# An output that will not stop is reckoned with this share of its figure: short pulses make it look stronger than it is.
STUCK_SHARE = 0.75
# How long the wort must speak for a fault, and how long a window lasts.
SPEAKS_TICKS = 2
LONGEST_S, LONGEST_NO_EFFECT_S = 9000.0, 7200.0
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
    become, `sd_k` the standard deviation of that reckoning, `speaks` for how many ticks the wort has spoken. `alone_k`
    is what the rest and the output itself should have done, `lagged_k` is `seen_k` as it was lately (`LATELY_S`),
    `pulses` how often the output came on, `on` whether it was on in the last tick, `began_c` the wort at its
    beginning, `cooler` and `heater` how strong they were taken to be then: rest and strengths belong together."""

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
    alone_k: float = 0.0
    lagged_k: float = 0.0
    pulses: int = 0
    on: bool = False
    cooler: float = 1.0
    heater: float = 1.0


class Verdict(Enum):
    """What a window has shown."""

    OPEN = "open"
    FAULT = "fault"
    WORKS = "works"


def begun(balance: Balance, wort_c: float, cooler: bool) -> Window:
    """A window that begins with the wort at `wort_c`, for the cooler or for the heater."""
    duty = balance.cooling if cooler else balance.heating
    rest_k_per_h, cooler_share, heater_share = reckoned(balance)
    return Window(rest_k_per_h, balance.unsure, wort_c, duty, began_c=wort_c, cooler=cooler_share, heater=heater_share)


def watched(
    window: Window, balance: Balance, tick: Tick, cooler: bool, suspicion: Suspicion, within_s: float
) -> tuple[Window, Verdict]:
    """The window after one more tick, and what it shows. `balance` is the one after this tick; `within_s` is the
    on-time within which an output without effect is to be found where it is weak."""
    h = tick.dt_s / HOUR_S
    cooler_share, heater_share = window.cooler, window.heater
    if suspicion is Suspicion.WILL_NOT_STOP:  # what an output that was on does is learnt on beside it
        _, cooler_share, heater_share = reckoned(balance)
    elif cooler:
        cooler_share = min(cooler_share, MOST_MISSED_SHARE)
    else:
        heater_share = min(heater_share, MOST_MISSED_SHARE)
    cooler_k_per_h = cooler_share * tick.full_cooling_k_per_h
    heater_k_per_h = heater_share * tick.full_heating_k_per_h
    own, full_k_per_h, on = (
        (balance.cooling, cooler_k_per_h, tick.cooled) if cooler else (balance.heating, heater_k_per_h, tick.heated)
    )
    if suspicion is Suspicion.WILL_NOT_STOP:
        full_k_per_h = STUCK_SHARE * (tick.full_cooling_k_per_h if cooler else tick.full_heating_k_per_h)
    # With a relay that will not stop the output runs on; one without effect gives nothing more.
    duty = came_through(window.duty, 1.0 if suspicion is Suspicion.WILL_NOT_STOP else 0.0, tick.dt_s, cooler)
    alone_k_per_h = window.rest_k_per_h + (cooler_k_per_h if cooler else heater_k_per_h) * own
    other_k_per_h = heater_k_per_h * balance.heating if cooler else cooler_k_per_h * balance.cooling
    should_c = window.wort_c + h * (alone_k_per_h + other_k_per_h)
    seen_k = tick.wort_c - should_c
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
        seen_k,
        speaks=window.speaks,
        began_c=window.began_c,
        alone_k=window.alone_k + alone_k_per_h * h,
        lagged_k=window.lagged_k + (seen_k - window.lagged_k) * tick.dt_s / (LATELY_S + tick.dt_s),
        pulses=window.pulses + (on > 0.0 and not window.on),
        on=on > 0.0,
        cooler=window.cooler,
        heater=window.heater,
    )  # fmt: skip
    fresh = begun(balance, tick.wort_c, cooler)
    relay = suspicion is Suspicion.WILL_NOT_STOP
    longest_s = LONGEST_S if relay else LONGEST_NO_EFFECT_S
    if (abs(window.fault_k) < BEGUN_K and abs(duty - own) < IDLE) or window.lasted_s > longest_s:
        return fresh, Verdict.OPEN
    untold = window.unsure.rr >= UNTOLD_REST_K_PER_H**2
    if relay and untold and (window.cooler if cooler else window.heater) >= UNTOLD_SHARE:
        return fresh, Verdict.OPEN
    spoken = window.seen_k / window.fault_k if window.fault_k else 0.0
    strange = STRANGE_NO_EFFECT_SHARE if suspicion is Suspicion.NO_EFFECT else STRANGE_SHARE
    if abs(window.seen_k) > SMALL_K and not STRANGE_BACK_SHARE <= spoken <= strange:
        return fresh, Verdict.OPEN
    sd_k = _standard_deviation(window, tick)
    speaks = spoken >= (STUCK_SPEAKS if relay else DEAD_SPEAKS)
    if window.lasted_s >= HOPELESS_AFTER_S and sd_k > HOPELESS_SHARE * abs(window.fault_k) and not speaks:
        return fresh, Verdict.OPEN
    if relay and window.fault_k * (window.seen_k - 0.5 * window.fault_k) < -AGAINST * sd_k**2:
        return fresh, Verdict.OPEN
    window = window._replace(sd_k=sd_k)
    if relay:
        strongest = (window.cooler if cooler else window.heater) >= MOST_SOUND
        least_k, sure = (
            RELAY_K * (TWICE if strongest else 1.0),
            SURE_OF_RELAY if tick.wort_c > COLD_C else SURE_OF_RELAY_COLD,
        )
    else:
        least_k, sure = LARGE_K, SURE
        if tick.wort_c > COLD_C:
            least_k = min(LARGE_K, max(SMALL_K, WEAK_SHARE * abs(full_k_per_h) * within_s / HOUR_S))
    if speaks and abs(window.seen_k) >= max(least_k, sure * sd_k) + _lid_k(window, tick):
        if relay:
            fits = on == 0.0 and _goes_on(window, full_k_per_h * (duty - own))
        else:
            fits = _misses(window, spoken, within_s) and not _known_to_work(balance, cooler)
        if fits:
            window = window._replace(speaks=window.speaks + 1)
            return window, Verdict.FAULT if window.speaks >= SPEAKS_TICKS else Verdict.OPEN
    if spoken < WORKS_SHARE and abs(window.fault_k) >= max(least_k, SURE_ENOUGH * sd_k):
        return fresh, Verdict.WORKS
    return window._replace(speaks=0), Verdict.OPEN


def _goes_on(window: Window, stuck_k_per_h: float) -> bool:
    """Whether the wort still moves as if the output ran on, which by itself would do `stuck_k_per_h`."""
    lately_k, should_k = window.seen_k - window.lagged_k, stuck_k_per_h * LATELY_S / HOUR_S
    gone_k = window.alone_k + window.seen_k
    return lately_k / window.fault_k > 0.0 and (
        abs(lately_k) >= GOES_ON_SHARE * abs(should_k) and gone_k / window.fault_k >= GONE_SHARE
    )


def _lid_k(window: Window, tick: Tick) -> float:
    """What an open lid may have done of what was seen, K."""
    lid_k = tick.lid_k_per_h * min(window.lasted_s, LID_S) / HOUR_S
    return abs(lid_k) if lid_k * window.fault_k > 0.0 else 0.0


def _known_to_work(balance: Balance, cooler: bool) -> bool:
    """Whether the balance knows by now that the output has an effect, though less than it was taken for."""
    share, variance = (balance.cooler, balance.unsure.cc) if cooler else (balance.heater, balance.unsure.hh)
    return share - SURE * sqrt(variance) > KNOWN_SHARE


def _misses(window: Window, spoken: float, within_s: float) -> bool:
    """Whether what was missed is what an output without effect would have missed."""
    gone_k = window.alone_k + window.seen_k
    ran = window.pulses >= PULSES or window.on_s >= RAN_SHARE * within_s
    return ran and spoken <= MISSED_SHARE and gone_k / window.fault_k >= -WENT_SHARE


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
