"""The power goes at any instant: what was confirmed is there, and nothing half is seen.

What is simulated. A store writes for an hour and a half of service time through SQLite on a disk that notes each write
and each sync in order (`recording_disk`). Then the power is cut after some of these, picked at random: what was synced
before is there; of what was written since, each sector of 512 bytes is new, old, or something else entirely, each on
its own and in any order, as a disk with a cache may leave it. The files found afterwards are opened by the service as
at any start.

What is not: disks that lie about a sync, that harm sectors which were not being written, or whose file system loses the
names of files that were synced. Against the first two nothing helps but the checks that move a damaged store aside.
That a commit is whole or nothing on such a disk is SQLite's promise (https://www.sqlite.org/wal.html,
https://www.sqlite.org/psow.html); tested is that the store asks for it, and confirms nothing too early.
"""

import random
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from controller.historian import database
from controller.historian.query import RecordFilter, read_records
from controller.historian.store import open_store
from tests.historian.cellars import a_record, a_sample, brewing
from tests.historian.recording_disk import NAME, Did, Platter, the_recording_disk
from tests.historian.test_trend import asked, assert_rolled_up

SCANS, CUTS, STORE = 90, 80, "cellar.sqlite"
Fate = Callable[[str, int], str]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> list[Did]:
    """What the disk saw: a scan a minute, each with an event, two samples, and an answer or a batch that changes."""
    path = tmp_path_factory.mktemp("running") / STORE
    disk = the_recording_disk()
    disk.did.clear()
    plain = database.connect
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(database, "CHECKPOINT_PAGES", 60)  # so that the log is folded in every few commits
        patch.setattr(database, "connect", lambda path, query="": plain(path, query or f"?vfs={NAME}"))
        store = open_store(path)
        for number in range(1, SCANS + 1):
            state = brewing(60.0 * number, number=number, names=("one", "two"))
            state = state._replace(answers={f"a-{number // 4}": "done " * 100})
            samples = [a_sample(60 * number + 30 * half, celsius=18.0 + number / 100) for half in (0, 1)]
            store.save(state, [a_record(number)], samples)
            if number % 3 == 0:
                assert store.flush(30.0)
                disk.did.append(Did("confirmed", "", number))
        disk.did.append(Did("confirmed", "", SCANS))
        did = list(disk.did)
        assert store.close()
    return did


def fates(chance: random.Random) -> tuple[Fate, ...]:
    """All sectors new, all old, in order up to some point, and each by chance."""
    reached = chance.randint(0, 12)
    return (
        lambda file, number: "new",
        lambda file, number: "old",
        lambda file, number: "new" if number < reached else "garbage" if number == reached else "old",
        lambda file, number: chance.choice(("new", "old", "garbage")),
    )


def look(folder: Path, confirmed: int) -> int:
    """Opens the store as the service does; the last scan that is in it."""
    path = folder / STORE
    store = open_store(path)
    try:
        assert store.health().moved_aside is None
        state = store.load_state()
    finally:
        assert store.close()
    last = state.number if state else 0
    assert last >= confirmed
    if state:
        assert state.answers == {f"a-{last // 4}": "done " * 100}
        assert {name: vessel.batch and vessel.batch.name for name, vessel in state.vessels.items()} == {
            "one": "44",
            "two": "44",
        }
    kept = [record.value for record in reversed(read_records(path, RecordFilter(limit=None)))]
    assert kept == [f"change {number}" for number in range(1, last + 1)]
    times = [at_s for (at_s,) in asked(path, "SELECT key / 256 FROM samples ORDER BY key")]
    assert times == [60 + 30 * n for n in range(len(times))]
    assert 2 * confirmed <= len(times) <= 2 * last
    assert_rolled_up(path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    return last


def test_the_disk_saw_commits_and_checkpoints(written: list[Did]) -> None:
    """Else the cuts below would prove nothing: the log is synced for each commit, and folded in more than once."""
    syncs = [did.file for did in written if did.what == "sync"]
    assert syncs.count(f"{STORE}-wal") >= SCANS // 3
    assert syncs.count(STORE) >= 5
    starts = [did for did in written if did.what == "write" and did.file == f"{STORE}-wal" and did.at == 0]
    assert len(starts) >= 5  # the log begins anew over its old frames


def test_nothing_is_confirmed_before_it_is_synced(written: list[Did]) -> None:
    """At the instant of each confirmation, no write to the log waits for its sync."""
    unsynced = 0
    for did in written:
        if did.file == f"{STORE}-wal":
            unsynced = 0 if did.what == "sync" else unsynced + 1
        assert did.what != "confirmed" or unsynced == 0


@pytest.mark.parametrize("fate", range(4), ids=["all new", "all old", "in order", "by chance"])
def test_after_a_power_cut_all_that_was_confirmed_is_there_and_nothing_half(
    written: list[Did], tmp_path: Path, fate: int
) -> None:
    chance = random.Random(20_261_103 + fate)
    platter, confirmed, found = Platter(), 0, set()
    cuts = set(chance.sample(range(len(written)), CUTS))
    for number, did in enumerate(written):
        platter.do(did)
        if did.what == "confirmed":
            confirmed = did.at
        if number in cuts:
            folder = tmp_path / str(number)
            folder.mkdir()
            platter.cut(folder, fates(chance)[fate])
            found.add(look(folder, confirmed))
            shutil.rmtree(folder)
    assert len(found) > SCANS // 6
