"""What was found against a device, as the brewer reads it: the evidence in numbers, and where to look first."""

from typing import NamedTuple

from controller.control.diagnosis import COOLER_NO_EFFECT, COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP
from controller.control.site import Bath
from controller.control.suspicion import Suspicion
from controller.control.vessel_model import usual_bath_c


class Around(NamedTuple):
    """What a vessel's diagnosis sees of the rest: bath and room in °C, None where no fit probe tells, and the
    vessels whose coolers are without effect."""

    bath: Bath | None
    bath_c: float | None
    room_c: float | None
    without_effect: frozenset[str]

    @property
    def counted_bath_c(self) -> float:
        """The bath as it is counted: measured, or else as its chiller should keep it."""
        return usual_bath_c(self.bath) if self.bath_c is None else self.bath_c


def suspicion_text(kind: str, suspicion: Suspicion) -> str:
    """What the wort has borne out."""
    lasted = suspicion.lasted_s / 60.0
    share = f"{100.0 * suspicion.share:.0f} % of it (give or take {100.0 * suspicion.share_sd:.0f} %)"
    moved_k = abs(suspicion.moved_k)
    if kind in (COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP):
        does = "cooled" if kind == COOLER_WILL_NOT_STOP else "warmed"
        return (
            f"running on while commanded off, it would have {does} the wort by {moved_k:.2f} K in {lasted:.0f} min, "
            f"and {share} is seen"
        )
    does = "cooled" if kind == COOLER_NO_EFFECT else "warmed"
    return f"in {lasted:.0f} min it should have {does} the wort by {moved_k:.2f} K, and {share} is missing"


def warming_text(ran_s: float, warmer_k: float) -> str:
    """What a cooler in a cold wort has shown."""
    return f"it ran for {ran_s / 60.0:.0f} min without a break and the wort became {warmer_k:.2f} K warmer"


def pace_text(lasted_s: float, k_per_h: float, natural_k_per_h: float) -> str:
    """What a wort has shown that changes faster than yeast and room can make it."""
    way = "warmer" if k_per_h > 0.0 else "colder"
    return (
        f"commanded off, yet for {lasted_s / 60.0:.0f} min the wort has become {way} by {abs(k_per_h):.1f} K an hour by"
        f" itself; yeast and room explain {abs(natural_k_per_h):.1f} K an hour at most"
    )


def trial_text(ran_s: float) -> str:
    """What a cooler that was tried again has shown."""
    return f"tried again, it ran for {ran_s / 60.0:.0f} min and the wort became no colder"


def blame(vessel: str, around: Around) -> str:
    """Where to look when a cooler is without effect: the bath is the first to be blamed (design rule 5)."""
    if around.bath_c is None:
        return "nobody measures the bath: look at it and at its chiller first"
    if around.bath is not None and around.bath_c > around.bath.warm_c:
        return f"the bath is at {around.bath_c:.1f} °C: look at the chiller first"
    if around.without_effect - {vessel}:
        return "another cooler has no effect either: look at the bath, its chiller and what they share first"
    return f"the bath is cold, {around.bath_c:.1f} °C: look at pump, valve, flow and air in the coil"
