"""States of a batch against the example of ANSI/ISA-88.00.01 (IEC 61512-1), procedural elements: states and commands.

Typed in from memory of the standard's state transition matrix, its transient states (running -> "holding" -> held)
drawn together, since no output of ours needs time to get there. Where we differ, all of it:

| the standard | here |
|---|---|
| restart (from held) | the action is called "resume", as brewers say |
| reset (from complete, stopped, aborted to idle) | "packaged"; also from running and held: beer may be packaged early |
| pause, paused | not offered: "held" does what a brewer needs |
| from complete, nothing but reset | stop and abort, since outputs regulate on until packaged; back to running |
| aborted ends with reset | a new setpoint makes it stopped: the beer is still there |
| stopped, aborted: the procedure has ended | the batch has not: stopped may be aborted |
"""

from collections.abc import Mapping

from controller.control.lifecycle import initial_state
from controller.control.operate import operate
from controller.control.state import BatchState, SiteState
from controller.control.values import Action
from tests.factories import UTC_S, scan, site, starting

# Final and quiescent states of the example, and the commands between them.
PUBLISHED: Mapping[tuple[str, str], str] = {
    ("idle", "start"): "running",
    ("running", "hold"): "held",
    ("held", "restart"): "running",
    ("running", "stop"): "stopped",
    ("held", "stop"): "stopped",
    ("running", "abort"): "aborted",
    ("held", "abort"): "aborted",
    ("complete", "reset"): "idle",
    ("stopped", "reset"): "idle",
    ("aborted", "reset"): "idle",
}
OURS_ONLY: Mapping[tuple[str, str], str] = {
    ("running", "reset"): "idle",
    ("held", "reset"): "idle",
    ("complete", "stop"): "stopped",
    ("complete", "abort"): "aborted",
    ("complete", "back"): "running",
    ("stopped", "abort"): "aborted",
    ("aborted", "setpoint"): "stopped",
}
CALLED = {"restart": "resume", "reset": "packaged"}
COMMANDS = ("start", "hold", "restart", "stop", "abort", "reset", "back", "setpoint", "skip")
ARGUMENTS: Mapping[str, Mapping[str, str | float | bool]] = {
    "start": starting("ale").arguments, "abort": {"sure": True}, "setpoint": {"celsius": 18.0}, "skip": {"sure": True},
}  # fmt: skip
CELLAR = site()


def commanded(state: SiteState, command: str) -> SiteState | None:
    """The state after a command, None where it was refused."""
    action = Action(f"{len(state.answers)}", "ale", CALLED.get(command, command), ARGUMENTS.get(command, {}), "test")
    after, records = operate(CELLAR, state, action, UTC_S)
    return after if records[-1].value == "done" else None


def condition(state: SiteState) -> str:
    return state.vessels["ale"].condition.value


def test_the_states_are_the_standards_quiescent_and_final_ones_without_paused() -> None:
    assert {state.value for state in BatchState} == {"idle", "running", "held", "complete", "stopped", "aborted"}


def test_every_command_from_every_state_leads_where_the_standard_says_or_is_a_known_difference() -> None:
    """All states are found from idle by commands alone; to skip the last step is to complete the batch."""
    found: dict[tuple[str, str], str] = {}
    waiting = [scan(CELLAR, initial_state(CELLAR, 0.0), 20.0).state]
    seen = {condition(waiting[0])}
    while waiting:
        state = waiting.pop()
        for command in COMMANDS:
            after = commanded(state, command)
            if after is None or condition(after) == condition(state):
                continue
            found[condition(state), command] = condition(after)
            if condition(after) not in seen:
                seen.add(condition(after))
                waiting.append(after)
    assert seen == {state.value for state in BatchState}
    assert found == {**PUBLISHED, **OURS_ONLY, ("running", "skip"): "complete"}
