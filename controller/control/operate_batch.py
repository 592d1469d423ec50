"""Operator actions about a batch and the vessel that it is in: its start and its end."""

from controller.control.beer import HIGHEST_GRAVITY
from controller.control.operate_beer import LOWEST_OG
from controller.control.operate_request import Done, Refused, Request, shown, within
from controller.control.program import clamped, entered, setpoint_of
from controller.control.state import NO_LOOP, Batch, BatchState, Mode, VesselState
from controller.control.values import RecordKind, Setpoint


def start(request: Request) -> Done:
    """Begin a batch: `batch` (its name), with a `profile` or at `setpoint_c` (°C); also `og`, `volume_l`, `yeast`."""
    was, now_s = request.was, request.state.now_s
    if was.batch is not None:
        raise Refused(f"{request.vessel.name} still has the batch {was.batch.name!r}; say packaged first")
    name = request.text("batch")
    og = request.optional_number("og", LOWEST_OG, HIGHEST_GRAVITY)
    volume_l = request.optional_number("volume_l", 0.01, request.vessel.volume_l)
    batch = Batch(name, og, volume_l, request.text("yeast", ""), None, now_s, request.utc_s)
    fresh = was._replace(
        in_service=True,
        mode=Mode.AUTO,
        manual=None,
        loop=NO_LOOP,
        off_since_s=None,
        settling_best_k=1e9,
        settling_since_s=now_s,
    )
    limits = request.vessel.limits
    if not request.given("profile"):
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
    first = profile.steps[0]
    from_c = was.estimate.celsius if was.estimate.celsius is not None else first.target_c
    position = entered(0, clamped(from_c, limits))
    vessel = fresh._replace(
        condition=BatchState.RUNNING,
        batch=batch._replace(profile=profile),
        program=position,
        setpoint=setpoint_of(first, position, limits),
    )
    return Done(vessel, f"{name} follows {profile.title}", RecordKind.BATCH, name, "started")


def packaged(request: Request) -> Done:
    """End the batch; the vessel is out of service (cleaning) until the next one."""
    batch = request.batch()
    answer = f"{batch.name} is packaged; {request.vessel.name} is out of service (cleaning) until the next batch"
    return Done(_emptied(request.was), answer, RecordKind.BATCH, batch.name, "packaged")


def _emptied(was: VesselState) -> VesselState:
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
    )
