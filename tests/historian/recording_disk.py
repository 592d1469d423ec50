"""A disk that remembers, in order, what SQLite writes and when it asks for it to be on the platter.

SQLite reaches the disk through a table of functions, its VFS (https://www.sqlite.org/vfs.html; the structs are those of
https://www.sqlite.org/c3ref/vfs.html and https://www.sqlite.org/c3ref/io_methods.html). This one is the usual one of
the system with four functions replaced: open, write, truncate, sync (and delete) note what they do and pass it on. It
is registered in the very library that Python's sqlite3 uses.
"""

import ctypes
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

NAME = "recording"
_SECTOR = 512  # what a disk writes whole or not at all, at the least


class Did(NamedTuple):
    """One thing that SQLite did to a file: "write", "truncate" (`at` is the new size), "sync", "delete"; or
    "confirmed", which is for the test to note (`at` says what)."""

    what: str
    file: str
    at: int = 0
    data: bytes = b""


_int, _i64, _ptr = ctypes.c_int, ctypes.c_int64, ctypes.c_void_p
_Write = ctypes.CFUNCTYPE(_int, _ptr, _ptr, _int, _i64)
_Truncate = ctypes.CFUNCTYPE(_int, _ptr, _i64)
_Sync = ctypes.CFUNCTYPE(_int, _ptr, _int)
_Open = ctypes.CFUNCTYPE(_int, _ptr, _ptr, _ptr, _int, _ptr)
_Delete = ctypes.CFUNCTYPE(_int, _ptr, ctypes.c_char_p, _int)


class _Methods(ctypes.Structure):
    _fields_ = (
        ("version", _int),
        ("close", _ptr),
        ("read", _ptr),
        ("write", _ptr),
        ("truncate", _ptr),
        ("sync", _ptr),
        ("others", _ptr * 13),  # to xUnfetch of version 3
    )


class _Vfs(ctypes.Structure):
    _fields_ = (
        ("version", _int),
        ("file_bytes", _int),
        ("path_bytes", _int),
        ("next", _ptr),
        ("name", ctypes.c_char_p),
        ("data", _ptr),
        ("open", _ptr),
        ("delete", _ptr),
        ("others", _ptr * 13),  # to xNextSystemCall of version 3
    )


class RecordingDisk:
    """What SQLite did, in `did`. Use by opening `file:...?vfs=recording`. `the_recording_disk` makes the one of a
    process: SQLite keeps the address of a VFS, which must not go away."""

    def __init__(self) -> None:
        self.did: list[Did] = []
        import _sqlite3

        self._library = ctypes.CDLL(getattr(_sqlite3, "__file__", None))
        self._library.sqlite3_vfs_find.restype = ctypes.POINTER(_Vfs)
        self._usual: Any = self._library.sqlite3_vfs_find(None)
        self._alive: list[Any] = []
        self._methods: dict[tuple[int, str], _Methods] = {}
        self._vfs = _Vfs.from_buffer_copy(self._usual.contents)
        self._vfs.name = NAME.encode()
        self._vfs.next = None
        self._vfs.open = self._callback(_Open, self._open)
        self._vfs.delete = self._callback(_Delete, self._delete)
        if self._library.sqlite3_vfs_register(ctypes.byref(self._vfs), 0):
            raise RuntimeError("SQLite does not take the VFS")

    def _callback(self, kind: Any, function: Callable[..., int]) -> int:
        callback = kind(function)
        self._alive.append(callback)
        address: int = ctypes.cast(callback, _ptr).value or 0
        return address

    def _open(self, vfs: int, path: int | None, file: int, flags: int, out: int) -> int:
        usual: Any = ctypes.cast(self._usual.contents.open, _Open)
        code = int(usual(ctypes.addressof(self._usual.contents), path, file, flags, out))
        if code == 0 and path:
            name = Path(ctypes.string_at(path).decode()).name
            methods = ctypes.cast(file, ctypes.POINTER(_ptr))
            methods[0] = ctypes.addressof(self._recording(int(methods[0] or 0), name))
        return code

    def _recording(self, methods: int, name: str) -> _Methods:
        key = (methods, name)
        if key not in self._methods:
            usual = _Methods.from_address(methods)
            write: Any = ctypes.cast(usual.write, _Write)
            truncate: Any = ctypes.cast(usual.truncate, _Truncate)
            sync: Any = ctypes.cast(usual.sync, _Sync)

            def note_write(file: int, data: int, count: int, at: int) -> int:
                self.did.append(Did("write", name, at, ctypes.string_at(data, count)))
                return int(write(file, data, count, at))

            def note_truncate(file: int, size: int) -> int:
                self.did.append(Did("truncate", name, size))
                return int(truncate(file, size))

            def note_sync(file: int, flags: int) -> int:
                code = int(sync(file, flags))
                self.did.append(Did("sync", name))
                return code

            copy = _Methods.from_buffer_copy(usual)
            copy.write = self._callback(_Write, note_write)
            copy.truncate = self._callback(_Truncate, note_truncate)
            copy.sync = self._callback(_Sync, note_sync)
            self._methods[key] = copy
        return self._methods[key]

    def _delete(self, vfs: int, path: bytes, sync_folder: int) -> int:
        usual: Any = ctypes.cast(self._usual.contents.delete, _Delete)
        code = int(usual(ctypes.addressof(self._usual.contents), path, sync_folder))
        if code == 0:
            self.did.append(Did("delete", Path(path.decode()).name))
        return code


