"""What a brewer is told of an evening in the cellar, and what not.

The life of an alarm is that of ISA-18.2 (IEC 62682); how often is often enough is common practice, no source."""

from itertools import pairwise

import pytest

from controller.control.alarm_list import ALARMS, Priority
from controller.control.state import AlarmPhase, AlarmState, BatchState
from controller.control.values import Drive, Estimate, Record, RecordKind
from controller.display import Display
from controller.hmi.messages import HOLD_S, LONGEST_HOLD_S, Memory
from controller.hmi.messages_words import alarm_priority
from tests.hmi.factories import with_vessel
from tests.hmi.told_cellar import DAY, HOUR, MINUTE, Cellar, titles


def record(kind: RecordKind, subject: str, value: str, reason: str, who: str = "") -> Record:
    return Record(0.0, None, "ale", kind, subject, value, reason, who)


def test_a_quiet_cellar_says_nothing_for_a_day() -> None:
    assert Cellar().after(DAY, every_s=60.0) == []


def test_a_warm_beer_is_told_at_once_with_what_follows_and_what_to_do() -> None:
    (message,) = Cellar().raises("ale/high", "29.1 °C is above 28.0 °C")
    assert message.priority is Priority.HIGH
    assert message.title == "ale: the wort is above its absolute high limit"
    assert "29.1 °C is above 28.0 °C" in message.text
    assert "House Pale" in message.text
    assert ALARMS["high"].consequence in message.text
    assert ALARMS["high"].action in message.text


def test_it_is_told_in_the_units_of_the_house() -> None:
    (message,) = Cellar(display=Display(temperature="F", gravity="P")).raises("ale/high", "29.1 °C is above 28.0 °C")
    assert "84.4 °F is above 82.4 °F" in message.text
    assert "°C" not in message.text
    assert "7.3 °P" in message.text  # of 1.029 by the ASBC polynomial


@pytest.mark.parametrize("kind", [*ALARMS, "an alarm of a later version"])
def test_every_alarm_can_be_told(kind: str) -> None:
    where = "bath" if kind.startswith("bath") else "ale"
    (message,) = Cellar().raises(f"{where}/{kind}", "its own words")
    assert message.title.startswith(f"{where}")
    assert message.priority is alarm_priority(kind)
    assert message.title.isprintable()


def test_a_step_that_asks_something_is_of_medium_priority_and_asks_it() -> None:
    (message,) = Cellar().raises("ale/prompt", "is the yeast pitched?")
    assert (message.priority, message.title) == (Priority.MEDIUM, "ale asks: is the yeast pitched?")


def test_the_next_question_is_not_mistaken_for_the_last_one() -> None:
    cellar = Cellar()
    cellar.raises("ale/prompt", "is the yeast pitched?")
    cellar.after(MINUTE)
    assert cellar.ends("ale/prompt") == []  # who answered knows
    cellar.after(MINUTE)
    assert titles(cellar.raises("ale/prompt", "are the hops in?")) == ["ale asks: are the hops in?"]


def test_a_beer_that_is_complete_says_where_it_is_kept() -> None:
    cellar = Cellar()
    ale = cellar.state.vessels["ale"]
    cellar.state = with_vessel(cellar.state, "ale", ale._replace(condition=BatchState.COMPLETE))
    (message,) = cellar.raises("ale/prompt", "the profile is complete; say packaged when the vessel is empty")
    assert message.title == "ale: House Pale is complete"
    assert "kept at 19.0 °C until you say packaged" in message.text


def test_a_step_at_its_longest_time_is_named() -> None:
    (message,) = Cellar().raises("ale/step time", "the step has reached its longest time")
    assert message.title == "ale: the step ferment has reached its longest time of 10 d"
    assert message.priority is Priority.MEDIUM


def test_back_to_normal_is_said_quietly() -> None:
    cellar = Cellar()
    cellar.raises("ale/high")
    cellar.after(20 * MINUTE)
    (message,) = cellar.ends("ale/high")
    assert message.priority is Priority.LOW
    assert message.title == "ale: returned to normal: the wort is above its absolute high limit"


