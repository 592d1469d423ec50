"""A store of an earlier version of this program is brought up to date without losing anything, or is left alone.

The earlier stores are SQL files beside this one, written by the programs of their time. The files are judged through
connections of the tests' own; that a transaction is whole or nothing is SQLite's promise
(https://www.sqlite.org/atomiccommit.html), tested here is that there is one transaction.
"""

import logging
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from controller.historian import database
from controller.historian.database import open_database
from controller.historian.faults import HistoryError
from controller.historian.migrations import SCHEMA_VERSION, STEPS
from controller.historian.query import RecordFilter, read_records, read_saved_state, read_trend
from controller.historian.store import open_store
from controller.installation import History
from tests.historian.cellars import FRIDAY, a_record, a_sample, brewing

EARLIER = sorted(int(path.stem.removeprefix("schema_")) for path in Path(__file__).parent.glob("schema_*.sql"))


def a_store_of_version(version: int, folder: Path) -> Path:
    path = folder / "cellar.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(Path(__file__).with_name(f"schema_{version}.sql").read_text(encoding="utf-8"))
        connection.execute("PRAGMA journal_mode=WAL")
    return path


def answers(path: Path, question: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(question).fetchall()


def is_as_it_was(path: Path, version: int) -> bool:
    with closing(sqlite3.connect(path)) as connection:
        was = connection.execute("SELECT schema_version FROM meta").fetchall() == [(version,)]
        return was and connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_there_is_a_store_of_every_earlier_version_to_try() -> None:
    assert EARLIER == sorted(STEPS) == list(range(1, SCHEMA_VERSION))


@pytest.mark.parametrize("version", EARLIER)
def test_an_earlier_store_goes_on_with_all_it_holds(
    tmp_path: Path, version: int, caplog: pytest.LogCaptureFixture
) -> None:
    path = a_store_of_version(version, tmp_path)
    before = read_records(path)
    state = read_saved_state(path)
    assert state is not None
    assert state.vessels["cone"].batch is not None
    assert [record.value for record in before] == ["active, unacknowledged", "on", "started"]
    opened = open_store(path)
    assert opened.healthy
    assert opened.load_state() == state
    opened.save(state._replace(now_s=2700.0), [a_record(1, 2700.0)], [a_sample(2700, "cone")])
    assert opened.close()
    assert answers(path, "SELECT schema_version FROM meta") == [(SCHEMA_VERSION,)]
    assert answers(path, "PRAGMA integrity_check") == [("ok",)]
    assert read_saved_state(path) == state._replace(now_s=2700.0)
    assert read_records(path)[1:] == before
    assert "as it was before, it lies in" in caplog.text


@pytest.mark.parametrize("version", EARLIER)
def test_before_anything_is_changed_a_copy_is_laid_aside(tmp_path: Path, version: int) -> None:
    path = a_store_of_version(version, tmp_path)
    assert open_store(path).close()
    copy = tmp_path / f"cellar.sqlite.before-v{SCHEMA_VERSION}"
    assert is_as_it_was(copy, version)
    assert answers(copy, "SELECT count(*) FROM trend") == [(80,)]
    assert {each.name for each in tmp_path.iterdir()} == {"cellar.sqlite", "cellar.sqlite.lock", copy.name}


def test_the_minutes_of_version_1_stay_and_quarters_are_made_of_them(tmp_path: Path) -> None:
    """Forty minutes, each 0.01 K warmer than the one before: the first quarter's mean is 18.07 °C."""
    path = a_store_of_version(1, tmp_path)
    assert open_store(path).close()
    assert answers(path, "SELECT count(*) FROM minutes") == [(80,)]
    quarters = "SELECT key / 256, mean, least, most FROM quarters WHERE key & 255 = 0"
    assert answers(path, quarters) == [(0, 1807, 1790, 1824), (900, 1822, 1805, 1839)]
    points = read_trend(path, "cone", 0.0, 2400.0, 40)
    assert [point.mean_c for point in points] == [round(18.0 + n / 100, 2) for n in range(40)]
    assert points[0].utc_s == FRIDAY


class Interrupted(sqlite3.Connection):
    """Fails at its n-th statement."""

    statements, fails_at = 0, 10**9

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        Interrupted.statements += 1
        if Interrupted.statements == Interrupted.fails_at:
            raise sqlite3.OperationalError("the disk went away")
        return super().execute(*arguments)


@pytest.mark.parametrize("version", EARLIER)
def test_interrupted_at_any_statement_it_is_what_it_was(
    tmp_path: Path, version: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def connect(path: Path, query: str = "") -> sqlite3.Connection:
        return sqlite3.connect(path, isolation_level=None, factory=Interrupted)

    monkeypatch.setattr(database, "connect", connect)
    for statement in range(1, 1000):
        folder = tmp_path / str(statement)
        folder.mkdir()
        path = a_store_of_version(version, folder)
        Interrupted.statements, Interrupted.fails_at = 0, statement
        try:
            opened, _ = open_database(path, History())
        except sqlite3.OperationalError:
            if answers(path, "SELECT schema_version FROM meta") != [(SCHEMA_VERSION,)]:
                assert is_as_it_was(path, version)
                assert answers(path, "SELECT count(*) FROM trend") == [(80,)]
            continue
        opened.close()
        break
    assert statement > len(STEPS[version])


@pytest.mark.parametrize("version", EARLIER)
def test_the_power_may_go_at_any_statement(tmp_path: Path, version: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The files as they lie when each statement begins, opened again: the earlier store, or the whole new one."""
    path = a_store_of_version(version, tmp_path)
    cuts: list[Path] = []
    plain = database.connect

    def cut(statement: str) -> None:
        folder = tmp_path / f"cut {len(cuts)}"
        folder.mkdir()
        for suffix in ("", "-wal"):
            if path.with_name(path.name + suffix).exists():
                shutil.copy(path.with_name(path.name + suffix), folder)
        cuts.append(folder / path.name)

    def watched(path: Path, query: str = "") -> sqlite3.Connection:
        connection = plain(path, query)
        connection.set_trace_callback(cut)
        return connection

    monkeypatch.setattr(database, "connect", watched)
    opened, _ = open_database(path, History())
    opened.close()
    monkeypatch.undo()
    found = []
    for each in cuts:
        found += answers(each, "SELECT schema_version FROM meta")
        assert is_as_it_was(each, version) or is_as_it_was(each, SCHEMA_VERSION)
        again = open_store(each)
        assert again.health().moved_aside is None
        assert len(read_records(each)) == 3
        assert again.load_state() == read_saved_state(path)
        assert again.close()
    assert found == sorted(found)
    assert found.count((version,)) > len(STEPS[version])


def test_where_the_copy_cannot_be_laid_aside_nothing_is_changed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A folder stands where the copy should go. The vessels are driven on from the old state."""
    path = a_store_of_version(1, tmp_path)
    (tmp_path / f"cellar.sqlite.before-v{SCHEMA_VERSION}").mkdir()
    opened = open_store(path)
    assert not opened.healthy
    state = opened.load_state()
    assert state is not None
    assert state.number == 7
    opened.close()
    assert is_as_it_was(path, 1)
    assert "cannot be written" in caplog.text


def test_the_trend_of_an_earlier_store_is_not_guessed_at(tmp_path: Path) -> None:
    path = a_store_of_version(1, tmp_path)
    with pytest.raises(HistoryError, match=r"schema version 1, and 2 is needed; the service brings it up to date"):
        read_trend(path, "cone", 0.0, 600.0, 10)
    assert len(read_records(path, RecordFilter(vessel="cone"))) == 3


def test_a_state_that_has_a_part_too_few_is_not_acted_upon(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """The checksum covers all parts: a state without its batch must not pass for an empty vessel."""
    path = tmp_path / "cellar.sqlite"
    first = open_store(path)
    first.save(brewing(5.0, number=1), durable=True)
    assert first.close()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DELETE FROM state_parts")
    caplog.set_level(logging.CRITICAL)
    second = open_store(path)
    assert second.health().moved_aside == tmp_path / "cellar.sqlite.corrupt-1"
    assert second.load_state() is None
    assert second.close()
