"""Quiet hours, the daily message and the message after a power cut, by the clock on the wall.

Berlin's changes of 2026 are 29 March, 02:00 to 03:00, and 25 October, 03:00 back to 02:00 (IANA time zone data base;
European Union, Directive 2000/84/EC)."""

from datetime import UTC, date, datetime, timedelta
from datetime import time as clock
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.alarm_list import Priority
from controller.control.state import NO_ESTIMATE
from controller.hmi.messages import Memory, Message, Resumed
from controller.hmi.messages_when import daily_due, in_quiet_hours
from tests.hmi.factories import empty_cellar
from tests.hmi.told_cellar import BERLIN, DAY, HOUR, MINUTE, NOON_UTC_S, PLANT, Cellar, titles, utc

ZONES = [ZoneInfo(name) for name in ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC")]
LOCAL_TIMES = st.times().map(lambda each: each.replace(second=0, microsecond=0))
YEAR_UTC_S = st.floats(utc("2026-01-01"), utc("2027-01-01"))


@pytest.mark.parametrize(
    ("local", "quiet"),
    [("21:59", False), ("22:00", True), ("23:30", True), ("00:00", True), ("06:59", True), ("07:00", False)],
)
def test_the_night_spans_midnight(local: str, quiet: bool) -> None:
    assert in_quiet_hours(utc(f"2026-11-03 {local}"), clock(22), clock(7), BERLIN) is quiet


def test_a_nap_after_lunch_is_quiet_too() -> None:
    hours = [h for h in range(24) if in_quiet_hours(utc(f"2026-11-03 {h:02}:00"), clock(13), clock(15), BERLIN)]
    assert hours == [13, 14]


def test_without_quiet_hours_no_time_is_quiet() -> None:
    assert not in_quiet_hours(NOON_UTC_S, None, None, BERLIN)
    assert not in_quiet_hours(NOON_UTC_S, clock(7), clock(7), BERLIN)


@pytest.mark.parametrize(("day", "hours"), [("2026-03-28", 8), ("2026-10-24", 10), ("2026-06-01", 9)])
def test_the_night_of_the_change_is_an_hour_shorter_or_longer(day: str, hours: int) -> None:
    begin = utc(f"{day} 12:00")
    quiet = sum(in_quiet_hours(begin + m * 60, clock(22), clock(7), BERLIN) for m in range(24 * 60))
    assert quiet == hours * 60


@given(YEAR_UTC_S, LOCAL_TIMES, LOCAL_TIMES, st.sampled_from(ZONES))
def test_a_moment_is_quiet_in_a_span_or_in_its_complement_never_in_both(
    utc_s: float, begin: clock, end: clock, zone: ZoneInfo
) -> None:
    one, other = in_quiet_hours(utc_s, begin, end, zone), in_quiet_hours(utc_s, end, begin, zone)
    assert one != other if begin != end else not one and not other


@given(
    st.sampled_from(ZONES),
    LOCAL_TIMES,
    st.lists(st.floats(1.0, 5 * HOUR), min_size=24, max_size=120),
    st.sampled_from(["2026-03-20", "2026-10-17", "2026-10-30", "2026-03-05", "2026-04-01"]),
)
def test_every_date_has_its_daily_message_once_whenever_one_looks(
    zone: ZoneInfo, daily_at: clock, looks: list[float], begin: str
) -> None:
    utc_s = datetime.fromisoformat(begin).replace(tzinfo=UTC).timestamp()
    last: date | None = None
    sent: list[date] = []
    for wait_s in looks:
        due, last = daily_due(utc_s, last, daily_at, zone)
        if due:
            sent.append(last)
        utc_s += wait_s
    assert all(later - earlier == timedelta(days=1) for earlier, later in pairwise(sent))


@pytest.mark.parametrize("daily_at", [clock(2, 30), clock(8), clock(0), clock(23, 59)])
@pytest.mark.parametrize("begin", ["2026-03-26 12:00", "2026-10-22 12:00"])
def test_over_the_change_of_the_clocks_there_is_one_a_day(begin: str, daily_at: clock) -> None:
    cellar = Cellar(daily_at=daily_at, utc_s=utc(begin))
    said = cellar.after(7 * DAY, every_s=10 * MINUTE)
    dates = [datetime.fromtimestamp(message.utc_s or 0.0, BERLIN).date() for message in said]
    assert len(dates) == 7
    assert len(set(dates)) == 7


def daily(cellar: Cellar, seconds: float) -> list[Message]:
    return [each for each in cellar.after(seconds, every_s=MINUTE) if "well" in each.title]


def test_the_daily_message_has_a_line_for_each_vessel() -> None:
    (message,) = daily(Cellar(daily_at=clock(18), utc_s=utc("2026-11-03 17:50")), HOUR)
    assert (message.title, message.priority) == ("all is well", Priority.LOW)
    assert message.text.splitlines() == [
        "ale: House Pale, step 2 of 3 ferment, wort 19.2 °C, setpoint 19.0 °C, "
        "gravity 1.029 (39 % apparent attenuation)",
        "lager: no batch",
        "bath: -1.8 °C",
    ]


def test_the_daily_message_says_what_is_not_well_and_what_is_asked() -> None:
    cellar = Cellar(daily_at=clock(18), utc_s=utc("2026-11-03 16:00"))
    cellar.raises("ale/deviation", "+1.9 K from the setpoint")
    cellar.acknowledges("ale/deviation")
    cellar.raises("ale/prompt", "is the yeast pitched?")
    (message,) = daily(cellar, 3 * HOUR)
    assert message.title == "1 thing is not well"
    lines = message.text.splitlines()
    assert lines[0].startswith("not well: ale: the wort has drifted")
    assert lines[0].endswith(", for 120 min") or lines[0].endswith(", for 2 h")
    assert lines[1] == "ale asks: is the yeast pitched?"


def test_a_question_alone_does_not_make_the_cellar_unwell() -> None:
    cellar = Cellar(daily_at=clock(18), utc_s=utc("2026-11-03 17:00"))
    cellar.raises("ale/prompt", "is the yeast pitched?")
    assert titles(daily(cellar, 2 * HOUR)) == ["all is well; 1 question for you"]


def test_the_daily_message_is_not_repeated_after_a_restart() -> None:
    before = Cellar(daily_at=clock(18), utc_s=utc("2026-11-03 17:50"))
    assert len(daily(before, 20 * MINUTE)) == 1
    after = Cellar(daily_at=clock(18), utc_s=before.utc_s, memory=before.teller.memory, now_s=before.now_s)
    assert daily(after, 12 * HOUR) == []
    assert len(daily(after, 13 * HOUR)) == 1


@pytest.mark.parametrize(("back", "told"), [("20:00", 1), ("23:00", 1), ("2026-11-04 03:00", 0)])
def test_a_daily_message_missed_in_a_power_cut_comes_late_but_not_too_late(back: str, told: int) -> None:
    memory = Memory(daily=date(2026, 11, 2))
    back_utc_s = utc(back if "-" in back else f"2026-11-03 {back}")
    assert len(daily(Cellar(daily_at=clock(18), utc_s=back_utc_s, memory=memory), HOUR)) == told


def test_while_utc_is_unknown_there_is_no_daily_message_and_it_comes_when_utc_does() -> None:
    cellar = Cellar(daily_at=clock(18), utc_s=None, memory=Memory(daily=date(2026, 11, 2)))
    assert daily(cellar, DAY) == []
    cellar.utc_s = utc("2026-11-03 19:00")
    assert len(daily(cellar, HOUR)) == 1


def test_a_new_installation_does_not_begin_with_the_message_of_this_morning() -> None:
    assert daily(Cellar(daily_at=clock(8), utc_s=utc("2026-11-03 12:00")), HOUR) == []


def test_a_clock_that_was_years_ahead_once_does_not_silence_the_daily_message() -> None:
    cellar = Cellar(daily_at=clock(18), utc_s=utc("2026-11-03 17:00"), memory=Memory(daily=date(2031, 1, 1)))
    assert len(daily(cellar, 2 * HOUR)) == 1


def test_a_clock_that_steps_back_over_the_time_does_not_say_it_twice() -> None:
    cellar = Cellar(daily_at=clock(18), utc_s=utc("2026-11-03 17:55"))
    assert len(daily(cellar, 10 * MINUTE)) == 1
    cellar.utc_s = utc("2026-11-03 17:30")
    assert daily(cellar, 2 * HOUR) == []


def stopped(hours_ago: float, now_s: float = 0.0) -> Resumed:
    return Resumed(NOON_UTC_S - hours_ago * HOUR, now_s)


def test_after_a_power_cut_one_message_says_how_long_it_was_and_where_each_beer_stands() -> None:
    (message,) = Cellar(resumed=stopped(5)).after(HOUR)
    assert message.priority is Priority.MEDIUM
    assert message.title == "running again after 5 h without control"
    assert "ale: House Pale, step 2 of 3 ferment, wort 19.2 °C" in message.text
    assert "lager: no batch" in message.text


def test_where_each_beer_stands_is_said_when_the_probes_have_reported() -> None:
    cellar = Cellar(resumed=stopped(5))
    known = cellar.state
    cellar.state = known._replace(
        vessels={name: vessel._replace(estimate=NO_ESTIMATE) for name, vessel in known.vessels.items()}
    )
    assert cellar.after(30) == []
    cellar.state = known
    (message,) = cellar.after(MINUTE)
    assert "wort 19.2 °C" in message.text


def test_an_ordinary_restart_is_not_worth_a_message() -> None:
    assert Cellar(resumed=stopped(1 / 60)).after(HOUR) == []


def test_the_length_of_the_cut_waits_for_utc() -> None:
    cellar = Cellar(resumed=stopped(5), utc_s=None)
    assert cellar.after(5 * MINUTE) == []
    cellar.utc_s = NOON_UTC_S + 5 * MINUTE
    assert titles(cellar.after(MINUTE)) == ["running again after 5 h without control"]
    assert cellar.after(DAY, every_s=MINUTE) == []


def test_a_cut_whose_length_nobody_knows_is_told_as_such() -> None:
    cellar = Cellar(resumed=stopped(5), utc_s=None)
    (message,) = cellar.after(HOUR)
    assert message.title == "running again; how long nothing was controlled is not known"
    assert message.utc_s is None
    cellar.utc_s = NOON_UTC_S
    assert cellar.after(HOUR) == []  # once


def test_a_cut_in_an_empty_cellar_can_wait() -> None:
    cellar = Cellar(resumed=stopped(5))
    cellar.state = empty_cellar(PLANT)
    assert [each.priority for each in cellar.after(HOUR)] == [Priority.LOW]


def test_the_first_start_ever_was_no_power_cut() -> None:
    assert Cellar(resumed=None).after(HOUR) == []
