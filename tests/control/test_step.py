"""One scan of the whole site: what it promises whatever the plant does."""

from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import pytest

from controller.control.codec import to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import initial_state
from controller.control.site import Site
from controller.control.state import BatchState, SiteState
from controller.control.step import step
from controller.control.values import Action, Command, Inputs, Reading
from tests.factories import DAY_S, UTC_S, scan, site, starting, vessel

ENDLESS = Ends(gravity=1.000)  # waits for a gravity that nobody enters
ALE = Profile("hold", "Ale", (ProfileStep("primary", StepKind.HOLD, 19.0, 0.5, ENDLESS, 90 * DAY_S),))
CELLAR = site(vessel("a"), vessel("b"), vessel("c"), profile=ALE)


def wave(cellar: Site, now_s: float) -> Mapping[str, Reading]:
    """Worts that go up and down by some kelvin within hours, each in its own way, around the setpoint."""
    seen = {"bath/supply": Reading(-3.0, now_s)}
    for each in cellar.vessels:
        phase = (now_s / (3600.0 * (1.0 + 0.4 * (ord(each.name[0]) - ord("a"))))) % 2.0
        celsius = 17.0 + 4.0 * (phase if phase < 1.0 else 2.0 - phase)
        seen |= {probe.tag: Reading(celsius, now_s) for probe in each.probes}
    return seen


def told(commands: tuple[Command, ...]) -> list[tuple[str, bool, str]]:
    """Commands without their numbers."""
    return sorted((c.tag, c.on, c.reason) for c in commands)


def history(cellar: Site, scans: int, *, beer_in: str = "abc") -> list[tuple[SiteState, tuple[Command, ...]]]:
    """State and commands of each scan; batches start in the second."""
    state, seen = initial_state(cellar, 0.0), []
    for number in range(scans):
        now_s = state.now_s + 5.0
        actions = tuple(starting(name) for name in beer_in) if number == 1 else ()
        result = step(cellar, state, Inputs(now_s, UTC_S + now_s, wave(cellar, now_s), actions))
        state = result.state
        seen.append((state, result.commands))
    return seen


def test_the_same_state_and_inputs_give_the_same_result() -> None:
    assert history(CELLAR, 3000) == history(CELLAR, 3000)


def test_a_scan_changes_neither_the_state_nor_the_inputs_that_it_was_given() -> None:
    state = history(CELLAR, 400)[-1][0]
    text = to_json(state)
    now_s = state.now_s + 5.0
    inputs = Inputs(now_s, UTC_S, dict(wave(CELLAR, now_s)), (Action("g", "a", "gravity", {"gravity": 1.02}, "t"),))
    written = to_json(inputs)
    step(CELLAR, state, inputs)
    assert (to_json(state), to_json(inputs)) == (text, written)


# At the start


def test_the_first_scan_commands_everything_off_whatever_was_before() -> None:
    """Design rule 3."""
    saved = initial_state(CELLAR, 100.0)
    cold = {name: was._replace(cooler=was.cooler._replace(on=True)) for name, was in saved.vessels.items()}
    warm = {name: was._replace(heater=was.heater._replace(on=True)) for name, was in saved.vessels.items()}
    for state in (saved, saved._replace(vessels=cold), saved._replace(vessels=warm)):
        for celsius in (5.0, 19.0, 35.0):
            result = scan(CELLAR, state, celsius, *(starting(name) for name in "abc"))
            assert {(c.tag, c.on) for c in result.commands} == {
                (f"{name}/{output}", False) for name in "abc" for output in ("cooler", "heater")
            }


def test_an_output_is_first_switched_on_after_its_protective_off_time() -> None:
    first_on = {}
    for state, commands in history(CELLAR, 400):
        for command in commands:
            if command.on:
                first_on.setdefault(command.tag, state.now_s)
    assert first_on
    assert min(first_on.values()) >= 180.0


# Commands


def test_every_command_has_a_reason_a_lifetime_and_the_next_number() -> None:
    commands = [command for _, commands in history(CELLAR, 4000) for command in commands]
    assert all(command.reason.strip() and command.lifetime_s == 90.0 for command in commands)
    assert [command.number for command in commands] == list(range(1, len(commands) + 1))
    assert {command.epoch for command in commands} == {1}


