"""A PID step as a pure function: `simple-pid` does the proportional and integral arithmetic, a guard around
it cures what the bare object suffers from.

Bare, one NaN poisons the integral for ever, a zero interval explodes the derivative, a gap slams the
integral to its limit, a hand-over from manual bumps, and a long saturation winds it up.
"""

from math import isfinite
from typing import NamedTuple

from simple_pid import PID

# Nothing moves in less; a slope over a shorter interval would be noise or infinite.
SHORTEST_INTERVAL_S = 0.001


class Gains(NamedTuple):
    """Parallel form in watts and kelvin: u = `p` e + `i` ∫e dt - `d` dx/dt. `filter_s` smooths the derivative
    (0: none); `tracking_s` is how fast the integral follows what was really applied."""

    p_w_per_k: float
    i_w_per_k_s: float
    d_w_s_per_k: float
    filter_s: float
    tracking_s: float
    low_w: float
    high_w: float


class PidState(NamedTuple):
    """Memory of the controller: the integral term in watts, the last measurement, the filtered slope."""

    integral_w: float = 0.0
    last_c: float | None = None
    slope_k_per_s: float = 0.0


class PidTerms(NamedTuple):
    """The three parts of one output, in watts, before limiting."""

    proportional_w: float
    integral_w: float
    derivative_w: float


def _no_clock() -> float:
    """simple-pid asks for the time when it is made; the interval is always given, so any number will do."""
    return 0.0


def pid_step(
    gains: Gains, state: PidState, measured_c: float, setpoint_c: float, dt_s: float, applied_w: float | None
) -> tuple[PidState, float, PidTerms]:
    """One step of the controller: the new state, the output in `low_w`..`high_w`, and its terms.

    `applied_w` is what became of the last output (grants and vetoes included): where less was applied than
    asked, the integral is drawn toward it with time constant `tracking_s` and does not wind up. None hands
    over without history. A measurement or setpoint that is not finite, or an interval shorter than a
    millisecond, changes nothing and asks for nothing but the integral.
    """
    if not (isfinite(measured_c) and isfinite(setpoint_c) and dt_s >= SHORTEST_INTERVAL_S):
        kept = _within(gains, state.integral_w)
        return state, kept, PidTerms(0.0, kept, 0.0)
    slope, derivative_w = state.slope_k_per_s, 0.0
    if gains.d_w_s_per_k and state.last_c is not None:
        raw_slope = (measured_c - state.last_c) / dt_s
        slope += (raw_slope - slope) * dt_s / (gains.filter_s + dt_s)
        derivative_w = -gains.d_w_s_per_k * slope
    bare = PID(
        gains.p_w_per_k,
        gains.i_w_per_k_s,
        0.0,
        setpoint_c,
        sample_time=None,
        time_fn=_no_clock,
        starting_output=state.integral_w,
    )
    bare(measured_c, dt=dt_s)
    proportional_w, integral_w, _ = bare.components
    wanted_w = proportional_w + integral_w + derivative_w
    output_w = _within(gains, wanted_w)
    beyond = wanted_w - output_w
    if beyond * (integral_w - state.integral_w) > 0.0:
        integral_w = state.integral_w  # saturated: do not integrate further into the limit
    if applied_w is not None:
        integral_w += _back_calculation(gains, state, applied_w, proportional_w, dt_s)
    integral_w = _within(gains, integral_w)
    return PidState(integral_w, measured_c, slope), output_w, PidTerms(proportional_w, integral_w, derivative_w)


def _within(gains: Gains, watts: float) -> float:
    if watts < gains.low_w:
        return gains.low_w
    return gains.high_w if watts > gains.high_w else watts


def bumpless(gains: Gains, measured_c: float, setpoint_c: float, output_w: float) -> PidState:
    """The state with which the next output equals `output_w`, where the proportional part alone leaves room
    for that; outside the proportional band, an empty integral: there the full output is wanted at once."""
    proportional_w = gains.p_w_per_k * (setpoint_c - measured_c)
    if not isfinite(proportional_w) or not gains.low_w < proportional_w < gains.high_w:
        return PidState(0.0, measured_c, 0.0)
    integral_w = _within(gains, output_w - proportional_w)
    return PidState(integral_w, measured_c, 0.0)


def _back_calculation(gains: Gains, state: PidState, applied_w: float, proportional_w: float, dt_s: float) -> float:
    asked_w = _within(gains, state.integral_w + proportional_w)
    missing_w = applied_w - asked_w
    if abs(applied_w) >= abs(asked_w):  # all that was asked, or more
        return 0.0
    return missing_w * dt_s / (gains.tracking_s + dt_s)
