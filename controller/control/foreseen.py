"""Control by what is coming: pulses sized in energy about the setpoint (`pulses`), and a demand in watts that is their
mean: feed-forward of the load (yeast, room, slope of the setpoint, bath) with P of the deviation.

What the observer cannot explain takes the integral's place. It is fed with what the outputs really did, grants and
vetoes included, so nothing winds up. A plan is made at each look of the observer, at a switch and when the setpoint
jumps; the scans between only compare with its levels.
"""

from controller.control.budget import widened_k
from controller.control.interlock import changeover_left_s
from controller.control.observer import Observed
from controller.control.outlook import Outlook
from controller.control.pulses import busier, levels, period_h, rarer, tooth_k, turned
from controller.control.site import LoopKind, Vessel
from controller.control.state import LoopState, OutputState
from controller.control.values import Demand, Estimate, Setpoint

JUMP_K = 0.1  # a setpoint that moves further than a steep ramp has jumped, ...
STEEPEST_K_PER_H = 10.0  # ... and is no slope
SLOPE_S = 600.0  # memory of the setpoint's slope
LEAST_SHARE = 0.02  # of an output's power is asked for while its pulse is on, however small the mean
USUAL_GAIN_PER_H = 2.0  # of a loop without a gain
# All: common practice, no source.

FREE = Demand(0.0, "free rise")
_SATISFIED = Demand(0.0, "at the setpoint")


def reasoned(heat_w: float) -> Demand:
    """A demand with its reason."""
    if heat_w < 0.0:
        return Demand(heat_w, "cooling to the setpoint")
    if heat_w > 0.0:
        return Demand(heat_w, "heating to the setpoint")
    return _SATISFIED


def foreseen(
    vessel: Vessel, setpoint: Setpoint, wort: Estimate, last: LoopState, observed: Observed, dt_s: float, low_w: float,
    high_w: float, longer: float, outputs: tuple[OutputState | None, OutputState | None], now_s: float,
) -> tuple[Demand, LoopState]:  # fmt: skip
    """The demand and the loop's memory after one scan; `low_w` and `high_w` are what the outputs can do."""
    ahead = observed.thought.ahead
    high_c, low_c = setpoint.high_c, setpoint.low_c
    settled_c = ahead.settles_c + ahead.settles_k_per_h * (observed.passed_s / 3600.0)
    celsius = wort.celsius or 0.0
    above_k = settled_c + (wort.cold_c - celsius) - high_c
    below_k = low_c - settled_c - (wort.warm_c - celsius)
    pulse, plan = last.pulse, last.plan
    if (
        pulse is not None
        and observed.passed_s > dt_s
        and high_w == plan.high_w
        and last.sought_c is not None
        and -JUMP_K < high_c - last.sought_c < JUMP_K
        and (above_k > plan.cool_off_k if pulse < 0 else above_k < plan.cool_on_k)
        and (below_k > plan.heat_off_k if pulse > 0 else below_k < plan.heat_on_k or pulse < 0)
    ):
        if low_c < high_c and not last.heat_w:
            return FREE, last
        return reasoned(last.heat_w), last
    return _planned(vessel, setpoint, wort, last, ahead, above_k, below_k, low_w, high_w, longer, outputs, now_s)