@pytest.mark.parametrize("scan_s", [5.0, 10.0, 30.0])
def test_every_on_is_renewed_well_before_its_lifetime_ends(scan_s: float) -> None:
    """Design rule 3: lifetime 90 s, renewed every 25 s; even with one renewal lost, the device stays on."""
    cellar = replace(CELLAR, scan_s=scan_s)
    state, last_on, renewed = initial_state(cellar, 0.0), {}, 0
    for number in range(4000):
        now_s = state.now_s + scan_s
        actions = tuple(starting(name) for name in "abc") if number == 1 else ()
        result = step(cellar, state, Inputs(now_s, None, wave(cellar, now_s), actions))
        state = result.state
        for command in result.commands:
            if command.on:
                last_on[command.tag] = now_s
        for name, now in state.vessels.items():
            for output in (now.cooler, now.heater):
                tag = f"{name}/{'cooler' if output is now.cooler else 'heater'}"
                if output.on:
                    renewed += 1
                    assert now_s - last_on[tag] <= 90.0 / 2
    assert renewed > 100


def test_an_off_is_said_again_now_and_then() -> None:
    state, heard = initial_state(CELLAR, 0.0), []
    for _ in range(400):
        result = scan(CELLAR, state, 19.0)
        state = result.state
        heard += [state.now_s for command in result.commands if command.tag == "a/cooler"]
    assert len(heard) >= 3
    assert max(b - a for a, b in pairwise(heard)) <= 600.0 + 5.0


def test_what_may_not_have_arrived_is_said_again_at_once_and_nothing_else() -> None:
    state = history(CELLAR, 400)[-1][0]
    now_s = state.now_s + 5.0
    plain = step(CELLAR, state, Inputs(now_s, None, wave(CELLAR, now_s))).commands
    again = frozenset({"a/cooler", "b/heater"})
    result = step(CELLAR, state, Inputs(now_s, None, wave(CELLAR, now_s), say_again=again)).commands
    assert {c.tag for c in result} == {c.tag for c in plain} | again
    said = {c.tag: c.on for c in result}
    now = step(CELLAR, state, Inputs(now_s, None, wave(CELLAR, now_s))).state.vessels
    assert said["a/cooler"] == now["a"].cooler.on
    assert said["b/heater"] == now["b"].heater.on


def test_time_that_seems_to_run_backwards_stands_still() -> None:
    state = history(CELLAR, 600)[-1][0]
    back = step(CELLAR, state, Inputs(state.now_s - 300.0, None, {}))
    assert back.state.now_s == state.now_s
    off = Action("off", "a", "mode", {"mode": "off"}, "t")
    on = next(s for s, _ in history(CELLAR, 600) if s.vessels["a"].cooler.on)
    result = step(CELLAR, on, Inputs(on.now_s - 300.0, None, {}, (off,)))
    assert ("a/cooler", False) in {(c.tag, c.on) for c in result.commands}


# Vessels among themselves


def test_the_order_of_the_vessels_changes_nothing() -> None:
    """Metamorphic: the same cellar, written down in another order."""
    turned = replace(CELLAR, vessels=tuple(reversed(CELLAR.vessels)))
    for (one, said), (other, said_otherwise) in zip(history(CELLAR, 3000), history(turned, 3000), strict=True):
        assert dict(one.vessels) == dict(other.vessels)
        assert dict(one.alarms) == dict(other.alarms)
        assert told(said) == told(said_otherwise)


def test_an_idle_vessel_more_changes_nothing_for_the_others() -> None:
    """Metamorphic: an empty fermenter stands beside them."""
    more = site(vessel("a"), vessel("aa"), vessel("b"), vessel("c"), profile=ALE)
    for (one, said), (other, said_too) in zip(history(CELLAR, 3000), history(more, 3000), strict=True):
        assert {name: other.vessels[name] for name in "abc"} == dict(one.vessels)
        assert told(said) == [entry for entry in told(said_too) if not entry[0].startswith("aa/")]
        assert not other.vessels["aa"].cooler.on
        assert not other.vessels["aa"].heater.on
    assert one.vessels["a"].condition is BatchState.RUNNING
    assert one.vessels["a"].cooler.starts > 0
    assert one.vessels["a"].heater.starts > 0


def test_a_vessel_that_goes_blind_changes_nothing_for_its_neighbour() -> None:
    state = history(CELLAR, 600)[-1][0]
    seeing = blind = state
    for _ in range(600):
        now_s = seeing.now_s + 5.0
        everything = wave(CELLAR, now_s)
        without = {tag: reading for tag, reading in everything.items() if tag != "b/well"}
        seeing = step(CELLAR, seeing, Inputs(now_s, UTC_S, everything)).state
        blind = step(CELLAR, blind, Inputs(now_s, UTC_S, without)).state
    assert blind.vessels["b"].estimate != seeing.vessels["b"].estimate
    for name in "ac":
        assert blind.vessels[name] == seeing.vessels[name]
