"""Operator actions about the loop: its setpoint, who moves the outputs, and hours in which they rest."""

from controller.control.operate_request import Done, Refused, Request, shown, within
from controller.control.state import BatchState, Manual, Mode
from controller.control.values import RecordKind, Setpoint

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
        vessel = was._replace(mode=Mode.OFF, manual=None, off_since_s=now_s)
        return Done(vessel, "mode off: nobody regulates this vessel now", RecordKind.MODE, "mode", wanted)
    if wanted != Mode.MANUAL.value:
        raise Refused(f"'mode' must be auto, manual or off, found {shown(wanted)}")
    request.batch()
    duty = request.number("duty", -1.0, 1.0)
    lasts_s = request.number("for_s", 1.0, LONGEST_MANUAL_S)
    if duty > 0.0 and request.action.who.startswith("mqtt") and not request.site.manual_heat_over_mqtt:
        raise Refused("manual heat is not accepted over MQTT; use the command line at the controller")
    vessel = was._replace(mode=Mode.MANUAL, manual=Manual(duty, now_s + lasts_s), off_since_s=None)
    return Done(vessel, f"manual {duty:+.0%} for {lasts_s / 3600:.1f} h, then auto", RecordKind.MODE, "mode", wanted)
