"""The wall clock is wrong, jumps, or is not there: the beer goes by the service's own seconds.

UTC is a label in records. It must not skip a step, cut a rest short, raise an alarm or move an output.
"""

import random
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest

from controller.control.codec import from_json, to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import initial_state, resumed_state
from controller.control.state import SiteState
from controller.control.step import step
from controller.control.values import Action, Command, Inputs, Record, RecordKind
from tests.factories import DAY_S, HEAT_CAPACITY_J_PER_K, HOUR_S, UTC_S, readings, scan, site, starting, vessel

SCAN_S = 120.0  # so that months pass in seconds
STEPS = (
    ProfileStep("primary", StepKind.HOLD, 19.0, 0.5, Ends(after_s=5 * DAY_S), 12 * DAY_S),
    ProfileStep("rise", StepKind.RAMP, 22.0, 0.5, Ends(), 5 * DAY_S, rate_k_per_s=2.0 / DAY_S),
    ProfileStep("rest", StepKind.REST, 22.0, 0.5, Ends(after_s=3 * DAY_S), 6 * DAY_S),
    ProfileStep("crash", StepKind.CRASH, 3.0, 0.5, Ends(reached=True), 4 * DAY_S),
    ProfileStep("cold", StepKind.HOLD, 3.0, 1.0, Ends(after_s=40 * DAY_S), 50 * DAY_S, goes_on=True),
)
MONTH = Profile("hold", "A month", STEPS)
CELLAR = replace(site(vessel("ale"), profile=MONTH), scan_s=SCAN_S)

Brewed = tuple[list[tuple[float, str, bool, str]], list[Record], SiteState]


def ordered(commands: tuple[Command, ...], now_s: float) -> list[tuple[float, str, bool, str]]:
    return [(now_s, command.tag, command.on, command.reason) for command in commands]


def brewed(utc_of: Callable[[float], float | None], days: float) -> Brewed:
    """All commands and records of so many days: a wort of 60 L, 20 W of yeast, a room that pulls it to 17 °C.
    `utc_of` is what the wall clock shows at each second of the service's time."""
    state, celsius = initial_state(CELLAR, 0.0), 20.0
    commands: list[tuple[float, str, bool, str]] = []
    records: list[Record] = []
    actions = (starting("ale"),)
    for number in range(round(days * DAY_S / SCAN_S)):
        now_s = number * SCAN_S
        inputs = Inputs(now_s, utc_of(now_s), readings(CELLAR, celsius, now_s), actions if number == 1 else ())
        result = step(CELLAR, state, inputs)
        state = result.state
        commands += ordered(result.commands, now_s)
        records += result.records
        now = state.vessels["ale"]
        watts = 20.0 + 5.0 * (17.0 - celsius) - 300.0 * now.cooler.on + 80.0 * now.heater.on
        celsius += watts * SCAN_S / HEAT_CAPACITY_J_PER_K
    return commands, records, state


def without_utc(records: list[Record]) -> list[Record]:
    return [record._replace(utc_s=None) for record in records]


def true_utc(now_s: float) -> float:
    return UTC_S + now_s


@cache
def undisturbed(days: float) -> Brewed:
    return brewed(true_utc, days)


def the_beer_does_not_notice(utc_of: Callable[[float], float | None], days: float) -> list[Record]:
    """The records of a brew by that clock, having made sure that all but their UTC is as with a right one."""
    commands, records, state = brewed(utc_of, days)
    right_commands, right_records, right_state = undisturbed(days)
    assert commands == right_commands
    assert without_utc(records) == without_utc(right_records)
    assert state._replace(utc_s=None, outage_since_s=None, vessels={}) == right_state._replace(
        utc_s=None, outage_since_s=None, vessels={}
    )
    assert state.vessels["ale"].program == right_state.vessels["ale"].program
    return records


def test_the_undisturbed_month_has_something_to_lose() -> None:
    commands, records, _ = undisturbed(30.0)
    begun = [record.subject for record in records if record.kind is RecordKind.STEP and record.value == "begun"]
    assert begun == ["rise", "rest", "crash", "cold"]
    assert {tag for _, tag, on, _ in commands if on} == {"ale/cooler", "ale/heater"}
    assert not [r for r in records if r.kind is RecordKind.ALARM and r.value.startswith("active")]


