"""Operator actions about alarms: a person has seen them."""

from collections.abc import Mapping

from controller.control.alarms import acknowledged
from controller.control.operate_request import Done, Refused, Request, shown, text
from controller.control.state import AlarmPhase, AlarmState, SiteState
from controller.control.values import Action, Record, RecordKind

BATH = "bath"  # the one subject of alarms that is not a vessel


def acknowledge(request: Request) -> Done:
    """Acknowledge the vessel's alarms: the one kind named by `alarm`, or all of them."""
    vessel_name, vessel = request.vessel.name, request.was
    alarms, kinds = _seen(request.state, request.action, vessel_name)
    if "reminder" in kinds and vessel.off_since_s is not None:
        reminder = request.state.alarms[f"{vessel_name}/reminder"]
        if reminder.phase is AlarmPhase.UNACKNOWLEDGED:  # else it was of an "off" that is over
            vessel = vessel._replace(off_since_s=request.state.now_s)
    names = ", ".join(kinds)
    return Done(vessel, f"acknowledged: {names}", RecordKind.ALARM, names, "acknowledged", alarms)


def acknowledge_bath(state: SiteState, action: Action, utc_s: float | None) -> tuple[SiteState, Record]:
    """The same for the bath, which is no vessel."""
    if action.expects:
        raise Refused("the bath has no batch whose state could be expected")
    alarms, kinds = _seen(state, action, BATH)
    names = ", ".join(kinds)
    record = Record(
        state.now_s, utc_s, "", RecordKind.ALARM, names, "acknowledged", f"acknowledged: {names}", action.who
    )
    return state._replace(alarms=alarms), record


def _seen(state: SiteState, action: Action, where: str) -> tuple[Mapping[str, AlarmState], list[str]]:
    """The alarms after those of `where` (all, or the one that the action names) were acknowledged, and their kinds."""
    wanted, prefix = text(action, "alarm", ""), f"{where}/"
    alarms, kinds = dict(state.alarms), []
    for key, alarm in state.alarms.items():
        after = acknowledged(alarm)
        if after is alarm or not key.startswith(prefix) or wanted not in ("", key[len(prefix) :]):
            continue
        kinds.append(key[len(prefix) :])
        del alarms[key]
        if after is not None:
            alarms[key] = after
    if not kinds:
        raise Refused(f"{where} has no alarm{f' {shown(wanted)}' if wanted else ''} to acknowledge")
    return alarms, kinds
