"""Evidence from temperatures for or against a fault of an output (design rule 5).

Each suspicion is a window in which two courses of the wort are reckoned from one beginning: how it should have gone,
and how it would have gone with the fault. When the two are far enough apart, the wort says which was true.
"""

from enum import Enum
from typing import NamedTuple

from controller.control.balance import LAG_S, Balance, Tick, came_through, expected_rate

# While the two courses are not this far apart, the window follows the wort: nothing has begun.
BEGUN_K = 0.05
# The wort speaks for a fault when it has gone this share of the way to it, for the output when less than the lower
# share; beyond the outer ones something else is going on: a hand on the probe, a lid, another wort.
FAULT_SHARE, WORKS_SHARE = 0.6, 0.4
STRANGE_SHARE, STRANGE_BACK_SHARE = 4.0, -2.0
# The least difference that counts, in K: several steps of the usual probe; less where an output is so weak that it
# moves little in the time allowed. All so far: common practice, no source.
LARGE_K, SMALL_K = 0.3, 0.12
# How long the wort must speak for a fault, and how long a window lasts: longer, and yeast or weather may have changed.
SPEAKS_TICKS = 3
LONGEST_S = 9000.0
# What an output still had on its way may come earlier or later than reckoned; this share of it is not evidence.
UNSURE_SHARE = 0.5


class Suspicion(Enum):
    """What may be wrong with an output."""

    NO_EFFECT = "without effect"
    WILL_NOT_STOP = "will not stop"


class Window(NamedTuple):
    """`wort_c` as it should have become since the window began, `fault_k` what the fault would have added to it,
    `duty` of the output as it would have come through with the fault, `on_s` how long the output was commanded on,
    `unsure_k` what may not be counted, `speaks` for how many ticks the wort has spoken for the fault."""

    began_c: float
    rest_k_per_s: float
    wort_c: float
    duty: float
    fault_k: float = 0.0
    on_s: float = 0.0
    lasted_s: float = 0.0
    unsure_k: float = 0.0
    speaks: int = 0
    seen_k: float = 0.0  # how far the wort is from how it should have become


class Verdict(Enum):
    """What a window has shown."""

    OPEN = "open"
    FAULT = "fault"
    WORKS = "works"


def begun(balance: Balance, cooler: bool) -> Window:
    """A window that begins now, for the cooler or for the heater."""
    duty = balance.cooling if cooler else balance.heating
    return Window(balance.wort_c, balance.rest_k_per_s, balance.wort_c, duty)


def watched(
    window: Window, balance: Balance, tick: Tick, cooler: bool, suspicion: Suspicion, within_s: float
) -> tuple[Window, Verdict]:
    """The window after one more tick, and what it shows. `balance` is the one after this tick; `within_s` is the
    on-time within which the fault is to be found, where an output is weak."""
    dt_s = tick.dt_s
    own, other = (balance.cooling, balance.heating) if cooler else (balance.heating, balance.cooling)
    full, other_full = tick.full_cooling_k_per_s, tick.full_heating_k_per_s
    share, other_share = balance.cooler.share, balance.heater.share
    if not cooler:
        full, other_full, share, other_share = other_full, full, other_share, share
    on = tick.cooled if cooler else tick.heated
    # With a relay that will not stop the output runs on; one without effect gives nothing more.
    duty = came_through(window.duty, 1.0 if suspicion is Suspicion.WILL_NOT_STOP else 0.0, dt_s)
    should = expected_rate(balance._replace(rest_k_per_s=window.rest_k_per_s), tick, balance.cooling, balance.heating)
    window = Window(
        window.began_c, window.rest_k_per_s, window.wort_c + should * dt_s, duty,
        window.fault_k + share * full * (duty - own) * dt_s,
        window.on_s + on * dt_s,
        window.lasted_s + dt_s,
        max(window.unsure_k, UNSURE_SHARE * abs(other_share * other_full) * LAG_S * other),
        window.speaks,
        tick.wort_c - window.wort_c - should * dt_s,
    )  # fmt: skip
    if abs(window.fault_k) < BEGUN_K or window.lasted_s > LONGEST_S:
        return begun(balance, cooler), Verdict.OPEN
    least_k = min(LARGE_K, max(SMALL_K, 0.45 * abs(share * full) * within_s)) + window.unsure_k
    spoken = window.seen_k / window.fault_k
    if spoken > STRANGE_SHARE or (spoken < STRANGE_BACK_SHARE and abs(window.seen_k) > LARGE_K):
        return begun(balance, cooler), Verdict.OPEN
    if spoken >= FAULT_SHARE and abs(window.seen_k) >= least_k:
        window = window._replace(speaks=window.speaks + 1)
        return window, Verdict.FAULT if window.speaks >= SPEAKS_TICKS else Verdict.OPEN
    if spoken < WORKS_SHARE and abs(window.fault_k) >= least_k:
        return begun(balance, cooler), Verdict.WORKS
    return window._replace(speaks=0), Verdict.OPEN
