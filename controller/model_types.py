"""Building blocks of the models of both files: quantities with bounds, words, names, topics, pointers."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationInfo

from controller import quantities
from controller.faults import Wrong, shown

SLUG = 'a short name of a-z, 0-9 and "-", such as fv1'
TOPIC = "an MQTT topic without the wildcards + and #, such as cellar/relay1/set"
POINTER = 'a JSON Pointer such as "/temperature", or "" for the whole payload'


@dataclass(frozen=True, slots=True)
class FileContext:
    """What a value's check knows of its file: where it lies, and the unit of bare temperatures."""

    directory: Path
    units: str | None


class Part(BaseModel):
    """A block of a file. Unknown keys are refused, and no type is bent into another."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True)


def context_of(info: ValidationInfo) -> FileContext:
    """The context that every validation of a file is given."""
    context = info.context
    assert isinstance(context, FileContext)
    return context


def within(number: float, low: float, high: float, value: object, bounds: str) -> float:
    """The number, if it lies in the closed range; else `Wrong` with the bounds in words."""
    if not low <= number <= high:
        raise Wrong(shown(value), bounds)
    return number


def a_temperature(low_c: float, high_c: float) -> BeforeValidator:
    """A temperature from `low_c` to `high_c` °C."""

    def check(value: object, info: ValidationInfo) -> float:
        number = quantities.temperature_c(value, context_of(info).units)
        return within(number, low_c, high_c, value, f"a temperature from {low_c:g} C to {high_c:g} C")

    return BeforeValidator(check)


def _bounded(parse: Callable[[object], float], low: str, high: str) -> BeforeValidator:
    lowest, highest = parse(low), parse(high)

    def check(value: object) -> float:
        return within(parse(value), lowest, highest, value, f"from {low} to {high}")

    return BeforeValidator(check)


def a_difference(low: str, high: str) -> BeforeValidator:
    """A temperature difference within bounds that are written as in a file."""
    return _bounded(quantities.difference_k, low, high)


def a_duration(low: str, high: str) -> BeforeValidator:
    """A duration within bounds that are written as in a file."""
    return _bounded(quantities.duration_s, low, high)


def a_volume(low: str, high: str) -> BeforeValidator:
    """A volume within bounds that are written as in a file."""
    return _bounded(quantities.volume_l, low, high)


def a_power(low: str, high: str) -> BeforeValidator:
    """A power within bounds that are written as in a file."""
    return _bounded(quantities.power_w, low, high)


def a_heat_capacity(low: str, high: str) -> BeforeValidator:
    """A heat capacity within bounds that are written as in a file."""
    return _bounded(quantities.heat_capacity_j_per_k, low, high)


def a_gain(low: str, high: str) -> BeforeValidator:
    """A gain within bounds that are written as in a file."""
    return _bounded(quantities.gain_w_per_k, low, high)


def a_rate(low: str, high: str) -> BeforeValidator:
    """A rate of temperature change within bounds that are written as in a file."""
    return _bounded(quantities.rate_k_per_s, low, high)


def a_percentage(low: str, high: str) -> BeforeValidator:
    """A percentage within bounds that are written as in a file."""
    return _bounded(quantities.percent, low, high)


def a_count(low: int, high: int) -> BeforeValidator:
    """A whole number within bounds."""

    def check(value: object) -> int:
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise Wrong(shown(value), f"a whole number from {low} to {high}")
        return value

    return BeforeValidator(check)


def one_of(*words: str) -> BeforeValidator:
    """One of a few words."""

    def check(value: object) -> str:
        if not isinstance(value, str) or value not in words:
            raise Wrong(shown(value), " or ".join(words))
        return value

    return BeforeValidator(check)


def _text(value: object, expected: str, longest: int) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable() or len(value) > longest:
        hint = "; write it in quotes" if isinstance(value, (int, float)) else ""
        raise Wrong(shown(value), expected + hint)
    return value


def _slug(value: object) -> str:
    if not isinstance(value, str) or not re.fullmatch(r"[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?", value):
        raise Wrong(shown(value), SLUG + ("; write it in quotes" if isinstance(value, int) else ""))
    return value


def _topic(value: object) -> str:
    """MQTT 5.0 §4.7: not empty, no NUL, at most 65535 bytes; a topic that is published to has no wildcards."""
    text = _text(value, TOPIC, 65535)
    if "+" in text or "#" in text or len(text.encode()) > 65535 or text.startswith("$"):
        raise Wrong(shown(value), TOPIC + ("; topics with $ belong to the broker" if text.startswith("$") else ""))
    return text


def _pointer(value: object) -> str:
    """RFC 6901 §3: empty, or parts that begin with "/"; "~" is written ~0 and "/" inside a part ~1."""
    if not isinstance(value, str) or not re.fullmatch(r"(?:/(?:[^/~]|~[01])*)*", value) or len(value) > 1000:
        raise Wrong(shown(value), POINTER)
    return value


def _payload(value: object) -> str:
    return _text(value, 'the payload as text, such as "ON"', 10_000)


def _line(value: object) -> str:
    return _text(value, "a few words on one line", 200)


def _source(value: object) -> str:
    if not isinstance(value, str) or not value.strip() or len(value) > 1000:
        raise Wrong(shown(value), "where it is published, in at most 1000 characters")
    return value.strip()


def _prose(value: object) -> str:
    if not isinstance(value, str) or len(value) > 4000:
        raise Wrong(shown(value), "text of at most 4000 characters")
    return value.strip()


def _yes_or_no(value: object) -> bool:
    if not isinstance(value, bool):
        raise Wrong(shown(value), "true or false")
    return value


def _port(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 1 <= value <= 65535:
        raise Wrong(shown(value), "a port number from 1 to 65535")
    return value


def _path(value: object, info: ValidationInfo) -> Path:
    """A path; a relative one starts at the directory of the file that names it."""
    text = _text(value, "a path", 1000)
    return context_of(info).directory / text


Slug = Annotated[str, BeforeValidator(_slug)]
Topic = Annotated[str, BeforeValidator(_topic)]
Pointer = Annotated[str, BeforeValidator(_pointer)]
Payload = Annotated[str, BeforeValidator(_payload)]
Line = Annotated[str, BeforeValidator(_line)]
Source = Annotated[str, BeforeValidator(_source)]
Prose = Annotated[str, BeforeValidator(_prose)]
YesNo = Annotated[bool, BeforeValidator(_yes_or_no)]
Port = Annotated[int, BeforeValidator(_port)]
FilePath = Annotated[Path, BeforeValidator(_path)]
Gravity = Annotated[float, BeforeValidator(quantities.gravity)]
