"""The state as the store keeps it: a core that changes with every scan, and parts that seldom change.

A batch carries a copy of its profile, and the answers to the last 200 actions are long: written with every commit
they would be most of what an SD card has to bear. They lie in rows of their own, written when they have
changed, in the same transaction as the core; one checksum covers all.
"""

import json
import sqlite3
import zlib
from collections.abc import Mapping
from typing import Any, NamedTuple

from controller.control.codec import from_json, to_json
from controller.control.state import SiteState
from controller.historian.faults import Damaged, UnfitState

ANSWERS, BATCH = "answers", "batch/"


class SavedState(NamedTuple):
    """One state as text: JSON without its parts, and the parts' JSON by name."""

    at_s: float
    utc_s: float | None
    core: str
    parts: Mapping[str, str]

    def checksum(self) -> int:
        """CRC-32 (ISO 3309) of the core, then of name and JSON of each part in the order of names."""
        crc32 = zlib.crc32(self.core.encode())
        for name in sorted(self.parts):
            crc32 = zlib.crc32(self.parts[name].encode(), zlib.crc32(name.encode(), crc32))
        return crc32


def take_apart(state: SiteState) -> SavedState:
    """The state as text.

    Raises:
        UnfitState: it holds a number that is not finite.
    """
    bare = state._replace(answers={}, vessels={name: v._replace(batch=None) for name, v in state.vessels.items()})
    parts: dict[str, object] = {BATCH + name: v.batch for name, v in state.vessels.items() if v.batch}
    if state.answers:
        parts[ANSWERS] = state.answers
    try:
        texts = {name: to_json(part) for name, part in parts.items()}
        return SavedState(state.now_s, state.utc_s, to_json(bare), texts)
    except ValueError as error:
        raise UnfitState(str(error)) from error


def put_together(saved: SavedState) -> SiteState:
    """The state that was taken apart.

    Raises:
        ValueError: it is not the state of this version of the program; the text names the place.
    """
    try:
        whole = json.loads(saved.core)
        for name, part in saved.parts.items():
            _put(whole, name, json.loads(part))
        text = json.dumps(whole)
    except (LookupError, TypeError) as error:
        raise ValueError(f"a part of the state has no place in it: {error}") from error
    except RecursionError:
        raise ValueError("the JSON is nested too deeply") from None
    return from_json(SiteState, text)


def _put(whole: dict[str, Any], name: str, part: object) -> None:
    if name == ANSWERS:
        whole["answers"] = part
    elif name.startswith(BATCH):
        whole["vessels"][name.removeprefix(BATCH)]["batch"] = part
    else:
        raise KeyError(name)


def read_state(connection: sqlite3.Connection) -> SavedState | None:
    """The saved state, or None if none was ever saved; also out of a store of schema version 1.

    Raises:
        Damaged: the checksum does not fit.
        sqlite3.Error: the file cannot be read.
    """
    row = connection.execute("SELECT at_s, utc_s, json, crc32 FROM state").fetchone()
    if row is None:
        return None
    at_s, utc_s, packed, crc32 = row
    parts: dict[str, str] = {}
    if isinstance(packed, bytes):
        parts = dict(connection.execute("SELECT name, json FROM state_parts"))
    try:
        core = zlib.decompress(packed).decode() if isinstance(packed, bytes) else packed
        saved = SavedState(at_s, utc_s, core, parts)
        fits = saved.checksum() == crc32
    except (zlib.error, UnicodeError, AttributeError, TypeError):
        fits = False
    if not fits:
        raise Damaged("the saved state does not fit its checksum")
    return saved


def write_state(connection: sqlite3.Connection, saved: SavedState, known: Mapping[str, str]) -> None:
    """Writes the state, and those parts that differ from `known`, which are in the file already. To be called
    within a transaction."""
    connection.execute(
        "INSERT OR REPLACE INTO state(id, at_s, utc_s, json, crc32) VALUES (1,?,?,?,?)",
        (saved.at_s, saved.utc_s, zlib.compress(saved.core.encode(), 9), saved.checksum()),
    )
    for name, part in saved.parts.items():
        if known.get(name) != part:
            connection.execute("INSERT OR REPLACE INTO state_parts(name, json) VALUES (?,?)", (name, part))
    for name in known.keys() - saved.parts.keys():
        connection.execute("DELETE FROM state_parts WHERE name = ?", (name,))
