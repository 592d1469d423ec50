"""A connection to read the store with, from any thread or program, while the service writes."""

import sqlite3
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from controller.historian.database import check_owner, connect
from controller.historian.faults import Damaged, HistoryError, in_words
from controller.historian.migrations import SCHEMA_VERSION

Offsets = Sequence[tuple[int, int | None]]


@contextmanager
def reading(path: Path, least_version: int = SCHEMA_VERSION) -> Iterator[sqlite3.Connection]:
    """A read-only connection; errors of SQLite inside become HistoryError.

    Raises:
        HistoryError: there is no store at `path`, it cannot be read, or its schema is older than `least_version`.
    """
    if not path.exists():
        raise HistoryError(f"{path}: there is no store; it is begun when the service first runs")
    try:
        connection = _connect_to_read(path)
        try:
            version = check_owner(connection, path)
            if version is not None and version < least_version:
                raise HistoryError(
                    f"{path}: the store has schema version {version}, and {least_version} is needed; the service "
                    "brings it up to date when it starts; nothing was changed"
                )
            yield connection
        finally:
            connection.close()
    except (Damaged, UnicodeDecodeError) as error:
        raise HistoryError(f"{path}: the store is damaged: {error}") from error
    except sqlite3.Error as error:
        raise HistoryError(f"{path}: the store cannot be read: {in_words(error)}") from error


def _connect_to_read(path: Path) -> sqlite3.Connection:
    """Read-only; in a folder that is read-only too, SQLite wants to be told that nobody writes, which is so
    when no write-ahead log lies beside the file (https://www.sqlite.org/wal.html, "Read-Only Databases")."""
    connection = connect(path, "?mode=ro")
    try:
        has_tables(connection)
    except sqlite3.OperationalError:
        connection.close()
        if path.with_name(path.name + "-wal").exists():
            raise
        connection = connect(path, "?immutable=1")
    return connection


def has_tables(connection: sqlite3.Connection) -> bool:
    """Whether anything was ever written."""
    return bool(connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'state'").fetchone()[0])


def read_offsets(connection: sqlite3.Connection) -> Offsets:
    """The table clock: from when on UTC was how far from the service line; for `utc_of`."""
    return connection.execute("SELECT at_s, offset_s FROM clock ORDER BY at_s").fetchall()


def utc_of(at_s: float, offsets: Offsets) -> float | None:
    """UTC of a time on the service line, None where it was never known. A run that began before UTC was trusted
    takes the first offset that was found in that same run."""
    row = bisect_right(offsets, at_s, key=lambda each: each[0]) - 1
    known = [offset_s for _, offset_s in offsets[max(row, 0) : row + 2]] if row >= 0 else []
    offset_s = next((each for each in known if each is not None), None)
    return None if offset_s is None else at_s + offset_s
