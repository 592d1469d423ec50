"""The SQLite file itself: opening, checking, moving aside when damaged, and one transaction at a time.

Everything here blocks; the `Store` calls it from its own thread. Errors of SQLite pass through.
"""

import logging
import math
import sqlite3
import zlib
from collections.abc import Iterable, Sequence
from contextlib import closing
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

from controller.control.codec import to_json
from controller.control.state import SiteState
from controller.control.values import Record
from controller.historian.faults import Damaged, HistoryError, UnfitState, is_damage
from controller.historian.sampler import Sample

SCHEMA_VERSION = 1
APPLICATION_ID = 0x63656C6C  # "cell" in the file's header: https://www.sqlite.org/fileformat.html, offset 68
LARGEST_WAL_BYTES = 8_000_000
MOST_NAMES = 256  # the trend's key has eight bits for them

log = logging.getLogger(__name__)


class Batch(NamedTuple):
    """What one transaction writes. `offsets` are rows of the table clock."""

    state: SiteState | None
    records: Sequence[Record]
    samples: Sequence[Sample]
    offsets: Sequence[tuple[int, int | None]]


class StateRow(NamedTuple):
    """The row of the table state, its checksum found good."""

    at_s: float
    utc_s: float | None
    json: str


def connect(path: Path, query: str = "") -> sqlite3.Connection:
    """A connection that may be handed to another thread, in autocommit; text that is not UTF-8 does not raise."""
    connection = sqlite3.connect(
        path.absolute().as_uri() + query, uri=True, timeout=5.0, isolation_level=None, check_same_thread=False
    )
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
    return connection


def read_state(connection: sqlite3.Connection) -> StateRow | None:
    """The saved state, or None if none was ever saved.

    Raises:
        Damaged: the checksum does not fit.
    """
    row = connection.execute("SELECT at_s, utc_s, json, crc32 FROM state").fetchone()
    if row is None:
        return None
    at_s, utc_s, text, crc32 = row
    if not isinstance(text, str) or zlib.crc32(text.encode()) != crc32:
        raise Damaged("the saved state does not fit its checksum")
    return StateRow(at_s, utc_s, text)


class Database:
    """The open file. Not to be used by two threads at a time; after an error it is to be closed and opened again.

    Raises:
        HistoryError: the file belongs to a later version, or to another program.
        sqlite3.Error: it cannot be opened, or is damaged (`is_damage`).
    """

    def __init__(self, path: Path) -> None:
        self._connection = connect(path)
        try:
            _check_owner(self._connection, path)
            self._connection.execute("PRAGMA journal_mode=WAL")
            self._connection.execute("PRAGMA synchronous=FULL")  # with less, a power cut takes the last commits
            self._connection.execute(f"PRAGMA journal_size_limit={LARGEST_WAL_BYTES}")
            if not _is_up_to_date(self._connection):
                _create_tables(self._connection)
            _check_columns(self._connection)
            _check_soundness(self._connection)
            self._names: dict[str, int] = dict(self._connection.execute("SELECT name, idx FROM vessels"))
        except BaseException:
            self._connection.close()
            raise

    def close(self) -> None:
        """Closes the file; SQLite folds its write-ahead log into it."""
        self._connection.close()

    def write(self, batch: Batch) -> None:
        """Writes all of `batch` or nothing, and returns when it is on the disk. Samples under a new name find no
        place when there are 256 names already.

        Raises:
            UnfitState: nothing was written.
            sqlite3.Error: nothing was written.
        """
        try:
            text = None if batch.state is None else to_json(batch.state)
        except ValueError as error:
            raise UnfitState(str(error)) from error
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            if batch.state is not None and text is not None:
                self._write_state(StateRow(batch.state.now_s, batch.state.utc_s, text))
            self._connection.executemany(
                "INSERT INTO records(at_s, utc_s, vessel, kind, subject, value, reason, who) VALUES (?,?,?,?,?,?,?,?)",
                map(_record_row, batch.records),
            )
            self._connection.executemany("INSERT OR REPLACE INTO clock VALUES (?,?)", batch.offsets)
            self._connection.executemany(
                "INSERT OR REPLACE INTO trend VALUES (?,?,?,?,?,?,?,?)", list(self._trend_rows(batch.samples))
            )
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    def keep_state(self, row: StateRow) -> None:
        """Writes a state that another file held."""
        self._write_state(row)

    def _write_state(self, row: StateRow) -> None:
        self._connection.execute(
            "INSERT OR REPLACE INTO state(id, at_s, utc_s, json, crc32) VALUES (1,?,?,?,?)",
            (*row, zlib.crc32(row.json.encode())),
        )

    def _trend_rows(self, samples: Iterable[Sample]) -> Iterable[tuple[int | None, ...]]:
        for sample in samples:
            name = _storable(sample.name)
            if name not in self._names:
                if len(self._names) >= MOST_NAMES:
                    continue
                self._names[name] = len(self._names)
                self._connection.execute("INSERT INTO vessels(idx, name) VALUES (?,?)", (self._names[name], name))
            key = sample.at_s * 256 + self._names[name]
            yield key, *map(_hundredths, sample[2:7]), sample.cooler_percent, sample.heater_percent