def test_a_high_alarm_that_nobody_acknowledges_is_repeated_at_growing_intervals() -> None:
    cellar = Cellar()
    cellar.raises("ale/high")
    said = cellar.after(3 * DAY, every_s=10.0)
    assert {message.priority for message in said} == {Priority.HIGH}
    assert set(titles(said)) == {"ale: still, and not acknowledged: the wort is above its absolute high limit"}
    times = [0.0, *(message.at_s for message in said)]
    gaps = [round((later - earlier) / MINUTE) for earlier, later in pairwise(times)]
    assert gaps == [30, 120, 360, 720, 1440, 1440]


def test_an_acknowledged_alarm_is_not_repeated_and_its_end_is_still_told() -> None:
    cellar = Cellar()
    cellar.raises("ale/high")
    cellar.after(5 * MINUTE)
    assert cellar.acknowledges("ale/high") == []
    assert cellar.after(DAY, every_s=60.0) == []
    assert titles(cellar.ends("ale/high")) == ["ale: returned to normal: the wort is above its absolute high limit"]


def test_a_medium_alarm_is_not_repeated() -> None:
    cellar = Cellar()
    cellar.raises("ale/deviation", "+1.9 K from the setpoint")
    assert cellar.after(3 * DAY, every_s=60.0) == []


def test_an_alarm_that_flaps_all_night_is_told_now_and_then_with_how_often_it_came() -> None:
    cellar = Cellar()
    said = []
    for _ in range(8 * 30):  # eight hours, a minute on and a minute off
        said += cellar.raises("ale/deviation", "+1.6 K from the setpoint")
        said += cellar.after(MINUTE)
        said += cellar.ends("ale/deviation")
        said += cellar.after(MINUTE)
    assert len(said) <= 12
    assert (
        said[0].title
        == "ale: the wort has drifted from the setpoint of the moment, or does not come nearer to a new one"
    )
    assert any("times in" in message.title for message in said[2:])
    said = cellar.after(LONGEST_HOLD_S + MINUTE)
    assert len(said) <= 1  # how it ended is known in the end
    assert all("returned to normal" in title for title in titles(said))


def test_a_flapping_alarm_that_stays_is_told_when_the_pause_is_over() -> None:
    cellar = Cellar()
    cellar.raises("ale/high")
    cellar.after(MINUTE)
    cellar.ends("ale/high")
    cellar.after(MINUTE)
    assert cellar.raises("ale/high") == []
    (message,) = cellar.after(HOLD_S)
    assert message.priority is Priority.HIGH
    assert message.title == "ale: again: the wort is above its absolute high limit"
    assert message.at_s == HOLD_S


def test_a_flapping_alarm_tells_how_often_it_came_while_nothing_was_said() -> None:
    cellar = Cellar()
    cellar.raises("ale/high")
    for _ in range(3):
        cellar.after(MINUTE)
        cellar.ends("ale/high")
        cellar.after(MINUTE)
        cellar.raises("ale/high")
    (message,) = cellar.after(HOLD_S)
    assert message.title == "ale: again, 3 times in 15 min: the wort is above its absolute high limit"


def test_the_same_alarm_a_week_later_is_news() -> None:
    cellar = Cellar()
    cellar.raises("ale/high")
    cellar.ends("ale/high")
    cellar.after(7 * DAY, every_s=600.0)
    assert cellar.teller.memory == Memory()  # nothing is kept for ever
    assert titles(cellar.raises("ale/high")) == ["ale: the wort is above its absolute high limit"]


def test_an_alarm_that_was_told_before_a_restart_is_not_told_again() -> None:
    before = Cellar()
    before.raises("ale/deviation")
    after = Cellar(memory=before.teller.memory, now_s=MINUTE)
    after.alarms = before.alarms
    assert after.scan() == []
    assert titles(after.ends("ale/deviation"))[0].startswith("ale: returned to normal")


def test_an_alarm_is_told_after_a_restart_if_the_service_died_before_it_was_stored() -> None:
    died = Cellar()
    died.raises("ale/high")
    after = Cellar(memory=Memory(), now_s=MINUTE)  # its memory was never stored, the alarm was
    after.alarms = died.alarms
    assert titles(after.scan()) == ["ale: the wort is above its absolute high limit"]


