"""The operator action that begins and stops an identification."""

from controller.control.blind import capacity_j_per_k
from controller.control.identification import Experiment, Identification, Method, Phase
from controller.control.identify_guard import EXCURSION_K, LONGEST_S, NEAR_K, powers_w, without_room, yeast_at_work
from controller.control.operate_request import Done, Refused, Request, shown
from controller.control.state import BatchState, Mode
from controller.control.trust import fit_to_drive
from controller.control.values import Drive, RecordKind

STOP = "stop"


def identify(request: Request) -> Done:
    """Begin an identification: `test` step or relay; or `stop` the one that is under way. With `force` (exactly true)
    also while yeast is at work. Begins only at the controller: it moves both outputs, heat included."""
    wanted, was = request.text("test"), request.was
    last = was.identification
    if wanted == STOP:
        if last.experiment is None:
            raise Refused(f"{request.vessel.name} has no identification under way")
        vessel = was._replace(identification=Identification(None, last.finding, "stopped by hand"))
        return Done(vessel, "the identification was stopped", RecordKind.MODE, "identification", "stopped")
    if wanted not in {method.value for method in Method}:
        raise Refused(f"'test' must be step, relay or stop, found {shown(wanted)}")
    if request.action.who.startswith("mqtt"):
        raise Refused("an identification is not begun over MQTT; say it at the controller")
    batch, method = request.batch(), Method(wanted)
    setpoint_c = _setpoint_c(request)
    why_not = without_room(request.vessel, batch, setpoint_c)
    if why_not:
        raise Refused(why_not)
    cooler_w, heater_w = powers_w(request.vessel, batch)
    if not cooler_w and not heater_w:
        raise Refused(f"{request.vessel.name} has no output that may be used")
    yeast = yeast_at_work(request.vessel, was, batch, _room_c(request))
    if yeast and request.action.arguments.get("force") is not True:
        raise Refused(f"yeast may be at work: {yeast}; to test all the same say it again with force=true")
    experiment = Experiment(
        method, request.state.now_s, request.utc_s, setpoint_c, was.condition.value, batch.name, cooler_w, heater_w,
        capacity_j_per_k(request.vessel, batch) or request.vessel.heat_capacity_j_per_k,
        Phase.CALM, request.state.now_s, setpoint_c,
    )  # fmt: skip
    answer = (
        f"{method.value} test begun at {setpoint_c:.1f} °C: the outputs rest first; it goes at most {EXCURSION_K:.1f} "
        f"K from there and lasts at most {LONGEST_S[method] / 3600.0:.0f} h"
    )
    vessel = was._replace(identification=Identification(experiment, last.finding))
    return Done(vessel, answer, RecordKind.MODE, "identification", method.value)


def _setpoint_c(request: Request) -> float:
    """The setpoint around which the test can be made; refused where the vessel is not ready for one."""
    was, wort = request.was, request.was.estimate
    if was.identification.experiment is not None:
        raise Refused(f"{request.vessel.name} has an identification under way; stop it first")
    if was.condition is BatchState.RUNNING:
        raise Refused("the profile sets the setpoint while the batch is running; hold it first")
    if was.condition is BatchState.ABORTED or was.mode is not Mode.AUTO:
        why = "the batch is aborted" if was.condition is BatchState.ABORTED else f"the mode is {was.mode.value}"
        raise Refused(f"an identification is for a vessel that is regulated; {why}")
    if was.quiet is not None:
        raise Refused("the outputs rest for quiet hours; end them first")
    if was.faults:
        raise Refused(f"a fault was found: {', '.join(was.faults)}; see to that first")
    if wort.celsius is None or wort.drive is not Drive.BOTH:
        raise Refused(f"there is no signal that both outputs may follow: {wort.cause}")
    if was.setpoint is None or was.setpoint.low_c != was.setpoint.high_c:
        raise Refused("there is no single setpoint to test around; hold the batch or give it one")
    setpoint_c = was.setpoint.low_c
    off_k = wort.celsius - setpoint_c
    if abs(off_k) > NEAR_K:
        raise Refused(f"the wort is {off_k:+.1f} K from its setpoint; wait until it is within {NEAR_K:.1f} K")
    return setpoint_c


def _room_c(request: Request) -> float | None:
    room = request.site.room
    signal = request.state.signals.get(room.tag) if room else None
    return signal.celsius if signal is not None and fit_to_drive(signal) else None