def open_database(path: Path) -> tuple[Database, Path | None]:
    """The file, begun if there is none. A damaged one is moved aside, and its state carried over where it is
    still whole; the second value is then where the damaged file lies now.

    Raises:
        HistoryError, sqlite3.Error: as `Database`.
        OSError: the damaged file cannot be moved.
    """
    try:
        return Database(path), None
    except (sqlite3.Error, UnicodeDecodeError) as error:
        if not is_damage(error):
            raise
        return replace_damaged(path, error)


def replace_damaged(path: Path, error: Exception) -> tuple[Database, Path]:
    """Moves the damaged file aside and begins a new one; arguments, result and errors as `open_database`."""
    kept = _salvage(path)
    aside = _move_aside(path)
    database = Database(path)
    if kept:
        database.keep_state(kept)
    log.error(
        "history: the store %s is damaged (%s); it was moved to %s and a new one begun, %s",
        *(
            path,
            " ".join(str(error).split()),
            aside,
            "with the state of the old one" if kept else "without a state: every vessel begins idle",
        ),
    )
    return database, aside


def _salvage(path: Path) -> StateRow | None:
    try:
        connection = connect(path)
        try:
            return read_state(connection)
        finally:
            connection.close()
    except (sqlite3.Error, UnicodeDecodeError):
        return None


def _move_aside(path: Path) -> Path:
    number = 1
    while (aside := path.with_name(f"{path.name}.corrupt-{number}")).exists():
        number += 1
    for suffix in ("-wal", "-shm", ""):  # the file itself last: a power cut between leaves it to be found again
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    return aside


def _check_owner(connection: sqlite3.Connection, path: Path) -> None:
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if "meta" in tables:
        version = connection.execute("SELECT max(schema_version) FROM meta").fetchone()[0]
        if isinstance(version, int) and version > SCHEMA_VERSION:
            raise HistoryError(
                f"{path}: the store has schema version {version}, this program knows versions up to {SCHEMA_VERSION}; "
                "use the later program that wrote it, or name another file; nothing was changed"
            )
        if version not in (None, SCHEMA_VERSION):
            raise Damaged(f"the schema version is {version!r}")
    elif tables:
        if connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
            raise Damaged("its table meta is gone")
        raise HistoryError(
            f"{path}: this is an SQLite file of another program, with the tables {', '.join(sorted(tables)[:5])}; "
            "name another file; nothing was changed"
        )


def _is_up_to_date(connection: sqlite3.Connection) -> bool:
    return bool(
        connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'meta'").fetchone()[0]
        and connection.execute("SELECT count(*) FROM meta").fetchone()[0]
    )


def _schema() -> str:
    return files("controller.historian").joinpath("schema.sql").read_text(encoding="utf-8")


def _create_tables(connection: sqlite3.Connection) -> None:
    connection.executescript(
        f"BEGIN IMMEDIATE; {_schema()}; INSERT INTO meta VALUES ({SCHEMA_VERSION});"
        f"PRAGMA application_id={APPLICATION_ID}; COMMIT;"
    )


def _check_columns(connection: sqlite3.Connection) -> None:
    """A bit that fell over in the schema may leave a table that can be read and not be written."""
    with closing(sqlite3.connect(":memory:")) as pattern:
        pattern.executescript(_schema())
        for (table,) in pattern.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            columns = f"SELECT name, type, \"notnull\", pk FROM pragma_table_info('{table}')"
            if connection.execute(columns).fetchall() != pattern.execute(columns).fetchall():
                raise Damaged(f"the columns of table {table} are not what they were")


def _check_soundness(connection: sqlite3.Connection) -> None:
    """Looks at what the next start depends on; records and trend are too long, so only their ends are read."""
    for table in ("meta", "state", "vessels", "clock"):
        for (finding,) in connection.execute(f"PRAGMA quick_check('{table}')"):
            if finding != "ok":
                raise Damaged(f"table {table}: {finding}")
    connection.execute("SELECT * FROM records ORDER BY id DESC LIMIT 1").fetchall()
    connection.execute("SELECT * FROM trend ORDER BY key DESC LIMIT 1").fetchall()
    read_state(connection)


def _record_row(record: Record) -> tuple[object, ...]:
    texts = (record.vessel, record.kind.value, record.subject, record.value, record.reason, record.who)
    return record.at_s, record.utc_s, *map(_storable, texts)


def _storable(text: str) -> str:
    """SQLite keeps UTF-8, which has no place for half a surrogate pair out of somebody's broken JSON."""
    return text.encode("utf-8", "replace").decode()


def _hundredths(celsius: float | None) -> int | None:
    return None if celsius is None or not math.isfinite(celsius) else round(celsius * 100.0)
