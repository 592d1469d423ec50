"""Operator actions about the loop: its setpoint, who moves the outputs, and hours in which they rest."""

from controller.control.operate_request import Done, Refused, Request, Told, lasting, shown, within
from controller.control.state import BatchState, Manual, Mode, Quiet
from controller.control.values import RecordKind, Setpoint

LONGEST_QUIET_S = 12 * 3600.0  # a night
LEAST_DRIFT_K, MOST_DRIFT_K, USUAL_DRIFT_K = 0.3, 3.0, 1.0  # common practice, no source
LONGEST_MANUAL_S = 24 * 3600.0  # design rule 9: a manual override has an end


def setpoint(request: Request) -> Done:
    """Regulate at `celsius` (°C), within the vessel's hard limits; not while a profile is running."""
    request.batch()
    was = request.was
    if was.condition is BatchState.RUNNING:
        raise Refused("the profile sets the setpoint while the batch is running; hold it first")
    target_c = within(request.vessel.limits, request.number("celsius", -10.0, 50.0))
    condition = BatchState.STOPPED if was.condition is BatchState.ABORTED else was.condition
    vessel = was._replace(
        condition=condition,
        setpoint=Setpoint(target_c, target_c),
        settling_best_k=1e9,
        settling_since_s=request.state.now_s,
    )
    return Done(vessel, f"setpoint {target_c:.1f} °C", RecordKind.STATE, "setpoint", f"{target_c:.2f}")


def mode(request: Request) -> Done:
    """Who moves the outputs: `mode` auto, off, or manual with `duty` (-1 full cooling..+1 full heat) and `for_s`."""
    wanted = request.text("mode")
    now_s, was = request.state.now_s, request.was
    if wanted == Mode.AUTO.value:
        vessel = was._replace(mode=Mode.AUTO, manual=None, off_since_s=None)
        return Done(vessel, "mode auto", RecordKind.MODE, "mode", wanted)
    if wanted == Mode.OFF.value:
        vessel = was._replace(mode=Mode.OFF, manual=None, off_since_s=now_s, quiet=None)
        answer, more = "mode off: nobody regulates this vessel now", _no_longer_quiet(request, wanted)
        return Done(vessel, answer, RecordKind.MODE, "mode", wanted, more=more)
    if wanted != Mode.MANUAL.value:
        raise Refused(f"'mode' must be auto, manual or off, found {shown(wanted)}")
    request.batch()
    duty = request.number("duty", -1.0, 1.0)
    lasts_s = request.number("for_s", 1.0, LONGEST_MANUAL_S)
    if duty > 0.0 and request.action.who.startswith("mqtt") and not request.site.manual_heat_over_mqtt:
        raise Refused("manual heat is not accepted over MQTT; use the command line at the controller")
    vessel = was._replace(mode=Mode.MANUAL, manual=Manual(duty, now_s + lasts_s), off_since_s=None, quiet=None)
    answer, more = f"manual {duty:+.0%} for {lasts_s / 3600:.1f} h, then auto", _no_longer_quiet(request, wanted)
    return Done(vessel, answer, RecordKind.MODE, "mode", wanted, more=more)


def quiet(request: Request) -> Done:
    """Let the outputs rest for `for_s` (60..43200 s; 0 ends it) unless the wort drifts further than `drift_k`
    (0.3..3 K; 1 K if not given) from the setpoint of the moment. Alarms, limits and protections go on."""
    request.batch()
    was = request.was
    lasts_s = request.number("for_s", 0.0, LONGEST_QUIET_S)
    if lasts_s == 0.0:
        if was.quiet is None:
            raise Refused(f"{request.vessel.name} has no quiet hours to end")
        return Done(was._replace(quiet=None), "the quiet hours are over", RecordKind.MODE, "quiet", "over")
    if lasts_s < 60.0:
        raise Refused(f"quiet hours last at least a minute; 'for_s' was {lasts_s:g} (0 ends them)")
    if was.condition is BatchState.ABORTED or was.mode is not Mode.AUTO:
        why = "the batch is aborted" if was.condition is BatchState.ABORTED else f"the mode is {was.mode.value}"
        raise Refused(f"quiet hours are for a vessel that is regulated; {why}")
    drift_k = request.optional_number("drift_k", LEAST_DRIFT_K, MOST_DRIFT_K) or USUAL_DRIFT_K
    answer = (
        f"quiet for {lasting(lasts_s)}: the outputs rest unless the wort drifts more than {drift_k:.1f} K; alarms go on"
    )
    vessel = was._replace(quiet=Quiet(request.state.now_s + lasts_s, drift_k))
    return Done(vessel, answer, RecordKind.MODE, "quiet", "resting")


def _no_longer_quiet(request: Request, mode: str) -> tuple[Told, ...]:
    if request.was.quiet is None:
        return ()
    return (Told(request.vessel.name, RecordKind.MODE, "quiet", "over", f"mode {mode} ends the quiet hours"),)
