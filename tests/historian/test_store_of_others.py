"""A store that is not ours, or not ours to read, is refused in words that say what to do, and left alone."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from controller.historian.faults import HistoryError
from controller.historian.store import open_store
from tests.historian.cellars import brewing


def test_a_store_of_a_later_version_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "cellar.sqlite"
    assert open_store(path).close()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE meta SET schema_version = 7")
    before = path.read_bytes()
    with pytest.raises(
        HistoryError, match=r"schema version 7, this program knows versions up to 2.*nothing was changed"
    ):
        open_store(path)
    assert path.read_bytes() == before
    with pytest.raises(HistoryError, match="schema version 7"):  # and the refusal holds no lock
        open_store(path)


def test_a_database_of_another_program_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "accounts.sqlite"
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("CREATE TABLE invoices (amount)")
    before = path.read_bytes()
    with pytest.raises(HistoryError, match=r"another program, with the tables invoices; name another file"):
        open_store(path)
    assert path.read_bytes() == before


def test_a_state_of_another_version_is_not_guessed_at(tmp_path: Path) -> None:
    path = tmp_path / "cellar.sqlite"
    later = open_store(path)
    later.save(brewing()._replace(version=99), durable=True)
    assert later.close()
    again = open_store(path)
    with pytest.raises(HistoryError, match=r"\(version 99, expected 1\).*cellarhand restore FILE"):
        again.load_state()
    again.close()
