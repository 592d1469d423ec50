"""Stage 4, estimate -> setpoint: where the batch stands in its profile, and the setpoint of the moment.

Step time counts only while the signal is good and the wort is within the step's tolerance; the guard for
the longest time counts everything (design.md §4).
"""

from enum import Enum

from controller.control.beer import apparent_attenuation
from controller.control.course import ProfileStep, StepKind
from controller.control.site import Limits
from controller.control.state import Batch, ProgramState
from controller.control.values import Drive, Estimate, Setpoint


class Wait(Enum):
    """One thing that a step can wait for."""

    RAMP = "ramp"
    REACHED = "reached"
    TIME = "time"
    GRAVITY = "gravity"
    ATTENUATION = "attenuation"
    STEADY = "steady"
    CONFIRMATION = "confirmation"


STEADY_GRAVITY = 0.001  # what a brewer's hydrometer can tell apart; common practice, no source


def entered(step: int, from_c: float) -> ProgramState:
    """The position at the beginning of a step, coming from a setpoint."""
    return ProgramState(step, 0.0, 0.0, from_c)


def begins_from_c(setpoint: Setpoint, wort: Estimate) -> float:
    """Where a step that begins now comes from: the wort, as far as the setpoint of the moment lets it."""
    here_c = wort.celsius if wort.celsius is not None else setpoint.high_c
    return min(max(here_c, setpoint.low_c), setpoint.high_c)


def setpoint_of(step: ProfileStep, position: ProgramState, limits: Limits, last: Setpoint | None = None) -> Setpoint:
    """The setpoint of the moment, never outside the vessel's hard limits (design rule 7); `last` itself if it
    has not moved."""
    if step.kind is StepKind.FREE_RISE:
        high_c = step.target_c
        low_c = min(high_c, step.floor_c if step.floor_c is not None else position.from_c)
        return Setpoint(clamped(low_c, limits), clamped(high_c, limits))
    sought_c = clamped(_ramp_c(step, position) if step.kind is StepKind.RAMP else step.target_c, limits)
    if last is not None and last.low_c == sought_c == last.high_c:
        return last
    return Setpoint(sought_c, sought_c)


def clamped(celsius: float, limits: Limits) -> float:
    """The nearest temperature within the hard limits."""
    return min(max(celsius, limits.low_c), limits.high_c)


def advance(
    step: ProfileStep, position: ProgramState, setpoint: Setpoint, wort: Estimate, dt_s: float, gap: bool
) -> ProgramState:
    """Let the step's clocks run for one scan of a running batch.

    During a gap only the guard's clock runs: nobody knows what the wort did.
    """
    counts = not gap and wort.celsius is not None and wort.drive is not Drive.NOTHING
    if counts and step.waits_within_k is not None:  # a setpoint that waits does not move, and its time stands still
        counts = behind_k(step, position, setpoint, wort) <= step.waits_within_k
    within = counts and within_tolerance(step, setpoint, wort)
    # A ramp's own time moves its setpoint; every other step's time is time spent where it should be.
    counted_s = position.counted_s + (dt_s if (counts if step.kind is StepKind.RAMP else within) else 0.0)
    reached = position.reached or (within and _setpoint_arrived(step, position))
    return ProgramState(
        position.step,
        counted_s,
        position.elapsed_s + dt_s,
        position.from_c,
        reached,
        position.confirmed,
        position.waiting,
        position.overtime,
        position.behind,
    )


def behind_k(step: ProfileStep, position: ProgramState, setpoint: Setpoint, wort: Estimate) -> float:
    """How far the wort lags behind the setpoint of a ramp, the way that the ramp goes; negative: it is ahead. 0 in any
    other step, and without a temperature."""
    if step.kind is not StepKind.RAMP or wort.celsius is None:
        return 0.0
    return setpoint.low_c - wort.cold_c if step.target_c > position.from_c else wort.warm_c - setpoint.high_c


def within_tolerance(step: ProfileStep, setpoint: Setpoint, wort: Estimate) -> bool:
    """Whether the whole wort, by every fit probe, lies within the step's tolerance of the setpoint."""
    return wort.cold_c >= setpoint.low_c - step.tolerance_k and wort.warm_c <= setpoint.high_c + step.tolerance_k


def unmet(step: ProfileStep, position: ProgramState, batch: Batch) -> list[Wait]:
    """What the step still waits for; empty when it has ended."""
    ends, waits = step.ends, []
    if step.kind is StepKind.RAMP and not (position.reached and _setpoint_arrived(step, position)):
        waits.append(Wait.RAMP)
    if ends.reached and not position.reached:
        waits.append(Wait.REACHED)
    if ends.after_s is not None and position.counted_s < ends.after_s:
        waits.append(Wait.TIME)
    if ends.gravity is not None and not _gravity_at_or_below(batch, ends.gravity):
        waits.append(Wait.GRAVITY)
    if ends.attenuation is not None and not _attenuated(batch, ends.attenuation):
        waits.append(Wait.ATTENUATION)
    if ends.steady_s is not None and not gravity_steady(batch, ends.steady_s):
        waits.append(Wait.STEADY)
    if ends.confirmed and not position.confirmed:
        waits.append(Wait.CONFIRMATION)
    return waits


def _ramp_c(step: ProfileStep, position: ProgramState) -> float:
    span_k = step.target_c - position.from_c
    if step.over_s is not None:
        if position.counted_s >= step.over_s:
            return step.target_c  # exactly: arithmetic might miss it by a bit, and the ramp would never end
        return position.from_c + position.counted_s / step.over_s * span_k
    moved_k = (step.rate_k_per_s or 0.0) * position.counted_s
    return step.target_c if moved_k >= abs(span_k) else position.from_c + (moved_k if span_k > 0 else -moved_k)


def _setpoint_arrived(step: ProfileStep, position: ProgramState) -> bool:
    return step.kind is not StepKind.RAMP or _ramp_c(step, position) == step.target_c


def _gravity_at_or_below(batch: Batch, gravity: float) -> bool:
    return bool(batch.gravities) and batch.gravities[-1].gravity <= gravity


def _attenuated(batch: Batch, attenuation: float) -> bool:
    if not batch.gravities or batch.og is None:
        return False
    return apparent_attenuation(batch.og, batch.gravities[-1].gravity) >= attenuation


def gravity_steady(batch: Batch, steady_s: float) -> bool:
    """Whether the newest gravity and all others within `steady_s` before it are the same, and one is as old as that."""
    if not batch.gravities:
        return False
    newest = batch.gravities[-1]
    for reading in reversed(batch.gravities):
        if abs(reading.gravity - newest.gravity) > STEADY_GRAVITY:
            return False
        if newest.at_s - reading.at_s >= steady_s:
            return True
    return False