@cache
def the_recording_disk() -> RecordingDisk:
    """The one of this process; whoever uses it clears `did` first."""
    return RecordingDisk()


class Platter:
    """What is on the disk for certain, and what may be: all that was written since the last sync of its file."""

    def __init__(self) -> None:
        self._certain: dict[str, bytearray] = {}
        self._pending: dict[str, list[Did]] = {}

    def do(self, did: Did) -> None:
        """Takes one deed in."""
        if did.what in ("write", "truncate"):
            self._pending.setdefault(did.file, []).append(did)
        elif did.what == "sync":
            content = self._certain.setdefault(did.file, bytearray())
            for each in self._pending.pop(did.file, []):
                _apply(content, each)
        elif did.what == "delete":
            self._certain.pop(did.file, None)
            self._pending.pop(did.file, None)

    def cut(self, folder: Path, fate: Callable[[str, int], str]) -> None:
        """The power goes: writes the files as they are found afterwards. Each sector that was not certain meets its
        `fate` (file, how many came before it since the sync): "new", "old", or "garbage"."""
        for file in {*self._certain, *self._pending}:
            content = bytearray(self._certain.get(file, b""))
            pieces = [piece for did in self._pending.get(file, []) for piece in _sectors(did)]
            for number, piece in enumerate(pieces):
                match fate(file, number):
                    case "new":
                        _apply(content, piece)
                    case "garbage":
                        _apply(content, piece._replace(data=bytes(byte ^ 0xA5 for byte in piece.data)))
            (folder / file).write_bytes(content)


def _sectors(did: Did) -> list[Did]:
    """A write in pieces that each lie in one sector."""
    if did.what != "write":
        return [did]
    pieces, at = [], did.at
    while at < did.at + len(did.data):
        end = min((at // _SECTOR + 1) * _SECTOR, did.at + len(did.data))
        pieces.append(did._replace(at=at, data=did.data[at - did.at : end - did.at]))
        at = end
    return pieces


def _apply(content: bytearray, did: Did) -> None:
    if did.what == "truncate":
        del content[did.at :]
        return
    if len(content) < did.at:
        content.extend(bytes(did.at - len(content)))
    content[did.at : did.at + len(did.data)] = did.data


assert sys.maxsize > 2**32, "the structs are written down for 64 bits"
