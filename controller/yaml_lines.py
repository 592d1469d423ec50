"""YAML text to plain data, with the line of every key and item.

The rules for plain words are those of the core schema of YAML 1.2.2 (§10.3.2), so `on`, `off`, `yes` and
`no` are words, `36:00` is a word, `0o17` is fifteen and a date stays text. Duplicate keys, foreign tags,
more than one document, and files too large or too deep for a file that a person wrote are refused."""

import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path as FilePath
from typing import Any

import yaml

from controller.faults import Fault, FileFaults, shown
from controller.regular_file import open_regular

try:
    from yaml import CSafeLoader
except ImportError:  # PyYAML was built without libyaml
    from yaml import SafeLoader as CSafeLoader  # type: ignore[assignment]

LARGEST_FILE_BYTES = 256 * 1024
DEEPEST = 20
MOST_ALIASES = 100
MOST_VALUES = 20_000  # counted after aliases have been replaced by what they stand for
_LONGEST_NUMBER = 24  # characters

KeyPath = tuple[str | int, ...]
Data = None | bool | int | float | str | list["Data"] | dict[str, "Data"]

_TAG = "tag:yaml.org,2002:"
_WORDS: tuple[tuple[str, str, str], ...] = (  # YAML 1.2.2 §10.3.2: tag, pattern, possible first characters
    ("null", r"~|null|Null|NULL|", "~nN"),
    ("bool", r"true|True|TRUE|false|False|FALSE", "tTfF"),
    ("int", r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+", "-+0123456789"),
    (
        "float",
        r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?|[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)",
        "-+.0123456789",
    ),
)


@dataclass(frozen=True, slots=True)
class Document:
    """The data of one file, and for each path of keys and item numbers the line on which it begins."""

    file: str
    data: Data
    lines: Mapping[KeyPath, int]

    def line_of(self, path: KeyPath) -> int:
        """The line of the path, or of the nearest block around it."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path, 1)

    def key_text(self, path: KeyPath) -> str:
        """The path as a person reads it: items of a list by their `name`, or counted from 1."""
        words, here = [], self.data
        for part in path:
            here = _inner(here, part)
            if isinstance(part, int):
                name = here.get("name") if isinstance(here, dict) else None
                words.append(name if isinstance(name, str) and len(name) < 40 else str(part + 1))
            else:
                words.append(part)
        return ".".join(word if word.isprintable() else ascii(word) for word in words)


def read_yaml(path: FilePath) -> Document:
    """Read one file.

    Raises:
        FileFaults: it cannot be read, or is not YAML within the limits above. Faults of syntax end the
            reading; duplicate keys and wrong tags are all reported.
    """
    name = str(path)
    try:
        with open_regular(path) as stream:
            raw = stream.read(LARGEST_FILE_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else "an impossible file name"
        raise FileFaults((Fault(name, 0, "", reason.lower(), "a file that can be read"),)) from None
    return parse_yaml(raw, name)


def parse_yaml(raw: bytes, name: str) -> Document:
    """The same for bytes that were read already; `name` is the file's name in faults."""
    if len(raw) > LARGEST_FILE_BYTES:
        raise _one(name, 0, "more than 256 KiB", "a file of at most 256 KiB")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise _one(name, line, f"the byte 0x{raw[error.start]:02x}", "text in UTF-8") from None
    root = _compose(text, name)
    if root is None:
        raise _one(name, 1, "an empty file", "a block of keys")
    reader = _Walk(name)
    data = reader.value(root, ())
    if reader.faults:
        raise FileFaults(tuple(sorted(reader.faults, key=lambda fault: fault.line)))
    return Document(name, data, reader.lines)


class _TooMuch(yaml.MarkedYAMLError):
    """Nested too deep or too many aliases."""


class _Composer(yaml.composer.Composer):
    """PyYAML's composer with the words of YAML 1.2 and with limits. Only nodes are taken from it."""

    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012  (PyYAML's interface)

    check_event: Callable[..., bool]  # these two are the parser's
    peek_event: Callable[[], Any]

    def __init__(self) -> None:
        yaml.composer.Composer.__init__(self)
        self._depth = 0
        self._aliases = 0

    def compose_node(self, parent: yaml.Node | None, index: int) -> yaml.Node | None:
        """Compose one node, counting depth and aliases."""
        if self.check_event(yaml.AliasEvent):
            self._aliases += 1
        self._depth += 1
        if self._depth > DEEPEST or self._aliases > MOST_ALIASES:
            what = "blocks nested too deep" if self._depth > DEEPEST else "too many aliases"
            raise _TooMuch(None, None, what, self.peek_event().start_mark)
        node = super().compose_node(parent, index)
        self._depth -= 1
        return node


class _Loader(_Composer, yaml.SafeLoader):
    """With PyYAML's own parser, whose errors are the better ones."""

    def __init__(self, text: str) -> None:
        yaml.SafeLoader.__init__(self, text)
        _Composer.__init__(self)


class _FastLoader(_Composer, CSafeLoader):
    """With libyaml's parser, which is several times as fast."""

    def __init__(self, text: str) -> None:
        CSafeLoader.__init__(self, text)
        _Composer.__init__(self)


for _kind, _pattern, _first in _WORDS:
    for _class in (_Loader, _FastLoader):
        _class.add_implicit_resolver(_TAG + _kind, re.compile(rf"(?:{_pattern})\Z", re.ASCII), [*_first, ""])


def _compose(text: str, name: str) -> yaml.Node | None:
    """The tree of nodes, or the one fault of syntax that ends the reading."""
    with suppress(yaml.YAMLError, ValueError, OverflowError):
        return _FastLoader(text).get_single_node()
    try:
        return _Loader(text).get_single_node()
    except _TooMuch as error:
        line = error.problem_mark.line + 1 if error.problem_mark else 0
        limits = f"at most {DEEPEST} blocks inside each other and at most {MOST_ALIASES} aliases"
        raise _one(name, line, str(error.problem), limits) from None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        problem = error.problem or error.context or "text that is not YAML"
        raise _one(name, mark.line + 1 if mark else 0, f"a fault of syntax ({problem})", "YAML") from None
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise _one(name, line, "a character that YAML does not allow", "printable text") from None
    except (yaml.YAMLError, ValueError, OverflowError):
        # PyYAML lets the errors of int() and chr() through, for absurd escapes and directives
        raise _one(name, 0, "an impossible escape or directive", "YAML") from None


class _Walk:
    """Nodes to data; keeps lines and faults."""

    def __init__(self, name: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self.faults: list[Fault] = []
        self._name = name
        self._count = 0

    def value(self, node: yaml.Node, path: KeyPath) -> Data:
        self._count += 1
        if self._count > MOST_VALUES or len(path) > DEEPEST:
            line = node.start_mark.line + 1
            raise _one(self._name, line, "too many values, or an alias inside itself", f"at most {MOST_VALUES} values")
        self.lines.setdefault(path, node.start_mark.line + 1)
        if isinstance(node, yaml.MappingNode) and node.tag == _TAG + "map":
            return self._mapping(node, path)
        if isinstance(node, yaml.SequenceNode) and node.tag == _TAG + "seq":
            return [self.value(item, (*path, number)) for number, item in enumerate(node.value)]
        if isinstance(node, yaml.ScalarNode):
            return self._scalar(node, path)
        return self._refuse(node, path, f"the tag {shown(node.tag)}", "plain YAML without tags")

    def _mapping(self, node: yaml.MappingNode, path: KeyPath) -> Data:
        block: dict[str, Data] = {}
        for key_node, value_node in node.value:
            if not isinstance(key_node, yaml.ScalarNode):
                self._refuse(key_node, path, "a key that is not a word", "a word followed by a colon")
                continue
            key = key_node.value
            inner = (*path, key)
            if key in block:
                first = self.lines[inner]
                self._refuse(key_node, inner, f"the key a second time (first on line {first})", "each key once")
                continue
            self.lines[inner] = key_node.start_mark.line + 1
            self._text(key_node, inner)
            block[key] = self.value(value_node, inner)
        return block

    def _scalar(self, node: yaml.ScalarNode, path: KeyPath) -> Data:
        text: str = node.value
        kind = node.tag.removeprefix(_TAG)
        pattern = next((pattern for word, pattern, _ in _WORDS if word == kind), None)
        if kind == "str":
            return self._text(node, path)
        if pattern is None:
            return self._refuse(node, path, f"the tag {shown(node.tag)}", "plain YAML without tags")
        if not re.fullmatch(pattern, text, re.ASCII):
            return self._refuse(node, path, f"{shown(text)} with a tag that it does not fit", "plain YAML without tags")
        if kind == "null":
            return None
        if kind == "bool":
            return text.lower() == "true"
        if len(text) > _LONGEST_NUMBER:
            return self._refuse(node, path, "a number of too many digits", f"at most {_LONGEST_NUMBER}")
        return _integer(text) if kind == "int" else _real(text)

    def _text(self, node: yaml.ScalarNode, path: KeyPath) -> Data:
        text: str = node.value
        if any(0xD800 <= ord(character) <= 0xDFFF for character in text):
            return self._refuse(node, path, "half of a surrogate pair", "whole characters")
        return text

    def _refuse(self, node: yaml.Node, path: KeyPath, found: str, expected: str) -> Data:
        """Keep the fault; the place of the value stays empty."""
        key = ".".join(ascii(part).strip("'") if isinstance(part, str) else str(part + 1) for part in path)
        self.faults.append(Fault(self._name, node.start_mark.line + 1, key, found, expected))
        return None


def _integer(text: str) -> int:
    return int(text, 8 if text.startswith("0o") else 16 if text.startswith("0x") else 10)


def _real(text: str) -> float:
    return float(text.lower().replace(".inf", "inf").replace(".nan", "nan"))


def _inner(data: Data, part: str | int) -> Data:
    if isinstance(data, dict) and isinstance(part, str):
        return data.get(part)
    if isinstance(data, list) and isinstance(part, int) and part < len(data):
        return data[part]
    return None


def _one(name: str, line: int, found: str, expected: str) -> FileFaults:
    return FileFaults((Fault(name, line, "", found, expected),))