def _planned(
    vessel: Vessel, setpoint: Setpoint, wort: Estimate, last: LoopState, ahead: Outlook, above_k: float, below_k: float,
    low_w: float, high_w: float, longer: float, outputs: tuple[OutputState | None, OutputState | None], now_s: float,
) -> tuple[Demand, LoopState]:  # fmt: skip
    """Another plan: load, teeth and levels, and whether an output is to be on now."""
    loop, on_off = vessel.loop, vessel.loop.kind is LoopKind.ON_OFF
    passed_s = now_s - last.planned_s if last.pulse is not None else 0.0
    slope = _slope_k_per_h(setpoint, last, passed_s)
    need = ahead.own_k_per_h - slope
    free = setpoint.low_c < setpoint.high_c
    if free:
        need = max(need, 0.0) if wort.cold_c + wort.warm_c > setpoint.low_c + setpoint.high_c else min(need, 0.0)
    load, busy, busy_s = busier(last, need, passed_s)
    over_k, under_k = wort.cold_c - setpoint.high_c, setpoint.low_c - wort.warm_c
    teeth = [0.0, 0.0]
    for k, (part, state, load_k_per_h, full_k_per_h, lag_h, away_k) in enumerate((
        (vessel.cooler, outputs[0], need, ahead.cooling_k_per_h, ahead.hold_h, over_k),
        (vessel.heater, outputs[1], -need, ahead.heating_k_per_h, 0.0, under_k),
    )):  # fmt: skip
        if part is None or state is None:
            continue
        if on_off:
            deadband_k = loop.deadband_k if longer == 1.0 else widened_k(loop.deadband_k, longer)
            teeth[k] = max(tooth_k(part, 0.0, full_k_per_h, 0.0, lag_h), deadband_k)
        else:
            behind = rarer(part, state, now_s, away_k)
            hours = period_h(part, load, busy, behind)
            teeth[k] = tooth_k(part, max(load_k_per_h, 0.0), full_k_per_h, hours, lag_h, behind)
    may = (vessel.cooler is not None and _free(vessel, outputs[1], now_s),
           high_w > 0.0 and _free(vessel, outputs[0], now_s))  # fmt: skip
    pulse, far = turned(last, ahead, need, above_k, below_k, (teeth[0], teeth[1]), may)
    if pulse > 0 and high_w == 0.0:
        pulse, far = 0, False
    heat_w = _mean_w(vessel, need, over_k, under_k, ahead, low_w, high_w)
    if pulse < 0:
        heat_w = low_w if far or on_off else min(heat_w, LEAST_SHARE * low_w)
    elif pulse > 0:
        heat_w = high_w if far or on_off else max(heat_w, LEAST_SHARE * high_w)
    elif on_off or heat_w * need >= 0.0 or (free and max(over_k, under_k) < 0.0):
        heat_w = 0.0
    plan = levels(pulse, far, last.side, ahead, need, above_k, below_k, (teeth[0], teeth[1]), high_w)
    memory = LoopState(
        0.0, None, 0.0, heat_w, pulse, True, 0.0, pulse, far, pulse or last.side, setpoint.high_c, slope, busy, busy_s,
        now_s, plan,
    )  # fmt: skip
    return FREE if free and not heat_w else reasoned(heat_w), memory


def _free(vessel: Vessel, other: OutputState | None, now_s: float) -> bool:
    """Whether the other output has been off for long enough."""
    return other is None or (not other.on and changeover_left_s(vessel, other, now_s) == 0.0)


def _mean_w(
    vessel: Vessel, need: float, over_k: float, under_k: float, ahead: Outlook, low_w: float, high_w: float
) -> float:
    """What the pulses give in the mean: the load, and P of the deviation, as a share of what full output does."""
    per_h = vessel.loop.gain_w_per_k / vessel.heat_capacity_j_per_k * 3600.0 or USUAL_GAIN_PER_H
    wanted = need + per_h * (over_k if over_k > 0.0 else -under_k if under_k > 0.0 else 0.0)
    if wanted > 0.0:
        return low_w * min(wanted / ahead.cooling_k_per_h, 1.0) if ahead.cooling_k_per_h > 0.0 else low_w
    return high_w * min(-wanted / ahead.heating_k_per_h, 1.0) if ahead.heating_k_per_h > 0.0 else 0.0


def _slope_k_per_h(setpoint: Setpoint, last: LoopState, passed_s: float) -> float:
    """How fast the setpoint moves: the mean of the last minutes; a jump is no slope."""
    if last.sought_c is None:
        return 0.0
    moved_k = setpoint.high_c - last.sought_c
    if abs(moved_k) > JUMP_K + STEEPEST_K_PER_H / 3600.0 * passed_s:
        return 0.0
    if passed_s <= 0.0 or (moved_k == 0.0 and last.slope_k_per_h == 0.0):
        return last.slope_k_per_h
    slope = last.slope_k_per_h + (moved_k / passed_s * 3600.0 - last.slope_k_per_h) * passed_s / (SLOPE_S + passed_s)
    return slope if abs(slope) > 1e-3 else 0.0
