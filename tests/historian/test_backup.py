"""A backup is taken while the service writes, and put back when it is needed; nothing is lost by either.

The files are judged by SQLite's own integrity_check through connections of the tests' own.
"""

import random
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest

from controller.historian.backup import back_up, check_backup, restore
from controller.historian.faults import HistoryError
from controller.historian.query import RecordFilter, read_records, read_saved_state
from controller.historian.store import open_store
from tests.historian.cellars import a_record, a_sample, brewing, scans
from tests.historian.test_migrations import a_store_of_version


def is_sound(path: Path) -> bool:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def a_store(path: Path, last: int, epoch: int = 1) -> None:
    """Closed in good order after so many events."""
    opened = open_store(path)
    for state, record in scans(1, last):
        opened.save(state._replace(epoch=epoch), [record], [a_sample(10 * state.number)])
    assert opened.close()


def values(path: Path) -> list[str]:
    return [record.value for record in reversed(read_records(path, RecordFilter(limit=None)))]


def test_a_backup_of_a_running_store_is_whole_and_of_one_moment(tmp_path: Path) -> None:
    """Events come in without end while the copy is made: state and events in it belong to the same scan."""
    path, target = tmp_path / "cellar.sqlite", tmp_path / "backup.sqlite"
    a_store(path, 300)
    running = open_store(path)
    stop = threading.Event()

    def brew() -> None:
        for state, record in scans(301, 10**6):
            running.save(state, [record])
            running.flush(10.0)
            if stop.is_set():
                return

    brewer = threading.Thread(target=brew)
    brewer.start()
    told: list[int] = []
    for number in range(5):
        back_up(path, target.with_name(f"backup {number}"), lambda left, whole: told.append(left))
    stop.set()
    brewer.join()
    assert running.close()
    assert told[-1] == 0
    for number in range(5):
        copy = target.with_name(f"backup {number}")
        state = check_backup(copy)
        assert state is not None
        assert state.number >= 300
        assert values(copy) == [f"change {n}" for n in range(1, state.number + 1)]
        assert is_sound(copy)
    assert not list(tmp_path.glob("*unchecked*"))


def test_a_backup_does_not_overwrite_anything(tmp_path: Path) -> None:
    path, target = tmp_path / "cellar.sqlite", tmp_path / "backup.sqlite"
    a_store(path, 3)
    target.write_text("wedding photographs")
    with pytest.raises(HistoryError, match=r"such a file already; name another; nothing was changed"):
        back_up(path, target)
    assert target.read_text() == "wedding photographs"
    with pytest.raises(HistoryError, match="there is no store"):
        back_up(tmp_path / "none.sqlite", tmp_path / "copy.sqlite")
    with pytest.raises(HistoryError, match="there is no folder"):
        back_up(path, tmp_path / "nowhere" / "copy.sqlite")


