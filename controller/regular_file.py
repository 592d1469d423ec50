"""Opening files that people name: a pipe, a device or a directory is refused, since it may keep the reader for ever."""

import errno
import os
import stat
from pathlib import Path
from typing import BinaryIO


def open_regular(path: Path) -> BinaryIO:
    """The file, opened for reading.

    Raises:
        OSError: it cannot be opened, or is no regular file; `strerror` says which.
        ValueError: no file can have that name.
    """
    mode = os.stat(path).st_mode
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "a pipe, a socket or a device, not a regular file")
    return open(path, "rb", opener=_at_once)


def _at_once(name: str, flags: int) -> int:
    return os.open(name, flags | os.O_NONBLOCK)  # somebody may put a pipe there at just this moment
