"""The SQLite file itself: opening, checking, moving aside when damaged, and one transaction at a time.

Everything here blocks; the `Store` calls it from its own thread. Errors of SQLite pass through.
"""

import logging
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from importlib.resources import files
from pathlib import Path
from typing import NamedTuple

from controller.control.state import SiteState
from controller.control.values import Record
from controller.historian.aside import move_aside
from controller.historian.faults import Damaged, HistoryError, is_damage
from controller.historian.migrations import SCHEMA_VERSION, migrate
from controller.historian.sampler import Sample
from controller.historian.saved_state import SavedState, read_state, take_apart, write_state
from controller.historian.trend import Trend, storable
from controller.installation import History

APPLICATION_ID = 0x63656C6C  # "cell" in the file's header: https://www.sqlite.org/fileformat.html, offset 68
PAGE_BYTES = 512  # a commit rewrites whole pages: with the usual 4096 bytes a day costs a third more
CHECKPOINT_PAGES = 8000
LARGEST_WAL_BYTES = 8_000_000
_WRITE_VERSIONS = (1, 2)

log = logging.getLogger(__name__)


class Batch(NamedTuple):
    """What one transaction writes. `offsets` are rows of the table clock."""

    state: SiteState | None
    records: Sequence[Record]
    samples: Sequence[Sample]
    offsets: Sequence[tuple[int, int | None]]


def connect(path: Path, query: str = "") -> sqlite3.Connection:
    """A connection that may be handed to another thread, in autocommit; text that is not UTF-8 does not raise."""
    connection = sqlite3.connect(
        path.absolute().as_uri() + query, uri=True, timeout=5.0, isolation_level=None, check_same_thread=False
    )
    connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
    return connection


class Database:
    """The open file. Not to be used by two threads at a time; after an error it is to be closed and opened again.

    Raises:
        HistoryError: the file belongs to a later version, or to another program.
        sqlite3.Error: it cannot be opened, or is damaged (`is_damage`).
        OSError: it is of an earlier version, and cannot be copied before it is brought up to date.
    """

    def __init__(self, path: Path, history: History) -> None:
        self._connection = connect(path)
        try:
            version = check_owner(self._connection, path)
            _check_write_version(self._connection, path)
            self._connection.execute(f"PRAGMA page_size={PAGE_BYTES}")  # of a file that is empty yet
            self._connection.execute("PRAGMA journal_mode=WAL")
            self._connection.execute("PRAGMA synchronous=FULL")  # with less, a power cut takes the last commits
            self._connection.execute(f"PRAGMA journal_size_limit={LARGEST_WAL_BYTES}")
            self._connection.execute(f"PRAGMA wal_autocheckpoint={CHECKPOINT_PAGES}")
            if version is None:
                _create_tables(self._connection)
            elif version < SCHEMA_VERSION:
                migrate(self._connection, path, version)
            _check_columns(self._connection)
            saved = _check_soundness(self._connection)
            self._parts = dict(saved.parts) if saved else {}
            self._trend = Trend(self._connection, history)
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
        saved = None if batch.state is None else take_apart(batch.state)
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            if saved:
                write_state(self._connection, saved, self._parts)
            self._connection.executemany(
                "INSERT INTO records(at_s, utc_s, vessel, kind, subject, value, reason, who) VALUES (?,?,?,?,?,?,?,?)",
                map(_record_row, batch.records),
            )
            self._connection.executemany("INSERT OR REPLACE INTO clock VALUES (?,?)", batch.offsets)
            if self._trend.write(batch.samples) and batch.state:
                self._trend.purge(batch.state.now_s, _needed_since_s(batch.state))
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise
        if saved:
            self._parts = dict(saved.parts)

    def keep_state(self, saved: SavedState) -> None:
        """Writes a state that another file held, into a file that holds none."""
        self._connection.execute("BEGIN IMMEDIATE")
        write_state(self._connection, saved, {})
        self._connection.execute("COMMIT")
        self._parts = dict(saved.parts)


