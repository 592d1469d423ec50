"""The course of temperatures: samples, minutes, quarters of an hour, and how long each is kept.

The expected figures are sums done by hand, or SQLite's own over the samples, through a connection of the tests' own.
"""

import math
import os
import random
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from controller.control.values import Record, RecordKind
from controller.historian import trend
from controller.historian.database import Batch, Database, open_database
from controller.historian.query import RecordFilter, read_records, read_trend
from controller.historian.sampler import Sample
from controller.installation import History
from tests.historian.cellars import a_record, a_sample, brewing

ROOT = Path(__file__).parents[2]
DAY_S, HOUR_S = 86400, 3600


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "cellar.sqlite"


def opened(path: Path, history: History | None = None) -> Database:
    return open_database(path, history or History())[0]


def samples(from_s: int, to_s: int, *names: str) -> list[Sample]:
    """A slow swing of 2 K in a quarter of a day, and a cooler that is on in the first ten seconds of each minute."""
    return [
        Sample(at_s, name, 18.0 + math.sin(at_s / 3437.7), 17.0, 19.0, 100 if at_s % 60 == 0 else 0, 0)
        for at_s in range(from_s, to_s, 10)
        for name in names or ("one",)
    ]


def minute_by_minute(database: Database, from_s: int, to_s: int, *names: str) -> None:
    """As the service writes: a commit a minute."""
    for at_s in range(from_s, to_s, 60):
        state = brewing(float(at_s + 60), names=names or ("one",))
        database.write(Batch(state, (), samples(at_s, at_s + 60, *names), ()))


