"""A machine's disk in virtual time: the real `Store` without its thread, on transactions that are kept in memory.

A transaction is whole or nothing, and is there after a power cut if the disk has confirmed it: SQLite's promise, which
`tests/historian/test_power_cut.py` tries on torn sectors. One that is being written when the power goes is there or
not, as chance has it. What is loaded after a start went through the real codec.
"""

import asyncio
import os
import random
import sqlite3
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from controller.control.codec import from_json, to_json
from controller.control.state import ProgramState, SiteState
from controller.control.values import Record
from controller.historian.database import Batch
from controller.historian.positions import Positions
from controller.historian.saved_state import put_together, take_apart
from controller.historian.store import Sample, Store, unlock
from controller.installation import History

COMMIT_TAKES_S = 0.015  # of a card that syncs at once
SLOW_S = (0.5, 20.0)


class Disk:
    """What is on one machine's disk for certain. `trouble` is "good", "slow", "full" or "read-only"."""

    def __init__(self, chance: random.Random) -> None:
        self.trouble = "good"
        self.state: SiteState | None = None
        self.records: list[tuple[int, Record]] = []  # with the number of the run that wrote it
        self.run = 0
        self._chance = chance

    def takes_s(self) -> float:
        """How long the transaction takes that begins now."""
        return self._chance.uniform(*SLOW_S) if self.trouble == "slow" else COMMIT_TAKES_S

    def write(self, batch: Batch) -> None:
        """Write all or nothing.

        Raises:
            sqlite3.OperationalError: as SQLite does on such a disk.
        """
        if self.trouble in ("full", "read-only"):
            error = sqlite3.OperationalError(self.trouble)
            error.sqlite_errorcode = sqlite3.SQLITE_FULL if self.trouble == "full" else sqlite3.SQLITE_READONLY
            raise error
        if batch.state is not None:
            self.state = batch.state
        self.records += [(self.run, record) for record in batch.records]

    def load(self) -> SiteState | None:
        """The saved state, through the codec."""
        return None if self.state is None else put_together(take_apart(self.state))

    def close(self) -> None:
        """As a database is closed."""


class VirtualStore(Store):
    """The store of one run of the daemon."""

    def __init__(self, path: Path, history: History, disk: Disk) -> None:
        self._disk = disk
        self._dead = False
        self._in_flight: Batch | None = None
        self._loop = asyncio.get_running_loop()
        super().__init__(path, history)

    def load_state(self) -> SiteState | None:
        return self._disk.load()

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
        unlock(self._lock)
        self._lock = None
        return self._is_stored(self._handed)

    def lose_power(self, chance: random.Random) -> None:
        """The power goes, or the process is killed: what was under way is on the disk, or is not; nothing more is."""
        if self._in_flight is not None and not self._dead and chance.random() < 0.5:
            self._attempt(self._in_flight)
        self._dead = True
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def _begin(self) -> None:
        self._look()

    def _open(self) -> None:
        self._database = self._disk  # type: ignore[assignment]

    def _write(self, batch: Batch) -> None:
        if not self._dead:
            self._disk.write(batch)

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
        programs: dict[str, ProgramState] = {
            name: vessel.program for name, vessel in state.vessels.items() if vessel.program
        }
        return from_json(Positions, to_json(Positions(state.epoch, state.now_s, state.utc_s, programs)))

    def close(self) -> None:
        self._kept.clear()