def open_database(path: Path, history: History) -> tuple[Database, Path | None]:
    """The file, begun if there is none. A damaged one is moved aside, and its state carried over where it is
    still whole; the second value is then where the damaged file lies now.

    Raises:
        HistoryError, sqlite3.Error: as `Database`.
        OSError: the damaged file cannot be moved, or as `Database`.
    """
    try:
        return Database(path, history), None
    except (sqlite3.Error, UnicodeDecodeError) as error:
        if not is_damage(error):
            raise
        return replace_damaged(path, history, error)


def replace_damaged(path: Path, history: History, error: Exception) -> tuple[Database, Path]:
    """Moves the damaged file aside and begins a new one; arguments, result and errors as `open_database`."""
    kept = _salvage(path)
    aside = move_aside(path, "corrupt")
    database = Database(path, history)
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


def _salvage(path: Path) -> SavedState | None:
    try:
        with closing(connect(path)) as connection:
            return read_state(connection)
    except (sqlite3.Error, UnicodeDecodeError):
        return None


def _check_write_version(connection: sqlite3.Connection, path: Path) -> None:
    """A file whose header asks for a format that does not exist can be read and never written. What the header says
    counts only where SQLite takes it from the file, and not from the write-ahead log.

    Raises:
        Damaged: it is such a file (https://www.sqlite.org/fileformat.html, offset 18).
    """
    with path.open("rb") as stream:
        header = stream.read(19)
    if len(header) < 19 or header[18] in _WRITE_VERSIONS:
        return
    try:
        connection.execute("BEGIN")
        connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
        connection.execute("ROLLBACK")
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_READONLY:
            raise Damaged(f"its header asks for the write version {header[18]}") from error
        raise


def check_owner(connection: sqlite3.Connection, path: Path) -> int | None:
    """The schema version of a file that this program can use; None for an empty one.

    Raises:
        HistoryError: it belongs to a later version, or to another program.
        Damaged: it is ours, but does not say which version.
    """
    tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not tables:
        return None
    if "meta" not in tables:
        if connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
            raise Damaged("its table meta is gone")
        raise HistoryError(
            f"{path}: this is an SQLite file of another program, with the tables {', '.join(sorted(tables)[:5])}; "
            "name another file; nothing was changed"
        )
    version = connection.execute("SELECT max(schema_version) FROM meta").fetchone()[0]
    if isinstance(version, int) and version > SCHEMA_VERSION:
        raise HistoryError(
            f"{path}: the store has schema version {version}, this program knows versions up to {SCHEMA_VERSION}; "
            "use the later program that wrote it, or name another file; nothing was changed"
        )
    if version is None:
        return None
    if not isinstance(version, int) or version < 1:
        raise Damaged(f"the schema version is {version!r}")
    return version


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


def _check_soundness(connection: sqlite3.Connection) -> SavedState | None:
    """Looks at what the next start depends on; the other tables are too long, so only their ends are read."""
    for table in ("meta", "state", "state_parts", "vessels", "clock"):
        for (finding,) in connection.execute(f"PRAGMA quick_check('{table}')"):
            if finding != "ok":
                raise Damaged(f"table {table}: {finding}")
    connection.execute("SELECT * FROM records ORDER BY id DESC LIMIT 1").fetchall()
    for table in ("samples", "minutes", "quarters"):
        connection.execute(f"SELECT * FROM {table} ORDER BY key DESC LIMIT 1").fetchall()
    return read_state(connection)


def _needed_since_s(state: SiteState) -> float:
    """Since when a batch that is still there has been brewing."""
    return min((vessel.batch.started_s for vessel in state.vessels.values() if vessel.batch), default=state.now_s)


def _record_row(record: Record) -> tuple[object, ...]:
    texts = (record.vessel, record.kind.value, record.subject, record.value, record.reason, record.who)
    return record.at_s, record.utc_s, *map(storable, texts)
