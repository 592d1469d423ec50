"""Reading the store: from any thread or program, while the service writes. Each call opens the file for itself."""

import math
import sqlite3
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from controller.control.codec import from_json
from controller.control.state import STATE_VERSION, SiteState
from controller.control.values import Record, RecordKind
from controller.historian.database import connect, read_state
from controller.historian.faults import Damaged, HistoryError, in_words


class TrendPoint(NamedTuple):
    """One bucket of a trend. `at_s` is the bucket's start on the service line, `utc_s` the same in UTC (None
    where it was never known). Temperatures in °C, None where nothing was known; shares 0..100 %."""

    at_s: float
    utc_s: float | None
    mean_c: float | None
    least_c: float | None
    most_c: float | None
    setpoint_low_c: float | None
    setpoint_high_c: float | None
    cooler_percent: float
    heater_percent: float


def read_saved_state(path: Path) -> SiteState | None:
    """The state that the service would go on from, or None where none was ever saved.

    Raises:
        HistoryError: the store cannot be read, is damaged, or holds the state of another version.
    """
    if not path.exists():
        return None
    with _reading(path) as connection:
        row = read_state(connection) if _has_tables(connection) else None
    if row is None:
        return None
    try:
        state = from_json(SiteState, row.json)
        if state.version == STATE_VERSION:
            return state
        fault = f"version {state.version}, expected {STATE_VERSION}"
    except ValueError as error:
        fault = str(error)
    raise HistoryError(
        f"{path}: the saved state is of another version of this program ({fault}); "
        "use the version that wrote it until its batches are packaged, or name another file; nothing was changed"
    )


def read_records(
    path: Path,
    since_s: float | None = None,
    vessel: str | None = None,
    kind: RecordKind | None = None,
    limit: int = 200,
) -> tuple[Record, ...]:
    """The newest records first, at most `limit`: from `since_s` (service line) on, of one vessel ("" = the site),
    of one kind; None means all.

    Raises:
        HistoryError: there is no store at `path`, or it cannot be read.
    """
    with _reading(path) as connection:
        rows = connection.execute(
            "SELECT at_s, utc_s, vessel, kind, subject, value, reason, who FROM records"
            " WHERE (:since IS NULL OR at_s >= :since) AND (:vessel IS NULL OR vessel = :vessel)"
            " AND (:kind IS NULL OR kind = :kind) ORDER BY id DESC LIMIT :limit",
            {"since": since_s, "vessel": vessel, "kind": kind.value if kind else None, "limit": max(0, limit)},
        ).fetchall()
        kinds = {each.value: each for each in RecordKind}
        return tuple(Record._make((*row[:3], kinds[row[3]], *row[4:])) for row in rows if row[3] in kinds)


def read_trend(path: Path, vessel: str, from_s: float, to_s: float, buckets: int) -> tuple[TrendPoint, ...]:
    """The trend of a vessel (or of a probe tag of bath or room) between two times of the service line, in at most
    `buckets` points of equal length; buckets without a row are left out. Least and most are of the whole bucket,
    so a short overshoot stays visible in a month.

    Raises:
        HistoryError: as `read_records`.
    """
    first_s, last_s = math.floor(from_s), math.ceil(to_s)
    if last_s <= first_s or buckets < 1:
        return ()
    length_s = (last_s - first_s) / buckets
    with _reading(path) as connection:
        rows = connection.execute(
            "SELECT CAST((key / 256 - :first) / :length AS INTEGER) AS bucket, avg(mean), min(least), max(most),"
            " avg(setpoint_low), avg(setpoint_high), avg(cooler), avg(heater) FROM trend"
            " WHERE key >= :first * 256 AND key < :last * 256"
            " AND key & 255 = (SELECT idx FROM vessels WHERE name = :vessel)"
            " GROUP BY bucket ORDER BY bucket",
            {"first": first_s, "last": last_s, "length": length_s, "vessel": vessel},
        ).fetchall()
        offsets = connection.execute("SELECT at_s, offset_s FROM clock ORDER BY at_s").fetchall()
    return tuple(_point(first_s + row[0] * length_s, row[1:], offsets) for row in rows)


def _point(at_s: float, row: Sequence[float | None], offsets: Sequence[tuple[int, int | None]]) -> TrendPoint:
    mean, least, most, low, high = (None if value is None else value / 100.0 for value in row[:5])
    cooler, heater = (value or 0.0 for value in row[5:])
    return TrendPoint(at_s, _utc_s(at_s, offsets), mean, least, most, low, high, cooler, heater)


def _utc_s(at_s: float, offsets: Sequence[tuple[int, int | None]]) -> float | None:
    """A run that began before UTC was trusted takes the first offset that was found in that same run."""
    row = bisect_right(offsets, at_s, key=lambda each: each[0]) - 1
    known = [offset_s for _, offset_s in offsets[max(row, 0) : row + 2]] if row >= 0 else []
    offset_s = next((each for each in known if each is not None), None)
    return None if offset_s is None else at_s + offset_s


@contextmanager
def _reading(path: Path) -> Iterator[sqlite3.Connection]:
    if not path.exists():
        raise HistoryError(f"{path}: there is no store; it is begun when the service first runs")
    try:
        connection = _connect_to_read(path)
        try:
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
        _has_tables(connection)
    except sqlite3.OperationalError:
        connection.close()
        if path.with_name(path.name + "-wal").exists():
            raise
        connection = connect(path, "?immutable=1")
    return connection


def _has_tables(connection: sqlite3.Connection) -> bool:
    return bool(connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'state'").fetchone()[0])
