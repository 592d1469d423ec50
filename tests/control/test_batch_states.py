"""The states of a batch: which action leads from which to which, and what each does with the outputs.

The names are ISA-88's (IEC 61512), the outputs those of the README's table.
"""

import pytest

from controller.control.course import Ends, StepKind
from controller.control.lifecycle import initial_state
from controller.control.site import Site
from controller.control.state import BatchState, SiteState
from controller.control.values import RecordKind, Setpoint
from tests.control.test_follow import a_step, ale, cellar_with, doing, go_on, steps_told
from tests.factories import HOUR_S, running_state, scan


def at_state(cellar: Site, wanted: BatchState) -> SiteState:
    """A cellar whose vessel is in the wanted state, wort at 20 °C."""
    if wanted is BatchState.IDLE:
        state = initial_state(cellar, 0.0)
        for _ in range(60):
            state = scan(cellar, state, 20.0).state
        return state
    if wanted is BatchState.COMPLETE:
        state, _ = go_on(cellar, running_state(cellar, 20.0), 20.0, HOUR_S)
        return state
    state = running_state(cellar, 20.0)
    verbs = {
        BatchState.HELD: doing("hold"),
        BatchState.STOPPED: doing("stop"),
        BatchState.ABORTED: doing("abort", sure=True),
    }
    return scan(cellar, state, 20.0, verbs[wanted]).state if wanted in verbs else state


I, R, H, C, S, A = (  # noqa: E741
    BatchState.IDLE, BatchState.RUNNING, BatchState.HELD, BatchState.COMPLETE, BatchState.STOPPED, BatchState.ABORTED,
)  # fmt: skip
ACTIONS = {
    "start": doing("start", batch="new", profile="hold"),
    "hold": doing("hold"),
    "resume": doing("resume"),
    "stop": doing("stop"),
    "abort": doing("abort", sure=True),
    "setpoint": doing("setpoint", celsius=18.0),
    "packaged": doing("packaged"),
}
LEADS_TO: dict[BatchState, dict[str, BatchState]] = {  # what is not named is refused
    I: {"start": R},
    R: {"hold": H, "stop": S, "abort": A, "packaged": I},
    H: {"resume": R, "stop": S, "abort": A, "setpoint": H, "packaged": I},
    C: {"stop": S, "abort": A, "setpoint": C, "packaged": I},
    S: {"abort": A, "setpoint": S, "packaged": I},
    A: {"abort": A, "setpoint": S, "packaged": I},
}
SHORT = a_step("rest", 20.0, Ends(after_s=1200.0), StepKind.REST)


@pytest.mark.parametrize("condition", BatchState)
@pytest.mark.parametrize("verb", ACTIONS)
def test_which_action_leads_from_which_state_where(condition: BatchState, verb: str) -> None:
    cellar = cellar_with(SHORT)
    state = at_state(cellar, condition)
    assert ale(state).condition is condition
    result = scan(cellar, state, 20.0, ACTIONS[verb]._replace(id="now"))
    answer = next(r for r in result.records if r.kind is RecordKind.ACTION)
    wanted = LEADS_TO[condition].get(verb)
    assert answer.value == ("refused" if wanted is None else "done"), answer.reason
    assert ale(result.state).condition is (wanted or condition)


@pytest.mark.parametrize(("condition", "cools"), [(I, False), (R, True), (H, True), (C, True), (S, True), (A, False)])
def test_what_each_state_does_with_the_outputs(condition: BatchState, cools: bool) -> None:
    """Idle and aborted: everything off. Running, held, complete, stopped: regulate."""
    cellar = cellar_with(SHORT)
    state, _ = go_on(cellar, at_state(cellar, condition), 23.0, HOUR_S)
    assert ale(state).cooler.on is cools
    assert not ale(state).heater.on
    state, _ = go_on(cellar, at_state(cellar, condition), 17.0, HOUR_S)
    assert ale(state).heater.on is cools
    assert not ale(state).cooler.on


@pytest.mark.parametrize("condition", [H, C, S])
def test_held_complete_and_stopped_regulate_at_the_last_setpoint_and_their_clocks_stand_still(
    condition: BatchState,
) -> None:
    cellar = cellar_with(SHORT)
    before = at_state(cellar, condition)
    after, records = go_on(cellar, before, 20.0, 2 * HOUR_S)
    assert ale(after).setpoint == ale(before).setpoint == Setpoint(20.0, 20.0)
    assert ale(after).program == ale(before).program
    assert steps_told(records) == []


def test_a_batch_held_on_a_ramp_stays_where_the_ramp_was_and_goes_on_from_there() -> None:
    cellar = cellar_with(a_step("rise", 24.0, kind=StepKind.RAMP, rate_k_per_s=1.0 / HOUR_S))
    state = running_state(cellar, 20.0)
    held_c = ale(state).setpoint.low_c
    state, _ = go_on(cellar, state, 20.0, 2 * HOUR_S, doing("hold"))
    assert ale(state).setpoint.low_c == held_c
    state, _ = go_on(cellar, state, 20.0, HOUR_S, doing("resume"))
    assert ale(state).setpoint.low_c == pytest.approx(held_c + 1.0, abs=0.01)


def test_a_batch_held_in_a_free_rise_is_held_where_the_wort_is() -> None:
    cellar = cellar_with(a_step("rise", 26.0, kind=StepKind.FREE_RISE, floor_c=18.0))
    state = scan(cellar, running_state(cellar, 22.0), 22.0, doing("hold")).state
    assert ale(state).setpoint == pytest.approx(Setpoint(22.0, 22.0), abs=1e-4)
    state = scan(cellar, state, 22.0, doing("resume")).state
    assert ale(state).setpoint == Setpoint(18.0, 26.0)


def test_aborted_switches_off_at_once_whatever_the_shortest_times_say() -> None:
    """Design: a safety "off" ignores shortest-on times."""
    cellar = cellar_with(SHORT)
    state = running_state(cellar, 23.0)
    while not ale(state).cooler.on:
        state = scan(cellar, state, 23.0).state
    result = scan(cellar, state, 23.0, doing("abort", sure=True))
    assert [(c.tag, c.on) for c in result.commands if not c.on] == [("ale/cooler", False)]
