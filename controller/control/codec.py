"""The core's plain data to JSON and back, without losing a bit.

Named tuples and frozen dataclasses become objects, enums their values, tuples arrays, sets of strings
sorted arrays, mappings objects. A named tuple leaves out what is at its default, which in a state means "nothing yet"
and is never changed to mean anything else; `from_json` reads the type's own annotations, so no class needs a line of
code for it. Text that does not fit the type is refused with the path of the place: nothing is guessed,
since a state that was read wrongly would be acted upon.
"""

import dataclasses
import json
import math
import types
from collections.abc import Callable, Hashable, Iterator, Mapping
from enum import Enum
from functools import cache
from typing import Any, NamedTuple, NoReturn, TypeVar, Union, get_args, get_origin, get_type_hints

T = TypeVar("T")


class _Misfit(ValueError):
    """Something does not fit; `path` is filled in from the inside out."""

    def __init__(self, what: str) -> None:
        super().__init__(what)
        self.what = what
        self.path: list[str] = []

    def at(self, piece: str) -> "_Misfit":
        self.path.append(piece)
        return self

    def __str__(self) -> str:
        path = "".join(reversed(self.path)).removeprefix(".")
        return f"{path or 'top level'}: {self.what}"


def to_json(value: object) -> str:
    """One line of JSON for a value of named tuples, dataclasses, enums, tuples, sets of strings, mappings with
    string keys, numbers, strings, booleans and None. Floats are written so that reading gives the same bits.

    Raises:
        ValueError: a NaN or an infinity; the text names the path.
        TypeError: a value of any other type.
    """
    return json.dumps(_plain(value), separators=(",", ":"), allow_nan=False)


def from_json(kind: type[T], text: str) -> T:
    """The value of type `kind` that `to_json` wrote as `text`. A field that is missing takes its default.

    Raises:
        ValueError: not JSON, or a field that is missing without a default, unknown, of the wrong type or
            not finite; the text names the path.
        TypeError: `kind` holds annotations that the codec does not know.
    """
    wanted: Any = kind
    try:
        value: T = _reader(wanted)(json.loads(text, parse_constant=_refuse_constant))
    except RecursionError:  # what can just be read may be too deep to be shown in a refusal
        raise ValueError("the JSON is nested too deeply") from None
    return value


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is not JSON and not a number to act upon")


def _plain(value: object) -> object:
    if value is None or (isinstance(value, (str, bool)) and not isinstance(value, Enum)):
        return value
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, float) and not math.isfinite(value):
        raise _Misfit(f"{value} is not a finite number")
    if isinstance(value, (int, float)):
        return value
    if isinstance(value, Mapping) or hasattr(value, "_fields") or dataclasses.is_dataclass(value):
        return {name: _plain_at(f".{name}", item) for name, item in _items(value)}
    if isinstance(value, tuple):
        return [_plain_at(f"[{index}]", item) for index, item in enumerate(value)]
    if isinstance(value, frozenset):
        return sorted(value)
    raise TypeError(f"{type(value).__name__} is not plain data of the core")


def _plain_at(piece: str, value: object) -> object:
    try:
        return _plain(value)
    except _Misfit as misfit:
        raise misfit.at(piece) from None


def _items(value: Any) -> Iterator[tuple[str, object]]:
    if isinstance(value, Mapping):
        for key, item in value.items():
            if not isinstance(key, str):
                raise TypeError(f"the key {key!r} is not a string")
            yield key, item
    else:
        kind: Any = type(value)
        defaults: Mapping[str, object] = getattr(kind, "_field_defaults", _NO_DEFAULTS)
        for name in _fields(kind):
            item = getattr(value, name)
            if name not in defaults or not _same(item, defaults[name]):
                yield name, item


_NO_DEFAULTS: Mapping[str, object] = types.MappingProxyType({})


def _same(one: object, other: object) -> bool:
    """Whether two values are the same to the last bit: 0.0 is not -0.0, nor False."""
    return one is other or (type(one) is type(other) and one == other and repr(one) == repr(other))


class _Field(NamedTuple):
    reader: Callable[[Any], Any]
    needed: bool


@cache
def _fields(kind: Any) -> dict[str, _Field]:
    """Reader of each field of a named tuple or dataclass, and whether it has no default."""
    hints = get_type_hints(kind)
    if dataclasses.is_dataclass(kind):
        return {
            each.name: _Field(_reader(hints[each.name]), _has_no_default(each)) for each in dataclasses.fields(kind)
        }
    return {name: _Field(_reader(hints[name]), name not in kind._field_defaults) for name in kind._fields}


