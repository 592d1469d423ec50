"""Stage 6, demand -> grant: how the shared, finite bath is divided, recomputed whole at every scan.

Fermentations and holds get what they ask for while the bath is colder than their wort. Pull-downs wait for them, and
crashes for both: what they get falls as the bath warms towards the level at which the others still have cold enough.
So the bath itself measures what is left; no figure of the site file needs to be right, and the chiller never rests
while anybody waits. Where the bath does not come back to that level, the level gives way: nobody waits for ever.
"""

from collections.abc import Mapping
from enum import IntEnum
from math import inf
from typing import NamedTuple

from controller.control.site import Bath
from controller.control.state import NO_SHARING, Sharing, VesselState
from controller.control.trust import fit_to_drive
from controller.control.values import Demand, Grant, Setpoint, Signal

# All figures of this stage are of our own choice, tried on the plants of tests/bench/shared_bath.py.
# Glycol this little colder than the wort moves no heat worth a pump start.
USEFUL_K = 0.5
# Up to this far above its setpoint the bath's own cold is there to be used: a chiller's own thermostat swings by less.
STORE_K = 1.0
# From all that is asked for to nothing as the bath warms by so much.
BAND_K = 2.0
# A vessel whose wort is so much warmer than the bath is cooled with about two thirds of its coil's nominal power.
NEED_K = 10.0
# So far above its setpoint a wort is not served well enough.
CONTENT_K = 0.4
ARRIVED_K = 0.5
# Whoever gets less than this share gets next to nothing. The level rises for him: fast while all others are content.
LEAST_SHARE = 0.1
CONTENT_K_PER_S, NEEDED_K_PER_S = 2.0 / 3600.0, 0.5 / 3600.0
# Who waits for so much of a rise has proven that the bath does not come back: a pulse or a full coil do less.
PROVEN_K = 0.5
# Without a fit bath probe, by nominal figures: so much of the chiller is given away, less as the others' worts warm.
CAREFUL_SHARE = 0.7
UNEASY_K = 0.2
# While the bath is short, pumps start no nearer to each other than this.
STAGGER_S = 15.0

TOO_WARM = "the bath is not colder than the wort"
TOO_WARM_NOMINAL = "the bath at its setpoint would not be colder than the wort"
STARTS_LATER = "another pump has just started; the bath is short"


class Rank(IntEnum):
    """Who comes first where the bath is short."""

    NEEDED = 0  # a fermentation or a hold
    PULL_DOWN = 1  # on its way down to a new setpoint, and coming nearer
    CRASH = 2


class Call(NamedTuple):
    """One vessel's call on the bath. `wort_c` is None when unknown; `setpoint` is None where nothing is regulated or
    there is no cooler; `settling` tells that the wort is on its way to a new setpoint."""

    vessel: str
    demand: Demand
    wort_c: float | None
    crash: bool
    setpoint: Setpoint | None = None
    settling: bool = False


class Shares(NamedTuple):
    """The grants by position of the calls, what is to be remembered and told of them, and whether pumps are to start
    one after the other."""

    grants: tuple[Grant, ...]
    sharing: Sharing
    stagger: bool

    @property
    def paused(self) -> bool:
        """Whether somebody who waits gets next to nothing."""
        waits = self.sharing.waits
        return bool(waits) and min(waits.values()) < LEAST_SHARE


def share(bath: Bath | None, signal: Signal | None, calls: list[Call], last: Sharing, dt_s: float) -> Shares:
    """A grant for each call, in the same order, `dt_s` after the `last` time. Heat is not the bath's business and
    passes; so does everything on a site without a bath.

    Without a fit signal of the bath it is taken to be at its setpoint, and the chiller to be weaker than the site file
    says.
    """
    if bath is None:
        return Shares(tuple([Grant(call.demand.heat_w, call.demand.reason) for call in calls]), NO_SHARING, False)
    bath_c = signal.celsius if signal is not None and fit_to_drive(signal) else None
    cold_c = bath.setpoint_c if bath_c is None else bath_c
    if cold_c <= bath.setpoint_c + STORE_K and bath_c is not None and not last.eased_k:
        return Shares(tuple([_grant(call, cold_c, TOO_WARM) for call in calls]), NO_SHARING, False)
    why = TOO_WARM_NOMINAL if bath_c is None else TOO_WARM
    grants = [_grant(call, cold_c, why) for call in calls]
    ranks = [_rank(call) for call in calls]
    asking_w = [0.0, 0.0, 0.0]
    for rank, grant in zip(ranks, grants, strict=True):
        asking_w[rank] -= min(0.0, grant.heat_w)
    served = [
        call
        for call, rank in zip(calls, ranks, strict=True)
        if rank is Rank.NEEDED and call.setpoint is not None and call.wort_c is not None
    ]
    if bath_c is None:
        parts = _nominal_parts(bath, served, asking_w)
        eased_k, short = 0.0, sum(asking_w) > CAREFUL_SHARE * bath.chiller_w
    else:
        parts = _parts(bath_c, *_band(bath, served, last.eased_k), served, asking_w)
        least = min((part for part, asked_w in zip(parts, asking_w, strict=True) if asked_w), default=1.0)
        stuck = any(rank is not Rank.NEEDED and _stuck(call) for call, rank in zip(calls, ranks, strict=True))
        eased_k = _eased(bath, last.eased_k, least, served, stuck, dt_s)
        short = bath_c > bath.setpoint_c + STORE_K
    waits: dict[str, float] = {}
    for place, (call, rank, grant) in enumerate(zip(calls, ranks, grants, strict=True)):
        if parts[rank] < 1.0 and grant.heat_w < 0.0:
            waits[call.vessel] = parts[rank]
            grants[place] = Grant(grant.heat_w * parts[rank], _waiting(rank, parts[rank]))
    behind = tuple(each.vessel for each in served) if waits else ()
    return Shares(tuple(grants), Sharing(eased_k, waits, behind), short)


