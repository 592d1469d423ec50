"""What was found against a device, as the brewer reads it: the evidence in numbers, and where to look first."""

from math import sqrt
from typing import NamedTuple

from controller.control.diagnosis import COOLER_NO_EFFECT, COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP
from controller.control.evidence import Window
from controller.control.site import Bath
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


def window_text(kind: str, window: Window) -> str:
    """What a window has shown."""
    seen, would, lasted = abs(window.seen_k), abs(window.fault_k), window.lasted_s / 60.0
    colder = "colder" if window.seen_k < 0.0 else "warmer"
    if kind in (COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP):
        return (
            f"commanded off, yet after {lasted:.0f} min the wort is {seen:.2f} K {colder} than it should be; "
            f"running on explains {would:.2f} K"
        )
    does = "cooled" if kind == COOLER_NO_EFFECT else "warmed"
    return (
        f"in {lasted:.0f} min it ran {window.on_s / 60.0:.0f} min and should have {does} the wort by {would:.2f} K, "
        f"which is {seen:.2f} K {colder} than it should be"
    )


def strength_text(share: float, variance: float) -> str:
    """What the pulses of an output have shown."""
    most = share + 2.0 * sqrt(variance)
    return f"its last pulses moved the wort by {100.0 * share:.0f} % of what they should, at most {100.0 * most:.0f} %"


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
