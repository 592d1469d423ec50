"""Numbers as a brewer reads them: temperatures, differences, durations, shares, states of health.

Every view (table, live view, summary, chart) takes its words from here, so that a figure reads the same everywhere.
"""

import math
from collections.abc import Iterable, Mapping
from typing import Any

from controller.control import follow
from controller.control.site import Probe
from controller.control.trust import fit_to_drive
from controller.control.values import Estimate, Setpoint, Signal, Status

Json = dict[str, Any]

STATUS_WORDS: Mapping[Status, str] = {
    Status.GOOD: "good",
    Status.MAINTENANCE: "maintenance required",
    Status.OUT_OF_SPECIFICATION: "out of specification",
    Status.FUNCTION_CHECK: "function check",
    Status.FAILURE: "failure",
}  # NAMUR NE 107


def number(value: float | None, digits: int) -> float | None:
    """`value` rounded, or None where there is none or it is not finite (JSON knows no NaN)."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, digits) + 0.0  # + 0.0 turns -0.0 into 0.0


def shown(celsius: float, units: str) -> float:
    """A temperature in °C as a number in the unit that people see ("C" or "F")."""
    return celsius * 1.8 + 32.0 if units == "F" else celsius


def temperature_text(celsius: float | None, units: str) -> str:
    """ "18.9 °C", "66.0 °F", or a dash where nothing is known."""
    value = number(celsius, 6)
    return "–" if value is None else f"{_tenths(shown(value, units))} °{units}"


def difference_text(kelvin: float | None, units: str) -> str:
    """A signed temperature difference: "+0.4 K", or "+0.7 °F" (never shifted by 32)."""
    value = number(kelvin, 6)
    if value is None:
        return "–"
    return f"{value * 1.8:+.1f} °F" if units == "F" else f"{value:+.1f} K"


def band_text(low_c: float | None, high_c: float | None, units: str) -> str:
    """The setpoint: one temperature in a hold, "18.0 to 22.0 °C" in a free rise."""
    if low_c is None or high_c is None:
        return "–"
    if abs(high_c - low_c) < 0.05:
        return temperature_text((low_c + high_c) / 2, units)
    return f"{_tenths(shown(low_c, units))} to {_tenths(shown(high_c, units))} °{units}"


def duration_text(seconds: float) -> str:
    """ "40 s", "35 min", "12 h", "4.5 d": the unit in which a brewer would say it."""
    if not math.isfinite(seconds):
        return "–"
    if seconds < 120:
        return f"{max(seconds, 0.0):.0f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    if seconds < 96 * 3600:
        return f"{_short(seconds / 3600)} h"
    return f"{_short(seconds / 86400)} d"


def share_text(share: float | None) -> str:
    """ "43 %" of a share 0..1. Never rounds up to 100 %."""
    if share is None:
        return "–"
    if share < 1.0 and round(share * 100) >= 100:
        return "99.9 %" if share >= 0.9985 else f"{share * 100:.1f} %"
    return f"{share * 100:.0f} %"


def printable(text: str, most: int = 200) -> str:
    """Free text made safe for a terminal or a log: no control characters, not endless."""
    clean = "".join(character if character.isprintable() else "�" for character in text[: most + 1])
    return clean if len(clean) <= most else clean[:most] + "…"


def deviation_k(wort: Estimate, setpoint: Setpoint | None) -> float | None:
    """How far the wort is outside the setpoint, in K, as the core judges it; None where either is not known."""
    if wort.celsius is None or setpoint is None:
        return None
    return follow.deviation_k(setpoint, wort)


def trusted_c(signals: Mapping[str, Signal], probes: Iterable[Probe]) -> float | None:
    """The temperature of the first of `probes` whose signal is still valid (good, M or S), or None."""
    for probe in probes:
        signal = signals.get(probe.tag)
        if signal is not None and fit_to_drive(signal) and signal.celsius is not None:
            return signal.celsius
    return None


def _tenths(value: float) -> str:
    return f"{round(value, 1) + 0.0:.1f}"


def _short(value: float) -> str:
    return f"{value:.0f}" if value >= 20 or abs(value - round(value)) < 0.05 else f"{value:.1f}"
