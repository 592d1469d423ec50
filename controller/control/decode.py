"""First stage of a scan: the bytes that a device published become a temperature in °C, or a refusal with a reason.

Pure and total: any bytes give a value or a refusal, never an exception. A doubtful number is not refused
here (85 °C and -127 °C pass: only the trust stage may doubt a number), only what is no temperature at all.
"""

import calendar
import json
import math
import re
from collections.abc import Sequence
from enum import Enum
from typing import NamedTuple

LARGEST_PAYLOAD_BYTES = 65_536  # our choice: some hundred times what a probe says
LOWEST_C = -273.15  # absolute zero: SI Brochure, 9th edition, 2.3.1
HIGHEST_C = 1000.0  # our choice: beyond any probe in a cellar; a value in millidegrees or raw counts lands here
LATE_S = 120.0  # our choice: more than a node's clock is off, less than a loop can bear
FUTURE_S = 60.0
MILLISECONDS_FROM = 1e11  # as seconds this is the year 5138; as milliseconds 1973

_POINTER = re.compile(r"(?:/(?:[^~/]|~[01])*)*")
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")
_PLAIN_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[+-]?(?:nan|inf|infinity)", re.IGNORECASE)
_TIME = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[Tt ]([0-9]{2}):([0-9]{2}):([0-9]{2})([.,][0-9]{1,9})?"
    r"(?:[Zz]|([+-])([0-9]{2}):?([0-9]{2}))"
)
_DEGREES = {"C": (1.0, 0.0), "F": (1.8, 32.0), "K": (1.0, 273.15)}  # degrees for each kelvin; value at 0 °C


class Reason(Enum):
    """Why a message gave no reading. A closed set: the values are labels of a counter."""

    TOO_LARGE = "too large"
    NOT_UTF8 = "not UTF-8"
    NOT_JSON = "not JSON"
    TOO_DEEP = "nested too deep"
    REPEATED_KEY = "key stands twice"
    NOT_FOUND = "pointer not found"
    NOT_A_NUMBER = "not a number"
    NOT_FINITE = "not finite"
    IMPOSSIBLE = "impossible temperature"
    RETAINED = "retained"
    TIME_NOT_FOUND = "time not found"
    TIME_UNREADABLE = "time unreadable"
    TIME_IN_MILLISECONDS = "time in milliseconds"
    TOO_OLD = "too old"
    FROM_THE_FUTURE = "from the future"


class Refusal(NamedTuple):
    """A message or value that gave no reading: why, and the first 40 characters of what was found there."""

    reason: Reason
    found: str


class RepeatedKey(ValueError):
    """A key that stands twice in one JSON object; `str` of it says which."""


class Where(NamedTuple):
    """Where in a payload one probe's reading stands: RFC 6901 pointers ("" is the whole payload) and the unit,
    "C", "F" or "K". `time_pointer` None means that the device does not say when it measured."""

    tag: str
    pointer: str
    unit: str
    time_pointer: str | None = None


def is_pointer(text: str) -> bool:
    """Whether the text is a JSON Pointer by the grammar of RFC 6901, section 3: "" or "/a/b", "~" only as ~0 or ~1."""
    return _POINTER.fullmatch(text) is not None


def decode(payload: bytes, pointer: str, unit: str) -> float | Refusal:
    """The temperature in °C that stands at `pointer` in the payload. See `decode_message`."""
    [(_, result)] = decode_message(payload, (Where("", pointer, unit),), None)
    return result


def decode_message(
    payload: bytes,
    wanted: Sequence[Where],
    utc_s: float | None,
    late_s: float = LATE_S,
    future_s: float = FUTURE_S,
) -> list[tuple[str, float | Refusal]]:
    """One result for each wanted tag, in the same order: °C or a refusal. The payload is parsed once.

    The payload is JSON, or one plain number that need not be JSON (`+19.5`, `019.5`) under the pointer "". A
    string counts as a number only if all of it, but for blanks around, is one ("19.5"; not "19,5", not
    "19.5 C"); true and false never do. `utc_s` is the present time, None while it is not trusted; a reading
    whose own time (epoch seconds, or ISO 8601 with a zone) is older than `late_s` or more than `future_s`
    ahead is refused. While UTC is not trusted, the reading's own time is not looked at.

    Raises:
        KeyError: a unit other than "C", "F", "K", which a checked site file cannot have.
    """
    document = _parsed(payload)
    if isinstance(document, Refusal):
        return [(where.tag, document) for where in wanted]
    return [(where.tag, _one(document, where, utc_s, late_s, future_s)) for where in wanted]


