"""Times by the clock of the site, and words for what is known in letters."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from controller.control.values import Record, RecordKind
from controller.display import Display
from controller.hmi.news import for_reading, record_text, worth_reading
from controller.hmi.words import moment_text, short
from tests.hmi.factories import BERLIN, CHICAGO, NOW_S, PILSEN


def utc_s(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        ("2026-11-03T17:04", "18:04"),  # today in Berlin: winter time, an hour ahead of UTC
        ("2026-11-02T23:30", "00:30"),  # today in Berlin, yesterday in UTC
        ("2026-11-02T22:30", "Mon 23:30"),
        ("2026-10-28T11:00", "Wed 12:00"),
        ("2026-10-27T11:00", "27 Oct 12:00"),  # a week ago the day's name would be read as today's
        ("2026-10-24T16:04", "24 Oct 18:04"),  # before the clocks went back: two hours ahead
        ("2025-12-24T11:00", "24 Dec 2025 12:00"),
        ("2026-11-03T22:59", "23:59"),  # quiet hours end later today
        ("2026-11-04T05:00", "Wed 06:00"),
    ],
)
def test_a_moment_is_as_short_as_it_is_clear(moment: str, words: str) -> None:
    # Berlin's clocks went back on 2026-10-25 at 01:00 UTC (Directive 2000/84/EC: last Sunday of October).
    assert moment_text(utc_s(moment), utc_s("2026-11-03T18:00"), BERLIN) == words


def test_without_a_trusted_clock_no_time_is_told() -> None:
    assert moment_text(None, utc_s("2026-11-03T18:00"), BERLIN) == ""
    assert moment_text(utc_s("2026-11-03T18:00"), None, BERLIN) == ""


def test_a_site_on_a_half_hour_zone_reads_its_own_clock() -> None:
    adelaide = Display(zone=ZoneInfo("Australia/Adelaide"))  # in November 10 h 30 min ahead of UTC
    assert moment_text(utc_s("2026-11-03T01:00"), utc_s("2026-11-03T02:00"), adelaide) == "11:30"


def test_the_health_of_a_probe_is_told_in_a_word() -> None:
    lost = Record(NOW_S, None, "ale", RecordKind.HEALTH, "ale/well", "F", "no reading for 60 min")
    assert record_text(lost, BERLIN) == "ale: probe ale/well failure: no reading for 60 min"
    assert record_text(lost._replace(value="S"), BERLIN).startswith("ale: probe ale/well out of specification")


def test_a_letter_elsewhere_is_a_letter() -> None:
    step = Record(NOW_S, None, "ale", RecordKind.STEP, "F", "begun", "after M")
    assert record_text(step, BERLIN) == "ale: step F begins, after M"


def test_news_are_told_in_the_persons_units() -> None:
    warm = Record(NOW_S, None, "ale", RecordKind.ALARM, "high", "active, unacknowledged", "32.0 °C is above 28.0 °C")
    assert record_text(warm, CHICAGO) == "ale: ALARM high: 89.6 °F is above 82.4 °F"
    entered = Record(NOW_S, None, "ale", RecordKind.ACTION, "id-7", "done", "gravity 1.048", "brewer")
    assert record_text(entered, PILSEN) == "ale: gravity 11.9 °P (brewer)"


def test_an_alarm_that_is_suppressed_by_design_is_not_told_nor_its_end() -> None:
    """ISA-18.2 suppression by design, from memory: the alarm is not annunciated while the condition for it holds."""

    def alarm(value: str, subject: str = "deviation") -> Record:
        return Record(NOW_S, None, "ale", RecordKind.ALARM, subject, value, "over: +1.0 K")

    raised, over = alarm("active, unacknowledged"), alarm("normal")
    crash = [alarm("suppressed by design"), over]
    assert list(for_reading(crash)) == []
    assert list(for_reading([raised, alarm("suppressed by design"), over])) == [raised]
    assert list(for_reading([alarm("suppressed by design"), raised, over])) == [raised, over]
    assert list(for_reading([alarm("out of service", "high"), over])) == [over]


def test_the_log_leaves_out_what_says_nothing_new() -> None:
    def record(kind: RecordKind, subject: str, value: str, reason: str) -> Record:
        return Record(NOW_S, None, "ale", kind, subject, value, reason)

    good = record(RecordKind.HEALTH, "well", "good", "readings are good")
    lost = record(RecordKind.HEALTH, "well", "F", "no reading for 60 min")
    ended = record(RecordKind.STEP, "ferment", "ended", "its conditions are met")
    late = record(RecordKind.STEP, "ferment", "ended", "its longest time is over")
    begun = record(RecordKind.STEP, "rest", "begun", "after ferment")
    held = record(RecordKind.LIMIT, "cooler", "off", "change-over time after the heater")
    assert list(for_reading([good, lost, good, ended, begun, late, held])) == [lost, good, begun, late]


def test_a_batch_that_came_from_another_vessel_is_news() -> None:
    here = Record(NOW_S, None, "lager", RecordKind.BATCH, "Pale", "moved here", "Pale came from ale", "brewer")
    assert worth_reading(here)


def test_a_long_name_is_cut_to_the_width_with_its_ellipsis_inside() -> None:
    assert short("House Pale", 10) == "House Pale"
    assert short("House Pales", 10) == "House Pal…"
    assert "\x1b" not in short("\x1b[2J", 10)
