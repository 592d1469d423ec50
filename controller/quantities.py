"""Quantities as a brewer writes them, to the numbers that the code uses: °C, K, s, L, W.

A temperature and a temperature *difference* are two types. `66 F` is 18.9 °C, but a difference of `1 F diff`
is 0.556 K; to write `0.5 C` for a difference is refused, because it reads as a temperature. A gallon is the
US gallon. Every parser takes what YAML gave (text or a number) and raises `Wrong` with examples of what is
right."""

import math
import re

from controller.control.beer import HIGHEST_GRAVITY, LOWEST_GRAVITY, gravity_from_plato
from controller.faults import Wrong, shown

LITRES_PER_US_GALLON = 3.785411784  # NIST Handbook 44, Appendix C: 231 cubic inches
_NUMBER = r"[-+]?(?:[0-9]{1,9}(?:\.[0-9]{0,9})?|\.[0-9]{1,9})"
_QUANTITY = re.compile(rf"({_NUMBER})\s*([^\s0-9,.].*)?")
_ISO_DURATION = re.compile(
    r"P(?=.)(?:([0-9]{1,6}(?:\.[0-9]{1,6})?)W)?(?:([0-9]{1,6}(?:\.[0-9]{1,6})?)D)?"
    r"(?:T(?=.)(?:([0-9]{1,6}(?:\.[0-9]{1,6})?)H)?(?:([0-9]{1,6}(?:\.[0-9]{1,6})?)M)?"
    r"(?:([0-9]{1,9}(?:\.[0-9]{1,6})?)S)?)?"
)

TEMPERATURE = 'a temperature such as "19 C" or "66 F"'
DIFFERENCE = 'a temperature difference such as "0.5 K", "0.5 C diff" or "1 F diff"'
DURATION = 'a time such as "90 s", "10 min", "36 h", "4 d" or "PT36H"'
VOLUME = 'a volume such as "60 L", "2 hL" or "15 gal" (US gallons)'
POWER = 'a power such as "200 W" or "1.5 kW"'
HEAT_CAPACITY = 'a heat capacity such as "9 kJ/K" or "9000 J/K"'
GAIN = 'a gain such as "140 W/K"'
PERCENT = 'a percentage such as "75 %"'
RATE = 'a rate such as "1 K/d", "0.5 K/h" or "2 F diff/d"'
GRAVITY = 'a gravity such as 1.050 or "12.4 P"'

