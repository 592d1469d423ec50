"""Where each batch is in its profile, for a process that dies while its machine lives.

The store is written once a minute, to spare the disk. This small file is written at every scan and never forced to
the disk: it lies in memory where the system offers a place for that, else beside the store. After a power cut it is
gone, torn or older than the store; then what the store has holds, and up to a minute of step time is counted again.
"""

import logging
import os
import zlib
from collections.abc import Mapping
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
                # Never through a link that somebody else has laid where all may write.
                flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
                self._descriptor = os.open(self._path, flags, 0o600)
            os.pwrite(self._descriptor, b"%08x %06d %b\n" % (zlib.crc32(text), len(text), text), 0)
            self._failed = False
        except OSError as error:
            if not self._failed:
                LOG.warning("%s cannot be written: %s; a restart may count a minute twice", self._path, error.strerror)
            self._failed = True

    def read(self) -> Positions | None:
        """What was written last; None if there is nothing, or nothing whole."""
        try:
            with self._path.open("rb") as stream:
                checksum, length, rest = stream.read(_LARGEST_BYTES).split(b" ", 2)
            text = rest[: int(length)]
            return from_json(Positions, text.decode()) if zlib.crc32(text) == int(checksum, 16) else None
        except (OSError, ValueError):
            return None

    def close(self) -> None:
        """Close the file; it stays where it is."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def memory_dir(environment: Mapping[str, str]) -> Path | None:
    """A directory in memory that is ours alone: the service manager's (systemd.exec(5), RUNTIME_DIRECTORY) or the
    session's (XDG Base Directory Specification); None where there is none."""
    for name in ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
        path = Path(environment.get(name, "").partition(":")[0])
        if path.is_absolute() and os.access(path, os.W_OK):
            return path
    return None


def put_forward(saved: SiteState, positions: Positions | None) -> SiteState:
    """The saved state, its clocks put forward to the newest scan where that was of the same run and step. A step that
    has changed since is not taken over: its own record is not in the store either, and it will change again."""
    if positions is None or positions.epoch != saved.epoch:
        return saved
    if not 0.0 <= positions.now_s - saved.now_s <= LATEST_AFTER_S:
        return saved
    vessels = {
        name: vessel._replace(program=newer)
        if vessel.program and (newer := positions.programs.get(name)) and newer.step == vessel.program.step
        else vessel
        for name, vessel in saved.vessels.items()
    }
    return saved._replace(now_s=positions.now_s, utc_s=positions.utc_s, vessels=vessels)
