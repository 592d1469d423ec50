"""Power cuts, full and read-only disks, damaged and foreign files: the vessels are controlled on, and the store
says plainly what is wrong.

A store is sound when SQLite's own integrity_check says so. That a transaction is on the disk whole or not at
all after a power cut is SQLite's promise (https://www.sqlite.org/atomiccommit.html, https://www.sqlite.org/wal.html);
tested here is that one scan's state and records are in one transaction.
"""

import logging
import os
import random
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from controller.historian import database, store
from controller.historian.faults import HistoryError
from controller.historian.query import RecordFilter, read_records, read_saved_state, read_trend
from controller.historian.store import open_store
from tests.historian.cellars import a_record, a_sample, brewing, scans

ROOT = Path(__file__).parents[2]


def is_sound(path: Path) -> bool:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def a_full_store(path: Path, last: int = 40) -> None:
    """A store that was closed in good order after `last` scans and as many minutes."""
    written = open_store(path)
    for state, record in scans(1, last):
        written.save(state, [record], [a_sample(60 * state.number)])
        written.flush(10.0)
    assert written.close()


def child(code: str, *arguments: str) -> "subprocess.Popen[str]":
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.Popen(command, env=environment, cwd=ROOT, text=True, stdout=subprocess.PIPE)


WRITE_FOR_EVER = """
import sys
from pathlib import Path
from controller.historian.store import open_store
from tests.historian.cellars import scans
store = open_store(Path(sys.argv[1]))
first = store.load_state()
for state, record in scans(first.number + 1 if first else 1, 10**9):
    store.save(state, [record], durable=True)
    if state.number % 3 == 0 and store.flush(30.0):
        print(state.number, flush=True)
"""


def test_a_service_killed_at_any_instant_goes_on_where_it_was(tmp_path: Path) -> None:
    """Killed five times with SIGKILL, at random, while it writes."""
    path = tmp_path / "cellar.sqlite"
    chance = random.Random(20_240_611)
    for _ in range(5):
        with child(WRITE_FOR_EVER, str(path)) as service:
            assert service.stdout
            said = [int(service.stdout.readline()) for _ in range(chance.randint(1, 12))]
            service.send_signal(signal.SIGKILL)
            said += [int(line) for line in service.stdout if line.endswith("\n")]
        state = read_saved_state(path)
        assert is_sound(path)
        assert state is not None
        assert state.number >= said[-1]
        assert state == brewing(5.0 * state.number, number=state.number)
        kept = [record.value for record in reversed(read_records(path, RecordFilter(limit=100_000)))]
        assert kept == [f"change {number}" for number in range(1, state.number + 1)]


