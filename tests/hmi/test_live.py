"""The view in a terminal, and the same in lines where there is none."""

import pytest
from rich.console import Console

from controller.control.values import Record, RecordKind
from controller.display import Display
from controller.hmi.live import clock_text, event_line, gauge, live_view, plain_line
from controller.hmi.news import worth_reading
from tests.hmi.factories import (
    BERLIN,
    CHICAGO,
    DAY,
    NOW_S,
    busy_cellar,
    empty_cellar,
    fermenting,
    site,
    with_alarm,
    with_vessel,
)

CELLAR = site("ale", "lager", "stout")
STEP = Record(NOW_S, None, "ale", RecordKind.STEP, "rest", "begun", "after ferment")


def drawn(state: object, width: int = 80, records: tuple[Record, ...] = (), display: Display = BERLIN) -> str:
    console = Console(width=width, height=24, force_terminal=False, color_system=None)
    with console.capture() as captured:
        console.print(live_view(CELLAR, state, 0.0, 3600.0, display, records))  # type: ignore[arg-type]
    return captured.get()


def test_three_vessels_bath_and_news_fit_into_80_columns_and_24_lines() -> None:
    state = busy_cellar(CELLAR)
    for name in ("ale", "lager", "stout"):
        state = with_vessel(state, name, fermenting(state.vessels[name]))
        state = with_alarm(state, f"{name}/deviation", "+1.9 K from the setpoint for longer than anybody would like it")
    lines = drawn(state, records=(STEP, STEP, STEP)).splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80


def test_the_view_says_when_it_is_and_how_fast_time_passes() -> None:
    assert drawn(busy_cellar(CELLAR)).startswith("cellar   day 10, 00:00   Thu 28 May 22:26   3 600 times as fast")


def test_a_running_pump_is_told_without_colour() -> None:
    assert ">cooler ON: 0.2 K above the setpoint" in drawn(busy_cellar(CELLAR))


def test_the_view_does_not_change_its_height_when_an_alarm_comes() -> None:
    calm = busy_cellar(CELLAR)
    loud = with_alarm(calm, "ale/deviation", "+1.9 K from the setpoint")
    assert len(drawn(calm).splitlines()) == len(drawn(loud).splitlines())
    assert "! +1.9 K from the setpoint" in drawn(loud)


def test_fahrenheit_throughout() -> None:
    shown = drawn(busy_cellar(CELLAR), display=CHICAGO)
    assert "66.6 °F" in shown
    assert "°C" not in shown


@pytest.mark.parametrize(
    ("off_k", "drawing"),
    [
        (None, "·······|·······"),
        (0.0, "·······●·······"),
        (0.75, "·······|···●···"),
        (-0.75, "···●···|·······"),
        (9.0, "·······|······●"),
        (-9.0, "●······|·······"),
    ],
)
def test_the_gauge_puts_too_warm_to_the_right_and_too_cold_to_the_left(off_k: float | None, drawing: str) -> None:
    assert gauge(off_k) == drawing


def test_one_line_says_it_all_without_a_terminal() -> None:
    line = plain_line(CELLAR, with_alarm(busy_cellar(CELLAR), "ale/deviation", ""), 0.0, BERLIN)
    assert line.startswith("day 10, 00:00 | ale 19.2 °C (set 19.0 °C) ferment | lager – idle")
    assert line.endswith("bath -1.8 °C, room 23.5 °C | alarms active: 1")
    assert "\n" not in line


def test_nothing_known_is_a_dash() -> None:
    assert "ale – idle" in plain_line(CELLAR, empty_cellar(CELLAR), 0.0, BERLIN)


def test_an_event_is_a_sentence_with_its_reason() -> None:
    assert event_line(STEP, 0.0, BERLIN) == "day 10, 00:00  ale: step rest begins, after ferment"
    said = Record(NOW_S, None, "ale", RecordKind.ACTION, "id-7", "done", "gravity 1.030", "brewer")
    assert event_line(said, 0.0, BERLIN) == "day 10, 00:00  ale: gravity 1.030 (brewer)"


def test_an_event_cannot_command_the_terminal() -> None:
    evil = STEP._replace(subject="\x1b[2J\nrest")
    assert "\x1b" not in event_line(evil, 0.0, BERLIN)
    assert "\n" not in event_line(evil, 0.0, BERLIN)


def test_pulses_are_not_news_but_steps_alarms_and_answers_are() -> None:
    pulse = Record(0.0, None, "ale", RecordKind.OUTPUT, "cooler", "on", "above the setpoint")
    raised = Record(0.0, None, "ale", RecordKind.ALARM, "deviation", "active, unacknowledged", "+1.9 K")
    seen = raised._replace(value="active, acknowledged")
    answer = Record(0.0, None, "ale", RecordKind.ACTION, "id-7", "done", "setpoint 19.0 °C", "brewer")
    its_effect = Record(0.0, None, "ale", RecordKind.STATE, "setpoint", "19.00", "setpoint 19.0 °C", "brewer")
    assert not worth_reading(pulse)
    assert worth_reading(STEP)
    assert worth_reading(raised)
    assert not worth_reading(seen)
    assert worth_reading(answer)
    assert not worth_reading(its_effect)
    assert not worth_reading(answer._replace(value="repeated"))


def test_the_clock_counts_days_from_zero() -> None:
    assert clock_text(0.0) == "day 0, 00:00"
    assert clock_text(3 * DAY + 14 * 3600 + 300) == "day 3, 14:05"
