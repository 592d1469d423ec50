"""What is coming in a vessel, out of what is thought of it: rates of the wort, the cold still in the coil, the heat
still in the wrap, and how sure that is. Here the observer meets the scan, and the loop the observer."""

from math import sqrt
from typing import NamedTuple

from controller.control.diagnose_words import Around
from controller.control.estimate import estimate, fit_mean_c
from controller.control.follow import Moment
from controller.control.observer import NOT_OBSERVED, Observed, Seen, observed, parted, sure
from controller.control.site import Vessel
from controller.control.state import VesselState
from controller.control.values import Drive, Estimate, Signal
from controller.control.vessel_model import HOLD_S, UNKNOWN_BATH_C, USUAL_ROOM_C, WRAP_S, rates


class Outlook(NamedTuple):
    """Rates of the wort in K/h: of itself (`own`: yeast, room), under full cooling and under full heating (both > 0).
    What the coil will still take out and the wrap still give, K, and the lags that these come from. Standard
    deviations: `unsure_k` of `coil_k` by what is not known of the hold-up, `own_sd` of `own_k_per_h`."""

    own_k_per_h: float
    cooling_k_per_h: float
    heating_k_per_h: float
    coil_k: float
    wrap_k: float
    hold_h: float
    wrap_h: float
    unsure_k: float
    own_sd: float


def outlook(now: Observed, bath_c: float) -> Outlook:
    """What is coming, with the bath at `bath_c`."""
    nodes, shares, rate = now.nodes, now.shares, now.rate
    wort_c = nodes.wort_c
    per_h = rate.coil_per_h * shares.cooler
    heating = rate.heater_k_per_h * shares.heater
    hold_h = shares.hold * (HOLD_S / 3600.0)
    own = own_k_per_h(now)
    coil_k = per_h * nodes.coil_k * hold_h
    return Outlook(
        own,
        per_h * (wort_c - bath_c) if wort_c > bath_c else 0.0,
        heating,
        coil_k,
        heating * nodes.wrap * (WRAP_S / 3600.0),
        hold_h,
        WRAP_S / 3600.0,
        coil_k * sqrt(now.unsure.dd) / shares.hold if now.unsure.dd > 0.0 else 0.0,
        sqrt(now.unsure.rr) if now.unsure.rr > 0.0 else 0.0,
    )


def own_k_per_h(now: Observed) -> float:
    """How fast the wort warms by itself: the rest, and what the room gives or takes."""
    if now.room_c is None:
        return now.rest_k_per_h
    return now.rest_k_per_h + now.rate.loss_per_h * now.shares.loss * (now.room_c - now.nodes.wort_c)


def bath_at_c(around: Around) -> float:
    """The bath as it is counted: measured, or else as its chiller should keep it."""
    if around.bath_c is not None:
        return around.bath_c
    return around.bath.setpoint_c if around.bath is not None else UNKNOWN_BATH_C


def watched_wort(
    vessel: Vessel, was: VesselState, own: list[Signal], around: Around, moment: Moment
) -> tuple[Estimate, Observed]:
    """Stage 3 as a whole: the wort as the loop sees it, and what is thought of the vessel. Without a batch, or after a
    gap, only the signals count."""
    batch, last = was.batch, was.observed
    if batch is None or moment.gap:
        return estimate(own, was.estimate, moment.dt_s, moment.gap), (
            last if last is NOT_OBSERVED else parted(last, batch is None)
        )
    if last.sums.passed_s == 0.0:
        last = last._replace(rate=rates(vessel, batch.volume_l, around.bath))
    bath_c = bath_at_c(around)
    cooler, heater = was.cooler, was.heater
    seen = Seen(
        fit_mean_c(own),
        cooler is not None and cooler.on,
        heater is not None and heater.on,
        bath_c,
        USUAL_ROOM_C if around.room_c is None else around.room_c,
        not was.faults and was.estimate.drive is Drive.BOTH,
        around.bath_c is not None,
        vessel.volume_l,
    )
    now = observed(last, seen, moment.dt_s)
    wort_c = now.nodes.wort_c if sure(now) else None
    return estimate(own, was.estimate, moment.dt_s, False, wort_c), now
