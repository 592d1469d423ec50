"""A machine's disk in virtual time, with the real `Store` on it, but without the store's thread.

Most stories keep transactions in memory: each is whole or nothing, and is there after a power cut if the disk has
confirmed it; one that is being written when the power goes is there or not, as chance has it. `torn.py` has a real one.
"""

import asyncio
import os
import random
import sqlite3
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Protocol

from controller.control.codec import from_json, to_json
from controller.control.state import SiteState
from controller.control.values import Record
from controller.historian.database import Batch
from controller.historian.positions import Positions
from controller.historian.saved_state import put_together, take_apart
from controller.historian.store import Sample, Store, Thinned, unlock
from controller.installation import History

COMMIT_TAKES_S = 0.015  # of a card that syncs at once
SLOW_S = (0.5, 20.0)


class Opened(Protocol):
    """What the store needs of an open database."""

    def write(self, batch: Batch) -> None: ...
    def close(self) -> None: ...


class Disk:
    """The disk of one machine. `trouble` is "good", "slow", "full" or "read-only"."""

    def __init__(self, chance: random.Random) -> None:
        self.trouble = "good"
        self._chance = chance
        self._state: SiteState | None = None
        self._records: list[tuple[int, Record]] = []
        self._run = 0

    def takes_s(self) -> float:
        """How long the transaction takes that begins now."""
        return self._chance.uniform(*SLOW_S) if self.trouble == "slow" else COMMIT_TAKES_S

    def begin(self, run: int) -> None:
        """A run of the daemon begins; what is written from now on is its."""
        self._run = run

    def open(self, path: Path, history: History) -> tuple[Opened, Path | None]:
        """As `database.open_database`."""
        return self, None

    def load(self, path: Path) -> SiteState | None:
        """The saved state, which has gone through the codec."""
        return None if self._state is None else put_together(take_apart(self._state))

    def check(self) -> None:
        """Fail as SQLite does on such a disk.

        Raises:
            sqlite3.OperationalError: it is full, or read-only.
        """
        if self.trouble in ("full", "read-only"):
            error = sqlite3.OperationalError(self.trouble)
            error.sqlite_errorcode = sqlite3.SQLITE_FULL if self.trouble == "full" else sqlite3.SQLITE_READONLY
            raise error

    def write(self, batch: Batch) -> None:
        """Write all or nothing; errors as `check`."""
        self.check()
        if batch.state is not None:
            self._state = batch.state
        self._records += [(self._run, record) for record in batch.records]

    def close(self) -> None:
        """As a database is closed."""

    def lose(self, power: bool, last: Callable[[], object] | None) -> None:
        """The process is gone at this instant, with `power` the machine; `last` writes what was being written."""
        if last is not None and self._chance.random() < 0.5:
            last()

    def records(self) -> list[tuple[int, Record]]:
        """All records, oldest first, with the number of the run that wrote each."""
        return self._records


class VirtualStore(Store):
    """The store of one run of the daemon."""

    def __init__(self, path: Path, history: History, thinned: Thinned, disk: Disk) -> None:
        self._disk = disk
        self._dead = False
        self._in_flight: Batch | None = None
        self._loop = asyncio.get_running_loop()
        super().__init__(path, history, thinned)

    def load_state(self) -> SiteState | None:
        return self._disk.load(self._path)

    def save(
        self, state: SiteState, records: Iterable[Record] = (), samples: Iterable[Sample] = (), durable: bool = False
    ) -> None:
        super().save(state, records, samples, durable)
        self._look()

    def close(self, timeout_s: float = 10.0) -> bool:
        self._closing = True
        if self._in_flight is not None:
            self._finish(self._in_flight, self._handed)
        self._turn(True)
        self._shut()
        unlock(self._lock)
        self._lock = None
        return self._is_stored(self._handed)

    def lose(self, power: bool) -> None:
        """The process is gone; nothing more gets to the disk."""
        if self._dead or self._lock is None:
            return
        batch = self._in_flight
        self._disk.lose(power, None if batch is None else lambda: self._attempt(batch))
        self._dead = True
        os.close(self._lock)
        self._lock = None

    def _begin(self) -> None:
        self._look()

    def _open(self) -> None:
        self._database, aside = self._disk.open(self._path, self._history)  # type: ignore[assignment]
        self._moved_aside = aside or self._moved_aside

    def _write(self, batch: Batch) -> None:
        if not self._dead:
            self._disk.check()
            super()._write(batch)

    def _shut(self) -> None:
        if not self._dead:
            super()._shut()

    def _look(self) -> None:
        if self._in_flight is None and not self._fault and self._is_due():
            self._turn(False)

    def _turn(self, all_of_it: bool) -> None:
        if self._in_flight is not None and not self._closing:
            return
        batch, number = self._take(all_of_it)
        if self._closing:
            self._finish(batch, number)
        else:
            self._in_flight = batch
            self._loop.call_later(self._disk.takes_s(), self._finish, batch, number)

    def _finish(self, batch: Batch, number: int) -> None:
        if self._in_flight is not batch and not self._closing:
            return
        self._in_flight = None
        self._settle(batch, number, self._attempt(batch))
        if self._closing:
            return
        if self._fault:
            self._loop.call_later(self._pause_s(), self._turn, True)
        else:
            self._look()


class VirtualPositions:
    """`PositionsFile` in the memory of a machine: `kept` outlives a process, and not a power cut."""

    def __init__(self, kept: dict[str, Any]) -> None:
        self._kept = kept

    def keep(self, state: SiteState) -> None:
        self._kept["newest"] = state

    def read(self) -> Positions | None:
        state: SiteState | None = self._kept.get("newest")
        if state is None:
            return None
        programs = {name: vessel.program for name, vessel in state.vessels.items() if vessel.program}
        return from_json(Positions, to_json(Positions(state.epoch, state.now_s, state.utc_s, programs)))

    def close(self) -> None:
        self._kept.clear()
