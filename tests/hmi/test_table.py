"""The status in a terminal: at a glance, in 80 columns, for any cellar."""

from dataclasses import replace

import pytest
from rich.console import Console

from controller.control.course import Ends
from controller.control.state import Quiet, SiteState
from controller.control.values import Setpoint
from controller.display import Display
from controller.hmi.live import live_view
from controller.hmi.status import status_dict
from controller.hmi.table import status_table
from tests.hmi.factories import (
    ALE,
    BERLIN,
    CHICAGO,
    FERMENT,
    HOUR,
    NOW_S,
    PILSEN,
    PITCH,
    REST,
    batch,
    busy_cellar,
    empty_cellar,
    fermenting,
    site,
    with_alarm,
    with_vessel,
)

ENDLESS = "the vessel that stands behind the door of the cold room where nobody ever looks for it"


def cellar(count: int) -> tuple[str, ...]:
    """Names of so many vessels, one of them endless."""
    return (ENDLESS, *(f"tank-{number:02d}" for number in range(1, count)))


def all_fermenting(names: tuple[str, ...]) -> SiteState:
    """Every vessel but the last ferments in a free rise, far off, with an alarm and an endless name of its batch."""
    plant = site(*names)
    state = busy_cellar(plant)
    for name in names[:-1]:
        ale = fermenting(state.vessels[name], -9.87)._replace(setpoint=Setpoint(18.0, 22.0))
        state = with_vessel(state, name, ale._replace(batch=batch(ENDLESS, 1.048, 1.012)))
        state = with_alarm(state, f"{name}/deviation", "-27.9 K from the setpoint for longer than anybody would like")
    return state


def lines(names: tuple[str, ...], state: SiteState, display: Display, width: int = 80) -> list[str]:
    console = Console(width=width, force_terminal=False, color_system=None)
    with console.capture() as captured:
        console.print(status_table(status_dict(site(*names), state, display)))
    return [line.rstrip() for line in captured.get().splitlines()]


def rows(names: tuple[str, ...], shown: list[str]) -> list[str]:
    """The lines from the headings to the room."""
    head = next(index for index, line in enumerate(shown) if line.startswith("vessel"))
    return shown[head + 1 : head + 1 + len(names) + 2]


@pytest.mark.parametrize("count", [3, 12, 50])
@pytest.mark.parametrize("display", [BERLIN, CHICAGO, PILSEN])
def test_each_vessel_has_one_row_and_nothing_is_wider_than_the_terminal(count: int, display: Display) -> None:
    names = cellar(count)
    for state in (all_fermenting(names), empty_cellar(site(*names))):
        shown = lines(names, state, display)
        assert max(map(len, shown)) <= 80
        begins = [row.split()[0] for row in rows(names, shown)]
        assert begins == ["tank-" + f"{n:02d}" for n in range(1, count)] + ["the", "bath", "room"]


def test_a_cut_name_shows_its_ellipsis_and_a_wider_terminal_shows_more_of_it() -> None:
    names = cellar(3)
    narrow, wide = (rows(names, lines(names, all_fermenting(names), CHICAGO, width))[2] for width in (80, 160))
    assert "…" in narrow.split("  ")[0]
    assert len(wide.split("  ")[0]) > len(narrow.split("  ")[0])
    assert "14.2 °F" in narrow  # -9.87 °C: NIST SP 811, B.8
    assert "64.4 to 71.6 °F" in narrow


def test_a_vessel_that_is_empty_and_well_takes_one_line_only() -> None:
    names = ("ale", "lager")
    state = busy_cellar(site(*names))
    well = state.signals["ale/well"]
    shown = lines(names, state._replace(signals={**state.signals, "lager/well": well}), BERLIN)
    assert [line.split() for line in shown if "lager" in line] == [["lager", "–", "–", "no", "batch"]]


def test_quiet_hours_say_until_when_and_what_would_end_them() -> None:
    state = busy_cellar()
    resting = state.vessels["ale"]._replace(quiet=Quiet(NOW_S + 8 * HOUR, 1.5))
    shown = "\n".join(lines(("ale", "lager"), with_vessel(state, "ale", resting), BERLIN))
    assert "quiet until Fri 06:26: the outputs rest unless the wort drifts more than 1.5 K" in shown
    assert "cooler, quiet" in shown
    shown = "\n".join(lines(("ale", "lager"), with_vessel(state, "ale", resting), CHICAGO))
    assert "quiet until 23:26: the outputs rest unless the wort drifts more than 2.7 °F" in shown
    acting = resting._replace(quiet=Quiet(NOW_S + 8 * HOUR, 1.5, acting=True))
    shown = "\n".join(lines(("ale", "lager"), with_vessel(state, "ale", acting), BERLIN))
    assert "quiet until Fri 06:26: the wort has drifted and is brought back" in shown


def test_quiet_hours_without_a_clock_say_for_how_long() -> None:
    state = busy_cellar()._replace(utc_s=None)
    resting = state.vessels["ale"]._replace(quiet=Quiet(NOW_S + 8 * HOUR, 1.5))
    assert "quiet for another 8 h:" in "\n".join(lines(("ale", "lager"), with_vessel(state, "ale", resting), BERLIN))


def test_a_step_that_the_brewer_made_longer_says_by_how_much() -> None:
    state = busy_cellar()
    ale = fermenting(state.vessels["ale"], 21.0, 2)
    assert ale.batch is not None
    rest = replace(REST, ends=Ends(after_s=72 * HOUR))
    longer = replace(ALE, steps=(PITCH, FERMENT, rest))
    changed = with_vessel(state, "ale", ale._replace(batch=ale.batch._replace(profile=longer)))
    shown = "\n".join(lines(("ale", "lager"), changed, BERLIN))
    assert "24 h longer than its profile says" in shown
    assert "counted 12 h of 72 h" in shown
    assert "longer than" not in "\n".join(lines(("ale", "lager"), with_vessel(state, "ale", ale), BERLIN))


@pytest.mark.parametrize("count", [3, 12, 50])
def test_the_live_view_stays_within_80_columns_for_any_cellar(count: int) -> None:
    names = cellar(count)
    console = Console(width=80, force_terminal=False, color_system=None)
    for state in (all_fermenting(names), empty_cellar(site(*names))):
        with console.capture() as captured:
            console.print(live_view(site(*names), state, 0.0, 3600.0, CHICAGO))
        shown = captured.get().splitlines()
        assert max(map(len, shown)) <= 80
        assert sum(line.startswith("tank-") for line in shown) == count - 1
