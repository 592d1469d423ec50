"""Where each batch is in its profile, for a process that dies while its machine lives.

The store is written once a minute, to spare the disk. This small file is written at every scan and never forced to
the disk: it lies in memory where the system offers a place for that, else beside the store. After a power cut it is
gone, torn or older than the store; then what the store has holds, and up to a minute of step time is counted again.
"""

import errno
import logging
import os
import zlib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from controller.control.codec import from_json, to_json
from controller.control.state import ProgramState, SiteState

LOG = logging.getLogger(__name__)

LATEST_AFTER_S = 120.0  # two commits; a longer way from the store's state means that another store was put in its place
_LARGEST_BYTES = 65_536


class Positions(NamedTuple):
    """The moment of a scan, and where its batches stood. `epoch` is the run's."""

    epoch: int
    now_s: float
    utc_s: float | None
    programs: Mapping[str, ProgramState]


class PositionsFile:
    """The file of one state directory; it is made when it is first written."""

    def __init__(self, state_dir: Path, memory_dir: Path | None) -> None:
        place = zlib.crc32(os.fsencode(state_dir.absolute()))
        self._path = memory_dir / f"cellarhand-{place:08x}.positions" if memory_dir else state_dir / "positions"
        self._descriptor: int | None = None
        self._failed = False

    def keep(self, state: SiteState) -> None:
        """Write a scan's positions over those of the one before. A disk that refuses is told once, and tried again."""
        programs = {name: vessel.program for name, vessel in state.vessels.items() if vessel.program}
        text = to_json(Positions(state.epoch, state.now_s, state.utc_s, programs)).encode()
        try:
            if self._descriptor is None:
                self._descriptor = _open_ours(self._path, os.O_RDWR | os.O_CREAT)
            os.pwrite(self._descriptor, b"%08x %06d %b\n" % (zlib.crc32(text), len(text), text), 0)
            self._failed = False
        except OSError as error:
            if not self._failed:
                LOG.warning("%s cannot be written: %s; a restart may count a minute twice", self._path, error.strerror)
            self._failed = True

    def read(self) -> Positions | None:
        """What was written last; None if there is nothing, or nothing whole."""
        try:
            with os.fdopen(_open_ours(self._path, os.O_RDONLY), "rb") as stream:
                checksum, length, rest = stream.read(_LARGEST_BYTES).split(b" ", 2)
            text = rest[: int(length)]
            return from_json(Positions, text.decode()) if zlib.crc32(text) == int(checksum, 16) else None
        except (OSError, ValueError):
            return None

    def close(self) -> None:
        """Remove the file: the store has all of it now."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None
            with suppress(OSError):
                self._path.unlink()


def memory_dir(environment: Mapping[str, str], shared: Path = Path("/dev/shm")) -> Path | None:
    """A directory in memory: the service manager's (systemd.exec(5), RUNTIME_DIRECTORY), the session's (XDG Base
    Directory Specification), or that of the machine (shm_overview(7)); None where there is none."""
    named = (Path(environment.get(name, "").partition(":")[0]) for name in ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"))
    return next((path for path in (*named, shared) if path.is_absolute() and os.access(path, os.W_OK)), None)


def _open_ours(path: Path, flags: int) -> int:
    """Open a file in a place where all may write: not through a link, and not what another user has put there.

    Raises:
        OSError: it cannot be opened, or is not ours.
    """
    descriptor = os.open(path, flags | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
    if os.fstat(descriptor).st_uid != os.geteuid():
        os.close(descriptor)
        raise PermissionError(errno.EPERM, "it belongs to another user", str(path))
    return descriptor


def goes_on_from(saved: SiteState, positions: Positions | None) -> bool:
    """Whether the newest scan of the same run came so soon after the saved state that the store took all of it."""
    if positions is None or positions.epoch != saved.epoch:
        return False
    return 0.0 <= positions.now_s - saved.now_s <= LATEST_AFTER_S


def put_forward(saved: SiteState, positions: Positions | None) -> SiteState:
    """The saved state, its clocks put forward to the newest scan where that was of the same run and step. A step that
    has changed since is not taken over: its own record is not in the store either, and it will change again.

    A run whose disk took nothing has still used its epoch: nodes would ignore a next run that used it again."""
    if positions is None:
        return saved
    if positions.epoch != saved.epoch:
        return saved._replace(epoch=max(saved.epoch, positions.epoch))
    if not goes_on_from(saved, positions):
        return saved
    vessels = {
        name: vessel._replace(program=newer)
        if vessel.program and (newer := positions.programs.get(name)) and newer.step == vessel.program.step
        else vessel
        for name, vessel in saved.vessels.items()
    }
    return saved._replace(now_s=positions.now_s, utc_s=positions.utc_s, vessels=vessels)
