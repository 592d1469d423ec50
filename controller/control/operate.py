"""Operator actions: the one checked function that page, command line and MQTT all call.

An action carries an id and, where the operator says so, the batch state that it was meant for. A repeated
id is answered, not repeated. A refused action says why, and changes nothing.
"""

from collections.abc import Callable, Mapping

from controller.control.operate_alarms import BATH, acknowledge, acknowledge_bath
from controller.control.operate_batch import move, packaged, service, start
from controller.control.operate_beer import gravity, og
from controller.control.operate_course import abort, confirm, hold, resume, stop
from controller.control.operate_faults import inspected
from controller.control.operate_identify import identify
from controller.control.operate_loop import mode, quiet, setpoint
from controller.control.operate_request import Done, Refused, Request, shown, step_name
from controller.control.operate_steps import back, extend, skip
from controller.control.site import Site
from controller.control.state import SiteState, VesselState
from controller.control.values import Action, Record, RecordKind

KEPT_ANSWERS = 200

VERBS: Mapping[str, Callable[[Request], Done]] = {
    "start": start,
    "move": move,
    "packaged": packaged,
    "service": service,
    "setpoint": setpoint,
    "mode": mode,
    "quiet": quiet,
    "identify": identify,
    "hold": hold,
    "resume": resume,
    "stop": stop,
    "abort": abort,
    "confirm": confirm,
    "extend": extend,
    "skip": skip,
    "back": back,
    "gravity": gravity,
    "og": og,
    "acknowledge": acknowledge,
    "inspected": inspected,
}


def operate(site: Site, state: SiteState, action: Action, utc_s: float | None) -> tuple[SiteState, list[Record]]:
    """Carry out one action, or refuse it; either way one ACTION record with the answer as its reason."""
    if action.id in state.answers:
        return state, [_answer(state, action, utc_s, "repeated", state.answers[action.id])]
    try:
        if action.vessel == BATH and action.verb == "acknowledge" and site.bath:
            changed, record = acknowledge_bath(state, action, utc_s)
            records = [record]
        else:
            changed, records = _at_vessel(site, state, action, utc_s)
    except Refused as why:
        text = f"refused: {why}; nothing was changed"
        return _remember(state, action, text), [_answer(state, action, utc_s, "refused", text)]
    answer = records[0].reason
    return _remember(changed, action, answer), [*records, _answer(state, action, utc_s, "done", answer)]


def _at_vessel(site: Site, state: SiteState, action: Action, utc_s: float | None) -> tuple[SiteState, list[Record]]:
    request, verb = _checked(site, state, action, utc_s)
    done = verb(request)
    changed = state._replace(vessels={**state.vessels, **done.others, action.vessel: done.vessel})
    if done.alarms is not None:
        changed = changed._replace(alarms=done.alarms)
    told = [(action.vessel, done.kind, done.subject, done.value, done.answer), *done.more]
    return changed, [Record(state.now_s, utc_s, *each, action.who) for each in told]


def _checked(
    site: Site, state: SiteState, action: Action, utc_s: float | None
) -> tuple[Request, Callable[[Request], Done]]:
    vessel = site.vessel(action.vessel)
    if vessel is None:
        known = ", ".join(vessel.name for vessel in site.vessels)
        raise Refused(f"there is no vessel {shown(action.vessel)}; the site file names {known}")
    verb = VERBS.get(action.verb)
    if verb is None:
        raise Refused(f"there is no action {shown(action.verb)}; known are {', '.join(VERBS)}")
    if action.expects:
        _as_expected(state.vessels[vessel.name], action.expects)
    return Request(site, vessel, state, action, utc_s), verb


def _as_expected(now: VesselState, expects: str) -> None:
    """Refuses unless the batch is in the expected state, and in the expected step where one is named."""
    condition, named, wanted_step = expects.partition("/")
    step = step_name(now.batch, now.program, now.condition)
    if condition == now.condition.value and (not named or wanted_step == step):
        return
    there = f"{now.condition.value}/{step}" if step else now.condition.value
    raise Refused(f"the batch was expected to be {shown(expects)}, but it is {there}")


def _remember(state: SiteState, action: Action, text: str) -> SiteState:
    kept = dict(list(state.answers.items())[-(KEPT_ANSWERS - 1) :])
    kept[action.id] = text
    return state._replace(answers=kept)


def _answer(state: SiteState, action: Action, utc_s: float | None, value: str, text: str) -> Record:
    where = action.vessel if action.vessel in state.vessels else ""
    return Record(state.now_s, utc_s, where, RecordKind.ACTION, action.id, value, text, action.who)
