"""Stage 6, demand -> grant: how the shared, finite bath is divided, recomputed whole at every scan.

Fermentations and holds get what they ask for while the bath is colder than their wort. Pull-downs wait for them, and
crashes for both: what they get falls as the bath warms towards the level at which the others still have cold enough.
So the bath itself measures what is left; no figure of the site file needs to be right, and the chiller never rests
while anybody waits. Nor is the bath kept colder than anybody needs: a warm one takes less heat from the room, and a
chiller gives more at it. Where the bath does not come back to that level, the level gives way: nobody waits for ever.
"""

from collections.abc import Mapping
from enum import IntEnum
from math import inf
from typing import NamedTuple

from controller.control.observer import Observed
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
# A vessel whose wort is so much warmer than the bath is cooled with about two thirds of its coil's nominal power. Where
# it is known what the wort does by itself, it needs this many times the distance at which its coil just carries that,
# but never less than so much.
NEED_K, NEED_TIMES, LEAST_NEED_K = 10.0, 2.0, 2.5
# So far above its setpoint a wort is not served well enough. One that suffers more needs a bath colder by so much for
# each kelvin, until that is no longer warm: whatever is thought of its coil.
CONTENT_K, SUFFERS_K, COLDER_K_PER_K = 0.4, 0.6, 10.0
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
# Of those who wait for the same cold the farthest from its setpoint has its turn, until another is farther by this
# share of its way, but by no more than so much. Who waits is cooled in longer pulses, of so many cycles of its loop: a
# pump that runs for long brings less glycol that the room has warmed out of its line than pumps that start often.
TURN_SHARE, TURN_K, TURN_CYCLES = 0.2, 1.5, 5.0
# A bath that pull-downs or crashes have made warm is not called so up to so much above the level at which they wait;
# after them it has to recover at this pace at least, no more than so much behind it.
EXCUSED_K, RECOVERS_K_PER_H, RECOVERS_WITHIN_K = 1.0, 1.0, 0.5

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
    there is no cooler; `settling` tells that the wort is on its way to a new setpoint; `needs_k` is how much colder
    than its wort the bath must be to hold it."""

    vessel: str
    demand: Demand
    wort_c: float | None
    crash: bool
    setpoint: Setpoint | None = None
    settling: bool = False
    needs_k: float = NEED_K


class Shares(NamedTuple):
    """The grants by position of the calls, what is to be remembered and told of them, whether pumps are to start one
    after the other, whether the bath leaves somebody next to nothing, and how many of its loop's cycles a pulse of one
    who waits lasts."""

    grants: tuple[Grant, ...]
    sharing: Sharing
    stagger: bool
    paused: bool = False
    cycles: float = 1.0


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
    needed_c = _needed_c(bath, served)
    if bath_c is None:
        parts = _nominal_parts(bath, served, asking_w)
        eased_k, short = 0.0, sum(asking_w) > CAREFUL_SHARE * bath.chiller_w
        excused_c = last.excused_c
    else:
        parts = _parts(bath_c, *_band(bath, needed_c, last.eased_k), served, asking_w)
        waiting = [call for call, rank in zip(calls, ranks, strict=True) if rank is not Rank.NEEDED]
        stuck = any(_stuck(call) and (not last.turns or call.vessel in last.turns) for call in waiting)
        eased_k = _eased(last.eased_k, _least(parts, asking_w), served, stuck, dt_s)
        short = bath_c > bath.setpoint_c + STORE_K
        drawing = [
            call.wort_c
            for call, rank, grant in zip(calls, ranks, grants, strict=True)
            if rank is not Rank.NEEDED and grant.heat_w < 0.0 and call.wort_c is not None
        ]
        excused_c = _excused_c(bath, bath_c, last.excused_c, drawing, needed_c, eased_k, dt_s)
    cycles = TURN_CYCLES if bath_c is not None else 1.0  # who sees the bath ends a pulse that makes it too warm
    waits: dict[str, float] = {}
    turns: list[str] = []
    for rank in (Rank.PULL_DOWN, Rank.CRASH):
        if parts[rank] == 1.0:
            continue
        left_w = parts[rank] * asking_w[rank]
        places = _in_turn([p for p, each in enumerate(ranks) if each is rank], calls, grants, last.turns)
        turns += [calls[place].vessel for place in places[:1]]
        for place in places:
            asked_w = -grants[place].heat_w
            part = min(1.0, left_w / asked_w)
            left_w = max(0.0, left_w - asked_w)
            if part < 1.0:
                waits[calls[place].vessel] = part
                grants[place] = Grant(-asked_w * part, _waiting(rank, part, place == places[0]))
    if not waits:
        return Shares(tuple(grants), Sharing(eased_k, excused_c=excused_c), short)
    behind = tuple(each.vessel for each in served)
    sharing = Sharing(eased_k, waits, behind, needed_c, tuple(turns), excused_c)
    return Shares(tuple(grants), sharing, short, _least(parts, asking_w) < LEAST_SHARE, cycles)


def _least(parts: tuple[float, float, float], asking_w: list[float]) -> float:
    """The least share of all that are asked for."""
    return min((part for part, asked_w in zip(parts, asking_w, strict=True) if asked_w), default=1.0)


def needs_k(observed: Observed, slope_k_per_h: float) -> float:
    """How much colder than a wort the bath must be to hold it at a setpoint that moves by `slope_k_per_h`."""
    thought = observed.thought
    most_k_per_h = thought.ahead.own_k_per_h + thought.ahead.own_sd - slope_k_per_h
    coil_per_h = thought.rate.coil_per_h * thought.shares.cooler
    if coil_per_h <= 0.0 or NEED_TIMES * most_k_per_h >= NEED_K * coil_per_h:
        return NEED_K
    return max(LEAST_NEED_K, NEED_TIMES * most_k_per_h / coil_per_h)


def last_start(vessels: Mapping[str, VesselState]) -> float:
    """When the last of the coolers that are on has started, -inf where none is."""
    return max((v.cooler.since_s for v in vessels.values() if v.cooler is not None and v.cooler.on), default=-inf)


def waits_at_most_s(bath: Bath, sharing: Sharing, bath_c: float) -> float:
    """How long at most a call that gets next to nothing still waits, if the bath stays as warm as it is."""
    top_c = _top_c(bath, sharing.needed_c) + sharing.eased_k
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


def _in_turn(places: list[int], calls: list[Call], grants: list[Grant], turns: tuple[str, ...]) -> list[int]:
    """The places of those who ask for cold: the farthest from its setpoint first, but whoever had his turn keeps it for
    a while."""

    def far_k(place: int) -> float:
        call = calls[place]
        away_k = 0.0 if call.setpoint is None or call.wort_c is None else _above_k(call)
        return away_k + (min(TURN_SHARE * max(away_k, 0.0), TURN_K) if call.vessel in turns else 0.0)

    return sorted((place for place in places if grants[place].heat_w < 0.0), key=far_k, reverse=True)


def _stuck(call: Call) -> bool:
    """Whether a wort comes no nearer to its setpoint."""
    return not call.settling and call.setpoint is not None and call.wort_c is not None and _above_k(call) > ARRIVED_K


def _needed_c(bath: Bath, served: list[Call]) -> float | None:
    """The bath that all who are served first need, None where nobody is."""
    return min((_needs_c(bath, call) for call in served), default=None)


def _needs_c(bath: Bath, call: Call) -> float:
    assert call.wort_c is not None
    needs_c = call.wort_c - call.needs_k
    suffers_k = max(0.0, _above_k(call) - SUFFERS_K)
    return max(min(needs_c, bath.warm_c), needs_c - COLDER_K_PER_K * suffers_k)


def _above_k(call: Call) -> float:
    assert call.setpoint is not None
    assert call.wort_c is not None
    return call.wort_c - call.setpoint.high_c


def _top_c(bath: Bath, needed_c: float | None) -> float:
    """The bath at which whoever waits gets nothing."""
    coldest_c = bath.setpoint_c + STORE_K + 0.5 * BAND_K
    return coldest_c if needed_c is None else max(needed_c, coldest_c)


def _band(bath: Bath, needed_c: float | None, eased_k: float) -> tuple[float, float]:
    """The bath's temperatures at which whoever waits gets all and nothing."""
    top_c = _top_c(bath, needed_c)
    return max(bath.setpoint_c + STORE_K, top_c - BAND_K) + eased_k, top_c + eased_k


