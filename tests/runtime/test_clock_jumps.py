"""A board whose wall clock lies, jumps or is never set: the real service goes through it without noticing.

No step is skipped, no rest is cut short, no alarm is raised; records have the right time once it is known. Only the
machine's clocks and the connection are made up here; the service runs as fast as it can, a scan every 30 s of its own
time.
"""

import asyncio
import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from controller import connection
from controller.clock import SystemClock
from controller.config import load_installation
from controller.control.alarms import ACTIVE
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.site import Site
from controller.control.state import BatchState, SiteState
from controller.control.step import StepResult
from controller.control.values import Action, Record, RecordKind
from controller.field.link import Arrived
from controller.historian.query import RecordFilter, read_records
from controller.installation import Installation
from controller.journal import store_path
from controller.runtime import Service
from controller.shipped import shipped_path

HOUR_S, DAY_S = 3600.0, 86400.0
TRUE_UTC_S = datetime(2026, 11, 6, 12, 0, tzinfo=ZoneInfo("UTC")).timestamp()  # a Friday
SUMMER_ENDS_S = datetime(2026, 10, 25, 1, 0, tzinfo=ZoneInfo("UTC")).timestamp()  # directive 2000/84/EC: 1 a.m. UTC on
SUMMER_BEGINS_S = datetime(2027, 3, 28, 1, 0, tzinfo=ZoneInfo("UTC")).timestamp()  # the last Sunday of the month
WORT_C = 18.0
VIENNA = ZoneInfo("Europe/Vienna")


def course(first_s: float, second_s: float) -> Profile:
    """Two rests where the wort is already, then a hold."""
    steps = [
        ProfileStep("first rest", StepKind.REST, WORT_C, 0.5, Ends(after_s=first_s), 2 * first_s),
        ProfileStep("second rest", StepKind.REST, WORT_C, 0.5, Ends(after_s=second_s), 2 * second_s),
        ProfileStep("hold", StepKind.HOLD, WORT_C, 0.5, Ends(after_s=20 * DAY_S), 40 * DAY_S),
    ]
    return Profile("rests", "Two rests", tuple(steps))


class Link:
    """A connection on which everything arrives at once."""

    connected, taken_over, trouble = True, False, ""
    sessions, dropped, publish_failures = 1, 0, 0
    newest: "Link"

    def __init__(
        self, broker: object, site: str, topics: object, on_message: Callable[[Arrived], None], *others: object
    ) -> None:
        self.on_message = on_message
        Link.newest = self

    async def run(self) -> None:
        await asyncio.Event().wait()

    async def publish(self, topic: str, payload: bytes, **how: Any) -> bool:
        return True


class Board:
    """A machine whose clocks a test turns: `jumps` are (after s of running, s forward, synchronised from then on)."""

    def __init__(self, wall_s: float, synchronised: bool | None, jumps: list[tuple[float, float, bool | None]]) -> None:
        self.ran_s, self.wall_s, self.synchronised = 0.0, wall_s, synchronised
        self._jumps = list(jumps)

    def clock(self, start_s: float, not_before_utc_s: float | None) -> SystemClock:
        return SystemClock(
            start_s,
            not_before_utc_s,
            boottime_s=lambda: 1000.0 + self.ran_s,
            wall_s=lambda: self.wall_s,
            synchronised=lambda _: self.synchronised,
            sleep=self.sleep,
        )

    async def sleep(self, seconds: float) -> None:
        self.ran_s += seconds
        self.wall_s += seconds
        while self._jumps and self.ran_s >= self._jumps[0][0]:
            _, forward_s, self.synchronised = self._jumps.pop(0)
            self.wall_s += forward_s
        # A probe that shows the same for hours is asked whether it is alive. A wort that never cools would be told of:
        # so the mean is at the setpoint.
        alive_c = WORT_C + 0.001 * (1.0 if round(self.ran_s / 30.0) % 2 else -1.0)
        worts = {f"{name}/thermowell": alive_c for name in ("amber", "dark", "gold")}
        readings = {**worts, "bath/supply": -2.5, "room/air": 20.0}
        Link.newest.on_message(Arrived("plant/probes", json.dumps(readings).encode(), False))
        await asyncio.sleep(0)


def beginnings(records: Iterable[Record]) -> dict[str, Record]:
    """The record of each step's beginning, by the step's name; the first step begins with the batch."""
    found = {}
    for record in records:
        if record.kind is RecordKind.STEP and record.value == "begun":
            found[record.subject] = record
        elif record.kind is RecordKind.BATCH and record.value == "started":
            found["first rest"] = record
    return found


class Told:
    """What a run told: every record, every active alarm, and how many scans there were."""

    def __init__(self) -> None:
        self.records: list[Record] = []
        self.alarms: set[str] = set()
        self.scans = 0
        self.state: SiteState | None = None

    def see(self, site: Site, result: StepResult) -> None:
        self.scans += 1
        self.records += result.records
        self.alarms |= {key for key, alarm in result.state.alarms.items() if alarm.phase in ACTIVE}
        self.state = result.state

    def begun(self) -> dict[str, Record]:
        """The record of each step's beginning, by the step's name."""
        return beginnings(self.records)


