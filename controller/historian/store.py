"""What the running service writes through: never waits, never raises into the scan, loses no event while it can.

A scan hands over its state, records and samples and goes on; one thread brings them to the disk. State
and records of a scan go into the same transaction, so that after a power cut they tell the same story.
While the disk refuses, everything waits within the bounds of `pending`, and the thread tries again with
growing pauses.
"""

import contextlib
import fcntl
import logging
import os
import sqlite3
import threading
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

from controller.control.state import SiteState
from controller.control.values import Record
from controller.historian.database import Batch, Database, open_database, replace_damaged
from controller.historian.faults import HistoryError, UnfitState, in_words, is_damage
from controller.historian.pending import COMMIT_S, Pending
from controller.historian.query import read_saved_state
from controller.historian.sampler import Sample
from controller.installation import History

RETRY_S = (1.0, 2.0, 5.0, 10.0, 30.0)

log = logging.getLogger(__name__)


class StoreHealth(NamedTuple):
    """How the store is. `fault` says in words why it is not healthy; the counts are since the start.
    `moved_aside` is where a damaged file was moved to, if that has happened since the start."""

    healthy: bool
    fault: str
    failures: int
    waiting_records: int
    lost_records: int
    dropped_samples: int
    moved_aside: Path | None


Thinned = Callable[[SiteState], SiteState]


def open_store(path: Path, history: History | None = None, thinned: Thinned = lambda state: state) -> "Store":
    """The store at `path`, begun if there is none; `history` says how long it keeps what (by default, the site
    file's defaults), `thinned` what of a state is worth keeping, which is asked when it is written and not at each
    scan. One of an earlier version of this program is brought up to date; as it was before, it then lies in
    `<name>.before-v<n>`. A damaged file is moved to `<name>.corrupt-<n>`, reported in the log and by
    `health().moved_aside`; its state goes on where it is still whole. A disk that cannot be written to makes a
    store that is not healthy and keeps trying.

    Raises:
        HistoryError: there is no such folder; another service uses the store; the file belongs to a later
            version or to another program. The text is for the brewer; nothing was changed.
    """
    if not path.parent.is_dir():
        raise HistoryError(f"{path}: there is no folder {path.parent}; make it, or name another file")
    return Store(path, history or History(), thinned)