@pytest.fixture(scope="module")
def cut_off(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file as it lies on the disk while the service runs, its write-ahead log beside it."""
    path = tmp_path_factory.mktemp("running") / "cellar.sqlite"
    running = open_store(path)
    for state, record in scans(1, 12):
        running.save(state, [record])
        running.flush(10.0)
    copy = path.with_name("copy.sqlite")
    copy.write_bytes(path.read_bytes())
    path.with_name("copy.sqlite-wal").write_bytes(path.with_name("cellar.sqlite-wal").read_bytes())
    running.close()
    return copy


@settings(deadline=None, max_examples=60)
@given(share=st.floats(0.0, 1.0), garbage=st.binary(max_size=50))
def test_power_may_fail_at_any_byte(
    cut_off: Path, tmp_path_factory: pytest.TempPathFactory, share: float, garbage: bytes
) -> None:
    path = tmp_path_factory.mktemp("cut") / "cellar.sqlite"
    log = cut_off.with_name("copy.sqlite-wal").read_bytes()
    cut = round(share * len(log))
    path.write_bytes(cut_off.read_bytes())
    path.with_name("cellar.sqlite-wal").write_bytes(log[:cut] + garbage)
    again = open_store(path)
    state, records = again.load_state(), read_records(path)
    assert again.health().moved_aside is None
    assert (state.number if state else 0) == len(records)
    assert [record.value for record in reversed(records)] == [f"change {n + 1}" for n in range(len(records))]
    if cut == len(log):
        assert len(records) == 12
    assert again.close()
    assert is_sound(path)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("whole") / "cellar.sqlite"
    a_full_store(path)
    return path


@example(share=0.001, scribble=b"\x03")  # the header's write version: such a file can be read and never written
@example(share=0.3233924724670647, scribble=b"\x00")  # a name in a table and another in its index
@example(share=0.87109375, scribble=b"\x00")  # nothing where a column has to have something
@settings(deadline=None, max_examples=80)
@given(share=st.floats(0.0, 1.0, exclude_max=True), scribble=st.binary(min_size=1, max_size=200))
def test_whatever_is_scribbled_over_the_file_no_wrong_state_is_acted_upon(
    whole: Path, tmp_path_factory: pytest.TempPathFactory, share: float, scribble: bytes
) -> None:
    path = tmp_path_factory.mktemp("damaged") / "cellar.sqlite"
    content = bytearray(whole.read_bytes())
    at = int(share * len(content))
    content[at : at + len(scribble)] = scribble
    path.write_bytes(content)
    try:
        again = open_store(path)
    except HistoryError as error:  # the scribble made it look like a later version's, or another program's
        assert "nothing was changed" in str(error)  # noqa: PT017 - which of the two outcomes is left to chance
        return
    state = again.load_state()
    assert state == brewing(200.0, number=40) or (state is None and again.health().moved_aside)
    again.save(brewing(300.0, number=41), [a_record(41)], [a_sample(6000)])
    assert again.flush(10.0)
    assert again.close()
    assert read_saved_state(path) == brewing(300.0, number=41)
    assert read_records(path, RecordFilter(limit=1)) == (a_record(41),)


def test_a_damaged_file_is_moved_aside_and_a_new_one_begun(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "cellar.sqlite"
    (tmp_path / "cellar.sqlite.corrupt-1").write_text("an older accident")
    path.write_bytes(b"this was never a database" * 100)
    again = open_store(path)
    assert again.load_state() is None
    assert again.healthy
    assert again.health().moved_aside == tmp_path / "cellar.sqlite.corrupt-2"
    assert again.close()
    assert (tmp_path / "cellar.sqlite.corrupt-2").read_bytes() == b"this was never a database" * 100
    (line,) = (record.getMessage() for record in caplog.records)
    assert "is damaged (file is not a database); it was moved to" in line
    assert "every vessel begins idle" in line


def test_damage_in_the_trend_does_not_cost_the_batches(tmp_path: Path) -> None:
    path = tmp_path / "cellar.sqlite"
    a_full_store(path)
    with closing(sqlite3.connect(path)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'samples'").fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xff" * size)
    again = open_store(path)
    assert again.health().moved_aside
    assert again.load_state() == brewing(200.0, number=40)
    again.close()


def test_damage_found_while_running_begins_a_new_file_with_the_state_of_now(tmp_path: Path) -> None:
    """The file is overwritten under the running service."""
    path = tmp_path / "cellar.sqlite"
    running = open_store(path)
    running.save(brewing(5.0, number=1), [a_record(1)])
    assert running.flush(10.0)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as file:
        file.write(os.urandom(path.stat().st_size))
    running.save(brewing(10.0, number=2), [a_record(2)])
    assert running.flush(10.0)
    assert running.health().moved_aside == tmp_path / "cellar.sqlite.corrupt-1"
    assert running.close()
    assert is_sound(path)
    assert read_saved_state(path) == brewing(10.0, number=2)
    assert read_records(path) == (a_record(2),)


def small_disk(monkeypatch: pytest.MonkeyPatch, pages: int) -> None:
    """A disk with room for so many pages: https://www.sqlite.org/pragma.html#pragma_max_page_count"""
    connect = database.connect

    def connect_small(path: Path, query: str = "") -> sqlite3.Connection:
        connection = connect(path, query)
        connection.execute(f"PRAGMA max_page_count={pages}")
        return connection

    monkeypatch.setattr(database, "connect", connect_small)


def test_a_full_disk_is_said_once_and_what_waited_is_written_when_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "cellar.sqlite"
    small_disk(monkeypatch, pages=60)
    running = open_store(path)
    told = []
    for state, record in scans(1, 1000):
        running.save(state, [record])
        if state.number % 100 == 0:
            told.append(running.flush(10.0))
    assert told[-1] is False
    health = running.health()
    assert not health.healthy
    assert health.fault == "the disk is full: make room"
    assert health.failures >= 2
    assert health.waiting_records > 0
    assert [line.message for line in caplog.records] == [
        f"history: {path} cannot be written: the disk is full: make room; "
        "the vessels are controlled on, the records wait in memory"
    ]
    monkeypatch.undo()
    assert running.flush(10.0)
    assert running.healthy
    assert running.health().waiting_records == 0
    assert "is written again, after" in caplog.records[-1].message
    kept = [record.value for record in reversed(read_records(path, RecordFilter(limit=2000)))]
    assert kept == [f"change {number}" for number in range(1, 1001)]
    assert running.close()


def test_writing_is_tried_again_without_being_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "RETRY_S", (0.01,))
    path = tmp_path / "cellar.sqlite"
    small_disk(monkeypatch, pages=1)
    running = open_store(path)
    running.save(brewing(), [a_record(1)])
    assert not running.flush(10.0)
    monkeypatch.undo()
    idle = threading.Event()
    while not running.healthy:
        idle.wait(0.01)
    assert read_records(path) == (a_record(1),)
    running.close()


LIMITED = """
import logging, resource, sys
from pathlib import Path
from controller.historian.store import open_store
from tests.historian.cellars import scans
logging.basicConfig(stream=sys.stdout, format="%(message)s")
resource.setrlimit(resource.RLIMIT_FSIZE, (40_960, resource.RLIM_INFINITY))
store = open_store(Path(sys.argv[1]))
for state, record in scans(1, 600):
    store.save(state, [record])
    store.flush(30.0)
print("closed", store.close(), store.healthy)
"""


