"""Stage 5, setpoint -> demand: what each vessel asks for, in watts at its wort."""

from controller.control.budget import widened_k
from controller.control.foreseen import FREE, foreseen, reasoned
from controller.control.observer import NOT_OBSERVED, Observed, sure
from controller.control.pid import SHORTEST_INTERVAL_S, Gains, PidState, bumpless, pid_step
from controller.control.site import LoopKind, Vessel
from controller.control.state import NO_LOOP, LoopState, Manual, Mode, OutputState
from controller.control.values import NO_SIGNAL, Demand, Drive, Estimate, Setpoint

# The integral follows the applied output with a constant near the integral time: faster tracking undershoots
# less but settles hours later (measured on a slow vessel; common practice since Åström and Hägglund).
TRACKING_SHARE = 0.7
# What an output still gives after it was switched off comes within about this time: the hold-up of a coil, the
# lag of a thermowell. Common practice, no source.
HOLD_UP_S = 900.0


def demand(
    vessel: Vessel,
    mode: Mode,
    manual: Manual | None,
    setpoint: Setpoint | None,
    wort: Estimate,
    last: LoopState,
    applied_w: float,
    dt_s: float,
    resting: bool = False,
    longer: float = 1.0,
    observed: Observed = NOT_OBSERVED,
    outputs: tuple[OutputState | None, OutputState | None] = (None, None),
    now_s: float = 0.0,
) -> tuple[Demand, LoopState]:
    """The demand of one vessel and the loop's new memory.

    `setpoint` None means that nothing is to be regulated (no batch, aborted, out of service). `applied_w` is
    what became of the last demand; the loop starts from it when it takes over from manual or off. `resting`
    (quiet hours) asks for nothing and learns nothing, so that nothing winds up. `longer` widens the deadband of an
    on/off loop whose outputs have started too often. Once the observer is sure, pulses follow what it sees coming;
    `outputs` are cooler and heater with their budgets.
    """
    if setpoint is None:
        return _NO_BATCH, NO_LOOP
    if mode is Mode.OFF:
        return _OFF, NO_LOOP
    if mode is Mode.MANUAL and manual is not None:
        heat_w = _manual_w(vessel, manual.duty)
        return Demand(heat_w, "manual"), LoopState(heat_w=heat_w)
    if wort.drive is Drive.NOTHING or wort.celsius is None:
        # What the loop has learnt of yeast and room still holds when the probe is back.
        return _BLIND, last._replace(heat_w=0.0, filtered_c=None, slope_k_per_s=0.0, pulse=None)
    if resting:
        return _QUIET, _rested(vessel, last, applied_w, dt_s)
    low_w = -vessel.cooler.power_w if vessel.cooler else 0.0
    high_w = vessel.heater.power_w if vessel.heater and wort.drive is Drive.BOTH else 0.0
    if sure(observed):
        return foreseen(vessel, setpoint, wort, last, observed, dt_s, low_w, high_w, longer, outputs, now_s)
    if vessel.loop.kind is LoopKind.ON_OFF:
        return _on_off(vessel, setpoint, wort, last, applied_w, dt_s, low_w, high_w, longer)
    return _pid(vessel, setpoint, wort, last, applied_w, dt_s, low_w, high_w)


def _manual_w(vessel: Vessel, duty: float) -> float:
    if duty < 0.0:
        return duty * vessel.cooler.power_w if vessel.cooler else 0.0
    return duty * vessel.heater.power_w if vessel.heater else 0.0


def _on_off(
    vessel: Vessel,
    setpoint: Setpoint,
    wort: Estimate,
    last: LoopState,
    applied_w: float,
    dt_s: float,
    low_w: float,
    high_w: float,
    longer: float,
) -> tuple[Demand, LoopState]:
    """Two-position control with anticipation. Cooling starts half a deadband above the setpoint and stops half a
    deadband below, heating starts a whole deadband below and stops half of it below. What is still on its
    way from the coil counts as if it had arrived, and so for the heater, so that it never calls for the
    opposite."""
    deadband_k = vessel.loop.deadband_k if longer == 1.0 else widened_k(vessel.loop.deadband_k, longer)
    held_w = _held_w(last, applied_w, dt_s)
    coming_k = held_w * HOLD_UP_S / vessel.heat_capacity_j_per_k
    above_k = wort.cold_c + min(coming_k, 0.0) - setpoint.high_c
    below_k = setpoint.low_c - wort.warm_c - max(coming_k, 0.0)
    calling = last.calling
    if above_k >= 0.5 * deadband_k:
        calling = -1
    elif below_k >= deadband_k:
        calling = 1
    elif (calling < 0 and above_k <= -0.5 * deadband_k) or (calling > 0 and below_k <= 0.5 * deadband_k):
        calling = 0
    heat_w = low_w if calling < 0 else high_w if calling > 0 else 0.0
    return reasoned(heat_w), LoopState(heat_w=heat_w, calling=calling, automatic=True, held_w=held_w)