@pytest.mark.parametrize("wrong_h", [-8.0, 8.0, -24.0 * 365 * 20, 24.0 * 30])
def test_a_board_without_a_battery_clock_boots_hours_wrong_and_is_set_right_later(wrong_h: float) -> None:
    def utc_of(now_s: float) -> float:
        return UTC_S + now_s + (wrong_h * HOUR_S if now_s < 2 * HOUR_S else 0.0)

    records = the_beer_does_not_notice(utc_of, 9.0)
    after = [record for record in records if record.at_s >= 2 * HOUR_S]
    assert after
    assert all(record.utc_s == UTC_S + record.at_s for record in after)


@pytest.mark.parametrize("jump_h", [1.0, -1.0, 100.0, -100.0, 24.0 * 400])
@pytest.mark.parametrize("at_d", [3.0, 7.5], ids=["in the primary", "in the rest"])
def test_a_jump_in_the_middle_of_a_step_is_not_noticed(jump_h: float, at_d: float) -> None:
    def utc_of(now_s: float) -> float:
        return UTC_S + now_s + (jump_h * HOUR_S if now_s >= at_d * DAY_S else 0.0)

    records = the_beer_does_not_notice(utc_of, 10.0)
    after = [record for record in records if record.at_s >= at_d * DAY_S]
    assert after
    assert all(record.utc_s == UTC_S + jump_h * HOUR_S + record.at_s for record in after)


def test_days_without_a_trusted_clock_leave_records_without_utc_and_nothing_else() -> None:
    def utc_of(now_s: float) -> float | None:
        return None if 2 * DAY_S <= now_s < 8 * DAY_S else UTC_S + now_s

    records = the_beer_does_not_notice(utc_of, 10.0)
    for record in records:
        known = not 2 * DAY_S <= record.at_s < 8 * DAY_S
        assert record.utc_s == (UTC_S + record.at_s if known else None)


def test_a_whole_brew_without_any_clock() -> None:
    assert all(record.utc_s is None for record in the_beer_does_not_notice(lambda now_s: None, 10.0))