def _has_no_default(field: "dataclasses.Field[Any]") -> bool:
    return field.default is dataclasses.MISSING and field.default_factory is dataclasses.MISSING


@cache
def _reader(kind: Hashable) -> Callable[[Any], Any]:
    """The function that turns parsed JSON into a `kind`."""
    if kind in _SCALARS:
        return _SCALARS[kind]
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        wanted = tuple(_reader(each) for each in arguments if each is not type(None))
        return _union_reader(wanted, optional=type(None) in arguments)
    if origin is tuple and len(arguments) == 2 and arguments[1] is Ellipsis:
        return _tuple_reader(_reader(arguments[0]))
    if kind == frozenset[str]:
        texts = _tuple_reader(_reader(str))
        return lambda raw: frozenset(texts(raw))
    if origin in (Mapping, dict) and arguments[0] is str:
        return _mapping_reader(_reader(arguments[1]))
    if isinstance(kind, type) and issubclass(kind, Enum):
        return _enum_reader(kind)
    if dataclasses.is_dataclass(kind) or hasattr(kind, "_fields"):
        return _object_reader(kind)
    raise TypeError(f"the codec does not know the annotation {kind}")


def _wrong(wanted: str, raw: object) -> _Misfit:
    shown = json.dumps(raw)
    return _Misfit(f"found {shown if len(shown) <= 60 else shown[:57] + '...'}, expected {wanted}")


def _float(raw: object) -> float:
    if type(raw) is not float and type(raw) is not int:
        raise _wrong("a number", raw)
    try:
        value = float(raw)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise _Misfit("the number is too large")
    return value


def _exactly(kind: type, words: str) -> Callable[[Any], Any]:
    def read(raw: object) -> object:
        if type(raw) is not kind:
            raise _wrong(words, raw)
        return raw

    return read


_SCALARS: Mapping[Any, Callable[[Any], Any]] = {
    float: _float,
    int: _exactly(int, "a whole number"),
    str: _exactly(str, "a text"),
    bool: _exactly(bool, "true or false"),
}


def _union_reader(readers: tuple[Callable[[Any], Any], ...], optional: bool) -> Callable[[Any], Any]:
    def read(raw: object) -> object:
        if raw is None and optional:
            return None
        for reader in readers[:-1]:
            try:
                return reader(raw)
            except _Misfit:
                continue
        return readers[-1](raw)

    return read


def _tuple_reader(reader: Callable[[Any], Any]) -> Callable[[Any], Any]:
    def read(raw: object) -> object:
        if not isinstance(raw, list):
            raise _wrong("a list", raw)
        return tuple(_read_at(f"[{index}]", reader, item) for index, item in enumerate(raw))

    return read


def _mapping_reader(reader: Callable[[Any], Any]) -> Callable[[Any], Any]:
    def read(raw: object) -> object:
        if not isinstance(raw, dict):
            raise _wrong("an object", raw)
        return {name: _read_at(f".{name}", reader, item) for name, item in raw.items()}

    return read


def _enum_reader(kind: type[Enum]) -> Callable[[Any], Any]:
    members = {member.value: member for member in kind}

    def read(raw: object) -> object:
        if not isinstance(raw, (str, int)) or raw not in members:
            raise _wrong("one of " + ", ".join(json.dumps(value) for value in members), raw)
        return members[raw]

    return read


def _object_reader(kind: Any) -> Callable[[Any], Any]:
    def read(raw: object) -> object:
        if not isinstance(raw, dict):
            raise _wrong("an object", raw)
        fields = _fields(kind)
        for name in raw:
            if name not in fields:
                raise _Misfit(f"unknown field of {kind.__name__}").at(f".{name}")
        for name, field in fields.items():
            if field.needed and name not in raw:
                raise _Misfit(f"missing field of {kind.__name__}").at(f".{name}")
        return kind(**{name: _read_at(f".{name}", fields[name].reader, item) for name, item in raw.items()})

    return read


def _read_at(piece: str, reader: Callable[[Any], Any], raw: object) -> object:
    try:
        return reader(raw)
    except _Misfit as misfit:
        raise misfit.at(piece) from None