_DURATIONS = {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_VOLUMES = {"L": 1.0, "l": 1.0, "hL": 100.0, "hl": 100.0, "gal": LITRES_PER_US_GALLON}
_POWERS = {"W": 1.0, "kW": 1000.0}
_HEAT_CAPACITIES = {"J/K": 1.0, "kJ/K": 1000.0}
_DIFFERENCES = {"K": 1.0, "C diff": 1.0, "F diff": 5.0 / 9.0}
_PER = {"h": 3600.0, "d": 86400.0}


def temperature_c(value: object, units: str | None) -> float:
    """A temperature in °C. A number without a unit is in `units` ("C" or "F"; None: a unit is needed)."""
    number, unit = _split(value, TEMPERATURE)
    if unit.endswith("diff"):
        raise Wrong(f"{shown(value)}, which is a difference", TEMPERATURE)
    if unit == "K":
        raise Wrong(shown(value), f"{TEMPERATURE}; K is for temperature differences")
    unit = unit or units or ""
    if unit == "C":
        return number
    if unit == "F":
        return (number - 32.0) * 5.0 / 9.0
    raise Wrong(shown(value), f"{TEMPERATURE}; without a unit it needs `units: C` or `units: F` in the file")


def difference_k(value: object) -> float:
    """A temperature difference in K; it always carries a unit and is never converted as a temperature."""
    number, unit = _split(value, DIFFERENCE)
    if unit in {"C", "F"}:
        example = f"{number:g} K" if unit == "C" else f"{number:g} F diff"
        raise Wrong(
            f"{shown(value)}, which reads as a temperature",
            f'"{example}" if the difference is meant: a difference is written with K, "C diff" or "F diff"',
        )
    return _scaled(value, number, unit, _DIFFERENCES, DIFFERENCE)


def duration_s(value: object) -> float:
    """A duration in s: a number with s, min, h or d, or ISO 8601 with weeks, days, hours, minutes, seconds."""
    if isinstance(value, str) and value.startswith("P"):
        match = _ISO_DURATION.fullmatch(value)
        if match is None:
            raise Wrong(shown(value), f"{DURATION}; years and months have no fixed length")
        weights = (604800.0, 86400.0, 3600.0, 60.0, 1.0)
        return sum(float(part) * weight for part, weight in zip(match.groups(), weights, strict=True) if part)
    number, unit = _split(value, DURATION)
    return _scaled(value, number, unit, _DURATIONS, DURATION)


def volume_l(value: object) -> float:
    """A volume in L from L, hL or US gallons."""
    return _scaled(value, *_split(value, VOLUME), _VOLUMES, VOLUME)


def power_w(value: object) -> float:
    """A power in W."""
    return _scaled(value, *_split(value, POWER), _POWERS, POWER)


def heat_capacity_j_per_k(value: object) -> float:
    """A heat capacity in J/K."""
    return _scaled(value, *_split(value, HEAT_CAPACITY), _HEAT_CAPACITIES, HEAT_CAPACITY)


def gain_w_per_k(value: object) -> float:
    """A loop's gain in W/K."""
    return _scaled(value, *_split(value, GAIN), {"W/K": 1.0}, GAIN)


def percent(value: object) -> float:
    """A percentage as a number from 0 to 100."""
    number = _scaled(value, *_split(value, PERCENT), {"%": 1.0}, PERCENT)
    if not 0.0 <= number <= 100.0:
        raise Wrong(shown(value), "0 % to 100 %")
    return number


def rate_k_per_s(value: object) -> float:
    """A rate of temperature change in K/s, from a difference per hour or per day."""
    number, unit = _split(value, RATE)
    difference, slash, per = unit.rpartition("/")
    difference, per = difference.strip(), per.strip()
    if not slash or difference not in _DIFFERENCES or per not in _PER:
        hint = '; the difference is written "K", "C diff" or "F diff"' if difference in {"C", "F"} else ""
        raise Wrong(shown(value), RATE + hint)
    return number * _DIFFERENCES[difference] / _PER[per]


def gravity(value: object) -> float:
    """A gravity as specific gravity 20/20 °C, from 0.980 to 1.180; degrees Plato carry a P."""
    number, unit = _split(value, GRAVITY)
    if unit not in {"", "P"}:
        raise Wrong(shown(value), GRAVITY)
    try:
        specific = gravity_from_plato(number) if unit == "P" else number
    except ValueError:
        raise Wrong(shown(value), f"{GRAVITY}, up to 40 P") from None
    if not LOWEST_GRAVITY <= specific <= HIGHEST_GRAVITY:
        raise Wrong(shown(value), f"{GRAVITY}, from {LOWEST_GRAVITY} to {HIGHEST_GRAVITY}")
    return specific


def _split(value: object, expected: str) -> tuple[float, str]:
    """Number and unit ("" without one) of what YAML gave; blanks and the degree sign do not matter."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if not math.isfinite(value) or abs(value) >= 1e9:
            raise Wrong(shown(value), expected)
        return float(value), ""
    if not isinstance(value, str):
        raise Wrong(shown(value), expected)
    match = _QUANTITY.fullmatch(value.strip())
    if match is None:
        hint = "; decimals are written with a point" if re.match(r"[-+]?[0-9]+,[0-9]", value.strip()) else ""
        raise Wrong(shown(value), expected + hint)
    unit = " ".join((match.group(2) or "").split()).removeprefix("°")
    return float(match.group(1)), unit


def _scaled(value: object, number: float, unit: str, factors: dict[str, float], expected: str) -> float:
    if unit not in factors:
        raise Wrong(shown(value), f"{expected}; a unit is needed" if not unit else expected)
    return number * factors[unit]