def asked(path: Path, question: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(question).fetchall()


def rolled_up_anew(path: Path, table: str) -> list[tuple[object, ...]]:
    """What a table of roll-ups should hold, as SQLite reckons it from the samples."""
    seconds, source = {"minutes": (60, "samples"), "quarters": (900, "minutes")}[table]
    values = "avg(temperature), min(temperature), max(temperature)"
    if table == "quarters":
        values = "avg(mean), min(least), max(most)"
    rolled_s = "(SELECT max(key) / 256 / 900 * 900 FROM samples)"
    return asked(
        path,
        f"SELECT key / 256 / {seconds} * {seconds} * 256 + key % 256, {values}, avg(cooler) FROM {source}"
        f" WHERE key / 256 < {rolled_s} GROUP BY 1 ORDER BY 1",
    )


def assert_rolled_up(path: Path) -> None:
    for table in ("minutes", "quarters"):
        found = asked(path, f"SELECT key, mean, least, most, cooler FROM {table} ORDER BY key")
        expected = rolled_up_anew(path, table)
        assert [row[0] for row in found] == [row[0] for row in expected]
        for row, wanted in zip(found, expected, strict=True):
            assert row == pytest.approx(wanted, abs=0.51)  # whole hundredths and whole percent


def test_a_quarter_of_an_hour_keeps_mean_and_both_ends(path: Path) -> None:
    """890 s at 18 °C and ten at 23 °C: a mean of 18.06 °C, the overshoot still in sight."""
    database = opened(path)
    quiet = [a_sample(at_s, celsius=18.0) for at_s in range(0, 890, 10)]
    database.write(Batch(brewing(900.0), (), [*quiet, a_sample(890, celsius=23.0), a_sample(900)], ()))
    database.close()
    assert asked(path, "SELECT key, mean, least, most FROM quarters") == [(0, 1806, 1800, 2300)]
    assert asked(path, "SELECT mean, least, most FROM minutes WHERE key = 840 * 256") == [(1883, 1800, 2300)]


def test_roll_ups_are_what_the_samples_say_however_they_came_in(path: Path) -> None:
    database = opened(path)
    minute_by_minute(database, 0, 2 * HOUR_S, "one", "bath/top")
    database.close()
    database = opened(path)  # a stop, and a start 47 minutes later, in the middle of a quarter
    minute_by_minute(database, 2 * HOUR_S + 47 * 60, 4 * HOUR_S, "one", "bath/top")
    database.close()
    assert_rolled_up(path)
    assert asked(path, "SELECT count(*) FROM quarters") == [(2 * (8 + 4),)]


def test_samples_that_come_late_are_rolled_up_too(path: Path) -> None:
    """A disk that was full for an hour: what waited comes in one piece, and once more by mistake."""
    database = opened(path)
    minute_by_minute(database, 0, HOUR_S)
    late = samples(HOUR_S, 3 * HOUR_S)
    database.write(Batch(brewing(3.0 * HOUR_S), (), late, ()))
    database.write(Batch(brewing(3.0 * HOUR_S), (), late[:90], ()))
    minute_by_minute(database, 3 * HOUR_S, 4 * HOUR_S)
    database.close()
    assert_rolled_up(path)
    assert asked(path, "SELECT count(*) FROM samples") == [(4 * 360,)]


BREW_FOR_EVER = """
import sys
from pathlib import Path
from tests.historian.test_trend import asked, minute_by_minute, opened
path = Path(sys.argv[1])
database = opened(path)
last = asked(path, "SELECT max(key) / 256 FROM samples")[0][0]
at_s = 0 if last is None else last + 10
while True:
    minute_by_minute(database, at_s, at_s + 60)
    at_s += 60
    print(at_s, flush=True)
"""


def test_killed_at_any_instant_no_quarter_is_missing_and_none_counted_twice(path: Path) -> None:
    """Four times with SIGKILL, at random. Each time the next service goes on where the samples end."""
    chance = random.Random(7)
    for _ in range(4):
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-c", BREW_FOR_EVER, str(path)]
        with subprocess.Popen(command, env=environment, cwd=ROOT, text=True, stdout=subprocess.PIPE) as service:
            assert service.stdout
            said = [int(service.stdout.readline()) for _ in range(chance.randint(20, 60))]
            service.send_signal(signal.SIGKILL)
            said += [int(line) for line in service.stdout if line.endswith("\n")]
        ((count, last),) = asked(path, "SELECT count(*), max(key) / 256 FROM samples")
        assert isinstance(last, int)
        assert last >= said[-1] - 10
        assert count == last // 10 + 1
        assert_rolled_up(path)


def test_a_month_comes_from_quarters_a_day_from_minutes_an_hour_from_samples(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each is spoilt in turn, to see which one answers."""
    database = opened(path)
    minute_by_minute(database, 0, 3 * HOUR_S)
    database.close()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE samples SET temperature = 1000")
        connection.execute("UPDATE minutes SET mean = 2000")
        connection.execute("UPDATE quarters SET mean = 3000")
    assert {point.mean_c for point in read_trend(path, "one", 0.0, 2.0 * HOUR_S, 400)} == {10.0}
    assert {point.mean_c for point in read_trend(path, "one", 0.0, 2.0 * HOUR_S, 120)} == {20.0}
    assert {point.mean_c for point in read_trend(path, "one", 0.0, 2.0 * HOUR_S, 8)} == {30.0}


def test_what_is_not_rolled_up_yet_is_in_the_months_plot_all_the_same(path: Path) -> None:
    database = opened(path)
    minute_by_minute(database, 0, HOUR_S + 600)
    database.close()
    points = read_trend(path, "one", 0.0, HOUR_S + 900.0, 5)
    assert [point.at_s for point in points] == [0.0, 900.0, 1800.0, 2700.0, 3600.0]
    assert points[-1].most_c == pytest.approx(18.0 + math.sin((HOUR_S + 590) / 3437.7), abs=0.01)


def test_what_was_thrown_away_is_drawn_from_what_is_left(path: Path) -> None:
    """Samples for an hour, minutes for three: two hours ago a day's plot still has its minutes, five hours ago only
    its quarters, and nothing is drawn twice."""
    database = opened(path, History(keep_samples_s=HOUR_S, keep_minutes_s=3 * HOUR_S))
    minute_by_minute(database, 0, 6 * HOUR_S)
    database.close()
    points = read_trend(path, "one", 0.0, 6.0 * HOUR_S, 360)
    times = [point.at_s for point in points]
    assert times[:11] == [900.0 * n for n in range(11)]
    assert times[-180:] == [6 * HOUR_S - 60.0 * n for n in range(180, 0, -1)]
    assert times == sorted(set(times))
    for point in points:
        assert point.mean_c == pytest.approx(18.0 + math.sin(point.at_s / 3437.7), abs=0.3)


def test_each_table_is_kept_as_long_as_the_site_file_says(path: Path) -> None:
    database = opened(path, History(keep_samples_s=2 * HOUR_S, keep_minutes_s=4 * HOUR_S))
    minute_by_minute(database, 0, 8 * HOUR_S)
    minute_by_minute(database, 8 * HOUR_S, 8 * HOUR_S + 60)
    database.close()
    first = [asked(path, f"SELECT min(key) / 256 FROM {table}")[0][0] for table in ("samples", "minutes", "quarters")]
    assert first == [6 * HOUR_S, 4 * HOUR_S, 0]
    assert asked(path, "SELECT count(*) FROM quarters") == [(32,)]


def test_a_long_backlog_goes_in_small_portions(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Somebody shortens two days to an hour: no commit deletes more than a portion, and all of it goes at last."""
    monkeypatch.setattr(trend, "PURGED_ROWS", 1000)
    database = opened(path)
    database.write(Batch(brewing(2.0 * DAY_S), (), samples(0, 2 * DAY_S), ()))
    database.close()
    database = opened(path, History(keep_samples_s=HOUR_S))
    left = [int(str(asked(path, "SELECT count(*) FROM samples")[0][0]))]
    for quarter in range(40):
        at_s = 2 * DAY_S + 900 * quarter
        database.write(Batch(brewing(at_s + 900.0), (), samples(at_s, at_s + 900), ()))
        left.append(int(str(asked(path, "SELECT count(*) FROM samples")[0][0])))
    database.close()
    assert max(before + 90 - after for before, after in pairwise(left)) <= 1000
    assert left[-1] <= 360 + 2 * 90


@pytest.mark.parametrize(("brewing_since_s", "oldest_s"), [(None, 5 * DAY_S), (2.0 * DAY_S, 2 * DAY_S)])
def test_no_record_goes_that_a_running_batch_began_with(
    path: Path, brewing_since_s: float | None, oldest_s: int
) -> None:
    database = opened(path, History(keep_records_s=DAY_S))
    records = [a_record(n, float(n * HOUR_S)) for n in range(6 * 24)]
    state = brewing(6.0 * DAY_S)
    vessel = state.vessels["one"]
    batch = vessel.batch._replace(started_s=brewing_since_s) if vessel.batch and brewing_since_s is not None else None
    state = state._replace(vessels={"one": vessel._replace(batch=batch)})
    database.write(Batch(state, records, samples(6 * DAY_S - 60, 6 * DAY_S), ()))
    database.write(Batch(state, (), samples(6 * DAY_S, 6 * DAY_S + 60), ()))
    database.close()
    kept = read_records(path, RecordFilter(limit=None))
    assert min(record.at_s for record in kept) == oldest_s
    assert max(record.at_s for record in kept) == (6 * 24 - 1) * HOUR_S


def test_records_are_kept_for_ever_unless_the_site_file_says_otherwise(path: Path) -> None:
    database = opened(path)
    first = Record(0.0, None, "one", RecordKind.BATCH, "1", "started", "the first of all")
    database.write(Batch(brewing(0.0), [first], (), ()))
    database.write(Batch(brewing(1e9), (), samples(10**9, 10**9 + 1800), ()))
    database.close()
    assert read_records(path) == (first,)


def test_a_damaged_row_is_left_out_and_stops_no_roll_up() -> None:
    """What no table takes, a disk may leave in it: here a share of the cooler that is nothing."""
    with closing(sqlite3.connect(":memory:")) as connection:
        columns = "key INTEGER PRIMARY KEY, temperature, setpoint_low, setpoint_high, cooler, heater"
        connection.execute(f"CREATE TABLE samples ({columns})")
        for table in ("minutes", "quarters"):
            connection.execute(
                f"CREATE TABLE {table} (key INTEGER PRIMARY KEY, mean, least, most, setpoint_low, setpoint_high,"
                " cooler NOT NULL, heater NOT NULL)"
            )
        rows = [(at_s * 256, 1900 + at_s, 1900, 1900, 40 if at_s != 30 else None, 0) for at_s in (0, 10, 30, 60)]
        rows.append((120 * 256, 1900, 1900, 1900, None, 0))
        connection.executemany("INSERT INTO samples VALUES (?,?,?,?,?,?)", rows)
        trend.roll_up(connection, 0, 900)
        minutes = connection.execute("SELECT key / 256, mean, cooler FROM minutes ORDER BY key").fetchall()
        assert minutes == [(0, 1905, 40), (60, 1960, 40)]
        assert len(connection.execute("SELECT * FROM quarters").fetchall()) == 1
