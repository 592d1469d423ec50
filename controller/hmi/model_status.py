"""What the observer thinks of a vessel, for status and metrics: figures with their uncertainty."""

from math import sqrt
from typing import NamedTuple

from controller.control.observer import Observed, sure
from controller.control.site import Site, Vessel
from controller.control.state import SiteState, VesselState
from controller.control.vessel_model import HOLD_S
from controller.hmi.words import Json, number, trusted_c

# What the network leaves out (layers, a coil that fouls, flow that wanders) makes a learnt share wrong by about so much
# of itself, beyond what the filter says: as found on the random plants of the control bench.
LEFT_OUT = 0.15


class Learnt(NamedTuple):
    """One share of the site file's figure, and its standard deviation."""

    part: str
    share: float
    deviation: float


def learnt(observed: Observed) -> tuple[Learnt, ...]:
    """What was learnt beside the site file's figures: cooler, heater, hold-up of the coil, loss to the room. The
    deviation is the filter's and that of the network itself."""
    shares, unsure = observed.thought.shares, observed.thought.unsure
    return (
        Learnt("cooler", shares.cooler, _deviation(shares.cooler, unsure.cc)),
        Learnt("heater", shares.heater, _deviation(shares.heater, unsure.hh)),
        Learnt("hold_up", shares.hold, _deviation(shares.hold, unsure.dd)),
        Learnt("loss", shares.loss, _deviation(shares.loss, unsure.ll)),
    )


def unexplained_w(vessel: Vessel, now: VesselState) -> float | None:
    """The warming that neither outputs nor room explain, in watts of the batch's heat capacity: yeast, and errors."""
    if not sure(now.observed):
        return None
    litres = now.batch.volume_l if now.batch is not None and now.batch.volume_l else vessel.volume_l
    return (
        now.observed.thought.rest_k_per_h * vessel.heat_capacity_j_per_k * min(litres / vessel.volume_l, 1.0) / 3600.0
    )


def model_dict(site: Site, vessel: Vessel, now: VesselState, state: SiteState) -> Json | None:
    """The observer's figures as JSON-ready data; None while it is not sure of the wort."""
    observed = now.observed
    if not sure(observed):
        return None
    thought = observed.thought
    bath_c = trusted_c(state.signals, site.bath.probes) if site.bath is not None else None
    room_c = trusted_c(state.signals, (site.room,)) if site.room is not None else None
    return {
        "wort_deviation_k": number(_root(thought.unsure.ww), 3),
        "unexplained_k_per_h": number(thought.rest_k_per_h, 3),
        "unexplained_deviation_k_per_h": number(_root(thought.unsure.rr), 3),
        "unexplained_w": number(unexplained_w(vessel, now), 1),
        "by_itself_k_per_h": number(thought.ahead.own_k_per_h, 3),
        "cold_in_coil_k": number(thought.ahead.coil_k, 3),
        "hold_up_s": number(thought.shares.hold * HOLD_S, 0),
        "learnt": {each.part: {"share": number(each.share, 3), "deviation": number(each.deviation, 3)}
                   for each in learnt(observed)},
        "bath": "measured" if bath_c is not None else "no fit probe: reckoned as its chiller should keep it",
        "room": "measured" if room_c is not None else "no fit probe: what it does counts as unexplained",
    }  # fmt: skip


def _deviation(share: float, variance: float) -> float:
    return _root(variance + (LEFT_OUT * share) ** 2)


def _root(variance: float) -> float:
    return sqrt(variance) if variance > 0.0 else 0.0
