"""What the service writes is there when it is read, and the file is what its documentation says.

The file is judged by SQLite itself (https://www.sqlite.org/pragma.html#pragma_integrity_check) through
connections of the tests' own.
"""

import json
import sqlite3
import threading
import zlib
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.control.values import Record, RecordKind
from controller.historian import pending
from controller.historian import store as historian_store
from controller.historian.faults import HistoryError
from controller.historian.query import RecordFilter, read_records, read_trend
from controller.historian.sampler import Sample
from controller.historian.store import Store, open_store
from tests.historian.cellars import FRIDAY, a_record, a_sample, brewing, scans


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "cellar.sqlite"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    opened = open_store(path)
    yield opened
    opened.close()


def asked(path: Path, question: str) -> list[tuple[object, ...]]:
    """What SQLite answers to somebody who knows nothing of ours."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(question).fetchall()


def test_a_new_store_has_no_state_and_is_healthy(store: Store, path: Path) -> None:
    assert store.load_state() is None
    assert store.health() == (True, "", 0, 0, 0, 0, None)
    assert read_records(path) == ()


def test_the_service_goes_on_from_the_last_state(path: Path) -> None:
    first = open_store(path)
    for state, record in scans(1, 50):
        first.save(state, [record], durable=True)
    assert first.close()
    second = open_store(path)
    assert second.load_state() == brewing(250.0, number=50)
    second.close()


def test_a_scan_without_events_is_written_when_the_commit_time_is_over(
    store: Store, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert pending.COMMIT_S == 60.0  # what a power cut may take of the trend
    monkeypatch.setattr(historian_store, "COMMIT_S", 0.05)
    store.save(brewing(0.0, number=1))
    assert store.flush(10.0)
    for number in range(2, 14):
        store.save(brewing(5.0 * (number - 1), number=number))
    idle = threading.Event()
    while asked(path, "SELECT at_s FROM state") != [(60.0,)]:  # nobody asks the thread: it writes by itself
        idle.wait(0.01)
    assert asked(path, "SELECT at_s FROM state") == [(60.0,)]


def test_a_record_does_not_wait_for_the_minute(store: Store, path: Path) -> None:
    store.save(brewing(0.0))
    store.flush(10.0)
    store.save(brewing(5.0), [a_record(1)])
    idle = threading.Event()
    while not read_records(path):
        idle.wait(0.01)
    assert asked(path, "SELECT at_s FROM state") == [(5.0,)]


def test_records_come_back_newest_first_and_can_be_picked(store: Store, path: Path) -> None:
    other = Record(7.0, FRIDAY, "two", RecordKind.ALARM, "deviation", "active", "1.2 K above setpoint", "page")
    store.save(brewing(7.0), [a_record(1, 5.0), a_record(2, 6.0), other])
    store.flush(10.0)
    assert read_records(path) == (other, a_record(2, 6.0), a_record(1, 5.0))
    assert read_records(path, RecordFilter(since_s=6.0, vessel="one")) == (a_record(2, 6.0),)
    assert read_records(path, RecordFilter(kinds=frozenset([RecordKind.ALARM]))) == (other,)
    assert read_records(path, RecordFilter(limit=2)) == (other, a_record(2, 6.0))
    assert read_records(path, RecordFilter(vessel="")) == ()


def test_text_that_is_not_text_is_kept_as_far_as_it_goes(store: Store, path: Path) -> None:
    """A note from a hostile client: half a surrogate pair, a zero byte, an end of statement."""
    store.save(brewing(), [a_record(1)._replace(reason="a\ud800b\x00c'); DROP TABLE records; --")])
    assert store.flush(10.0)
    assert read_records(path)[0].reason == "a?b\x00c'); DROP TABLE records; --"


def test_the_state_in_the_file_can_be_read_and_checked_by_others(store: Store, path: Path) -> None:
    store.save(brewing(5.0, FRIDAY, 3), durable=True)
    store.flush(10.0)
    ((at_s, utc_s, packed, crc32),) = asked(path, "SELECT at_s, utc_s, json, crc32 FROM state")
    assert (at_s, utc_s) == (5.0, FRIDAY)
    assert isinstance(packed, bytes)
    text = zlib.decompress(packed)
    parts = asked(path, "SELECT name || json FROM state_parts ORDER BY name")
    assert zlib.crc32("".join([text.decode(), *(str(part) for (part,) in parts)]).encode()) == crc32
    assert json.loads(text)["vessels"]["one"]["condition"] == "running"
    batch = "SELECT json_extract(json, '$.name') FROM state_parts WHERE name = 'batch/one'"
    assert asked(path, batch) == [("44",)]


def test_the_tables_are_documented_in_the_file_itself(store: Store, path: Path) -> None:
    (text,) = zip(*asked(path, "SELECT sql FROM sqlite_master WHERE name = 'samples'"), strict=True)
    assert "at_s of the interval's start * 256 + vessels.idx" in str(text)
    assert asked(path, "SELECT schema_version FROM meta") == [(2,)]
    assert asked(path, "PRAGMA integrity_check") == [("ok",)]


def test_a_trend_is_found_again_by_vessel_and_time(store: Store, path: Path) -> None:
    samples = [
        Sample(60 * n + 30 * half, name, 9.5 + n + half, 18.0, 22.0, 100 * half, 0)
        for n in range(10)
        for half in (0, 1)
        for name in "ab"
    ]
    store.save(brewing(600.0), samples=samples)
    store.flush(10.0)
    points = read_trend(path, "b", 120.0, 360.0, 2)
    assert [point.at_s for point in points] == [120.0, 240.0]
    assert [point.mean_c for point in points] == [12.5, 14.5]
    assert [(point.least_c, point.most_c) for point in points] == [(11.5, 13.5), (13.5, 15.5)]
    assert (points[0].setpoint_low_c, points[0].setpoint_high_c, points[0].cooler_percent) == (18.0, 22.0, 50.0)
    assert read_trend(path, "nobody", 0.0, 600.0, 2) == ()
    assert read_trend(path, "b", 600.0, 0.0, 2) == ()
    assert read_trend(path, "b", 5000.0, 6000.0, 2) == ()


def means(values: dict[int, list[float]], length_s: int) -> dict[int, list[float]]:
    """The mean of each interval that has one, by the start of the longer interval that it lies in."""
    found: dict[int, list[float]] = {}
    for at_s, each in sorted(values.items()):
        found.setdefault(at_s // length_s * length_s, []).append(sum(each) / len(each))
    return found


@settings(deadline=None, max_examples=40)
@given(
    rows=st.dictionaries(
        st.tuples(st.integers(0, 90), st.sampled_from("abc")), st.none() | st.floats(-40.0, 120.0), max_size=60
    ),
    buckets=st.sampled_from([1, 2, 4, 5, 12, 60]),
)
def test_buckets_say_the_same_as_the_rows(
    tmp_path_factory: pytest.TempPathFactory, rows: dict[tuple[int, str], float | None], buckets: int
) -> None:
    """Ninety minutes, of which an hour is asked for; some of it rolled up, some not. Against a plain count over the
    samples; 0.005 K is half of the stored hundredth, and it is rounded to at most three times."""
    path = tmp_path_factory.mktemp("trend") / "cellar.sqlite"
    store = open_store(path)
    store.save(
        brewing(), samples=[a_sample(60 * minute, name, celsius) for (minute, name), celsius in sorted(rows.items())]
    )
    assert store.close()
    length_s = 3600 // buckets
    known = {60 * minute: [value] for (minute, name), value in rows.items() if name == "b" and value is not None}
    hour = {at_s: value for at_s, value in known.items() if at_s < 3600}
    mean = means(means(hour, 900), length_s) if length_s >= 900 else means(hour, length_s)
    points = {round(p.at_s): p for p in read_trend(path, "b", 0.0, 3600.0, buckets) if p.mean_c is not None}
    assert points.keys() == mean.keys()
    for at_s, point in points.items():
        values = [value for key, (value,) in hour.items() if at_s <= key < at_s + length_s]
        assert point.mean_c == pytest.approx(sum(mean[at_s]) / len(mean[at_s]), abs=0.0151)
        assert point.least_c == pytest.approx(min(values), abs=0.0051)
        assert point.most_c == pytest.approx(max(values), abs=0.0051)


def test_minutes_get_their_utc_even_where_the_clock_was_set_late_and_the_service_stood_still(path: Path) -> None:
    """Two runs. Each starts before UTC is trusted; between them the service was off for 10 000 s."""
    first = open_store(path)
    first.save(brewing(0.0), samples=[a_sample(0)])
    first.save(brewing(120.0, FRIDAY + 120.0), samples=[a_sample(60), a_sample(120)])
    first.save(brewing(600.0, FRIDAY + 600.9), samples=[a_sample(600)])  # less than two seconds: no jump
    first.close()
    second = open_store(path)
    second.save(brewing(660.0), samples=[a_sample(660)])
    second.save(brewing(720.0, FRIDAY + 10_720.0), samples=[a_sample(720)])
    second.close()
    third = open_store(path)
    third.save(brewing(780.0), samples=[a_sample(780)])
    third.close()
    points = read_trend(path, "one", 0.0, 900.0, 15)
    utc = {point.at_s: point.utc_s for point in points}
    assert utc == {
        0.0: FRIDAY,
        60.0: FRIDAY + 60.0,
        120.0: FRIDAY + 120.0,
        600.0: FRIDAY + 600.0,
        660.0: FRIDAY + 10_660.0,
        720.0: FRIDAY + 10_720.0,
        780.0: None,
    }


def test_more_names_than_the_key_has_room_for_are_left_out_and_the_rest_is_kept(store: Store, path: Path) -> None:
    store.save(brewing(), samples=[a_sample(0, f"v{n}") for n in range(300)])
    assert store.flush(10.0)
    assert asked(path, "SELECT count(*), max(key & 255) FROM samples") == [(256, 255)]


def test_a_second_service_on_the_same_store_is_refused(store: Store, path: Path) -> None:
    with pytest.raises(HistoryError, match=r"another service uses this store.*nothing was changed"):
        open_store(path)
    store.save(brewing(number=8), durable=True)
    assert store.flush(10.0)


def test_reading_where_there_is_no_store_says_so(tmp_path: Path) -> None:
    with pytest.raises(HistoryError, match="there is no store"):
        read_records(tmp_path / "nothing.sqlite")
    with pytest.raises(HistoryError, match="there is no folder"):
        open_store(tmp_path / "nowhere" / "cellar.sqlite")
    assert list(tmp_path.iterdir()) == []


def test_when_nothing_can_be_written_the_oldest_give_way_and_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pending, "MOST_RECORDS", 5)
    monkeypatch.setattr(pending, "MOST_SAMPLES", 3)
    waiting = pending.Pending()
    waiting.add(brewing(1.0), [a_record(n) for n in range(4)], [a_sample(60 * n) for n in range(2)])
    taken = waiting.take()
    waiting.add(brewing(2.0, number=2), [a_record(n) for n in range(4, 8)], [a_sample(60 * n) for n in range(2, 4)])
    waiting.put_back(taken)
    assert (waiting.lost_records, waiting.dropped_samples) == (3, 1)
    batch = waiting.take()
    assert batch.state == brewing(2.0, number=2)
    assert [record.value for record in batch.records] == ["incomplete", *(f"change {n}" for n in range(3, 8))]
    assert batch.records[0].reason == "3 older records were lost because they could not be written"
    assert [sample.at_s for sample in batch.samples] == [60, 120, 180]