def without_repeats(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """A JSON object of these members, for `json.loads`: which of two members of one name is meant, nobody can say
    (RFC 8259, section 4).

    Raises:
        RepeatedKey: there are two of one name.
    """
    document: dict[str, object] = {}
    for key, value in pairs:
        if key in document:
            raise RepeatedKey(f"the key {key[:40]!a} stands twice")
        document[key] = value
    return document


class _Text(NamedTuple):
    """A payload that is not JSON, but may still be one plain number."""

    text: str


def _refusal(reason: Reason, found: object) -> Refusal:
    return Refusal(reason, found[:40] if isinstance(found, str) else repr(found)[:40])


def _parsed(payload: bytes) -> object:
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        return Refusal(Reason.TOO_LARGE, f"{len(payload)} bytes")
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError as error:
        return Refusal(Reason.NOT_UTF8, f"byte {payload[error.start]:#04x} at {error.start}")
    try:
        # Integers of any length become floats: beyond 4300 digits `int` would refuse, and float gives infinity.
        document: object = json.loads(text, parse_int=float, object_pairs_hook=without_repeats)
    except RepeatedKey as error:
        return _refusal(Reason.REPEATED_KEY, str(error))
    except ValueError:
        return _Text(text)
    except RecursionError:
        return _refusal(Reason.TOO_DEEP, text)
    return document


def _one(document: object, where: Where, utc_s: float | None, late_s: float, future_s: float) -> float | Refusal:
    value = _at(document, where.pointer)
    number = value if isinstance(value, Refusal) else _number(value)
    if isinstance(number, Refusal):
        return number
    per_kelvin, at_zero = _DEGREES[where.unit]
    celsius = (number - at_zero) / per_kelvin
    if not LOWEST_C <= celsius <= HIGHEST_C:
        return Refusal(Reason.IMPOSSIBLE, f"{number:.6g} {where.unit}")
    if where.time_pointer is None or utc_s is None:
        return celsius
    taken_s = _time(_at(document, where.time_pointer))
    if isinstance(taken_s, Refusal):
        return taken_s
    if utc_s - taken_s > late_s:
        return Refusal(Reason.TOO_OLD, f"{utc_s - taken_s:.0f} s old")
    if taken_s - utc_s > future_s:
        return Refusal(Reason.FROM_THE_FUTURE, f"{taken_s - utc_s:.0f} s ahead")
    return celsius


def _at(document: object, pointer: str) -> object:
    """The value at the pointer by RFC 6901, section 4."""
    if isinstance(document, _Text):
        return document if pointer == "" else _refusal(Reason.NOT_JSON, document.text)
    if not is_pointer(pointer):
        return _refusal(Reason.NOT_FOUND, pointer)
    value = document
    for step in pointer.split("/")[1:]:
        name = step.replace("~1", "/").replace("~0", "~")
        if isinstance(value, dict) and name in value:
            value = value[name]
        elif isinstance(value, list) and _INDEX.fullmatch(name) and int(name) < len(value):
            value = value[int(name)]
        else:
            return _refusal(Reason.NOT_FOUND, f"no {name!r} in {pointer}")
    return value


def _number(value: object) -> float | Refusal:
    if isinstance(value, float):
        number = value
    elif isinstance(value, str | _Text):
        text = (value if isinstance(value, str) else value.text).strip()
        if _PLAIN_NUMBER.fullmatch(text):
            number = float(text)
        elif _NOT_FINITE.fullmatch(text):
            return _refusal(Reason.NOT_FINITE, text)
        else:
            return _refusal(Reason.NOT_A_NUMBER if isinstance(value, str) else Reason.NOT_JSON, text)
    else:
        return _kind(Reason.NOT_A_NUMBER, value)
    return number if math.isfinite(number) else _refusal(Reason.NOT_FINITE, number)


def _kind(reason: Reason, value: object) -> Refusal:
    """Name the kind only: to print a large object costs more than to refuse it."""
    kinds = {bool: "true or false", type(None): "null", list: "an array", dict: "an object"}
    return Refusal(reason, kinds.get(type(value), "a value"))


def _time(value: object) -> float | Refusal:
    """Seconds since 1970-01-01T00:00:00Z."""
    if isinstance(value, Refusal):
        return Refusal(Reason.TIME_NOT_FOUND, value.found)
    if isinstance(value, str) and (parts := _TIME.fullmatch(value.strip())):
        return _iso_time(parts)
    seconds = _number(value)
    if isinstance(seconds, Refusal):
        return Refusal(Reason.TIME_UNREADABLE, seconds.found)
    if abs(seconds) >= MILLISECONDS_FROM:
        return Refusal(Reason.TIME_IN_MILLISECONDS, f"{seconds:.0f}"[:40])
    return seconds


def _iso_time(parts: re.Match[str]) -> float | Refusal:
    """ISO 8601 in the profile of RFC 3339, section 5.6 (a leap second counts as the second after it)."""
    year, month, day, hour, minute, second = (int(part) for part in parts.groups()[:6])
    fraction, sign, off_hour, off_minute = parts.groups()[6:]
    if not (year >= 1970 and 1 <= month <= 12 and 1 <= day <= calendar.monthrange(year, month)[1]):
        return _refusal(Reason.TIME_UNREADABLE, parts.group())
    if hour > 23 or minute > 59 or second > 60 or int(off_hour or 0) > 23 or int(off_minute or 0) > 59:
        return _refusal(Reason.TIME_UNREADABLE, parts.group())
    offset_s = int(off_hour or 0) * 3600 + int(off_minute or 0) * 60
    whole_s = calendar.timegm((year, month, day, hour, minute, second))
    return whole_s + float("0." + fraction[1:] if fraction else 0) - (-offset_s if sign == "-" else offset_s)