def last_start(vessels: Mapping[str, VesselState]) -> float:
    """When the last of the coolers that are on has started, -inf where none is."""
    return max((v.cooler.since_s for v in vessels.values() if v.cooler is not None and v.cooler.on), default=-inf)


def waits_at_most_s(bath: Bath, served_c: float | None, bath_c: float, eased_k: float) -> float:
    """How long at most a call that gets next to nothing still waits, if the bath stays as warm as it is. `served_c` is
    the coldest wort that is served before it."""
    top_c = _top_c(bath, served_c) + eased_k
    return max(0.0, bath_c - (top_c - LEAST_SHARE * BAND_K)) / NEEDED_K_PER_S


def _grant(call: Call, cold_c: float, why: str) -> Grant:
    heat_w, reason = call.demand
    if heat_w < 0.0 and call.wort_c is not None and cold_c > call.wort_c - USEFUL_K:
        return Grant(0.0, why)
    return Grant(heat_w, reason)


def _rank(call: Call) -> Rank:
    if call.crash:
        return Rank.CRASH
    if call.settling and call.setpoint is not None and call.wort_c is not None and _above_k(call) > CONTENT_K:
        return Rank.PULL_DOWN
    return Rank.NEEDED


def _stuck(call: Call) -> bool:
    """Whether a wort comes no nearer to its setpoint."""
    return not call.settling and call.setpoint is not None and call.wort_c is not None and _above_k(call) > ARRIVED_K


def _coldest_c(served: list[Call]) -> float | None:
    return min((call.wort_c for call in served if call.wort_c is not None), default=None)


def _above_k(call: Call) -> float:
    assert call.setpoint is not None
    assert call.wort_c is not None
    return call.wort_c - call.setpoint.high_c


def _top_c(bath: Bath, served_c: float | None) -> float:
    """The bath at which whoever waits gets nothing: the brewer's warm level, or colder where a wort needs that."""
    top_c = bath.warm_c if served_c is None else min(bath.warm_c, served_c - NEED_K)
    return max(top_c, bath.setpoint_c + STORE_K + 0.5 * BAND_K)


def _band(bath: Bath, served: list[Call], eased_k: float) -> tuple[float, float]:
    """The bath's temperatures at which whoever waits gets all and nothing."""
    top_c = _top_c(bath, _coldest_c(served))
    return max(bath.setpoint_c + STORE_K, top_c - BAND_K) + eased_k, top_c + eased_k


def _parts(
    bath_c: float, full_c: float, top_c: float, served: list[Call], asking_w: list[float]
) -> tuple[float, float, float]:
    """What each rank gets of its demand, 0..1. Where both wait, the colder half of the band is for crashes as well."""
    if not served:
        return 1.0, 1.0, 1.0
    part = min(1.0, max(0.0, (top_c - bath_c) / (top_c - full_c)))
    if not (asking_w[Rank.PULL_DOWN] and asking_w[Rank.CRASH]):
        return 1.0, part, part
    return 1.0, min(1.0, 2.0 * part), max(0.0, 2.0 * part - 1.0)


def _nominal_parts(bath: Bath, served: list[Call], asking_w: list[float]) -> tuple[float, float, float]:
    """The same by the site file's figures, for a bath whose temperature nobody knows."""
    if not served:
        return 1.0, 1.0, 1.0
    warmest_k = max(map(_above_k, served))
    ease = min(1.0, max(0.0, (UNEASY_K + CONTENT_K - warmest_k) / CONTENT_K))
    left_w = max(0.0, CAREFUL_SHARE * bath.chiller_w - asking_w[Rank.NEEDED]) * ease
    pull_w, crash_w = asking_w[Rank.PULL_DOWN], asking_w[Rank.CRASH]
    pull = min(1.0, max(LEAST_SHARE, left_w / pull_w)) if pull_w else 1.0
    crash = min(1.0, max(LEAST_SHARE, (left_w - pull * pull_w) / crash_w)) if crash_w else 1.0
    return 1.0, pull, crash


def _eased(bath: Bath, eased_k: float, least: float, served: list[Call], stuck: bool, dt_s: float) -> float:
    """By how much the level has given way, K. It rises for whoever gets next to nothing or comes no nearer to his
    setpoint, whatever the others need. Once that has proven that the bath does not come back to it, it goes on rising
    as far as the others need no colder bath. It falls when nobody waits, or when those who are served first are not
    content."""
    content = all(_above_k(call) <= CONTENT_K for call in served)
    if least < LEAST_SHARE or (least < 1.0 and stuck):
        return eased_k + (CONTENT_K_PER_S if content else NEEDED_K_PER_S) * dt_s
    if least >= 1.0 or not content:
        return max(0.0, eased_k - CONTENT_K_PER_S * dt_s)
    if eased_k < PROVEN_K:
        return max(0.0, eased_k - NEEDED_K_PER_S * dt_s)
    coldest_c = _coldest_c(served)
    if coldest_c is not None and _top_c(bath, coldest_c) + eased_k < coldest_c - NEED_K:
        return eased_k + CONTENT_K_PER_S * dt_s
    return eased_k


def _waiting(rank: Rank, part: float) -> str:
    return _NOTHING[rank] if part < LEAST_SHARE else _LESS[rank]


_NOTHING = (
    "",
    "the pull-down waits: the bath is warm, fermentations come first",
    "the crash waits: the bath is warm, fermentations come first",
)
_LESS = (
    "",
    "the pull-down gets what fermentations leave of the bath",
    "the crash gets what fermentations leave of the bath",
)
