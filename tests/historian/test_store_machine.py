"""The store against plain Python lists: what was handed over and flushed is there, in order, whatever happens between.

The machine saves, flushes, closes and opens, pulls the plug (what lies on the disk is copied and gone on from), lets
the disk refuse and recover, makes backups and puts them back, and asks. The model is a list of records, the last state
and a dictionary of samples. Text that no disk takes, torn files, damage: `test_store_troubles.py`, `test_power_cut.py`.
"""

import contextlib
import os
import shutil
import sqlite3
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from controller.control.state import SiteState
from controller.control.values import Record, RecordKind
from controller.historian.backup import back_up, check_backup, restore
from controller.historian.database import Database
from controller.historian.query import RecordFilter, read_names, read_records, read_saved_state
from controller.historian.sampler import Sample
from controller.historian.store import Store, open_store
from controller.installation import History
from tests.effort import examples
from tests.historian.cellars import brewing

PATIENCE_S = 20.0
MEMORY = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # spares the disk: thousands of commits
HOUR_S = 3600.0
KEEP = History(keep_samples_s=2 * HOUR_S, keep_minutes_s=4 * HOUR_S, keep_records_s=3 * HOUR_S)
VESSELS = ("one", "two", "")
BATCHES = ("44", "45")

Told = tuple[str, RecordKind, str, str]
PLAIN = st.tuples(
    st.sampled_from(VESSELS),
    st.sampled_from([RecordKind.OUTPUT, RecordKind.ALARM, RecordKind.ACTION]),
    st.sampled_from(["cooler", "deviation"]),
    st.sampled_from(["on", "done", "refused"]),
)
OF_BATCHES = st.tuples(
    st.sampled_from(["one", "two"]),
    st.just(RecordKind.BATCH),
    st.sampled_from(BATCHES),
    st.sampled_from(["started", "moved here", "moved away", "packaged"]),
)


class Scan(NamedTuple):
    """What one scan leaves to the store."""

    told: list[Told]
    batch: str
    utc: bool
    durable: bool
    celsius: float | None


SCAN = st.builds(
    Scan,
    told=st.lists(PLAIN | OF_BATCHES, max_size=3),
    batch=st.sampled_from(["44", "45", ""]),
    utc=st.booleans(),
    durable=st.booleans(),
    celsius=st.none() | st.floats(-5.0, 40.0),
)
SCANS = st.lists(SCAN, min_size=1, max_size=8)
FILTERS = st.builds(
    RecordFilter,
    since_s=st.none() | st.integers(0, 20).map(lambda n: n * 1000.0),
    vessel=st.none() | st.sampled_from(VESSELS),
    batch=st.none() | st.sampled_from(BATCHES),
    kinds=st.none() | st.frozensets(st.sampled_from([RecordKind.BATCH, RecordKind.ALARM, RecordKind.ACTION])),
    since_utc_s=st.none() | st.sampled_from([0.0, 1000.0, 5000.0]),
    until_utc_s=st.none() | st.sampled_from([3000.0, 5000.0, 20_000.0]),
    limit=st.sampled_from([None, 0, 1, 5, 200]),
    without_done=st.booleans(),
)


def asked(records: list[Record], wanted: RecordFilter) -> list[Record]:
    """What the filter's own words ask for, the newest first."""
    found, inside = [], set[str]()
    for record in records:
        of_batch = record.kind is RecordKind.BATCH and record.subject == wanted.batch
        if of_batch and record.value in ("started", "moved here"):
            inside.add(record.vessel)
        there = wanted.batch is None or record.vessel in inside
        if of_batch and record.value in ("moved away", "packaged"):
            inside.discard(record.vessel)
        in_time = (wanted.since_utc_s is None and wanted.until_utc_s is None) or (
            record.utc_s is not None
            and record.utc_s >= (wanted.since_utc_s or 0.0)
            and (wanted.until_utc_s is None or record.utc_s < wanted.until_utc_s)
        )
        done = record.kind is RecordKind.ACTION and record.value == "done"
        if (
            there
            and in_time
            and (wanted.since_s is None or record.at_s >= wanted.since_s)
            and wanted.vessel in (None, record.vessel)
            and (wanted.kinds is None or record.kind in wanted.kinds)
            and not (wanted.without_done and done)
        ):
            found.append(record)
    return found[::-1][: wanted.limit]


