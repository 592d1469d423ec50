"""Numbers as a brewer reads them: temperatures, differences, gravities, durations, times, shares, states of health.

Every view (table, live view, summary, chart) takes its words from here, so that a figure reads the same everywhere.
Units and time zone are those of a `Display`.
"""

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

from controller.control import follow
from controller.control.site import Probe
from controller.control.trust import fit_to_drive
from controller.control.values import Estimate, Setpoint, Signal, Status
from controller.display import UNKNOWN, Display

Json = dict[str, Any]

_NUMBER = r"(?<![\w.])([-+]?\d+(?:\.\d+)?)"
_CELSIUS = re.compile(_NUMBER + r"(?: to (-?\d+(?:\.\d+)?))? ?°C\b")
_KELVIN = re.compile(_NUMBER + r" K\b(?!/)")
_LITRES = re.compile(_NUMBER + r" L\b")
_GRAVITY = re.compile(r"\b((?:gravity|OG|FG)(?: of)? )([01]\.\d{3})\b")

STATUS_WORDS: Mapping[Status, str] = {
    Status.GOOD: "good",
    Status.MAINTENANCE: "maintenance required",
    Status.OUT_OF_SPECIFICATION: "out of specification",
    Status.FUNCTION_CHECK: "function check",
    Status.FAILURE: "failure",
}  # NAMUR NE 107
_LETTER_WORDS = {status.value: word for status, word in STATUS_WORDS.items()}


def number(value: float | None, digits: int) -> float | None:
    """`value` rounded, or None where there is none or it is not finite (JSON knows no NaN)."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, digits) + 0.0  # + 0.0 turns -0.0 into 0.0


def band_text(low_c: float | None, high_c: float | None, display: Display) -> str:
    """The setpoint: one temperature in a hold, "18.0 to 22.0 °C" in a free rise."""
    low, high = number(low_c, 6), number(high_c, 6)
    if low is None or high is None:
        return UNKNOWN
    if abs(high - low) < 0.05:
        return display.temperature_text((low + high) / 2)
    return f"{_tenths(low, display)} to {display.temperature_text(high)}"


def told(text: str, display: Display) -> str:
    """A sentence of the core, which thinks in °C, K, L and specific gravity, with its figures as this person wants
    them. A sentence without such a figure stays as it is."""
    if display.temperature == "F" and "°C" in text:
        text = _CELSIUS.sub(lambda found: _in_fahrenheit(found, display), text)
    if display.temperature == "F" and " K" in text:
        text = _KELVIN.sub(lambda found: _in_fahrenheit_degrees(found, display), text)
    if display.volume == "gal" and " L" in text:
        text = _LITRES.sub(lambda found: display.volume_text(float(found[1])), text)
    if display.gravity == "P":
        text = _GRAVITY.sub(lambda found: found[1] + display.gravity_text(float(found[2])), text)
    return text


def _in_fahrenheit(found: re.Match[str], display: Display) -> str:
    figures = (figure for figure in (found[1], found[2]) if figure is not None)
    return " to ".join(_tenths(float(figure), display) for figure in figures) + " °F"


def _in_fahrenheit_degrees(found: re.Match[str], display: Display) -> str:
    sign = "+" if found[1].startswith("+") else ""
    return f"{display.in_difference(float(found[1])):{sign}.1f} °F"


def moment_text(utc_s: float | None, now_utc_s: float | None, display: Display) -> str:
    """A moment by the site's clock, as short as it is clear: "18:04" today, "Tue 18:04" within six days, else
    "3 Nov 18:04", with the year when it is another one; "" where UTC is not known."""
    if utc_s is None or now_utc_s is None:
        return ""
    moment, now = display.local(utc_s), display.local(now_utc_s)
    days = abs((now.date() - moment.date()).days)
    if days == 0:
        return f"{moment:%H:%M}"
    if days < 7:
        return f"{moment:%a %H:%M}"
    year = "" if moment.year == now.year else f" {moment.year}"
    return f"{moment.day} {moment:%b}{year} {moment:%H:%M}"


def duration_text(seconds: float) -> str:
    """ "40 s", "35 min", "12 h", "4.5 d": the unit in which a brewer would say it."""
    if not math.isfinite(seconds):
        return UNKNOWN
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
        return UNKNOWN
    if share < 1.0 and round(share * 100) >= 100:
        return "99.9 %" if share >= 0.9985 else f"{share * 100:.1f} %"
    return f"{share * 100:.0f} %"


def printable(text: str, most: int = 200) -> str:
    """Free text made safe for a terminal or a log: no control characters, not endless."""
    clean = "".join(character if character.isprintable() else "�" for character in text[: most + 1])
    return clean if len(clean) <= most else clean[:most] + "…"


def short(text: str, most: int) -> str:
    """Free text made safe and cut to `most` characters, the last of them an ellipsis."""
    clean = printable(text)
    return clean if len(clean) <= most else clean[: max(most - 1, 0)] + "…"


def status_word(value: str) -> str:
    """A NAMUR NE 107 letter in a word ("F" is "failure"); anything else as it is."""
    return _LETTER_WORDS.get(value, value)


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


def _tenths(celsius: float, display: Display) -> str:
    return f"{round(display.in_temperature(celsius), 1) + 0.0:.1f}"  # + 0.0 turns -0.0 into 0.0


def _short(value: float) -> str:
    return f"{value:.0f}" if value >= 20 or abs(value - round(value)) < 0.05 else f"{value:.1f}"