class Store:
    """See `open_store`, which makes it. Its methods may be called from any thread."""

    def __init__(self, path: Path, history: History, thinned: Thinned) -> None:
        self._path = path
        self._history, self._thinned = history, thinned
        self._changed = threading.Condition()  # guards all below but the database, which is the thread's own
        self._pending = Pending()
        self._latest: SiteState | None = None
        self._in_hand = 0  # records that the thread is writing
        self._attempts = self._failed_attempt = 0  # numbers of the last attempt, and of the last that failed
        self._handed = self._stored = 0  # numbers of the last save handed over, and of the last on the disk
        self._urgent = self._asked = self._closing = False
        self._fault = ""
        self._failures = self._failures_running = 0
        self._moved_aside: Path | None = None
        self._database: Database | None = None
        self._lock = lock(path)
        try:
            self._open()
        except HistoryError:
            unlock(self._lock)
            raise
        except (sqlite3.Error, OSError) as error:
            self._failed(error)
        self._begin()

    def load_state(self) -> SiteState | None:
        """The state to go on from, or None if none was ever saved. To be asked before the first `save`.

        Raises:
            HistoryError: there is one, but it cannot be read: the service must not go on with an empty plant.
        """
        return read_saved_state(self._path)

    def save(
        self, state: SiteState, records: Iterable[Record] = (), samples: Iterable[Sample] = (), durable: bool = False
    ) -> None:
        """Takes what one scan has to remember; returns at once. With records, or `durable`, it goes to the disk
        as soon as the thread can and past every buffer; without, and for samples, within a minute."""
        with self._changed:
            self._pending.add(state, records, samples)
            self._latest = state
            self._urgent = self._urgent or durable or bool(self._pending.records)
            self._handed += 1
            if self._is_due():  # the thread is not woken for nothing: it shares the interpreter with the scan
                self._changed.notify_all()

    def flush(self, timeout_s: float) -> bool:
        """Waits until all that was handed over is on the disk, an attempt has failed, or `timeout_s` is over;
        True in the first case. Blocks: not for the thread of an event loop."""
        with self._changed:
            wanted, attempt = self._handed, self._attempts
            self._asked = True
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._is_stored(wanted) or self._failed_attempt > attempt, timeout_s)
            return self._is_stored(wanted)

    def close(self, timeout_s: float = 10.0) -> bool:
        """Flushes, ends the thread and closes the file; True if all that was handed over is on the disk."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(timeout_s)
        with self._changed:
            return not self._thread.is_alive() and self._is_stored(self._handed)

    @property
    def healthy(self) -> bool:
        """Whether the last attempt to write has succeeded."""
        return self.health().healthy

    def health(self) -> StoreHealth:
        """How the store is, for page, metrics and alarms."""
        with self._changed:
            return StoreHealth(
                healthy=not self._fault,
                fault=self._fault,
                failures=self._failures,
                waiting_records=len(self._pending.records) + self._in_hand,
                lost_records=self._pending.lost_records,
                dropped_samples=self._pending.dropped_samples,
                moved_aside=self._moved_aside,
            )

    def _is_stored(self, number: int) -> bool:
        return self._stored >= number and not self._fault

    def _is_due(self) -> bool:
        if self._asked or self._closing:
            return True
        return not self._fault and (self._urgent or self._pending.is_due())

    def _begin(self) -> None:
        self._thread = threading.Thread(target=self._run, name="historian", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        closing = False
        while not closing:
            with self._changed:
                due = self._changed.wait_for(self._is_due, self._pause_s())
                closing = self._closing
                batch, number = self._take(all_of_it=not due)
            error = self._attempt(batch)
            with self._changed:
                self._settle(batch, number, error)
                self._changed.notify_all()
        self._shut()
        unlock(self._lock)

    def _pause_s(self) -> float:
        """How long to wait at most for something to be due, then to write all the same."""
        return RETRY_S[min(self._failures_running, len(RETRY_S)) - 1] if self._fault else COMMIT_S

    def _take(self, all_of_it: bool) -> tuple[Batch, int]:
        """What is to be written now, and the number of the last save that is on the disk if that succeeds."""
        batch = self._pending.take(all_of_it=self._asked or self._closing or all_of_it)
        number = self._stored if self._pending.samples else self._handed
        self._urgent = self._asked = False
        self._in_hand = len(batch.records)
        self._attempts += 1
        return batch, number

    def _settle(self, batch: Batch, number: int, error: Exception | None) -> None:
        """Takes in how an attempt ended."""
        self._in_hand = 0
        if error is None:
            self._succeeded(number)
            return
        self._failed_attempt = self._attempts
        if _may_pass(error):
            self._pending.put_back(batch)
        elif not isinstance(error, UnfitState):
            self._pending.give_up(batch)
        self._failed(error)

    def _attempt(self, batch: Batch) -> Exception | None:
        """Writes the batch; an error is returned, since nothing may end this thread."""
        try:
            self._write(batch)
        except UnfitState as error:  # the rest is written all the same
            return self._attempt(batch._replace(state=None)) or error
        except Exception as error:
            self._shut()
            return error
        return None

    def _write(self, batch: Batch) -> None:
        if self._database is None:
            self._open()
        if self._database is None or not any(batch):
            return
        if batch.state is not None:
            batch = batch._replace(state=self._thinned(batch.state))
        try:
            self._database.write(batch)
        except (sqlite3.Error, UnicodeDecodeError) as error:
            if not is_damage(error):
                raise
            self._shut()
            self._database, self._moved_aside = replace_damaged(self._path, self._history, error)
            state = batch.state or (self._latest and self._thinned(self._latest))
            self._database.write(batch._replace(state=state))

    def _open(self) -> None:
        self._database, aside = open_database(self._path, self._history)
        self._moved_aside = aside or self._moved_aside

    def _shut(self) -> None:
        database, self._database = self._database, None
        if database:
            with contextlib.suppress(sqlite3.Error):
                database.close()

    def _succeeded(self, number: int) -> None:
        if self._fault:
            log.warning("history: %s is written again, after %d attempts", self._path, self._failures_running)
        self._fault = ""
        self._failures_running = 0
        self._stored = number

    def _failed(self, error: Exception) -> None:
        """One line in the log for each new fault, not for each attempt."""
        self._failures += 1
        self._failures_running += 1
        fault = in_words(error)
        if fault != self._fault:
            log.error(
                "history: %s cannot be written: %s; the vessels are controlled on, %s", *self._report(fault, error)
            )
        self._fault = fault

    def _report(self, fault: str, error: Exception) -> tuple[Path, str, str]:
        if _may_pass(error):
            return self._path, fault, "the records wait in memory"
        return self._path, fault, "what does not fit is left out"


def _may_pass(error: Exception) -> bool:
    """Whether the same data may be written later: the disk, a lock, a file is at fault, not the data."""
    return isinstance(error, (sqlite3.OperationalError, OSError, HistoryError)) or is_damage(error)


def lock(path: Path) -> int | None:
    """Keeps a second service off the same store; where no lock can be made, nothing can be written either."""
    try:
        descriptor = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT, 0o644)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(descriptor)
        raise HistoryError(
            f"{path}: another service uses this store; end that one first; nothing was changed"
        ) from None
    return descriptor


def unlock(descriptor: int | None) -> None:
    if descriptor is not None:
        os.close(descriptor)
