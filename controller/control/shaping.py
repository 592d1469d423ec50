"""Stage 7, grant -> output: watts become pulses of a pump or heater, within shortest times.

The shaper keeps an account of on-time owed. It switches on when it owes enough for a pulse worth starting,
and off when it has given as much too much; so the mean follows the grant whatever the pulses' length.
"""

from controller.control.site import Output
from controller.control.state import OutputState

# Within this distance of the freezing limit the duty falls linearly to zero: ice forms on the coil first.
NEAR_FREEZING_K = 1.0  # common practice, no source


def near_freezing_duty(cold_c: float, limit_c: float) -> float:
    """The largest cooling duty allowed this near the freezing limit, 0..1 (design rule 6)."""
    return min(1.0, max(0.0, (cold_c - limit_c) / NEAR_FREEZING_K))


def shaped(output: Output, state: OutputState, duty: float, cycle_s: float, now_s: float, dt_s: float) -> OutputState:
    """The output's account after this scan, and whether it wants to be on. `duty` is 0..1.

    The result's `on` is a wish: the interlock has the last word, and what it takes away stays owed only up
    to one pulse.
    """
    owed_s = state.owed_s + duty * dt_s - (dt_s if state.on else 0.0)
    lasted_s = now_s - state.since_s
    if duty <= 0.0:
        on = state.on and lasted_s < output.shortest_on_s
        return _account(state, on, 0.0)
    if duty >= 1.0:
        return _account(state, state.on or lasted_s >= output.shortest_off_s, 0.0)
    # A relay on the account with hysteresis h has the period 2 h / (d (1 - d)): h for the wished cycle, but
    # never so small that a pulse or a pause falls below its shortest time.
    h_s = max(
        0.5 * cycle_s * duty * (1.0 - duty),
        0.5 * output.shortest_on_s * (1.0 - duty),
        0.5 * output.shortest_off_s * duty,
    )
    owed_s = min(max(owed_s, -2.0 * h_s), 2.0 * h_s)
    if state.on:
        on = owed_s > -h_s or lasted_s < output.shortest_on_s
    else:
        on = owed_s >= h_s and lasted_s >= output.shortest_off_s
    return _account(state, on, owed_s)


def _account(state: OutputState, on: bool, owed_s: float) -> OutputState:
    if on == state.on and owed_s == state.owed_s:
        return state
    return OutputState(
        on, state.since_s, state.sent_s, state.reason, owed_s, state.ended_s, state.starts, state.on_s, state.paid_s
    )
