"""Faults of a file that a person wrote: where, what was found, what would be right. All of them at once."""

import json
from dataclasses import dataclass

_LONGEST_SHOWN = 60


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one file. `line` counts from 1 (0: the file as a whole), `key` is the path of keys with
    dots ("" for the whole file). Prints as one line."""

    file: str
    line: int
    key: str
    found: str
    expected: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        key = f"{self.key}: " if self.key else ""
        line = " ".join(f"{where}: {key}found {self.found}; right would be {self.expected}".split())
        return line if line.isprintable() else ascii(line)[1:-1]  # the names of files may hold anything


class FileFaults(Exception):
    """One or more files cannot be used; `faults` has every fault that was found, in the order of the lines."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        super().__init__(faults)
        self.faults = faults

    def __str__(self) -> str:
        lines = [str(fault) for fault in self.faults]
        return "\n".join([*lines, f"{len(lines)} fault{'s' if len(lines) > 1 else ''}; nothing was changed"])


class Wrong(ValueError):
    """One value is wrong; the caller knows file, line and key. `at` names keys below the caller's own."""

    def __init__(self, found: str, expected: str, at: tuple[str | int, ...] = ()) -> None:
        super().__init__(f"found {found}; right would be {expected}")
        self.found = found
        self.expected = expected
        self.at = at


def shown(value: object) -> str:
    """A value from a file as it is shown to the brewer: short, printable, on one line."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a block of keys"
    if isinstance(value, (list, tuple)):
        return "a list"
    if isinstance(value, str):
        short = value if len(value) <= _LONGEST_SHOWN else value[:_LONGEST_SHOWN] + "..."
        quoted = json.dumps(short, ensure_ascii=False)
        return quoted if quoted.isprintable() else ascii(short)
    return repr(value)
