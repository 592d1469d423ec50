"""Operator actions about the course of a running batch: where it stands in its profile, and whether it goes on."""

from controller.control.operate_request import Done, Refused, Request
from controller.control.state import Batch, BatchState, VesselState
from controller.control.values import RecordKind, Setpoint


def hold(request: Request) -> Done:
    """Let the step clocks stand still and regulate at the setpoint of the moment."""
    if request.was.condition is not BatchState.RUNNING:
        raise Refused(f"only a running batch can be held; it is {request.was.condition.value}")
    was = request.was
    # The setpoint of the moment stays: in a free rise, where the wort is.
    at = was.setpoint
    if at is not None and at.low_c < at.high_c and was.estimate.celsius is not None:
        here_c = min(max(was.estimate.celsius, at.low_c), at.high_c)
        at = Setpoint(here_c, here_c)
    return _to_state(was._replace(setpoint=at), BatchState.HELD, "held: step clocks stand still")


def resume(request: Request) -> Done:
    """Go on with the profile where it was held."""
    was = request.was
    if was.condition is not BatchState.HELD:
        raise Refused(f"only a held batch can be resumed; it is {was.condition.value}")
    vessel = was._replace(settling_best_k=1e9, settling_since_s=request.state.now_s)
    return _to_state(vessel, BatchState.RUNNING, "running: the profile goes on where it was")


def stop(request: Request) -> Done:
    """Leave the profile and regulate at the last setpoint."""
    if request.was.condition not in (BatchState.RUNNING, BatchState.HELD, BatchState.COMPLETE):
        raise Refused(f"a batch that is {request.was.condition.value} cannot be stopped")
    return _to_state(request.was, BatchState.STOPPED, "stopped: regulates at the last setpoint, without a profile")


def abort(request: Request) -> Done:
    """Everything off, after one question that shows what the beer will do (`sure`: true)."""
    batch = request.batch()
    if not request.sure():
        raise Refused(f"{_what_the_beer_will_do(request, batch)} Say so again with sure=true to abort")
    return _to_state(request.was._replace(quiet=None), BatchState.ABORTED, "aborted: everything off")


def confirm(request: Request) -> Done:
    """Answer the question of the running step."""
    batch, position = request.batch(), request.was.program
    if position is None or batch.profile is None or request.was.condition is not BatchState.RUNNING:
        raise Refused("no step is running")
    step = batch.profile.steps[position.step]
    if not step.ends.confirmed:
        raise Refused(f"the step {step.name!r} asks nothing")
    vessel = request.was._replace(program=position._replace(confirmed=True))
    return Done(vessel, f"confirmed: {step.ends.confirmed}", RecordKind.STEP, step.name, "confirmed")


def _to_state(vessel: VesselState, condition: BatchState, answer: str) -> Done:
    return Done(vessel._replace(condition=condition), answer, RecordKind.STATE, "batch", condition.value)


def _what_the_beer_will_do(request: Request, batch: Batch) -> str:
    now_c = request.was.estimate.celsius
    room = request.site.room
    room_signal = request.state.signals.get(room.tag) if room else None
    here = f"{batch.name} is at {now_c:.1f} °C" if now_c is not None else f"{batch.name} has no known temperature"
    if room_signal and room_signal.celsius is not None:
        return f"{here} and will drift toward the room's {room_signal.celsius:.1f} °C, warmer while it ferments."
    return f"{here} and will drift toward the room's temperature, warmer while it ferments."
