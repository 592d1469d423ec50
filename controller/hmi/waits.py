"""What a step waits for, in the brewer's words and units. The core decides *whether* it waits (`program.unmet`)."""

from typing import NamedTuple

from controller.control.beer import alcohol_by_volume, apparent_attenuation, real_degree_of_fermentation
from controller.control.course import ProfileStep, StepKind
from controller.control.program import Wait, unmet, within_tolerance
from controller.control.state import Batch, BatchState, ProgramState, VesselState
from controller.control.values import Drive
from controller.display import Display
from controller.hmi.words import (
    band_text,
    duration_text,
    printable,
    share_text,
)

REACHED = "temperature reached"


def waits(vessel: VesselState, display: Display) -> list[str]:
    """One sentence for each thing that the current step still waits for; empty without a running profile."""
    batch, position = vessel.batch, vessel.program
    step = step_of(vessel)
    if batch is None or position is None or step is None:
        return []
    sentences = [_sentence(wait, step, position, batch, vessel, display) for wait in unmet(step, position, batch)]
    still = _clock_stands(vessel, step, display) if sentences else ""
    return [*sentences, still] if still else sentences


def step_of(vessel: VesselState) -> ProfileStep | None:
    """The step in which the vessel's batch is (running or held), or None."""
    if vessel.batch is None or vessel.batch.profile is None or vessel.program is None:
        return None
    if vessel.condition not in (BatchState.RUNNING, BatchState.HELD):
        return None
    steps = vessel.batch.profile.steps
    return steps[vessel.program.step] if 0 <= vessel.program.step < len(steps) else None


def ends_by(step: ProfileStep, display: Display) -> str:
    """What a step ends by, shortly: "48 h counted, 75 % attenuation"."""
    ends, found = step.ends, []
    if step.kind is StepKind.RAMP:
        found.append("ramp done")
    if ends.reached:
        found.append(REACHED)
    if ends.after_s is not None:
        found.append(f"{duration_text(ends.after_s)} counted")
    if ends.gravity is not None:
        found.append(f"gravity {display.gravity_text(ends.gravity)}")
    if ends.attenuation is not None:
        found.append(f"{share_text(ends.attenuation)} attenuation")
    if ends.steady_s is not None:
        found.append(f"gravity steady for {duration_text(ends.steady_s)}")
    if ends.confirmed:
        found.append("confirmed")
    return ", ".join(found)


def last_gravity(batch: Batch) -> float | None:
    """The newest gravity that the brewer entered, or None."""
    return batch.gravities[-1].gravity if batch.gravities else None


class Fermented(NamedTuple):
    """What the entered gravities tell of the beer: apparent attenuation and real degree of fermentation as shares
    0..1, alcohol in % by volume. Each is None where OG or gravity is unknown."""

    apparent_attenuation: float | None
    real_degree: float | None
    alcohol_percent: float | None


def fermented(batch: Batch) -> Fermented:
    """How far the batch has come by the newest entered gravity."""
    og, gravity = batch.og, last_gravity(batch)
    if og is None or gravity is None:
        return Fermented(None, None, None)
    try:
        return Fermented(
            apparent_attenuation(og, gravity),
            real_degree_of_fermentation(og, gravity),
            alcohol_by_volume(og, gravity),
        )
    except ValueError:
        return Fermented(None, None, None)


def attenuation_of(batch: Batch) -> float | None:
    """Apparent attenuation 0..1 by the newest entered gravity, or None where OG or gravity is unknown."""
    return fermented(batch).apparent_attenuation


def _sentence(
    wait: Wait, step: ProfileStep, position: ProgramState, batch: Batch, vessel: VesselState, display: Display
) -> str:
    ends = step.ends
    target = display.temperature_text(step.target_c)
    if wait is Wait.RAMP:
        at = vessel.setpoint
        now = band_text(at.low_c, at.high_c, display) if at else "–"
        return f"until the ramp has reached {target} (setpoint now {now})"
    if wait is Wait.REACHED:
        return f"until the wort has reached {target} (now {display.temperature_text(vessel.estimate.celsius)})"
    if wait is Wait.TIME:
        return f"counted {duration_text(position.counted_s)} of {duration_text(ends.after_s or 0.0)}"
    if wait is Wait.GRAVITY:
        return f"until gravity {display.gravity_text(ends.gravity)} ({_gravity_now(batch, display)})"
    if wait is Wait.ATTENUATION:
        return f"until {share_text(ends.attenuation)} apparent attenuation ({_attenuation_now(batch)})"
    if wait is Wait.STEADY:
        steady = duration_text(ends.steady_s or 0.0)
        return f"until gravity has been steady for {steady} ({_gravity_now(batch, display)})"
    return f"waits for you: {printable(ends.confirmed)}"


def _gravity_now(batch: Batch, display: Display) -> str:
    gravity = last_gravity(batch)
    return "no gravity entered yet" if gravity is None else f"now {display.gravity_text(gravity)}"


def _attenuation_now(batch: Batch) -> str:
    if batch.og is None:
        return "the batch has no OG: enter one"
    if last_gravity(batch) is None:
        return "no gravity entered yet"
    return f"now {share_text(attenuation_of(batch))}"


def _clock_stands(vessel: VesselState, step: ProfileStep, display: Display) -> str:
    """Why step time is not counted at this moment, or "" if it is or if no time is asked for."""
    if vessel.condition is BatchState.HELD:
        return "held: the step's clock stands still"
    if step.ends.after_s is None or vessel.setpoint is None:
        return ""
    if vessel.estimate.celsius is None or vessel.estimate.drive is Drive.NOTHING:
        return "not counting: no good signal"
    if not within_tolerance(step, vessel.setpoint, vessel.estimate):
        tolerance = display.difference_text(step.tolerance_k).removeprefix("+")
        return f"not counting: more than {tolerance} from the setpoint"
    return ""