def test_thirty_days_of_a_clock_that_jumps_at_random_give_the_same_commands() -> None:
    dice = random.Random(30)
    jumps: dict[int, float | None] = {}

    def utc_of(now_s: float) -> float | None:
        """A new error every six hours: minutes, days, years, or no clock at all."""
        part = int(now_s // (6 * HOUR_S))
        if part not in jumps:
            size_s = dice.choice([60.0, HOUR_S, DAY_S, 400 * DAY_S])
            jumps[part] = None if dice.random() < 0.2 else dice.uniform(-size_s, size_s)
        error_s = jumps[part]
        return None if error_s is None else UTC_S + now_s + error_s

    the_beer_does_not_notice(utc_of, 30.0)
    assert len(jumps) == 120


# Daylight saving: the last Sundays of March and October at 01:00 UTC (Directive 2000/84/EC, articles 2 and 3)

BERLIN = ZoneInfo("Europe/Berlin")


@pytest.mark.parametrize(
    ("change", "begins", "ends"),
    [
        (datetime(2026, 3, 29, 1, 0, tzinfo=UTC), "18:00 CET", "19:00 CEST"),
        (datetime(2026, 10, 25, 1, 0, tzinfo=UTC), "18:00 CEST", "17:00 CET"),
    ],
    ids=["to summer time", "to winter time"],
)
def test_a_rest_of_a_day_over_the_change_of_the_clocks_lasts_24_hours(change: datetime, begins: str, ends: str) -> None:
    """Only a clock on the wall jumps; UTC does not, and step time even less."""
    assert (change - timedelta(seconds=1)).astimezone(BERLIN).utcoffset() != change.astimezone(BERLIN).utcoffset()
    begin = datetime.strptime(f"{change.date() - timedelta(days=1)} 18:00", "%Y-%m-%d %H:%M").replace(tzinfo=BERLIN)
    rest = ProfileStep("rest", StepKind.REST, 20.0, 0.5, Ends(after_s=DAY_S), 5 * DAY_S)
    cellar = replace(CELLAR, profiles={"hold": Profile("hold", "Rest", (rest, STEPS[-1]))})
    state, zero_s = initial_state(cellar, 0.0), begin.timestamp()
    records: list[Record] = []
    for number in range(round(25 * HOUR_S / SCAN_S)):
        now_s = number * SCAN_S
        actions = (starting("ale"),) if number == 1 else ()
        inputs = Inputs(now_s, zero_s + now_s, readings(cellar, 20.0, now_s), actions)
        result = step(cellar, state, inputs)
        state, records = result.state, records + list(result.records)
    (started,) = [record for record in records if record.value == "started"]
    (ended,) = [record for record in records if record.kind is RecordKind.STEP and record.value == "ended"]
    assert started.utc_s is not None
    assert ended.utc_s is not None
    assert ended.utc_s - started.utc_s == pytest.approx(DAY_S, abs=2 * SCAN_S)
    clock = [datetime.fromtimestamp(round(at_s / 300.0) * 300.0, BERLIN) for at_s in (started.utc_s, ended.utc_s)]
    assert [f"{at:%H:%M %Z}" for at in clock] == [begins, ends]


# After a stop: the length of the outage is known from UTC alone, so a wrong UTC is met there


def after_a_stop(wrong_s: float) -> tuple[SiteState, list[Record]]:
    """An hour into the primary, stopped and started again; the clock says that `wrong_s` have passed meanwhile."""
    state = scan(CELLAR, initial_state(CELLAR, 0.0), 19.0).state
    state = scan(CELLAR, state, 19.0, starting("ale")).state
    while state.now_s < HOUR_S:
        state = scan(CELLAR, state, 19.0, dt_s=SCAN_S).state
    state = resumed_state(CELLAR, from_json(SiteState, to_json(state)), state.now_s)
    records: list[Record] = []
    for _ in range(30):
        now_s = state.now_s + SCAN_S
        result = step(CELLAR, state, Inputs(now_s, UTC_S + wrong_s + now_s, readings(CELLAR, 19.0, now_s)))
        state, records = result.state, records + list(result.records)
    return state, records


@pytest.mark.parametrize(("hours", "reminded"), [(0.0, []), (11.0, []), (13.0, ["reminder"])])
def test_an_off_is_forgotten_while_the_service_is_away_too(hours: float, reminded: list[str]) -> None:
    """An outage counts for guards (design §4, step time), and the reminder after twelve hours is one."""
    patient = replace(CELLAR.vessels[0], alarms=replace(CELLAR.vessels[0].alarms, reminder_s=12 * HOUR_S))
    cellar = replace(CELLAR, vessels=(patient,))
    state = scan(cellar, initial_state(cellar, 0.0), 19.0).state
    state = scan(cellar, state, 19.0, starting("ale")).state
    state = scan(cellar, state, 19.0, Action("off", "ale", "mode", {"mode": "off"}, "brewer")).state
    state = resumed_state(cellar, from_json(SiteState, to_json(state)), state.now_s)
    records: list[Record] = []
    for _ in range(3):
        now_s = state.now_s + SCAN_S
        result = step(cellar, state, Inputs(now_s, UTC_S + hours * HOUR_S + now_s, readings(cellar, 19.0, now_s)))
        state, records = result.state, records + list(result.records)
    assert [record.subject for record in records if record.value.startswith("active")] == reminded


@pytest.mark.parametrize("wrong_s", [-8 * HOUR_S, -400 * DAY_S, 0.0, 8 * HOUR_S, 400 * DAY_S])
def test_no_outage_however_long_the_clock_makes_it_cuts_a_rest_short(wrong_s: float) -> None:
    state, records = after_a_stop(wrong_s)
    position = state.vessels["ale"].program
    assert position.step == 0
    assert position.counted_s == pytest.approx(2 * HOUR_S, abs=2 * SCAN_S)
    assert position.elapsed_s == pytest.approx(2 * HOUR_S + max(0.0, wrong_s), abs=2 * SCAN_S)
    assert [record.value for record in records if record.kind is RecordKind.STEP] == (
        ["longest time"] if wrong_s > 12 * DAY_S else []
    )
