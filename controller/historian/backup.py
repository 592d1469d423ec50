"""A copy of the store while the service runs, and the way back from one."""

import sqlite3
import zlib
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import NamedTuple

from controller.clock import new_epoch
from controller.control.codec import to_json
from controller.control.state import SiteState
from controller.historian.aside import SUFFIXES, free_name, move_aside
from controller.historian.database import check_owner, connect
from controller.historian.faults import HistoryError, in_words
from controller.historian.migrations import copy_store, sync
from controller.historian.query import read_saved_state
from controller.historian.reading import reading
from controller.historian.saved_state import read_state, take_apart, write_state
from controller.historian.store import lock, unlock

Progress = Callable[[int, int], object]  # pages left, pages in all


class Restored(NamedTuple):
    """What `restore` has put in place. `aside` is where the store that was there lies now; None if there was none."""

    state: SiteState | None
    aside: Path | None


def back_up(path: Path, target: Path, progress: Progress = lambda left, whole: None) -> None:
    """Copies the store, as it is at this moment, into one file; the service may go on writing. The copy is read
    through and found good before `target` appears.

    Raises:
        HistoryError: there is a `target` already, it cannot be written, or the store cannot be read or is damaged.
    """
    if target.exists():
        raise HistoryError(f"{target}: there is such a file already; name another; nothing was changed")
    if not target.parent.is_dir():
        raise HistoryError(
            f"{target}: there is no folder {target.parent}; make it, or name another; nothing was changed"
        )
    part = free_name(target, "unchecked")
    try:
        _copy(path, part, progress)
        check_backup(part)
        part.replace(target)
        sync(target.parent)
    except OSError as error:
        raise HistoryError(f"{target}: the copy cannot be written: {error.strerror}; nothing was changed") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _copy(path: Path, target: Path, progress: Progress) -> None:
    with reading(path, least_version=1) as connection:
        try:
            copy_store(connection, target, progress)
        except sqlite3.Error as error:
            raise HistoryError(
                f"{path} cannot be copied to {target}: {in_words(error)}; nothing was changed"
            ) from error


def check_backup(path: Path) -> SiteState | None:
    """The state in a store that nobody uses, after all of it was read through.

    Raises:
        HistoryError: it is no store, damaged, or of a later version; the text says so.
    """
    with reading(path, least_version=1) as connection:
        if check_owner(connection, path) is None:
            raise HistoryError(f"{path}: the file is empty, and no store of this program")
        findings = [text for (text,) in connection.execute("PRAGMA integrity_check(3)")]
        if findings != ["ok"]:
            raise HistoryError(f"{path}: the store is damaged: {'; '.join(findings)}")
        read_state(connection)
    return read_saved_state(path)


def restore(
    path: Path,
    backup: Path,
    progress: Progress = lambda left, whole: None,
    epoch_now: Callable[[], int] = new_epoch,
) -> Restored:
    """Puts a copy of `backup` in the place of the store, which is moved to `<name>.replaced-<n>`. A power cut at any
    instant leaves the one or the other in place. The epoch of commands does not go back: nodes obey the highest only.
    Where no store is left to tell how far it had come, it goes on from `epoch_now`.

    Raises:
        HistoryError: a service uses the store, or the backup is not good or cannot be copied; nothing was changed.
    """
    if not path.parent.is_dir():
        raise HistoryError(f"{path}: there is no folder {path.parent}; make it, or name another file")
    held = lock(path)
    try:
        state = check_backup(backup)
        coming = free_name(path, "coming")
        try:
            _copy(backup, coming, progress)
            state = _with_latest_epoch(path, coming, state, epoch_now)
            aside = _put_in_place(path, coming)
        finally:
            coming.unlink(missing_ok=True)
    except OSError as error:
        raise HistoryError(f"{path}: the backup cannot be put there: {error.strerror}; nothing was changed") from error
    except HistoryError as error:
        raise HistoryError(f"{error}; the store {path} was not changed") from error
    finally:
        unlock(held)
    return Restored(state, aside)


def _with_latest_epoch(
    path: Path, coming: Path, state: SiteState | None, epoch_now: Callable[[], int]
) -> SiteState | None:
    """Nodes of our own ignore commands of an epoch that is over (design rule 10), so that of the store goes on."""
    try:
        present = read_saved_state(path)
    except HistoryError:
        present = None
    latest = epoch_now() if present is None else present.epoch
    if state is None or latest <= state.epoch:
        return state
    state = state._replace(epoch=latest)
    try:
        with closing(connect(coming)) as connection:
            if check_owner(connection, coming) == 1:
                text = to_json(state)
                connection.execute("UPDATE state SET json = ?, crc32 = ?", (text, zlib.crc32(text.encode())))
            else:
                connection.execute("BEGIN IMMEDIATE")
                write_state(connection, take_apart(state), {})
                connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise HistoryError(f"{coming}: the epoch cannot be written: {in_words(error)}") from error
    sync(coming)
    return state


def _put_in_place(path: Path, coming: Path) -> Path | None:
    if not path.exists():
        for suffix in SUFFIXES[:-1]:  # without the file itself, what lies beside it is of no use
            path.with_name(path.name + suffix).unlink(missing_ok=True)
        coming.replace(path)
        sync(path.parent)
        return None
    with suppress(sqlite3.Error), closing(connect(path)) as connection:  # folds the log into the file
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    aside = free_name(path, "replaced")
    if path.with_name(path.name + "-wal").exists():  # a damaged store: its parts stay together
        aside = move_aside(path, "replaced")
    else:
        try:
            aside.hardlink_to(path)  # so that there is a store at every instant
        except OSError:  # a file system without links
            path.rename(aside)
    coming.replace(path)
    sync(path.parent)
    return aside