def test_a_store_that_was_lost_does_not_silence_anybody_for_weeks() -> None:
    before = Cellar(now_s=30 * DAY)
    before.raises("ale/high")
    anew = Cellar(memory=before.teller.memory, now_s=0.0)
    anew.raises("ale/high")
    assert len(anew.after(HOLD_S + MINUTE)) == 1


def test_an_alarm_that_is_suppressed_by_design_has_not_returned_to_normal() -> None:
    cellar = Cellar()
    cellar.raises("ale/deviation")
    cellar.after(HOUR)
    cellar.alarms["ale/deviation"] = AlarmState(AlarmPhase.SUPPRESSED, None, 0.0, "")
    assert cellar.after(HOUR) == []
    assert titles(cellar.ends("ale/deviation"))[0].startswith("ale: returned to normal")


def test_an_alarm_over_but_not_acknowledged_has_returned_to_normal() -> None:
    cellar = Cellar()
    cellar.raises("ale/high")
    cellar.after(HOUR)
    cellar.alarms["ale/high"] = AlarmState(AlarmPhase.RETURNED, None, 0.0, "")
    (message,) = cellar.scan()
    assert message.title.startswith("ale: returned to normal")
    assert cellar.after(DAY, every_s=60.0) == []


def test_the_life_of_a_batch_is_told_quietly() -> None:
    said = Cellar().scan(
        record(RecordKind.BATCH, "House Pale", "started", "House Pale follows Clean ale", "page: Ann"),
        record(RecordKind.STEP, "pitch", "ended", "its conditions are met"),
        record(RecordKind.STEP, "ferment", "begun", "after pitch"),
        record(RecordKind.BATCH, "House Pale", "moved away", "to lager"),
        record(RecordKind.MODE, "mode", "auto", "the manual override ended"),
        record(RecordKind.MODE, "mode", "off", "mode off", "page: Ann"),
        record(RecordKind.OUTPUT, "cooler", "on", "0.3 K above the setpoint"),
    )
    assert titles(said) == [
        "ale: House Pale follows Clean ale (page: Ann)",
        "ale: the step ferment has begun",
        "ale: the manual override ended",
    ]
    assert {message.priority for message in said} == {Priority.LOW}


def test_what_the_service_suffers_from_is_told_when_it_lasts() -> None:
    cellar = Cellar()
    cellar.troubles = {"broker": "no connection to the broker"}
    assert cellar.after(MINUTE) == []
    cellar.troubles = {}
    assert cellar.after(MINUTE) == []
    cellar.troubles = {"broker": "no connection to the broker"}
    (message,) = cellar.after(5 * MINUTE)
    assert (message.priority, message.title) == (Priority.HIGH, "controller: no connection to the broker")
    cellar.troubles = {}
    assert titles(cellar.after(MINUTE)) == ["controller: returned to normal: no connection to the broker"]


def test_a_beer_that_nobody_can_see_is_not_given_a_temperature() -> None:
    cellar = Cellar()
    ale = cellar.state.vessels["ale"]
    blind = Estimate(19.2, 19.2, 19.2, 0.0, 19.2, Drive.NOTHING, "no reading for 61 s")
    cellar.state = with_vessel(cellar.state, "ale", ale._replace(estimate=blind))
    (message,) = cellar.raises("ale/signal", "no fit signal: no reading for 61 s")
    assert "wort unknown (no reading for 61 s)" in message.text
    assert "19.2" not in message.text


def test_control_characters_in_a_name_do_not_reach_a_message() -> None:
    cellar = Cellar()
    ale = cellar.state.vessels["ale"]
    assert ale.batch is not None
    evil = ale.batch._replace(name="Pale\nall is well\x1b[2J")
    cellar.state = with_vessel(cellar.state, "ale", ale._replace(batch=evil))
    (message,) = cellar.raises("ale/high", "line one\nline two")
    assert message.text.isprintable()
    assert message.title.isprintable()


def test_time_without_utc_is_not_made_up() -> None:
    (message,) = Cellar(utc_s=None).raises("ale/high")
    assert message.utc_s is None


def test_an_hour_of_scans_with_everything_at_once_ends_in_a_bounded_memory() -> None:
    cellar = Cellar()
    for number in range(100):
        cellar.raises("ale/prompt", f"question {number}?")
        cellar.after(HOUR, every_s=300.0)
    assert len(cellar.teller.memory.told) < 5
