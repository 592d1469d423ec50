"""From an earlier schema to this one: a copy first, then one transaction, whose steps are listed here.

A step begins at the version it is listed under and ends at the next. Whatever interrupts it, the file is still
what it was, and the next start tries again.
"""

import contextlib
import logging
import os
import sqlite3
import zlib
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from pathlib import Path

from controller.historian.faults import Damaged
from controller.historian.saved_state import read_state
from controller.historian.trend import QUARTER_S, roll_up

SCHEMA_VERSION = 2

Step = str | Callable[[sqlite3.Connection], None]

log = logging.getLogger(__name__)


def _compress_state(connection: sqlite3.Connection) -> None:
    saved = read_state(connection)
    if saved:
        connection.execute(
            "UPDATE state SET json = ?, crc32 = ?", (zlib.compress(saved.core.encode(), 9), saved.checksum())
        )


def _first_quarters(connection: sqlite3.Connection) -> None:
    """Version 1 kept minutes and nothing else; the quarter that the last of them lies in is not over."""
    (last,) = connection.execute("SELECT max(key) FROM minutes").fetchone()
    if last is not None:
        roll_up(connection, 0, last // 256 // QUARTER_S * QUARTER_S)


_STATE_2 = """CREATE TABLE state_2 (
    id INTEGER PRIMARY KEY CHECK (id = 1), at_s REAL NOT NULL, utc_s REAL, json BLOB NOT NULL, crc32 INTEGER NOT NULL
)"""
_QUARTERS_2 = """CREATE TABLE quarters (
    key INTEGER PRIMARY KEY, mean INTEGER, least INTEGER, most INTEGER, setpoint_low INTEGER, setpoint_high INTEGER,
    cooler INTEGER NOT NULL, heater INTEGER NOT NULL
)"""
_SAMPLES_2 = """CREATE TABLE samples (
    key INTEGER PRIMARY KEY, temperature INTEGER, setpoint_low INTEGER, setpoint_high INTEGER,
    cooler INTEGER NOT NULL, heater INTEGER NOT NULL
)"""

STEPS: Mapping[int, Sequence[Step]] = {
    1: (
        _STATE_2,
        "INSERT INTO state_2 SELECT id, at_s, utc_s, json, crc32 FROM state",
        "DROP TABLE state",
        "ALTER TABLE state_2 RENAME TO state",
        "CREATE TABLE state_parts (name TEXT PRIMARY KEY, json TEXT NOT NULL)",
        _compress_state,
        "ALTER TABLE trend RENAME TO minutes",
        _SAMPLES_2,
        _QUARTERS_2,
        _first_quarters,
    ),
}


def migrate(connection: sqlite3.Connection, path: Path, version: int) -> None:
    """Brings the open file from `version` to `SCHEMA_VERSION`, after a copy to `<name>.before-v<n>`.

    Raises:
        Damaged: there is no way from that version.
        sqlite3.Error, OSError: the file is what it was.
    """
    if not all(each in STEPS for each in range(version, SCHEMA_VERSION)):
        raise Damaged(f"the schema version is {version}")
    copy = path.with_name(f"{path.name}.before-v{SCHEMA_VERSION}")
    copy_store(connection, copy)
    connection.execute("BEGIN IMMEDIATE")
    try:
        for each in range(version, SCHEMA_VERSION):
            for step in STEPS[each]:
                if callable(step):
                    step(connection)
                else:
                    connection.execute(step)
        connection.execute("UPDATE meta SET schema_version = ?", (SCHEMA_VERSION,))
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            if connection.in_transaction:
                connection.execute("ROLLBACK")
        raise
    log.warning(
        "history: %s was of schema version %d and is now of version %d; as it was before, it lies in %s",
        *(path, version, SCHEMA_VERSION, copy),
    )


def copy_store(
    connection: sqlite3.Connection,
    target: Path,
    progress: Callable[[int, int], object] = lambda left, whole: None,
    pages: int = 256,
) -> None:
    """Copies the open store into one file, `pages` at a time, as it is at this moment, whatever is written
    meanwhile; `target` appears, or is replaced, only when its copy is whole and on the disk. `progress` is told
    the pages left and the pages in all.

    Raises:
        sqlite3.Error, OSError: it could not be copied.
    """
    part = target.with_name(target.name + ".part")
    part.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(part, isolation_level=None)) as copy:
            connection.execute("BEGIN")
            try:
                connection.execute("SELECT count(*) FROM sqlite_master").fetchone()  # from here on, this moment
                connection.backup(copy, pages=pages, progress=lambda _, left, whole: progress(left, whole), sleep=0.0)
            finally:
                connection.execute("COMMIT")
            copy.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
        sync(part)
        part.replace(target)
        sync(target.parent)
    finally:
        part.unlink(missing_ok=True)


def sync(path: Path) -> None:
    """Returns when a file, or the names in a folder, are on the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
