"""The course of temperatures in the file: samples come in, minutes and quarters of an hour are made of them, and
what is too old goes out. All within the transactions of `database`.

Roll-ups are made from the rows in the file when a quarter of an hour is over, never from memory: made twice they
are the same, so that neither a kill nor a power cut leaves a gap or counts a row twice.
"""

import math
import sqlite3
from collections.abc import Iterable, Sequence

from controller.historian.sampler import Sample
from controller.installation import History

MINUTE_S, QUARTER_S = 60, 900
MOST_NAMES = 256  # the key has eight bits for them
_QUARTER = QUARTER_S * 256
# A row that the disk has damaged may have nothing where the table takes none, and would stop all roll-ups for good: it
# is left out. SQLite does not even look for NULL in a column that cannot have it; its type tells.
_WHOLE = "typeof(cooler) <> 'null' AND typeof(heater) <> 'null'"
PURGED_ROWS = 5000  # at a time: more than four times what ten vessels write in a quarter of an hour

_MINUTES = f"""INSERT OR REPLACE INTO minutes
SELECT key / 15360 * 15360 + (key & 255), round(avg(temperature)), min(temperature), max(temperature),
  round(avg(setpoint_low)), round(avg(setpoint_high)), round(avg(cooler)), round(avg(heater))
FROM samples WHERE key >= ? AND key < ? AND {_WHOLE} GROUP BY key / 15360, key & 255 ORDER BY 1"""
_QUARTERS = f"""INSERT OR REPLACE INTO quarters
SELECT key / 230400 * 230400 + (key & 255), round(avg(mean)), min(least), max(most),
  round(avg(setpoint_low)), round(avg(setpoint_high)), round(avg(cooler)), round(avg(heater))
FROM minutes WHERE key >= ? AND key < ? AND {_WHOLE} GROUP BY key / 230400, key & 255 ORDER BY 1"""


def roll_up(connection: sqlite3.Connection, from_s: int, to_s: int) -> None:
    """Makes minutes and quarters of the samples between two multiples of `QUARTER_S`."""
    bounds = (from_s * 256, to_s * 256)
    connection.execute(_MINUTES, bounds)
    connection.execute(_QUARTERS, bounds)


def rolled_up_to(connection: sqlite3.Connection) -> int:
    """The time up to which quarters are made, a multiple of `QUARTER_S`; 0 where none is."""
    (last,) = connection.execute("SELECT max(key) FROM quarters").fetchone()
    return 0 if last is None else last // 256 // QUARTER_S * QUARTER_S + QUARTER_S


class Trend:
    """Writes the tables vessels, samples, minutes and quarters of one open file."""

    def __init__(self, connection: sqlite3.Connection, history: History) -> None:
        self._connection = connection
        self._history = history
        self._names: dict[str, int] = dict(connection.execute("SELECT name, idx FROM vessels"))
        self._rolled_s = rolled_up_to(connection)

    def write(self, samples: Sequence[Sample]) -> bool:
        """Writes samples, which are in the order of time but for those that come late; True if they have ended a
        quarter of an hour, which is then rolled up. Samples under a new name find no place when there are 256
        names already."""
        if not samples:
            return False
        self._connection.executemany("INSERT OR REPLACE INTO samples VALUES (?,?,?,?,?,?)", list(self._rows(samples)))
        times_s = [sample.at_s for sample in samples]
        begun_s = max(times_s) // QUARTER_S * QUARTER_S
        from_s = min(self._rolled_s, min(times_s) // QUARTER_S * QUARTER_S)
        to_s = max(begun_s, self._rolled_s)
        if to_s <= from_s:
            return False
        roll_up(self._connection, from_s, to_s)
        self._rolled_s = to_s
        return True

    def purge(self, now_s: float, needed_since_s: float) -> None:
        """Deletes a portion of what is older than the history keeps. No record from `needed_since_s` on goes, nor
        what is not rolled up yet."""
        keep = self._history
        for table, keep_s in (("samples", keep.keep_samples_s), ("minutes", keep.keep_minutes_s)):
            self._purge_quarters(table, min(now_s - keep_s, self._rolled_s))
        if keep.keep_records_s is not None:
            self._connection.execute(
                "DELETE FROM records WHERE id IN (SELECT id FROM (SELECT id, at_s FROM records ORDER BY id LIMIT ?)"
                " WHERE at_s < ?)",
                (PURGED_ROWS, min(now_s - keep.keep_records_s, needed_since_s)),
            )

    def _purge_quarters(self, table: str, before_s: float) -> None:
        """Whole quarters of an hour, so that a reader finds either all of one in the finer table or none."""
        oldest = f"SELECT key FROM {table} ORDER BY key LIMIT ?"
        first, last = self._connection.execute(f"SELECT min(key), max(key) FROM ({oldest})", (PURGED_ROWS,)).fetchone()
        if first is not None:
            portion = max(last // _QUARTER, first // _QUARTER + 1)
            end = min(portion, math.floor(before_s) // QUARTER_S)
            self._connection.execute(f"DELETE FROM {table} WHERE key < ?", (end * _QUARTER,))

    def _rows(self, samples: Iterable[Sample]) -> Iterable[tuple[int | None, ...]]:
        for sample in samples:
            name = storable(sample.name)
            if name not in self._names:
                if len(self._names) >= MOST_NAMES:
                    continue
                self._names[name] = len(self._names)
                self._connection.execute("INSERT INTO vessels(idx, name) VALUES (?,?)", (self._names[name], name))
            key = sample.at_s * 256 + self._names[name]
            yield key, *map(_hundredths, sample[2:5]), sample.cooler_percent, sample.heater_percent


def storable(text: str) -> str:
    """SQLite keeps UTF-8, which has no place for half a surrogate pair out of somebody's broken JSON."""
    return text.encode("utf-8", "replace").decode()


def _hundredths(celsius: float | None) -> int | None:
    return None if celsius is None or not math.isfinite(celsius) else round(celsius * 100.0)