def _excused_c(
    bath: Bath, bath_c: float, last_c: float | None, drawing: list[float], needed_c: float | None, eased_k: float,
    dt_s: float,
) -> float | None:  # fmt: skip
    """Up to where the bath is not called warm: pull-downs and crashes whose worts are `drawing` (°C) may make it so as
    long as it still cools them and the others have cold enough; then it has time to recover. None: it has no excuse."""
    if drawing:
        if needed_c is None:
            return min(drawing) - USEFUL_K
        return min(_top_c(bath, needed_c) + eased_k + EXCUSED_K, min(drawing) - USEFUL_K)
    if last_c is None:
        return None
    excused_c = min(last_c - RECOVERS_K_PER_H * dt_s / 3600.0, bath_c + RECOVERS_WITHIN_K)
    return excused_c if excused_c > bath.warm_c else None


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


def _eased(eased_k: float, least: float, served: list[Call], stuck: bool, dt_s: float) -> float:
    """By how much the level has given way, K. It rises for whoever gets next to nothing or comes no nearer to his
    setpoint, whatever the others need. Once that has proven that the bath does not come back to it, it stays there. It
    falls when nobody waits, or when those who are served first are not content."""
    content = all(_above_k(call) <= CONTENT_K for call in served)
    if least < LEAST_SHARE or (least < 1.0 and stuck):
        return eased_k + (CONTENT_K_PER_S if content else NEEDED_K_PER_S) * dt_s
    if least >= 1.0 or not content:
        return max(0.0, eased_k - CONTENT_K_PER_S * dt_s)
    if eased_k < PROVEN_K:
        return max(0.0, eased_k - NEEDED_K_PER_S * dt_s)
    return eased_k


def _waiting(rank: Rank, part: float, first: bool) -> str:
    if part >= LEAST_SHARE:
        return _LESS[rank]
    return _NOTHING[rank] if first else _LATER[rank]


_NOTHING = (
    "",
    "the pull-down waits: the bath is warm, fermentations come first",
    "the crash waits: the bath is warm, fermentations come first",
)
_LATER = (
    "",
    "the pull-down waits its turn: another wort is farther from its setpoint",
    "the crash waits its turn: another wort is farther from its setpoint",
)
_LESS = (
    "",
    "the pull-down gets what fermentations leave of the bath",
    "the crash gets what fermentations leave of the bath",
)
