"""What an identification must not do: when it may begin, and what ends it at once."""

from controller.control.balance import HOUR_S, YOUNG_TICKS
from controller.control.follow import Course, Moment
from controller.control.identification import Experiment, Method
from controller.control.interlock import REGULATED, freezing_limit_c
from controller.control.program import gravity_steady
from controller.control.site import Vessel
from controller.control.state import Batch, BatchState, Mode, VesselState
from controller.control.values import Drive, Estimate
from controller.control.vessel_model import most_loss_w_per_k

LONGEST_S = {Method.STEP: 6 * 3600.0, Method.RELAY: 12 * 3600.0}
EXCURSION_K = 1.5  # from the setpoint at its beginning; a beer at rest bears that for hours. Common practice, no source
NEAR_K = 0.3  # so near the setpoint it begins
STEADY_S = 24 * 3600.0  # a gravity that stays so long says that the yeast is done; common practice, no source
# What warms the wort beyond what the room can is yeast: this much if the room is measured, else that. A slow
# fermentation of 0.3 degrees Plato a day warms by 0.02 K/h, which nothing tells from a probe's steps in two hours.
YEAST_K_PER_H, YEAST_OR_ROOM_K_PER_H = 0.1, 0.3


def lowest_c(vessel: Vessel, batch: Batch | None) -> float:
    """The coldest that the wort may be by any of its limits."""
    return max(freezing_limit_c(vessel, batch), vessel.limits.low_c, vessel.alarms.low_c)


def highest_c(vessel: Vessel) -> float:
    """The warmest that it may be."""
    return min(vessel.limits.high_c, vessel.alarms.high_c)


def without_room(vessel: Vessel, batch: Batch | None, centre_c: float) -> str:
    """Why the wort could come too near a limit around this setpoint, or ""."""
    low_c, high_c = lowest_c(vessel, batch), highest_c(vessel)
    if low_c <= centre_c - EXCURSION_K and centre_c + EXCURSION_K <= high_c:
        return ""
    return (
        f"the setpoint of {centre_c:.1f} °C is less than {EXCURSION_K:.1f} K from a limit; "
        f"this vessel's are {low_c:.1f} to {high_c:.1f} °C"
    )


def broken_off(
    vessel: Vessel, was: VesselState, experiment: Experiment, course: Course, wort: Estimate, moment: Moment,
    started: bool,
) -> str:  # fmt: skip
    """Why the experiment must not go on, or ""."""
    setpoint, centre_c = course.setpoint, experiment.centre_c
    if not started:
        return "the service was started anew"
    if was.batch is None or course.condition not in REGULATED or was.batch.name != experiment.batch:
        return "the batch is not there any more, or is not regulated"
    if course.condition.value != experiment.condition:
        return f"the batch is {course.condition.value} now"
    if course.mode is not Mode.AUTO:
        return f"the mode is {course.mode.value} now"
    if course.quiet is not None:
        return "quiet hours have begun"
    if setpoint is None or not setpoint.low_c == setpoint.high_c == centre_c:
        return "the setpoint was changed"
    if moment.gap:
        return "for a while nothing was regulated"
    if wort.celsius is None or wort.drive is not Drive.BOTH:
        return f"no signal that both outputs may follow: {wort.cause}"
    if was.faults:
        return f"a fault was found: {', '.join(was.faults)}"
    cooler_w, heater_w = powers_w(vessel, was.batch)
    if (cooler_w, heater_w) != (experiment.cooler_w, experiment.heater_w):
        return "the vessel's outputs, or its batch's volume, were changed"
    if not wort.warm_c <= centre_c + EXCURSION_K or not centre_c - EXCURSION_K <= wort.cold_c:
        return f"the wort went further than {EXCURSION_K:.1f} K from the setpoint"
    if not 0.0 <= moment.now_s - experiment.began_s <= LONGEST_S[experiment.method]:
        return f"it was not finished within {LONGEST_S[experiment.method] / 3600.0:.0f} h"
    return without_room(vessel, was.batch, centre_c)


def powers_w(vessel: Vessel, batch: Batch | None) -> tuple[float, float]:
    """Of cooler and heater by the site file; 0 where there is none, or none that may be used."""
    heats = vessel.heater is not None and batch is not None and batch.volume_l is not None and batch.volume_l > 0.0
    cooler_w = vessel.cooler.power_w if vessel.cooler is not None else 0.0
    return cooler_w, vessel.heater.power_w if heats and vessel.heater is not None else 0.0


def yeast_at_work(vessel: Vessel, was: VesselState, batch: Batch, room_c: float | None) -> str:
    """What says that yeast is at work, or may be, in the brewer's words; "" where the beer is at rest."""
    balance = was.diagnosis.balance
    if balance.ticks >= YOUNG_TICKS:
        by_room_k_per_h, least_k_per_h = 0.0, YEAST_OR_ROOM_K_PER_H
        if room_c is not None and was.estimate.celsius is not None:
            warmer_k = max(room_c - was.estimate.celsius, 0.0)
            by_room_k_per_h = most_loss_w_per_k(vessel) * warmer_k / vessel.heat_capacity_j_per_k * HOUR_S
            least_k_per_h = YEAST_K_PER_H
        if balance.rest_k_per_h > by_room_k_per_h + least_k_per_h:
            return f"something warms the wort by {balance.rest_k_per_h:.2f} K an hour, which the room does not"
    if was.condition is BatchState.COMPLETE or gravity_steady(batch, STEADY_S):
        return ""
    if batch.gravities:
        return f"the gravity of {batch.gravities[-1].gravity:.3f} was not yet found steady over a day"
    return "the batch has an OG or a yeast, and no gravity was entered" if batch.og is not None or batch.yeast else ""
