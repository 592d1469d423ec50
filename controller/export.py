"""The history as tables for other programs: CSV (RFC 4180, UTF-8) or Parquet, in the person's units, the unit in the
column's name. The words of records are as the service wrote them: in °C, K, L and specific gravity.
"""

import csv
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple

from controller.display import Display
from controller.historian.faults import HistoryError
from controller.historian.reading import read_offsets, reading, utc_of

TABLES = ("records", "samples", "minutes", "quarters")
_ROLLED = ("mean", "least", "most", "setpoint_low", "setpoint_high")
_TEMPERATURES = {"samples": ("temperature", "setpoint_low", "setpoint_high"), "minutes": _ROLLED, "quarters": _ROLLED}
_SHARES = ("cooler", "heater")
_TEXTS = ("kind", "subject", "value", "reason", "who")
_AT_ONCE = 10_000

Row = tuple[Any, ...]
Write = Callable[[Sequence[Row]], None]
Advance = Callable[[float], None]


class Span(NamedTuple):
    """Which rows are wanted: between two times in UTC, of one vessel (or probe tag of bath or room); None means all.
    Rows whose UTC was never known are left out where a time is given."""

    since_s: float | None = None
    until_s: float | None = None
    vessel: str | None = None

    def holds(self, utc_s: float | None) -> bool:
        """Whether a row of this time is wanted."""
        if self.since_s is None and self.until_s is None:
            return True
        if utc_s is None:
            return False
        return (self.since_s is None or self.since_s <= utc_s) and (self.until_s is None or utc_s < self.until_s)


def columns(table: str, display: Display) -> tuple[str, ...]:
    """The names of a table's columns. `utc` and `local` are empty where UTC was never known; `service_s` is the time
    on the service's own line, s."""
    times = ("utc", "local", "service_s", "vessel")
    if table == "records":
        return (*times, *_TEXTS)
    unit = display.temperature.lower()
    return (*times, *(f"{name}_{unit}" for name in _TEMPERATURES[table]), *(f"{name}_percent" for name in _SHARES))


def export(
    path: Path, folder: Path, table: str, kind: str, display: Display, span: Span, advance: Advance = lambda done: None
) -> tuple[Path, int]:
    """Writes a table of the store at `path` to `<folder>/<table>.<kind>`; that file, and how many rows it has. It
    appears when it is whole. `advance` is told how many more rows of the store have been gone through.

    Raises:
        HistoryError: there is such a file already, it cannot be written, Parquet is wanted and pyarrow is not
            installed, or the store cannot be read. Nothing was changed.
    """
    target = folder / f"{table}.{kind}"
    if target.exists():
        raise HistoryError(f"{target}: there is such a file already; move it, or name another folder")
    part = target.with_name(target.name + ".part")
    rows = 0
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with reading(path) as connection, _WRITERS[kind](part, columns(table, display), display) as write:
            wanted = _rows(connection, table, display, span, advance)
            while portion := list(islice(wanted, _AT_ONCE)):
                write(portion)
                rows += len(portion)
        part.replace(target)
    except OSError as error:
        raise HistoryError(f"{target}: the file cannot be written: {error.strerror}") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return target, rows


def count(path: Path, table: str) -> int:
    """How many rows a table of the store has.

    Raises:
        HistoryError: the store cannot be read.
    """
    with reading(path) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def _rows(connection: sqlite3.Connection, table: str, display: Display, span: Span, advance: Advance) -> Iterator[Row]:
    offsets = read_offsets(connection)
    source = _record_rows(connection) if table == "records" else _trend_rows(connection, table, display)
    last: tuple[float, float | None] = (-1.0, None)
    for number, (at_s, utc_s, vessel, *values) in enumerate(source, start=1):
        if at_s != last[0]:  # all vessels of an interval have the same time
            last = (at_s, utc_of(at_s, offsets))
        utc_s = last[1] if utc_s is None else utc_s
        if number % _AT_ONCE == 0:
            advance(_AT_ONCE)
        if span.holds(utc_s) and span.vessel in (None, vessel):
            yield (utc_s, at_s, vessel, *values)


def _record_rows(connection: sqlite3.Connection) -> Iterable[Row]:
    return connection.execute(f"SELECT at_s, utc_s, vessel, {', '.join(_TEXTS)} FROM records ORDER BY id")


def _trend_rows(connection: sqlite3.Connection, table: str, display: Display) -> Iterator[Row]:
    names = dict(connection.execute("SELECT idx, name FROM vessels"))
    hundredths = _TEMPERATURES[table]
    question = f"SELECT key, {', '.join((*hundredths, *_SHARES))} FROM {table} ORDER BY key"
    for key, *values in connection.execute(question):
        temperatures = [
            None if each is None else round(display.in_temperature(each / 100.0), 3)
            for each in values[: len(hundredths)]
        ]
        yield (key // 256, None, names.get(key & 255, ""), *temperatures, *values[len(hundredths) :])


@contextmanager
def _csv_writer(part: Path, names: Sequence[str], display: Display) -> Iterator[Write]:
    with part.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(names)

        def write(rows: Sequence[Row]) -> None:
            for utc_s, *values in rows:
                if utc_s is None:
                    writer.writerow(("", "", *values))
                else:
                    utc = datetime.fromtimestamp(int(utc_s), UTC)
                    writer.writerow((f"{utc:%Y-%m-%dT%H:%M:%SZ}", display.local(utc_s).isoformat(), *values))

        yield write


@contextmanager
def _parquet_writer(part: Path, names: Sequence[str], display: Display) -> Iterator[Write]:
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError:
        raise HistoryError(
            "Parquet needs the package pyarrow: pip install 'cellarhand[parquet]', or take --format csv"
        ) from None
    kinds = {"utc": pyarrow.timestamp("ms", "UTC"), "local": pyarrow.timestamp("ms", str(display.zone))}
    schema = pyarrow.schema([(name, kinds.get(name) or _parquet_kind(pyarrow, name)) for name in names])
    with parquet.ParquetWriter(part, schema) as writer:

        def write(rows: Sequence[Row]) -> None:
            times = [None if utc_s is None else int(1000 * utc_s) for utc_s, *_ in rows]
            lists = [times, times, *([row[index] for row in rows] for index in range(1, len(names) - 1))]
            arrays = [pyarrow.array(each, field.type) for each, field in zip(lists, schema, strict=True)]
            writer.write_table(pyarrow.Table.from_arrays(arrays, schema=schema))

        yield write


def _parquet_kind(pyarrow: Any, name: str) -> Any:
    if name.endswith("_percent"):
        return pyarrow.int8()
    return pyarrow.string() if name in ("vessel", *_TEXTS) else pyarrow.float64()


_WRITERS = {"csv": _csv_writer, "parquet": _parquet_writer}
