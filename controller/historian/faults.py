"""What can be wrong with the store, and how to say it to the person who has to do something about it."""

import sqlite3


class HistoryError(Exception):
    """The store cannot be used as it is; the text is for the brewer. Nothing was changed."""


class Damaged(sqlite3.DatabaseError):
    """The file is an SQLite file no more, or its content contradicts itself."""


class UnfitState(ValueError):
    """The state holds a number that is not finite: a fault of the program, not of the file."""


def is_damage(error: Exception) -> bool:
    """Whether the file itself is at fault, so that trying again cannot help. SQLITE_ERROR counts too: it says that
    a table or column is not what it was, or that the header asks for a file format that does not exist. So does
    UnicodeDecodeError: SQLite's message quotes a broken schema. And a key that is there twice: keys are only given
    where the file says that they are free, so a table and its index contradict each other."""
    if isinstance(error, (Damaged, UnicodeDecodeError)):
        return True
    code = getattr(error, "sqlite_errorcode", 0)
    return isinstance(error, sqlite3.Error) and (
        code in (sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY)
        or code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)
    )


def in_words(error: Exception) -> str:
    """What an error means, and what would help."""
    match getattr(error, "sqlite_errorcode", 0) & 0xFF:
        case sqlite3.SQLITE_FULL:
            return "the disk is full: make room"
        case sqlite3.SQLITE_READONLY:
            return "the file, its folder or the disk is read-only: let the service's user write there"
        case sqlite3.SQLITE_CANTOPEN | sqlite3.SQLITE_PERM:
            return "it cannot be opened: its folder must exist and the service's user must be able to write there"
        case sqlite3.SQLITE_IOERR:
            return "the disk reports an error or a limit: look at the system log, then for room, then for another disk"
        case sqlite3.SQLITE_BUSY | sqlite3.SQLITE_LOCKED:
            return "another program holds it: end that program"
    return str(error)
