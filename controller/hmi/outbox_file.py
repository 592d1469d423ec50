"""Where waiting messages survive a power cut: one JSON file, replaced as a whole (write, fsync, rename, fsync).

A file that cannot be read is moved aside; a disk that cannot be written is told of once, and messages go on from
memory. Nothing here raises.
"""

import json
import logging
import os
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple

from controller.control.alarm_list import Priority
from controller.hmi.messages import Memory, Message, Told

LOG = logging.getLogger(__name__)

NAME = "outbox.json"
VERSION = 1
LARGEST_BYTES = 8_000_000  # some times what a full outbox takes


class Waiting(NamedTuple):
    """A message and the names of the targets that have not had it yet. `number` rises with each message."""

    number: int
    message: Message
    targets: frozenset[str]


class Stored(NamedTuple):
    """All that outlives a restart."""

    waiting: tuple[Waiting, ...] = ()
    number: int = 0  # of the newest message ever
    memory: Memory = Memory()


class OutboxFile:
    """The file in the state directory."""

    def __init__(self, state_dir: Path) -> None:
        self._path = state_dir / NAME
        self._told = ""

    def load(self) -> Stored:
        """What was saved last; nothing, and the file moved aside, where it is damaged."""
        try:
            with self._path.open("rb") as file:
                text = file.read(LARGEST_BYTES + 1)
            if len(text) > LARGEST_BYTES:
                raise ValueError("it is too large")
            return _stored(json.loads(text))
        except FileNotFoundError:
            return Stored()
        except OSError as error:
            LOG.warning("messages that were waiting are lost: cannot read %s: %s", self._path, error.strerror)
            return Stored()
        except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError) as error:
            LOG.warning("messages that were waiting are lost: %s is damaged (%s)%s", self._path, error, self._aside())
            return Stored()

    def save(self, stored: Stored) -> bool:
        """Write all of it; whether it is on the disk."""
        new = self._path.with_suffix(".new")
        try:
            with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
                file.write(json.dumps(_jsonable(stored), separators=(",", ":")).encode())
                file.flush()
                os.fsync(file.fileno())
            os.replace(new, self._path)
            _sync_directory(self._path.parent)
        except OSError as error:
            cause = error.strerror or type(error).__name__
            if not self._told:
                LOG.warning("cannot store waiting messages in %s: %s; they go on from memory", self._path, cause)
            self._told = cause
            return False
        if self._told:
            LOG.info("waiting messages are stored again")
        self._told = ""
        return True

    def _aside(self) -> str:
        kept = self._path.with_suffix(".damaged")
        try:
            os.replace(self._path, kept)
        except OSError:
            return ""
        return f"; it was kept as {kept.name}"


def _sync_directory(directory: Path) -> None:
    """Make the rename itself survive a power cut (rename(2) and fsync(2))."""
    handle = os.open(directory, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _jsonable(stored: Stored) -> dict[str, Any]:
    return {
        "version": VERSION,
        "number": stored.number,
        "waiting": [
            {
                "number": each.number,
                "targets": sorted(each.targets),
                **each.message._replace(priority=each.message.priority.value)._asdict(),  # type: ignore[arg-type]
            }
            for each in stored.waiting
        ],
        "told": {subject: told._asdict() for subject, told in stored.memory.told.items()},
        "daily": stored.memory.daily.isoformat() if stored.memory.daily else None,
    }


def _stored(found: Any) -> Stored:
    if found["version"] != VERSION:
        raise ValueError(f"version {found['version']!r} is not {VERSION}")
    waiting = tuple(_waiting(each) for each in found["waiting"])
    told = {str(subject): _told(each) for subject, each in found["told"].items()}
    daily = date.fromisoformat(found["daily"]) if found["daily"] is not None else None
    number = max([int(found["number"]), *(each.number for each in waiting)])
    return Stored(waiting, number, Memory(told, daily))


def _waiting(each: Mapping[str, Any]) -> Waiting:
    utc_s = None if each["utc_s"] is None else _finite(each["utc_s"])
    message = Message(
        Priority(each["priority"]), str(each["title"]), str(each["text"]), _finite(each["at_s"]), utc_s
    )  # fmt: skip
    return Waiting(int(each["number"]), message, frozenset(str(name) for name in each["targets"]))


def _told(each: Mapping[str, Any]) -> Told:
    return Told(
        _finite(each["raised_s"]),
        _finite(each["said_s"]),
        str(each["title"]),
        each["stands"] is True,
        int(each["more"]),
        int(each["repeats"]),
        _finite(each["hold_s"]),
    )


def _finite(value: Any) -> float:
    number = float(value)
    if not -1e12 < number < 1e12:
        raise ValueError(f"{number} is no time")
    return number
