"""Operator actions that change the rest of a batch's course: a step lasts longer, ends now, or begins again.

They act on the batch's own copy of its profile and on its place in it; the profile's file and other batches
are not touched.
"""

from dataclasses import replace

from controller.control.course import Profile, ProfileStep
from controller.control.operate_request import Done, Refused, Request, Told, lasting, named_step
from controller.control.program import Wait, begins_from_c, entered, setpoint_of, unmet
from controller.control.state import Batch, BatchState, ProgramState, VesselState
from controller.control.values import RecordKind, Setpoint

SHORTEST_EXTENSION_S, LONGEST_EXTENSION_S = 60.0, 30 * 86400.0  # common practice, no source


def extend(request: Request) -> Done:
    """Let the running or held step last `for_s` (60..2592000 s) longer: its time, and its longest time likewise.

    What is over already counts as if it ended now, so that the step always lasts that much longer from now."""
    batch, profile, position = _standing(request, (BatchState.RUNNING, BatchState.HELD), "extended")
    longer_s = request.number("for_s", SHORTEST_EXTENSION_S, LONGEST_EXTENSION_S)
    step = profile.steps[position.step]
    if step.ends.after_s is None:
        waits = " and ".join(_asked(step, wait) for wait in unmet(step, position, batch)) or "nothing"
        raise Refused(f"the step {step.name!r} has no time to extend: it waits for {waits}")
    after_s = max(step.ends.after_s, position.counted_s) + longer_s
    at_most_s = max(step.at_most_s, position.elapsed_s) + longer_s
    longer = replace(step, ends=replace(step.ends, after_s=after_s), at_most_s=at_most_s)
    steps = (*profile.steps[: position.step], longer, *profile.steps[position.step + 1 :])
    vessel = request.was._replace(
        batch=batch._replace(profile=replace(profile, steps=steps)), program=position._replace(overtime=False)
    )
    left = lasting(after_s - position.counted_s)
    answer = f"{step.name} lasts {lasting(longer_s)} longer: {lasting(after_s)} in all, {left} of it to come"
    return Done(vessel, answer, RecordKind.STEP, step.name, "extended")


def skip(request: Request) -> Done:
    """End the running step now and begin the next, or the later step `to`; after the last one the batch is complete.

    A question that nobody has answered is passed only with `sure`: true."""
    batch, profile, position = _standing(request, (BatchState.RUNNING,), "skipped")
    steps, now = profile.steps, profile.steps[position.step]
    last = position.step + 1 == len(steps)
    following = position.step + 1
    if request.given("to"):
        following = named_step(steps, request.text("to"))
        if following <= position.step:
            raise Refused(f"the step {steps[following].name!r} is not after {now.name!r}; 'back' goes back to it")
    passed = steps[position.step : following]
    asked = [step.ends.confirmed for step in passed if step.ends.confirmed and not (step is now and position.confirmed)]
    if asked and not request.sure():
        questions = " and ".join(f'"{question}"' for question in asked)
        raise Refused(f"the step asks: {questions} Confirm it, or say so again with sure=true to go past it")
    name = request.vessel.name
    skipped = tuple(Told(name, RecordKind.STEP, step.name, "skipped", "passed over") for step in passed[1:])
    unanswered = ", its question unanswered" if asked else ""
    if last:
        at = setpoint_of(now, position, request.vessel.limits)
        vessel = request.was._replace(condition=BatchState.COMPLETE, setpoint=at)
        why = "the last step was skipped; regulates at the last setpoint until packaged"
        more = (Told(name, RecordKind.STATE, "batch", BatchState.COMPLETE.value, why),)
        answer = f"{now.name} ended by hand{unanswered}; the batch is complete"
        return Done(vessel, answer, RecordKind.STEP, now.name, "ended", more=more)
    begun = Told(name, RecordKind.STEP, steps[following].name, "begun", f"skipped to from {now.name}")
    answer = f"{now.name} ended by hand{unanswered}; {steps[following].name} begins"
    vessel = _entered(request, batch, profile, following)
    return Done(vessel, answer, RecordKind.STEP, now.name, "ended", more=(*skipped, begun))


def back(request: Request) -> Done:
    """Begin the previous step again, or the earlier step `to`, with its clocks anew; the running one may be named
    too. From a complete batch, the last step begins again."""
    batch, profile, position = _standing(request, (BatchState.RUNNING, BatchState.COMPLETE), "taken back")
    complete = request.was.condition is BatchState.COMPLETE
    now = profile.steps[position.step]
    earlier = position.step if complete else position.step - 1
    if request.given("step"):  # so named once: to leave it out would begin another step
        raise Refused("the step to go back to is named as 'to', as for 'skip'")
    if request.given("to"):
        earlier = named_step(profile.steps, request.text("to"))
        if earlier > position.step:
            raise Refused(f"the step {profile.steps[earlier].name!r} is after {now.name!r}; 'skip' goes on to it")
    if earlier < 0:
        raise Refused(f"{now.name!r} is the first step; name it as 'to' to begin it again")
    again = profile.steps[earlier]
    vessel = _entered(request, batch, profile, earlier)
    name = request.vessel.name
    more = [Told(name, RecordKind.STEP, again.name, "begun", f"back from {now.name}")]
    if complete:
        more.append(Told(name, RecordKind.STATE, "batch", BatchState.RUNNING.value, f"back to {again.name}"))
    answer = f"back to the beginning of {again.name}"
    if vessel.program is not None and not unmet(again, vessel.program, batch):
        answer += "; all that it waits for is so already, so that it ends at once"
    return Done(vessel, answer, RecordKind.STEP, now.name, "left", more=tuple(more))


def _standing(request: Request, allowed: tuple[BatchState, ...], done: str) -> tuple[Batch, Profile, ProgramState]:
    """The batch, its profile and its place in it; refused where it has none or is in another state."""
    batch, was = request.batch(), request.was
    if batch.profile is None or was.program is None:
        raise Refused(f"{batch.name} follows no profile: there is no step to be {done}")
    if was.condition not in allowed:
        if was.condition is BatchState.HELD:
            raise Refused(f"{batch.name} is held; resume it first")
        raise Refused(f"a batch that is {was.condition.value} has no step to be {done}")
    return batch, batch.profile, was.program


def _entered(request: Request, batch: Batch, profile: Profile, number: int) -> VesselState:
    """The vessel at the beginning of that step, coming from where the wort is."""
    was, limits = request.was, request.vessel.limits
    at = was.setpoint if was.setpoint is not None else Setpoint(limits.low_c, limits.high_c)
    position = entered(number, begins_from_c(at, was.estimate))
    return was._replace(
        condition=BatchState.RUNNING,
        batch=batch,
        program=position,
        setpoint=setpoint_of(profile.steps[number], position, limits),
        settling_best_k=1e9,
        settling_since_s=request.state.now_s,
    )


def _asked(step: ProfileStep, wait: Wait) -> str:
    ends = step.ends
    words = {
        Wait.RAMP: f"the ramp to arrive at {step.target_c:.1f} °C",
        Wait.REACHED: f"the wort to reach {step.target_c:.1f} °C",
        Wait.GRAVITY: f"a gravity of {ends.gravity or 0.0:.3f}",
        Wait.ATTENUATION: f"an apparent attenuation of {ends.attenuation or 0.0:.0%}",
        Wait.STEADY: f"a gravity that is steady for {lasting(ends.steady_s or 0.0)}",
        Wait.CONFIRMATION: f'your answer: "{ends.confirmed}"',
    }
    return words[wait]