def test_a_file_that_may_not_grow_stops_neither_the_scans_nor_the_end(tmp_path: Path) -> None:
    """The limit of the operating system on the size of a file, setrlimit(2), reached by the write-ahead log and
    at last by the file itself."""
    path = tmp_path / "cellar.sqlite"
    with child(LIMITED, str(path)) as service:
        said = (service.communicate()[0]).splitlines()
    assert service.returncode == 0
    assert said[0].startswith(f"history: {path} cannot be written: the disk reports an error or a limit")
    assert all(line.startswith("history: ") for line in said[:-1])
    assert said[-1] == "closed False False"
    assert is_sound(path)
    state = read_saved_state(path)
    assert state is not None
    assert len(read_records(path, RecordFilter(limit=1000))) == state.number > 0


READ_ONLY = """
import logging, os, sys
from pathlib import Path
from controller.historian.query import read_records
from controller.historian.store import open_store
from tests.historian.cellars import a_record, brewing
logging.basicConfig(stream=sys.stdout, format="%(message)s")
if os.geteuid() == 0:
    os.setgroups([]); os.setgid(65534); os.setuid(65534)  # the administrator may write everywhere
path = Path(sys.argv[1])
store = open_store(path)
print("state", (store.load_state() or brewing(number=-1)).number)
store.save(brewing(), [a_record(1)])
print("closed", store.close(), store.healthy)
if path.exists():
    print("records", len(read_records(path)))
"""


@pytest.mark.parametrize("begun", [True, False])
def test_a_read_only_folder_is_said_once_and_the_state_in_it_is_still_found(begun: bool) -> None:
    with tempfile.TemporaryDirectory() as folder:  # not pytest's, which only its owner may enter
        path = Path(folder) / "cellar.sqlite"
        if begun:
            a_full_store(path, 4)
            path.chmod(0o444)
        Path(folder).chmod(0o555)
        with child(READ_ONLY, str(path)) as service:
            said = service.communicate()[0].splitlines()
        Path(folder).chmod(0o755)
    assert service.returncode == 0
    lines = [line for line in said if line.startswith("history: ")]
    assert len(lines) == 1
    assert f"{path} cannot be written" in lines[0]
    assert ("read-only" if begun else "must be able to write there") in lines[0]
    assert said[1:] == [f"state {4 if begun else -1}", "closed False False", *(["records 4"] if begun else [])]


def test_a_slow_disk_does_not_hold_up_a_scan(tmp_path: Path) -> None:
    """Another program holds the file until all scans are over: each `save` must come back all the same."""
    path = tmp_path / "cellar.sqlite"
    running = open_store(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        for state, record in scans(1, 100):
            running.save(state, [record])
        assert read_records(path) == ()
        other.execute("ROLLBACK")
    assert running.flush(60.0) or running.flush(60.0)
    assert len(read_records(path)) == 100
    assert running.close()


def test_a_number_that_is_no_number_costs_the_state_but_not_the_events(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "cellar.sqlite"
    running = open_store(path)
    running.save(brewing(5.0, number=1), durable=True)
    assert running.flush(10.0)
    ill = brewing(10.0, number=2)
    ill = ill._replace(vessels={"one": ill.vessels["one"]._replace(applied_w=float("nan"))})
    running.save(ill, [a_record(2)])
    assert not running.flush(10.0)
    assert running.health().fault == "vessels.one.applied_w: nan is not a finite number"
    assert read_records(path) == (a_record(2),)
    assert read_saved_state(path) == brewing(5.0, number=1)
    assert "what does not fit is left out" in caplog.text
    running.save(brewing(15.0, number=3), [a_record(3)])
    assert running.flush(10.0)
    assert read_records(path) == (a_record(3), a_record(2))
    assert running.close()


def test_a_record_that_can_never_be_written_is_counted_as_lost_and_told(tmp_path: Path) -> None:
    path = tmp_path / "cellar.sqlite"
    running = open_store(path)
    running.save(brewing(5.0), [a_record(1, at_s=float("nan"))])
    assert not running.flush(10.0)
    assert (running.health().lost_records, running.health().waiting_records) == (1, 0)
    running.save(brewing(10.0), [a_record(2, at_s=10.0)])
    assert running.flush(10.0)
    assert [record.value for record in read_records(path)] == ["change 2", "incomplete"]
    assert running.close()


def test_nothing_is_written_while_nothing_happens(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    path = tmp_path / "cellar.sqlite"
    running = open_store(path)
    running.save(brewing(0.0))
    assert running.flush(10.0)
    before = path.with_name("cellar.sqlite-wal").stat().st_size
    for second in range(5, 60, 5):
        running.save(brewing(float(second)))
    assert path.with_name("cellar.sqlite-wal").stat().st_size == before
    assert running.close()
    assert caplog.records == []
    assert read_trend(path, "one", 0.0, 60.0, 1) == ()