def test_a_damaged_store_gives_no_backup(tmp_path: Path) -> None:
    path = tmp_path / "cellar.sqlite"
    a_store(path, 300)
    content = bytearray(path.read_bytes())
    content[len(content) // 3 :] = random.Random(3).randbytes(len(content) - len(content) // 3)
    path.write_bytes(content)
    with pytest.raises(HistoryError):
        back_up(path, tmp_path / "copy.sqlite")
    assert not (tmp_path / "copy.sqlite").exists()


def test_a_restored_store_goes_on_from_the_backup_and_the_present_one_is_kept(tmp_path: Path) -> None:
    path, target = tmp_path / "cellar.sqlite", tmp_path / "backup.sqlite"
    a_store(path, 5)
    back_up(path, target)
    later = open_store(path)
    for state, record in scans(6, 9):
        later.save(state, [record])
    assert later.close()
    done = restore(path, target)
    assert done.aside == tmp_path / "cellar.sqlite.replaced-1"
    assert done.state == brewing(25.0, number=5)
    assert values(path) == [f"change {n}" for n in range(1, 6)]
    assert values(done.aside) == [f"change {n}" for n in range(1, 10)]
    again = open_store(path)
    assert again.load_state() == brewing(25.0, number=5)
    again.save(brewing(30.0, number=6), [a_record(99)])
    assert again.close()
    assert values(path)[-1] == "change 99"
    assert values(target) == [f"change {n}" for n in range(1, 6)]


def test_nodes_that_know_a_later_epoch_obey_after_a_restore_too(tmp_path: Path) -> None:
    """Design rule 10: a node obeys the highest epoch, so an older state must not bring an older epoch back."""
    path, target = tmp_path / "cellar.sqlite", tmp_path / "backup.sqlite"
    a_store(path, 5, epoch=3)
    back_up(path, target)
    a_store(path, 2, epoch=8)
    restore(path, target)
    state = read_saved_state(path)
    assert state == brewing(25.0, number=5)._replace(epoch=8)
    assert is_sound(path)


@pytest.mark.parametrize("present", ["damaged", "gone"])
def test_nodes_that_heard_a_store_that_nobody_can_read_obey_after_a_restore_too(tmp_path: Path, present: str) -> None:
    path, target = tmp_path / "cellar.sqlite", tmp_path / "backup.sqlite"
    a_store(path, 5, epoch=1_780_000_003)
    back_up(path, target)
    if present == "damaged":
        path.write_text("its epoch had come to 1 780 000 007")
    else:
        path.unlink()
    done = restore(path, target, epoch_now=lambda: 1_790_000_000)
    state = read_saved_state(path)
    assert state == done.state == brewing(25.0, number=5)._replace(epoch=1_790_000_000)
    restore(path, target, epoch_now=lambda: 0)  # a clock that is behind takes nothing away
    assert read_saved_state(path) == state


def test_no_backup_is_put_under_a_running_service(tmp_path: Path) -> None:
    path, target = tmp_path / "cellar.sqlite", tmp_path / "backup.sqlite"
    a_store(path, 5)
    back_up(path, target)
    running = open_store(path)
    before = path.read_bytes()
    with pytest.raises(HistoryError, match=r"another service uses this store; end that one first"):
        restore(path, target)
    assert path.read_bytes() == before
    assert running.close()


@pytest.mark.parametrize("harm", ["scribbled over", "cut off", "not a store", "of a later version", "empty"])
def test_a_backup_that_is_not_good_is_not_put_back(tmp_path: Path, harm: str) -> None:
    path, target = tmp_path / "cellar.sqlite", tmp_path / "backup.sqlite"
    a_store(path, 300)
    back_up(path, target)
    content = target.read_bytes()
    if harm == "scribbled over":
        target.write_bytes(content[:8000] + random.Random(1).randbytes(2000) + content[10_000:])
    elif harm == "cut off":
        target.write_bytes(content[: len(content) // 2])
    elif harm == "not a store":
        target.write_text("wedding photographs")
    elif harm == "empty":
        target.write_bytes(b"")
    else:
        with closing(sqlite3.connect(target)) as connection, connection:
            connection.execute("UPDATE meta SET schema_version = 9")
    before = path.read_bytes()
    with pytest.raises(HistoryError, match=r"was not changed$"):
        restore(path, target)
    assert path.read_bytes() == before
    assert not [*tmp_path.glob("*coming*"), *tmp_path.glob("*replaced*")]


def test_a_damaged_store_is_replaced_and_kept_with_all_its_parts(tmp_path: Path) -> None:
    path, target = tmp_path / "cellar.sqlite", tmp_path / "backup.sqlite"
    a_store(path, 5)
    back_up(path, target)
    path.write_text("this was a store once")
    path.with_name("cellar.sqlite-wal").write_text("and this its log")
    done = restore(path, target)
    assert done.aside == tmp_path / "cellar.sqlite.replaced-1"
    assert done.aside.read_text() == "this was a store once"
    assert done.aside.with_name("cellar.sqlite.replaced-1-wal").read_text() == "and this its log"
    assert values(path) == [f"change {n}" for n in range(1, 6)]


def test_a_backup_of_an_earlier_version_is_put_back_and_brought_up_to_date(tmp_path: Path) -> None:
    (tmp_path / "then").mkdir()
    target = a_store_of_version(1, tmp_path / "then")
    path = tmp_path / "cellar.sqlite"
    a_store(path, 2, epoch=8)
    done = restore(path, target)
    assert done.state is not None
    assert (done.state.epoch, done.state.number) == (8, 7)
    again = open_store(path)
    assert again.load_state() == done.state
    assert again.close()


def test_where_there_is_no_store_a_backup_makes_one(tmp_path: Path) -> None:
    path, target = tmp_path / "cellar.sqlite", tmp_path / "backup.sqlite"
    a_store(path, 5)
    path.rename(target)
    path.with_name("cellar.sqlite-wal").write_bytes(b"of a store that is gone")
    assert restore(path, target).aside is None
    assert values(path) == [f"change {n}" for n in range(1, 6)]
    assert is_sound(path)
