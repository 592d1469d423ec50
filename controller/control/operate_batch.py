"""Operator actions about a batch and the vessel that it is in: its start, its move to another, its end."""

from controller.control.beer import HIGHEST_GRAVITY
from controller.control.operate_beer import LOWEST_OG, with_gravity
from controller.control.operate_request import Done, Refused, Request, Told, named_step, shown, within
from controller.control.program import clamped, entered, setpoint_of
from controller.control.site import Limits
from controller.control.state import NO_LOOP, Batch, BatchState, Mode, VesselState
from controller.control.values import RecordKind, Setpoint


def start(request: Request) -> Done:
    """Begin a batch: `batch` (its name), with a `profile`, from its `step` on if given, or at `setpoint_c` (°C).

    Also `og` and `gravity` (20/20 °C), `volume_l` (L) and `yeast`, where they are known."""
    was, now_s = request.was, request.state.now_s
    if was.batch is not None:
        raise Refused(f"{request.vessel.name} still has the batch {was.batch.name!r}; say packaged first")
    name = request.text("batch")
    og = request.optional_number("og", LOWEST_OG, HIGHEST_GRAVITY)
    volume_l = request.optional_number("volume_l", 0.01, request.vessel.volume_l)
    batch = Batch(name, og, volume_l, request.text("yeast", ""), None, now_s, request.utc_s)
    if request.given("gravity"):
        batch = with_gravity(request, batch)
    fresh = was._replace(
        in_service=True,
        mode=Mode.AUTO,
        manual=None,
        loop=NO_LOOP,
        off_since_s=None,
        quiet=None,
        settling_best_k=1e9,
        settling_since_s=now_s,
    )
    limits = request.vessel.limits
    if not request.given("profile"):
        if request.given("step"):
            raise Refused("a batch without a profile has no step to begin at")
        target_c = within(limits, request.number("setpoint_c", -10.0, 50.0))
        vessel = fresh._replace(
            condition=BatchState.STOPPED, batch=batch, program=None, setpoint=Setpoint(target_c, target_c)
        )
        answer = f"{name} regulates at {target_c:.1f} °C without a profile"
        return Done(vessel, answer, RecordKind.BATCH, name, "started")
    profile = request.site.profiles.get(request.text("profile"))
    if profile is None:
        known = ", ".join(sorted(request.site.profiles)) or "none"
        raise Refused(f"there is no profile {shown(request.text('profile'))}; known are {known}")
    number = named_step(profile.steps, request.text("step")) if request.given("step") else 0
    first = profile.steps[number]
    from_c = was.estimate.celsius if was.estimate.celsius is not None else first.target_c
    position = entered(number, clamped(from_c, limits))
    vessel = fresh._replace(
        condition=BatchState.RUNNING,
        batch=batch._replace(profile=profile),
        program=position,
        setpoint=setpoint_of(first, position, limits),
    )
    answer = f"{name} follows {profile.title}" + (f" from the step {first.name!r} on" if number else "")
    return Done(vessel, answer, RecordKind.BATCH, name, "started")


def move(request: Request) -> Done:
    """Move the batch to the empty vessel `to`, with its place in the profile, its gravities and its history.

    The vessel that it leaves is out of service (cleaning); the loop of the new one begins anew, in mode auto."""
    batch, was, now_s = request.batch(), request.was, request.state.now_s
    name, here = request.text("to"), request.vessel.name
    to = request.site.vessel(name)
    if to is None:
        known = ", ".join(vessel.name for vessel in request.site.vessels if vessel.name != here) or "no other"
        raise Refused(f"there is no vessel {shown(name)} to move to; the site file names {known}")
    if name == here:
        raise Refused(f"{batch.name} is in {here} already")
    there = request.state.vessels[name]
    if there.batch is not None:
        raise Refused(f"{name} has the batch {there.batch.name!r}; move to an empty vessel")
    if batch.volume_l is not None and batch.volume_l > to.volume_l:
        raise Refused(f"{batch.volume_l:.1f} L do not fit into {name}, which holds {to.volume_l:.1f} L")
    if was.setpoint is not None and clamped(was.setpoint.low_c, to.limits) != was.setpoint.low_c:
        raise Refused(_beyond(name, was.setpoint.low_c, to.limits))
    if was.setpoint is not None and clamped(was.setpoint.high_c, to.limits) != was.setpoint.high_c:
        raise Refused(_beyond(name, was.setpoint.high_c, to.limits))
    arrived = there._replace(
        in_service=True,
        condition=was.condition,
        mode=Mode.AUTO,
        batch=batch,
        program=was.program,
        manual=None,
        setpoint=was.setpoint,
        loop=NO_LOOP,
        settling_best_k=1e9,
        settling_since_s=now_s,
        off_since_s=None,
        quiet=None,
    )
    answer = f"{batch.name} moved to {name}; {here} is out of service (cleaning) until the next batch"
    here_now = Told(name, RecordKind.BATCH, batch.name, "moved here", f"{batch.name} came from {here}; mode auto")
    return Done(
        emptied(was), answer, RecordKind.BATCH, batch.name, "moved away", others={name: arrived}, more=(here_now,)
    )


def service(request: Request) -> Done:
    """Take an empty vessel out of service (`in_service` false), or put it back (true)."""
    wanted, was, name = request.action.arguments.get("in_service"), request.was, request.vessel.name
    if not isinstance(wanted, bool):
        raise Refused(f"'in_service' must be true or false, found {shown(wanted)}")
    words = "in service" if wanted else "out of service"
    if was.batch is not None and not wanted:
        raise Refused(f"{name} has the batch {was.batch.name!r}; move it or say packaged first")
    if was.in_service == wanted:
        raise Refused(f"{name} is {words} already")
    return Done(was._replace(in_service=wanted), f"{name} is {words}", RecordKind.STATE, "service", words)


def packaged(request: Request) -> Done:
    """End the batch; the vessel is out of service (cleaning) until the next one."""
    batch = request.batch()
    answer = f"{batch.name} is packaged; {request.vessel.name} is out of service (cleaning) until the next batch"
    return Done(emptied(request.was), answer, RecordKind.BATCH, batch.name, "packaged")


def emptied(was: VesselState) -> VesselState:
    """The vessel after its batch has left it."""
    return was._replace(
        in_service=False,
        condition=BatchState.IDLE,
        mode=Mode.AUTO,
        batch=None,
        program=None,
        manual=None,
        setpoint=None,
        loop=NO_LOOP,
        settling_best_k=None,
        off_since_s=None,
        quiet=None,
    )


def _beyond(name: str, celsius: float, limits: Limits) -> str:
    return (
        f"the setpoint of {celsius:.1f} °C is outside the hard limits of {name}, "
        f"{limits.low_c:.1f} to {limits.high_c:.1f} °C"
    )
