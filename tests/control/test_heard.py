"""Protective times run from what the devices can have heard (design rules 1, 3 and 8)."""

from collections.abc import Callable

import pytest

from controller.control.heard import UNRENEWED
from controller.control.lifecycle import initial_state, resumed_state, stopped_state
from controller.control.state import OutputState, SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Inputs, Record
from tests.factories import SCAN_S, UTC_S, readings, running_state, scan, site, starting

CELLAR = site()
COOLER = frozenset({"ale/cooler"})
BOTH = frozenset({"ale/cooler", "ale/heater"})
LIFETIME_S, RENEW_S, OFF_S, CHANGEOVER_S = 90.0, 25.0, 180.0, 900.0  # as the factories' outputs have them


def scanned(
    state: SiteState,
    celsius: float,
    actions: tuple[Action, ...] = (),
    *,
    unheard: frozenset[str] = frozenset(),
    under_way: frozenset[str] = frozenset(),
) -> StepResult:
    now_s = state.now_s + SCAN_S
    told = readings(CELLAR, celsius, now_s)
    return step(CELLAR, state, Inputs(now_s, UTC_S + now_s, told, actions, unheard, unheard, under_way))


def output(state: SiteState, name: str = "cooler") -> OutputState:
    found = getattr(state.vessels["ale"], name)
    assert isinstance(found, OutputState)
    return found


def cooling() -> SiteState:
    """A minute into a pulse of the cooler."""
    state = running_state(CELLAR, 25.0)
    while not (output(state).on and state.now_s - output(state).since_s > 60.0):
        state = scan(CELLAR, state, 25.0).state
    return state


def until(state: SiteState, celsius: float, wanted: Callable[[SiteState], bool], **inputs: frozenset[str]) -> SiteState:
    for _ in range(2000):
        state = scanned(state, celsius, **inputs).state
        if wanted(state):
            return state
    raise AssertionError("it never came to that")


def test_an_on_whose_renewals_do_not_arrive_is_over_before_the_device_could_start_again_at_once() -> None:
    state = cooling()
    heard_s = output(state).heard_s
    since_s = state.now_s
    records: list[Record] = []
    while output(state).on:
        assert state.now_s - heard_s <= LIFETIME_S
        result = scanned(state, 25.0, unheard=COOLER)
        state, records = result.state, [*records, *result.records]
    assert state.now_s - heard_s <= LIFETIME_S - RENEW_S + SCAN_S
    assert state.now_s > since_s + SCAN_S
    assert [record.reason for record in records if record.subject == "cooler"] == [UNRENEWED]


def test_its_off_time_begins_when_the_broker_is_back_and_the_off_has_arrived() -> None:
    state = cooling()
    for _ in range(100):
        state = scanned(state, 25.0, unheard=COOLER).state
    assert not output(state).on
    back_s = state.now_s
    state = until(state, 25.0, lambda now: output(now).on)
    assert OFF_S <= state.now_s - back_s <= OFF_S + 1200.0


def test_the_other_output_waits_its_change_over_from_then_too() -> None:
    state = cooling()
    for _ in range(100):
        state = scanned(state, 15.0, unheard=COOLER).state
    back_s = state.now_s
    state = until(state, 15.0, lambda now: output(now, "heater").on)
    assert state.now_s - back_s >= CHANGEOVER_S - SCAN_S


def test_an_off_that_arrived_has_begun_its_off_time_whatever_becomes_of_its_repetitions() -> None:
    state = cooling()
    state = until(state, 15.0, lambda now: not output(now).on)
    state = scanned(state, 15.0).state
    since_s = output(state).since_s
    for _ in range(50):
        state = scanned(state, 15.0, unheard=COOLER).state
    assert output(state).since_s == since_s


def test_a_broker_that_is_away_for_less_than_the_lifetime_ends_nothing() -> None:
    state = cooling()
    while state.now_s - output(state).sent_s != 0.0:
        state = scanned(state, 25.0).state
    state = scanned(state, 25.0).state
    for _ in range(int((LIFETIME_S - RENEW_S) / SCAN_S) - 2):
        state = scanned(state, 25.0, unheard=COOLER).state
        assert output(state).on


@pytest.mark.parametrize("scans", [1, 5])
def test_a_command_that_is_still_under_way_has_neither_arrived_nor_failed(scans: int) -> None:
    state = cooling()
    state = until(state, 15.0, lambda now: not output(now).on)
    since_s, heard_s = output(state).since_s, output(state).heard_s
    for _ in range(scans):
        state = scanned(state, 15.0, under_way=COOLER).state
    assert (output(state).since_s, output(state).heard_s) == (since_s, heard_s)
    state = scanned(state, 15.0).state
    assert (output(state).since_s, output(state).heard_s) == (since_s, since_s)


def test_at_a_start_nothing_may_be_on_before_the_off_has_arrived() -> None:
    """Design rule 3: everything is commanded off before anything else, at the devices too."""
    state = scanned(initial_state(CELLAR, 0.0), 25.0).state
    for scans in range(200):
        state = scanned(state, 25.0, () if scans else (starting("ale"),), unheard=BOTH).state
        assert not output(state).on
    back_s = state.now_s
    state = until(state, 25.0, lambda now: output(now).on)
    assert state.now_s - back_s >= OFF_S


def test_after_a_power_cut_that_the_store_may_have_missed_both_outputs_wait_the_change_over() -> None:
    """The disk had taken nothing: nobody knows which of them ran last."""
    saved = cooling()
    saved = saved._replace(
        vessels={"ale": saved.vessels["ale"]._replace(cooler=output(saved)._replace(on=False, ended_s=None))}
    )
    for celsius, name in ((25.0, "cooler"), (15.0, "heater")):
        state = resumed_state(CELLAR, saved, saved.now_s, whole=False)
        state = until(state, celsius, lambda now, name=name: output(now, name).on)  # type: ignore[misc]
        assert state.now_s - saved.now_s >= CHANGEOVER_S


def test_after_an_orderly_stop_nothing_is_in_doubt() -> None:
    assert not stopped_state(cooling()).started


@pytest.mark.parametrize(("saved", "asked", "carried"), [(7, 1_800_000_000, 1_800_000_000), (7, 0, 8), (9, 9, 10)])
def test_commands_carry_an_epoch_as_high_as_is_asked_for(saved: int, asked: int, carried: int) -> None:
    """Design rule 10: a second daemon with a store of its own may have begun at the wall clock."""
    state = resumed_state(CELLAR, cooling()._replace(epoch=saved), 0.0)
    result = step(CELLAR, state, Inputs(0.0, None, {}, epoch=asked))
    assert {command.epoch for command in result.commands} == {carried}
    assert result.state.epoch == carried