def _held_w(last: LoopState, applied_w: float, dt_s: float) -> float:
    return last.held_w + (applied_w - last.held_w) * dt_s / (HOLD_UP_S + dt_s)


def _rested(vessel: Vessel, last: LoopState, applied_w: float, dt_s: float) -> LoopState:
    """The memory of a loop whose outputs rest: what it has learnt of yeast and room still holds afterwards."""
    if vessel.loop.kind is LoopKind.PID:
        return last._replace(heat_w=0.0, filtered_c=None, slope_k_per_s=0.0, pulse=None)
    return last._replace(heat_w=0.0, calling=0, pulse=None, held_w=_held_w(last, applied_w, dt_s))


def _pid(
    vessel: Vessel,
    setpoint: Setpoint,
    wort: Estimate,
    last: LoopState,
    applied_w: float,
    dt_s: float,
    low_w: float,
    high_w: float,
) -> tuple[Demand, LoopState]:
    measured_c, target_c = measured_against(setpoint, wort)
    if setpoint.low_c < target_c == measured_c < setpoint.high_c:
        # Inside a free rise nothing is wanted, and no memory of the hold before it either.
        return FREE, LoopState(automatic=True)
    if dt_s < SHORTEST_INTERVAL_S and last.automatic:
        # Two scans of one moment: nothing can have changed but what the estimate is fit to drive.
        return reasoned(min(last.heat_w, high_w)), last
    loop = vessel.loop
    gain = loop.gain_w_per_k
    integral_rate = gain / loop.integral_s if loop.integral_s > 0 else 0.0
    gains = Gains(
        gain,
        integral_rate,
        gain * loop.derivative_s,
        loop.derivative_filter_s,
        TRACKING_SHARE * loop.integral_s,
        low_w,
        high_w,
    )
    applied: float | None = applied_w
    state = PidState(last.integral_w, last.filtered_c, last.slope_k_per_s)
    if not last.automatic and not last.integral_w:
        state, applied = bumpless(gains, measured_c, target_c, applied_w), None
    elif last.heat_w * applied_w > 0.0 or last.heat_w == 0.0:
        applied = None if abs(applied_w) >= abs(last.heat_w) else applied_w
    state, heat_w, _ = pid_step(gains, state, measured_c, target_c, dt_s, applied)
    integral_w, calling = state.integral_w, last.calling if last.automatic else 0
    if heat_w * calling < 0.0 and abs(measured_c - target_c) < loop.deadband_k:
        # Split range with a gap: what the coil or the wrap still holds is no reason to turn round.
        heat_w, integral_w = 0.0, max(0.0, integral_w) if calling > 0 else min(0.0, integral_w)
    elif heat_w:
        calling = 1 if heat_w > 0.0 else -1
    return reasoned(heat_w), LoopState(integral_w, state.last_c, state.slope_k_per_s, heat_w, calling, True)


def measured_against(setpoint: Setpoint, wort: Estimate) -> tuple[float, float]:
    """The pair (measured, target) that the loop compares: the colder reading against the upper setpoint, or
    the warmer against the lower; between them nothing is wrong."""
    if wort.cold_c > setpoint.high_c:
        return wort.cold_c, setpoint.high_c
    if wort.warm_c < setpoint.low_c:
        return wort.warm_c, setpoint.low_c
    middle_c = min(max(wort.cold_c, setpoint.low_c), setpoint.high_c)
    return middle_c, middle_c


_NO_BATCH = Demand(0.0, "no batch to regulate")
_OFF = Demand(0.0, "mode off")
_BLIND = Demand(0.0, NO_SIGNAL)
_QUIET = Demand(0.0, "quiet hours: the outputs rest")
