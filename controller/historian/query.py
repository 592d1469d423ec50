"""Reading the store: from any thread or program, while the service writes. Each call opens the file for itself."""

import sqlite3
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import NamedTuple

from controller.control.state import STATE_VERSION, SiteState
from controller.control.values import Record, RecordKind
from controller.historian.faults import HistoryError
from controller.historian.reading import Offsets, has_tables, read_offsets, reading, utc_of
from controller.historian.saved_state import put_together, read_state
from controller.historian.trend_query import TrendPoint, read_trend

__all__ = ["RecordFilter", "TrendPoint", "read_records", "read_saved_state", "read_trend"]

_KINDS = {each.value: each for each in RecordKind}
_LEAVES, _COMES = ("moved away", "packaged"), ("started", "moved here")  # records of a batch's life


class RecordFilter(NamedTuple):
    """Which records are wanted. `batch`: those of the vessels that the batch was in while it was there; `vessel` ""
    is the site; `since_s` counts on the service line, `since_utc_s` and `until_utc_s` leave out records whose UTC was
    never known; None means all. `without_done` leaves out actions that were done, whose effect has a record of its own.
    At most `limit`, the newest."""

    since_s: float | None = None
    vessel: str | None = None
    batch: str | None = None
    kinds: frozenset[RecordKind] | None = None
    since_utc_s: float | None = None
    until_utc_s: float | None = None
    limit: int | None = 200
    without_done: bool = False


def read_saved_state(path: Path) -> SiteState | None:
    """The state that the service would go on from, or None where none was ever saved.

    Raises:
        HistoryError: the store cannot be read, is damaged, or holds the state of another version.
    """
    if not path.exists():
        return None
    with reading(path, least_version=1) as connection:
        saved = read_state(connection) if has_tables(connection) else None
    if saved is None:
        return None
    try:
        state = put_together(saved)
        if state.version == STATE_VERSION:
            return state
        fault = f"version {state.version}, expected {STATE_VERSION}"
    except ValueError as error:
        fault = str(error)
    raise HistoryError(
        f"{path}: the saved state is of another version of this program ({fault}). Run the version that wrote it until "
        "its batches are packaged; or put back a backup that this version can read: cellarhand restore FILE; or move "
        "the store away, and every vessel begins idle. Nothing was changed"
    )


def read_records(path: Path, wanted: RecordFilter = RecordFilter()) -> tuple[Record, ...]:  # noqa: B008 - immutable
    """The wanted records, the newest first. Where a record's UTC was not trusted when it was written and became known
    later in the same run, it is filled in.

    Raises:
        HistoryError: there is no store at `path`, or it cannot be read.
    """
    with reading(path, least_version=1) as connection:
        offsets = read_offsets(connection)
        stays = _stays(connection, wanted.batch)
        condition, values = _condition(wanted)
        rows = connection.execute(
            "SELECT id, at_s, utc_s, vessel, kind, subject, value, reason, who FROM records"
            f" WHERE {condition} ORDER BY id DESC",
            values,
        )
        return tuple(islice(_records(rows, wanted, stays, offsets), wanted.limit))


class Names(NamedTuple):
    """What the store has something of: vessels (and probe tags of bath and room), and batches, the newest last."""

    vessels: tuple[str, ...]
    batches: tuple[str, ...]


def read_names(path: Path) -> Names:
    """Which names can be asked for.

    Raises:
        HistoryError: there is no store at `path`, or it cannot be read.
    """
    with reading(path, least_version=1) as connection:
        vessels = connection.execute(
            "SELECT name FROM vessels UNION SELECT DISTINCT vessel FROM records WHERE vessel <> '' ORDER BY 1"
        ).fetchall()
        batches = connection.execute(
            "SELECT subject FROM records WHERE kind = 'batch' AND value IN (?, ?) GROUP BY subject ORDER BY max(id)",
            _COMES,
        ).fetchall()
    return Names(tuple(name for (name,) in vessels), tuple(name for (name,) in batches))


def _condition(wanted: RecordFilter) -> tuple[str, dict[str, object]]:
    conditions = ["TRUE"]
    if wanted.since_s is not None:
        conditions.append("at_s >= :since_s")
    if wanted.vessel is not None:
        conditions.append("vessel = :vessel")
    if wanted.kinds is not None:
        conditions.append(f"kind IN ({', '.join(repr(kind.value) for kind in wanted.kinds)})")
    if wanted.without_done:
        conditions.append("NOT (kind = 'action' AND value = 'done')")
    return " AND ".join(conditions), {"since_s": wanted.since_s, "vessel": wanted.vessel}


class _Stay(NamedTuple):
    """A batch in a vessel, from one record to another."""

    vessel: str
    first_id: int
    last_id: float


def _stays(connection: sqlite3.Connection, batch: str | None) -> list[_Stay] | None:
    """Where the wanted batch was; None if any record will do. A batch may have been moved, and back."""
    if batch is None:
        return None
    stays: list[_Stay] = []
    for number, vessel, value in connection.execute(
        "SELECT id, vessel, value FROM records WHERE kind = 'batch' AND subject = ? ORDER BY id", (batch,)
    ):
        if value in _COMES:
            stays.append(_Stay(vessel, number, float("inf")))
        elif value in _LEAVES:
            stays = [
                stay._replace(last_id=number) if stay.vessel == vessel and stay.last_id == float("inf") else stay
                for stay in stays
            ]
    return stays


def _records(
    rows: Iterator[tuple[object, ...]], wanted: RecordFilter, stays: list[_Stay] | None, offsets: Offsets
) -> Iterator[Record]:
    for number, *values in rows:
        if values[3] not in _KINDS or not _was_there(number, values[2], stays):
            continue
        record = Record._make((*values[:3], _KINDS[str(values[3])], *values[4:]))
        if record.utc_s is None:
            record = record._replace(utc_s=utc_of(record.at_s, offsets))
        if _in_time(record.utc_s, wanted):
            yield record


def _was_there(number: object, vessel: object, stays: list[_Stay] | None) -> bool:
    if stays is None:
        return True
    return isinstance(number, int) and any(
        stay.vessel == vessel and stay.first_id <= number <= stay.last_id for stay in stays
    )


def _in_time(utc_s: float | None, wanted: RecordFilter) -> bool:
    if wanted.since_utc_s is None and wanted.until_utc_s is None:
        return True
    if utc_s is None:
        return False
    return (wanted.since_utc_s or 0.0) <= utc_s and (wanted.until_utc_s is None or utc_s < wanted.until_utc_s)
