"""A disk with a real SQLite file, which is torn when the power goes: sectors that no sync has made certain are new, old
or something else, as in `tests/historian/test_power_cut.py`, and the transaction of that moment is cut anywhere."""

import random
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from unittest.mock import patch

from controller.control.state import SiteState
from controller.control.values import Record, RecordKind
from controller.historian import database
from controller.historian.database import Database, open_database
from controller.historian.query import read_saved_state
from controller.installation import History
from tests.historian.recording_disk import NAME, Did, Platter, the_recording_disk
from tests.simulation.disk import Disk

FATES = ("new", "old", "garbage")


class TornDisk(Disk):
    """One file at a time in a process, since files are told apart by their names."""

    def __init__(self, chance: random.Random) -> None:
        super().__init__(chance)
        self._path: Path | None = None
        self._database: Database | None = None
        self._platter = Platter()
        self._begun: list[tuple[int, int]] = []  # the last id before each run, and the run
        the_recording_disk().did.clear()

    def open(self, path: Path, history: History) -> tuple[Database, Path | None]:
        self._path = path
        with _watched():
            self._database, aside = open_database(path, history)
        with closing(sqlite3.connect(path)) as connection:
            (last,) = connection.execute("SELECT coalesce(max(id), 0) FROM records").fetchone()
        self._begun.append((last, self._run))
        return self._database, aside

    def load(self, path: Path) -> SiteState | None:
        return read_saved_state(path)

    def takes_s(self) -> float:
        self._fold(the_recording_disk().did)
        return super().takes_s()

    def lose(self, power: bool, last: Callable[[], object] | None) -> None:
        if self._path is None or self._database is None:
            return
        did = the_recording_disk().did
        self._fold(did)
        if last is not None:
            last()
            del did[self._chance.randint(0, len(did)) :]
        before = {path: path.read_bytes() for path in self._files()}
        with closing(self._database):
            under_way = list(did)
        did.clear()
        for path in self._files():
            path.unlink()
        for each in under_way:
            self._platter.do(each)
        if power:
            self._platter.cut(self._path.parent, self._fate())
        else:
            for path, content in before.items():
                path.write_bytes(content)
        self._anew()

    def records(self) -> list[tuple[int, Record]]:
        if self._path is None:
            return []
        with closing(sqlite3.connect(self._path)) as connection:
            rows = connection.execute(
                "SELECT id, at_s, utc_s, vessel, kind, subject, value, reason, who FROM records ORDER BY id"
            ).fetchall()
        found = []
        for number, at_s, utc_s, vessel, kind, *texts in rows:
            run = next(run for last, run in reversed(self._begun) if number > last)
            found.append((run, Record(at_s, utc_s, vessel, RecordKind(kind), *texts)))
        return found

    def _files(self) -> list[Path]:
        assert self._path is not None
        return sorted(self._path.parent.glob(f"{self._path.name}*"))

    def _fold(self, did: list[Did]) -> None:
        for each in did:
            self._platter.do(each)
        did.clear()

    def _fate(self) -> Callable[[str, int], str]:
        chance = self._chance
        reached = chance.randint(0, 12)
        return chance.choice(
            (
                lambda file, number: "new",
                lambda file, number: "old",
                lambda file, number: "new" if number < reached else "garbage" if number == reached else "old",
                lambda file, number: chance.choice(FATES),
            )
        )

    def _anew(self) -> None:
        """After the cut, what is found is what is certain."""
        self._database = None
        self._platter = Platter()
        for path in self._files():
            for each in _as_written(path):
                self._platter.do(each)


def _as_written(path: Path) -> Iterator[Did]:
    yield Did("write", path.name, 0, path.read_bytes())
    yield Did("sync", path.name)


@contextmanager
def _watched() -> Iterator[None]:
    """Connections that are made within are recorded."""
    plain = database.connect
    the_recording_disk()
    with patch.object(database, "connect", lambda path, query="": plain(path, query or f"?vfs={NAME}")):
        yield