class Disk:
    """Lets every transaction fail while it is full, each after it was told to `go` on."""

    full = False
    asked, go = threading.Event(), threading.Event()


@contextlib.contextmanager
def disk() -> Iterator[None]:
    whole = Database.write

    def write(database: Database, batch: object) -> None:
        if Disk.full:
            Disk.asked.set()
            Disk.go.wait(PATIENCE_S)
            raise sqlite3.OperationalError("database or disk is full")
        whole(database, batch)  # type: ignore[arg-type]

    Database.write = write  # type: ignore[assignment]
    Disk.go.set()
    try:
        yield
    finally:
        Database.write, Disk.full = whole, False  # type: ignore[method-assign]


class StoreMachine(RuleBasedStateMachine):
    """One service on one store; scans are 500 s apart, so that hours pass."""

    def __init__(self) -> None:
        super().__init__()
        self.stack = contextlib.ExitStack()
        self.stack.enter_context(disk())
        self.folder = Path(self.stack.enter_context(tempfile.TemporaryDirectory(dir=MEMORY)))
        self.number, self.now_s, self.files, self.opened = 0, 0.0, 0, 1
        self.may_purge = False  # a state without a batch was handed over
        self.path = self.folder / "cellar.sqlite"
        self.store: Store = open_store(self.path, KEEP)
        self.saved: SiteState | None = None  # handed over; with what follows, still to be flushed
        self.records: list[Record] = []
        self.samples: dict[tuple[int, str], Sample] = {}
        self.flushed: tuple[SiteState | None, list[Record], dict[tuple[int, str], Sample]] = (None, [], {})
        self.backups: list[tuple[Path, SiteState | None, list[Record], dict[tuple[int, str], Sample]]] = []

    def teardown(self) -> None:
        Disk.full = False
        self.store.close()
        self.stack.close()

    @initialize()
    def nothing_is_there(self) -> None:
        assert self.store.load_state() is None

    # What the service does

    @rule(scans=SCANS)
    def scans(self, scans: list[Scan]) -> None:
        for each in scans:
            self._save(each)

    @rule(first=SCAN, meanwhile=SCANS, later=st.just([]) | SCANS)
    def disk_refuses_for_a_while(self, first: Scan, meanwhile: list[Scan], later: list[Scan]) -> None:
        """Scans are handed over before, while and after the thread is refused."""
        self.flush()
        Disk.full = True
        Disk.asked.clear()
        Disk.go.clear()
        self._save(first._replace(durable=True))
        assert Disk.asked.wait(PATIENCE_S)
        self.scans(meanwhile)
        Disk.go.set()
        self.flush()
        self.scans(later)
        self.flush()
        Disk.full = False
        self.flush()

    @rule()
    def flush(self) -> None:
        waits = self.saved is not self.flushed[0]
        assert self.store.flush(PATIENCE_S) is not (Disk.full and waits)
        assert self.store.healthy is not (Disk.full and waits)
        if not Disk.full:
            self._all_is_on_the_disk()

    @rule()
    def close_and_open(self) -> None:
        assert self.store.close(PATIENCE_S)
        self._all_is_on_the_disk()
        self._go_on()

    @rule(lost=st.lists(SCAN, max_size=3))
    def pull_the_plug(self, lost: list[Scan]) -> None:
        """What was flushed is there, and whole; what has waited since a disk was full is gone."""
        self.flush()
        Disk.full = True
        self.scans(lost)
        self.flush()  # the thread is idle while its files are copied
        self.files += 1
        copy = self.folder / f"after-{self.files}.sqlite"
        for suffix in ("", "-wal"):
            if (part := self.path.with_name(self.path.name + suffix)).exists():
                shutil.copyfile(part, copy.with_name(copy.name + suffix))
        self.store.close()
        Disk.full = False
        self.path = copy
        self._go_on()

    # Backups

    @rule()
    def backup(self) -> None:
        self.flush()
        self.files += 1
        target = self.folder / f"backup-{self.files}"
        back_up(self.path, target)
        assert check_backup(target) == self.saved
        self.backups.append((target, self.saved, self.records.copy(), self.samples.copy()))

    @precondition(lambda self: self.backups)
    @rule(data=st.data())
    def put_back(self, data: st.DataObject) -> None:
        target, state, records, samples = data.draw(st.sampled_from(self.backups))
        assert self.store.close(PATIENCE_S)
        present = read_saved_state(self.path)
        restored = restore(self.path, target, epoch_now=lambda: 1)
        assert (restored.state is None) == (state is None)
        if state is not None and restored.state is not None:  # the epoch does not go back
            assert restored.state.epoch == max(state.epoch, present.epoch if present else 1)
            state = restored.state
        self.saved, self.records, self.samples = state, records.copy(), samples.copy()
        self._all_is_on_the_disk()
        self._go_on()

    # What a reader finds

    @precondition(lambda self: self.saved is not None)
    @rule(questions=st.lists(FILTERS, min_size=1, max_size=12))
    def ask(self, questions: list[RecordFilter]) -> None:
        self.flush()
        for wanted in questions:
            assert list(read_records(self.path, wanted)) == asked(self.records, wanted)

    @invariant()
    def health_counts_nothing_lost(self) -> None:
        health = self.store.health()
        assert (health.lost_records, health.dropped_samples, health.moved_aside) == (0, 0, None)

    def _save(self, each: Scan) -> None:
        self.number += 1
        self.now_s += 500.0
        state = brewing(self.now_s, None, self.number)._replace(epoch=self.opened)
        vessels = {}
        for name, now in state.vessels.items():
            assert now.batch is not None
            vessels[name] = now._replace(batch=now.batch._replace(name=each.batch) if each.batch else None)
        state = state._replace(vessels=vessels)
        self.may_purge = self.may_purge or not each.batch
        utc_s = self.now_s if each.utc else None
        new = [Record(self.now_s, utc_s, *told, f"reason {self.number}", "jo") for told in each.told]
        samples = [Sample(int(self.now_s), name, each.celsius, 18.0, 18.0, 25, 0) for name in ("one", "bath/top")]
        self.store.save(state, new, samples, each.durable)
        self.saved = state
        self.records += new
        self.samples |= {(sample.at_s, sample.name): sample for sample in samples}

    def _go_on(self) -> None:
        self.opened += 1
        self.store = open_store(self.path, KEEP)
        state, records, samples = self.flushed
        assert self.store.load_state() == state
        self.saved, self.records, self.samples = state, records.copy(), samples.copy()

    def _all_is_on_the_disk(self) -> None:
        """After a flush: the state, every record and sample that the history keeps, in order, and nothing else."""
        assert read_saved_state(self.path) == self.saved
        there = list(read_records(self.path, RecordFilter(limit=None)))[::-1]
        gone = len(self.records) - len(there)
        assert there == self.records[gone:]
        assert all(record.at_s < self.now_s - 3 * HOUR_S for record in self.records[:gone])
        assert self.may_purge or not gone  # records of a batch that is still there stay
        self.may_purge = False
        self.records = there
        rows = self._rows()
        missing = self.samples.keys() - rows.keys()
        assert rows.keys() <= self.samples.keys()
        assert all(at_s < self.now_s - 2 * HOUR_S for at_s, _ in missing)
        for key, hundredths in rows.items():
            celsius = self.samples[key].celsius
            assert hundredths == (None if celsius is None else round(celsius * 100.0))
        self.samples = {key: self.samples[key] for key in rows}
        batches = {r.subject for r in there if r.kind is RecordKind.BATCH and r.value in ("started", "moved here")}
        if self.saved is not None:
            assert set(read_names(self.path).batches) == batches
        self.flushed = (self.saved, self.records.copy(), self.samples.copy())

    def _rows(self) -> dict[tuple[int, str], int | None]:
        """By SQLite alone."""
        with closing(sqlite3.connect(self.path)) as connection:
            return {
                (key // 256, name): hundredths
                for key, name, hundredths in connection.execute(
                    "SELECT key, name, temperature FROM samples JOIN vessels ON vessels.idx = key & 255"
                )
            }


TestAnyUseOfTheStore = StoreMachine.TestCase
TestAnyUseOfTheStore.settings = examples(60, steps=15)
