"""The trend of one vessel out of the table that suits the span: samples for hours, minutes for days, quarters of an
hour for months; and where the suitable one has nothing (not yet, or no more), out of the next that has."""

import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from controller.historian.reading import Offsets, read_offsets, reading, utc_of
from controller.historian.trend import MINUTE_S, QUARTER_S, rolled_up_to


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


class Piece(NamedTuple):
    """A table and the part of the span that is read from it, each row of it standing for `unit_s`."""

    table: str
    from_s: int
    to_s: int
    unit_s: int


UNITS_S = {"samples": 1, "minutes": MINUTE_S, "quarters": QUARTER_S}
_TABLES = tuple(UNITS_S)
_MEANS = {"samples": ("temperature",) * 3}


def read_trend(path: Path, vessel: str, from_s: float, to_s: float, buckets: int) -> tuple[TrendPoint, ...]:
    """The trend of a vessel (or of a probe tag of bath or room) between two times of the service line, in at most
    `buckets` points of equal length; buckets without a row are left out. Least and most are of the whole bucket,
    so a short overshoot stays visible in a month.

    Raises:
        HistoryError: there is no store at `path`, or it cannot be read.
    """
    first_s, last_s = math.floor(from_s), math.ceil(to_s)
    if last_s <= first_s or buckets < 1:
        return ()
    length_s = (last_s - first_s) / buckets
    with reading(path) as connection:
        pieces = choose(connection, first_s, last_s, length_s)
        points = query(connection, pieces, vessel, first_s, length_s)
        offsets = read_offsets(connection)
    return tuple(_with_utc(point, offsets) for point in points)


def choose(connection: sqlite3.Connection, first_s: int, last_s: int, length_s: float) -> list[Piece]:
    """Which table serves which part of a span that is drawn in steps of `length_s`."""
    table = next((each for each in reversed(_TABLES) if UNITS_S[each] <= length_s), "samples")
    if table == "samples":
        return list(_with_earlier(connection, "samples", first_s, last_s, 1))
    rolled_s = min(max(rolled_up_to(connection), first_s), last_s)
    unit_s = UNITS_S[table]
    pieces = list(_with_earlier(connection, table, first_s, rolled_s, unit_s))
    return [*pieces, *_with_earlier(connection, "samples", rolled_s, last_s, unit_s)]


def query(
    connection: sqlite3.Connection, pieces: list[Piece], vessel: str, first_s: int, length_s: float
) -> list[TrendPoint]:
    """The points of these pieces; UTC is not filled in."""
    rows = connection.execute(
        f"WITH rows AS ({' UNION ALL '.join(map(_select, pieces))})"
        " SELECT CAST((at_s - :first) / :length AS INTEGER) AS bucket, avg(mean), min(least), max(most),"
        " avg(setpoint_low), avg(setpoint_high), avg(cooler), avg(heater) FROM rows GROUP BY bucket ORDER BY bucket",
        {"vessel": vessel, "first": first_s, "length": length_s},
    ).fetchall()
    return [_point(first_s + row[0] * length_s, row[1:]) for row in rows]


def _with_earlier(
    connection: sqlite3.Connection, table: str, first_s: int, last_s: int, unit_s: int
) -> Iterator[Piece]:
    """The part of a table, and before its first row the part of the next coarser table."""
    (key,) = connection.execute(f"SELECT min(key) FROM {table}").fetchone()
    begins_s = last_s if key is None else min(max(key // 256 // QUARTER_S * QUARTER_S, first_s), last_s)
    coarser = _TABLES[_TABLES.index(table) + 1 :]
    if coarser and begins_s > first_s:
        yield from _with_earlier(connection, coarser[0], first_s, begins_s, max(unit_s, UNITS_S[coarser[0]]))
    yield Piece(table, begins_s, last_s, unit_s)


def _select(piece: Piece) -> str:
    """Rows of a piece; finer ones are first brought to its unit, so that in a bucket all weigh the same."""
    mean, least, most = _MEANS.get(piece.table, ("mean", "least", "most"))
    where = (
        f"FROM {piece.table} WHERE key >= {piece.from_s * 256} AND key < {piece.to_s * 256}"
        " AND key & 255 = (SELECT idx FROM vessels WHERE name = :vessel)"
    )
    if piece.unit_s == UNITS_S[piece.table]:
        return (
            f"SELECT key / 256 AS at_s, {mean} AS mean, {least} AS least, {most} AS most,"
            f" setpoint_low, setpoint_high, cooler, heater {where}"
        )
    return (
        f"SELECT key / {256 * piece.unit_s} * {piece.unit_s}, avg({mean}), min({least}), max({most}),"
        f" avg(setpoint_low), avg(setpoint_high), avg(cooler), avg(heater) {where} GROUP BY 1"
    )


def _point(at_s: float, row: tuple[float | None, ...]) -> TrendPoint:
    mean, least, most, low, high = (None if value is None else value / 100.0 for value in row[:5])
    cooler, heater = (value or 0.0 for value in row[5:])
    return TrendPoint(at_s, None, mean, least, most, low, high, cooler, heater)


def _with_utc(point: TrendPoint, offsets: Offsets) -> TrendPoint:
    return point._replace(utc_s=utc_of(point.at_s, offsets))
