"""Stage 3 as a whole: what the probes say and what the observer thinks, together the wort as the loop sees it."""

from controller.control.diagnose_words import Around
from controller.control.diagnosis import COOLER_NO_EFFECT
from controller.control.estimate import estimate, fit_mean_c, steady
from controller.control.follow import Moment
from controller.control.observer import NOT_OBSERVED, SURE_AFTER_TICKS, Observed, Seen, closed, opened, parted
from controller.control.site import Vessel
from controller.control.state import VesselState
from controller.control.values import Drive, Estimate, Signal, Status
from controller.control.vessel_model import COLD_C, USUAL_ROOM_C, rates


def watched_wort(
    vessel: Vessel, was: VesselState, own: list[Signal], around: Around, moment: Moment
) -> tuple[Estimate, Observed]:
    """The wort as the loop sees it, and what is thought of the vessel. Without a batch, or after a gap, only the
    signals count. Between two looks of the observer, which are a minute apart or at an output's change, the wort goes
    on at the rate that it had. After an event, of which it could tell nothing, the wort begins at the signals too."""
    last, before, dt_s = was.observed, was.estimate, moment.dt_s
    if was.batch is None or moment.gap:
        kept = last if last is NOT_OBSERVED else parted(last, was.batch is None)
        return estimate(own, before, dt_s, moment.gap), kept
    # Who counts on a cooler that is without effect takes the wort for warmer by itself than it is.
    cooling = was.cooler is not None and was.cooler.on and COOLER_NO_EFFECT not in was.faults
    heating = was.heater is not None and was.heater.on
    good = len(own) == 1 and own[0].status is Status.GOOD
    wort_c = own[0].celsius if good else fit_mean_c(own)
    now = opened(last, wort_c, cooling, heating, dt_s)
    if now is None:
        now = closed(last, _seen(vessel, was, wort_c, cooling, heating, around), dt_s)
    thought = now.thought
    if thought.ticks < SURE_AFTER_TICKS:
        event = thought.ticks == 0 < last.thought.ticks and wort_c is not None
        return estimate(own, before, dt_s, event), now
    thought_c = thought.nodes.wort_c + thought.ahead.wort_k_per_h * now.passed_s / 3600.0
    if good and before.drive is Drive.BOTH:
        return steady(thought_c, before, dt_s), now
    return estimate(own, before, dt_s, False, thought_c), now


def _seen(vessel: Vessel, was: VesselState, wort_c: float | None, cooling: bool, heating: bool, around: Around) -> Seen:
    """What an observer's look takes in. In a cold wort, which no longer turns over by itself, a coil does other than in
    the warm: nothing is learnt of its share there, or share and rest would run away together."""
    batch = was.batch
    return Seen(
        wort_c,
        cooling,
        heating,
        around.counted_bath_c,
        USUAL_ROOM_C if around.room_c is None else around.room_c,
        not was.faults and was.estimate.drive is Drive.BOTH and wort_c is not None and wort_c > COLD_C,
        around.bath_c is not None,
        vessel.volume_l,
        rates(vessel, batch.volume_l if batch is not None else None, around.bath),
    )