def brew(folder: Path, board: Board, profile: Profile, lasting_s: float, monkeypatch: pytest.MonkeyPatch) -> Told:
    """The real service with one batch for so long, on that board."""
    monkeypatch.setattr(connection, "MqttLink", Link)
    made = load_installation(shipped_path("demo-site.yaml"))
    site = replace(made.site, profiles={profile.name: profile})
    installation: Installation = replace(made, site=site, state_dir=folder, http_port=None)
    told = Told()

    async def run() -> None:
        stop = asyncio.Event()

        def see(site: Site, result: StepResult) -> None:
            told.see(site, result)
            if told.scans == 5:  # the probes have been proven
                service._operators.offer(start, lambda answer: None)
            if board.ran_s >= lasting_s:
                stop.set()

        start = Action("1", "amber", "start", {"batch": "Pale", "profile": "rests", "volume_l": 25.0}, "test")
        service = Service(installation, board.clock, see)
        await service.run(stop)

    asyncio.run(run())
    return told


def check(told: Told, first_s: float, second_s: float, scan_s: float = 30.0) -> None:
    """Each rest had its time, to a scan, nothing was skipped, and there was no alarm."""
    begun = told.begun()
    assert list(begun) == ["first rest", "second rest", "hold"]
    assert begun["second rest"].at_s - begun["first rest"].at_s == pytest.approx(first_s, abs=scan_s)
    assert begun["hold"].at_s - begun["second rest"].at_s == pytest.approx(second_s, abs=scan_s)
    assert told.alarms == set()
    assert told.state is not None
    assert told.state.vessels["amber"].condition is BatchState.RUNNING


def stored(folder: Path) -> dict[str, Record]:
    """The records of steps as the history gives them back."""
    return beginnings(read_records(store_path(folder), RecordFilter()))


@pytest.mark.parametrize(
    ("wrong_s", "jumps"),
    [
        pytest.param(0.0, [], id="a clock that is right"),
        pytest.param(-5 * HOUR_S, [(2 * HOUR_S, 5 * HOUR_S, True)], id="booted five hours behind, set after two"),
        pytest.param(3 * HOUR_S, [(2 * HOUR_S, -3 * HOUR_S, True)], id="booted three hours ahead, set after two"),
        pytest.param(-300 * DAY_S, [(2 * HOUR_S, 300 * DAY_S, True)], id="booted in the past, set after two hours"),
    ],
)
def test_a_board_that_boots_with_a_wrong_clock_keeps_every_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wrong_s: float, jumps: list[tuple[float, float, bool | None]]
) -> None:
    board = Board(TRUE_UTC_S + wrong_s, not wrong_s, jumps)
    told = brew(tmp_path, board, course(6 * HOUR_S, 4 * HOUR_S), 11 * HOUR_S, monkeypatch)
    check(told, 6 * HOUR_S, 4 * HOUR_S)
    begun = told.begun()
    if jumps:
        assert begun["first rest"].utc_s is None  # not known yet, and not guessed
    for record in stored(tmp_path).values():  # also of what happened before the clock was set
        assert record.utc_s == pytest.approx(TRUE_UTC_S + record.at_s, abs=2.0)


@pytest.mark.parametrize("jump_s", [-3 * HOUR_S, 3 * HOUR_S, -400 * DAY_S, 400 * DAY_S])
def test_a_trusted_clock_that_jumps_moves_labels_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, jump_s: float
) -> None:
    board = Board(TRUE_UTC_S, True, [(3 * HOUR_S, jump_s, True), (5 * HOUR_S, -jump_s, True)])
    told = brew(tmp_path, board, course(6 * HOUR_S, 4 * HOUR_S), 11 * HOUR_S, monkeypatch)
    check(told, 6 * HOUR_S, 4 * HOUR_S)
    hold = told.begun()["hold"]
    assert hold.utc_s == pytest.approx(TRUE_UTC_S + hold.at_s, abs=2.0)


@pytest.mark.parametrize(
    ("change_s", "before", "after"), [(SUMMER_ENDS_S, "CEST", "CET"), (SUMMER_BEGINS_S, "CET", "CEST")]
)
def test_the_night_when_summer_time_changes_has_as_many_seconds_as_any(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change_s: float, before: str, after: str
) -> None:
    begin_s = change_s - 3 * HOUR_S
    told = brew(tmp_path, Board(begin_s, True, []), course(6 * HOUR_S, 4 * HOUR_S), 11 * HOUR_S, monkeypatch)
    check(told, 6 * HOUR_S, 4 * HOUR_S)
    begun = stored(tmp_path)
    for record, zone in ((begun["first rest"], before), (begun["second rest"], after)):
        assert record.utc_s == pytest.approx(begin_s + record.at_s, abs=2.0)
        assert record.utc_s is not None
        assert datetime.fromtimestamp(record.utc_s, VIENNA).tzname() == zone


def test_days_without_any_network_time_cost_nothing_but_the_labels(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    board = Board(TRUE_UTC_S - 77 * DAY_S, False, [])  # a time service that never reaches a server
    told = brew(tmp_path, board, course(1.5 * DAY_S, 12 * HOUR_S), 2.2 * DAY_S, monkeypatch)
    check(told, 1.5 * DAY_S, 12 * HOUR_S)
    assert {record.utc_s for record in told.records} == {None}
    assert {record.utc_s for record in stored(tmp_path).values()} == {None}
