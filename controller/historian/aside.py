"""Moving a store out of the way without losing it."""

from pathlib import Path

SUFFIXES = ("-wal", "-shm", "")  # the file itself last: a power cut between leaves it to be found again


def free_name(path: Path, why: str) -> Path:
    """The first of `<name>.<why>-1`, `-2`, ... that there is not."""
    number = 1
    while (aside := path.with_name(f"{path.name}.{why}-{number}")).exists():
        number += 1
    return aside


def move_aside(path: Path, why: str) -> Path:
    """Renames the store and what SQLite keeps beside it; the new name.

    Raises:
        OSError: it cannot be renamed.
    """
    aside = free_name(path, why)
    for suffix in SUFFIXES:
        part = path.with_name(path.name + suffix)
        if part.exists():
            part.rename(aside.with_name(aside.name + suffix))
    return aside
