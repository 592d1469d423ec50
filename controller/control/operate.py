"""Operator actions: the one checked function that page, command line and MQTT all call.

An action carries an id and, where the operator says so, the batch state that it was meant for. A repeated
id is answered, not repeated. A refused action says why, and changes nothing.
"""

from collections.abc import Callable, Mapping

from controller.control.alarms import acknowledged
from controller.control.beer import HIGHEST_GRAVITY, LOWEST_GRAVITY, alcohol_by_weight, freezing_point_c
from controller.control.program import clamped, entered, setpoint_of
from controller.control.site import Limits, Site, Vessel
from controller.control.state import (
    NO_LOOP,
    AlarmState,
    Batch,
    BatchState,
    GravityReading,
    Manual,
    Mode,
    SiteState,
    VesselState,
)
from controller.control.values import Action, Record, RecordKind, Setpoint

LONGEST_MANUAL_S = 24 * 3600.0  # design rule 9: a manual override has an end
LOWEST_OG = 1.005  # below it there is nothing to ferment
MOST_GRAVITIES = 1000
KEPT_ANSWERS = 200
LONGEST_TEXT = 200
BATH = "bath"  # the one subject of alarms that is not a vessel
PROVEN_ALCOHOL_SHARE = 0.9  # a hydrometer in a fermenting sample reads unsurely; common practice, no source


class Refused(Exception):
    """Why an action was not carried out, in the operator's words."""


class Done:
    """What an action changed: the vessel's new state, alarms if they changed, and the answer."""

    def __init__(self, vessel: VesselState, answer: str, kind: RecordKind, subject: str, value: str) -> None:
        self.vessel, self.answer, self.kind, self.subject, self.value = vessel, answer, kind, subject, value
        self.alarms: Mapping[str, AlarmState] | None = None


class Request:
    """What a verb gets to see: the action, and the site, vessel and state that it is about."""

    def __init__(self, site: Site, vessel: Vessel, state: SiteState, action: Action, utc_s: float | None) -> None:
        self.site, self.vessel, self.state, self.action, self.utc_s = site, vessel, state, action, utc_s
        self.was = state.vessels[vessel.name]

    def text(self, key: str, otherwise: str | None = None) -> str:
        """A text argument; refused when it is missing and there is no `otherwise`."""
        return _text(self.action, key, otherwise)

    def number(self, key: str, low: float, high: float) -> float:
        """A number argument within low..high."""
        value = self.action.arguments.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
            raise Refused(f"'{key}' must be a number, found {_shown(value)}")
        if not low <= value <= high:
            raise Refused(f"'{key}' must lie between {low:g} and {high:g}, found {_shown(value)}")
        return float(value)

    def optional_number(self, key: str, low: float, high: float) -> float | None:
        """The same, or None where it is not given."""
        return self.number(key, low, high) if key in self.action.arguments else None

    def batch(self) -> Batch:
        """The vessel's batch; refused where there is none."""
        if self.was.batch is None:
            raise Refused(f"{self.vessel.name} has no batch")
        return self.was.batch


def operate(site: Site, state: SiteState, action: Action, utc_s: float | None) -> tuple[SiteState, list[Record]]:
    """Carry out one action, or refuse it; either way one ACTION record with the answer as its reason."""
    if action.id in state.answers:
        return state, [_answer(state, action, utc_s, "repeated", state.answers[action.id])]
    try:
        if action.vessel == BATH and action.verb == "acknowledge" and site.bath:
            changed, record = _acknowledge_bath(state, action, utc_s)
        else:
            changed, record = _at_vessel(site, state, action, utc_s)
    except Refused as why:
        text = f"refused: {why}; nothing was changed"
        return _remember(state, action, text), [_answer(state, action, utc_s, "refused", text)]
    answer = record.reason
    return _remember(changed, action, answer), [record, _answer(state, action, utc_s, "done", answer)]


def _at_vessel(site: Site, state: SiteState, action: Action, utc_s: float | None) -> tuple[SiteState, Record]:
    request, verb = _checked(site, state, action, utc_s)
    done = verb(request)
    changed = state._replace(vessels={**state.vessels, action.vessel: done.vessel})
    if done.alarms is not None:
        changed = changed._replace(alarms=done.alarms)
    return changed, Record(
        state.now_s, utc_s, action.vessel, done.kind, done.subject, done.value, done.answer, action.who
    )


def _checked(
    site: Site, state: SiteState, action: Action, utc_s: float | None
) -> tuple[Request, Callable[[Request], Done]]:
    vessel = site.vessel(action.vessel)
    if vessel is None:
        known = ", ".join(vessel.name for vessel in site.vessels)
        raise Refused(f"there is no vessel {_shown(action.vessel)}; the site file names {known}")
    verb = VERBS.get(action.verb)
    if verb is None:
        raise Refused(f"there is no action {_shown(action.verb)}; known are {', '.join(VERBS)}")
    condition = state.vessels[vessel.name].condition
    if action.expects and action.expects != condition.value:
        raise Refused(f"the batch was expected to be {_shown(action.expects)}, but it is {condition.value}")
    return Request(site, vessel, state, action, utc_s), verb


def _remember(state: SiteState, action: Action, text: str) -> SiteState:
    kept = dict(list(state.answers.items())[-(KEPT_ANSWERS - 1) :])
    kept[action.id] = text
    return state._replace(answers=kept)


def _answer(state: SiteState, action: Action, utc_s: float | None, value: str, text: str) -> Record:
    where = action.vessel if action.vessel in state.vessels else ""
    return Record(state.now_s, utc_s, where, RecordKind.ACTION, action.id, value, text, action.who)


def _text(action: Action, key: str, otherwise: str | None) -> str:
    value = action.arguments.get(key, otherwise)
    if not isinstance(value, str) or (otherwise is None and not value.strip()):
        raise Refused(f"'{key}' is missing or is not a text")
    # Printable: no control characters, nothing that reverses a line, and no half of a character that no file takes.
    if len(value) > LONGEST_TEXT or not value.isprintable():
        raise Refused(f"'{key}' must be at most {LONGEST_TEXT} printable characters")
    return value


def _shown(value: object) -> str:
    """What was found, short enough for an answer."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > 10**20:
        return "a huge number"
    text = ascii(value)
    return text if len(text) <= 60 else f"{text[:60]}..."


def _start(request: Request) -> Done:
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
    if "profile" not in request.action.arguments:
        target_c = _within(limits, request.number("setpoint_c", -10.0, 50.0))
        vessel = fresh._replace(
            condition=BatchState.STOPPED, batch=batch, program=None, setpoint=Setpoint(target_c, target_c)
        )
        answer = f"{name} regulates at {target_c:.1f} °C without a profile"
        return Done(vessel, answer, RecordKind.BATCH, name, "started")
    profile = request.site.profiles.get(request.text("profile"))
    if profile is None:
        known = ", ".join(sorted(request.site.profiles)) or "none"
        raise Refused(f"there is no profile {_shown(request.text('profile'))}; known are {known}")
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


def _packaged(request: Request) -> Done:
    batch = request.batch()
    vessel = request.was._replace(
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
    answer = f"{batch.name} is packaged; {request.vessel.name} is out of service (cleaning) until the next batch"
    return Done(vessel, answer, RecordKind.BATCH, batch.name, "packaged")


def _setpoint(request: Request) -> Done:
    request.batch()
    was = request.was
    if was.condition is BatchState.RUNNING:
        raise Refused("the profile sets the setpoint while the batch is running; hold it first")
    target_c = _within(request.vessel.limits, request.number("celsius", -10.0, 50.0))
    condition = BatchState.STOPPED if was.condition is BatchState.ABORTED else was.condition
    vessel = was._replace(
        condition=condition,
        setpoint=Setpoint(target_c, target_c),
        settling_best_k=1e9,
        settling_since_s=request.state.now_s,
    )
    return Done(vessel, f"setpoint {target_c:.1f} °C", RecordKind.STATE, "setpoint", f"{target_c:.2f}")


def _mode(request: Request) -> Done:
    wanted = request.text("mode")
    now_s, was = request.state.now_s, request.was
    if wanted == Mode.AUTO.value:
        vessel = was._replace(mode=Mode.AUTO, manual=None, off_since_s=None)
        return Done(vessel, "mode auto", RecordKind.MODE, "mode", wanted)
    if wanted == Mode.OFF.value:
        vessel = was._replace(mode=Mode.OFF, manual=None, off_since_s=now_s)
        return Done(vessel, "mode off: nobody regulates this vessel now", RecordKind.MODE, "mode", wanted)
    if wanted != Mode.MANUAL.value:
        raise Refused(f"'mode' must be auto, manual or off, found {_shown(wanted)}")
    request.batch()
    duty = request.number("duty", -1.0, 1.0)
    lasts_s = request.number("for_s", 1.0, LONGEST_MANUAL_S)
    if duty > 0.0 and request.action.who.startswith("mqtt") and not request.site.manual_heat_over_mqtt:
        raise Refused("manual heat is not accepted over MQTT; use the command line at the controller")
    vessel = was._replace(mode=Mode.MANUAL, manual=Manual(duty, now_s + lasts_s), off_since_s=None)
    return Done(vessel, f"manual {duty:+.0%} for {lasts_s / 3600:.1f} h, then auto", RecordKind.MODE, "mode", wanted)


def _hold(request: Request) -> Done:
    if request.was.condition is not BatchState.RUNNING:
        raise Refused(f"only a running batch can be held; it is {request.was.condition.value}")
    was = request.was
    # The setpoint of the moment stays: in a free rise, where the wort is.
    at = was.setpoint
    if at is not None and at.low_c < at.high_c and was.estimate.celsius is not None:
        here_c = min(max(was.estimate.celsius, at.low_c), at.high_c)
        at = Setpoint(here_c, here_c)
    return _to_state(was._replace(setpoint=at), BatchState.HELD, "held: step clocks stand still")


def _resume(request: Request) -> Done:
    was = request.was
    if was.condition is not BatchState.HELD:
        raise Refused(f"only a held batch can be resumed; it is {was.condition.value}")
    vessel = was._replace(settling_best_k=1e9, settling_since_s=request.state.now_s)
    return _to_state(vessel, BatchState.RUNNING, "running: the profile goes on where it was")


def _stop(request: Request) -> Done:
    if request.was.condition not in (BatchState.RUNNING, BatchState.HELD, BatchState.COMPLETE):
        raise Refused(f"a batch that is {request.was.condition.value} cannot be stopped")
    return _to_state(request.was, BatchState.STOPPED, "stopped: regulates at the last setpoint, without a profile")


def _abort(request: Request) -> Done:
    batch = request.batch()
    if request.action.arguments.get("sure") is not True:
        raise Refused(f"{_what_the_beer_will_do(request, batch)} Say so again with sure=true to abort")
    return _to_state(request.was, BatchState.ABORTED, "aborted: everything off")


def _confirm(request: Request) -> Done:
    batch, position = request.batch(), request.was.program
    if position is None or batch.profile is None or request.was.condition is not BatchState.RUNNING:
        raise Refused("no step is running")
    step = batch.profile.steps[position.step]
    if not step.ends.confirmed:
        raise Refused(f"the step {step.name!r} asks nothing")
    vessel = request.was._replace(program=position._replace(confirmed=True))
    return Done(vessel, f"confirmed: {step.ends.confirmed}", RecordKind.STEP, step.name, "confirmed")


def _gravity(request: Request) -> Done:
    batch = request.batch()
    gravity = request.number("gravity", LOWEST_GRAVITY, HIGHEST_GRAVITY)
    if batch.og is not None and gravity > batch.og + 0.002:
        raise Refused(f"a gravity of {gravity:.3f} is above the OG of {batch.og:.3f}; correct the OG first")
    if len(batch.gravities) >= MOST_GRAVITIES:
        raise Refused(f"{batch.name} has {MOST_GRAVITIES} gravities already")
    reading = GravityReading(gravity, request.state.now_s, request.utc_s)
    changed = _with_freezing(batch._replace(gravities=(*batch.gravities, reading)))
    vessel = request.was._replace(batch=changed)
    return Done(vessel, f"gravity {gravity:.3f}", RecordKind.BATCH, "gravity", f"{gravity:.4f}")


def _og(request: Request) -> Done:
    batch = request.batch()
    og = request.number("gravity", LOWEST_OG, HIGHEST_GRAVITY)
    if batch.gravities and max(reading.gravity for reading in batch.gravities) > og + 0.002:
        raise Refused(f"an OG of {og:.3f} is below a gravity that was entered")
    vessel = request.was._replace(batch=_with_freezing(batch._replace(og=og)))
    return Done(vessel, f"OG {og:.3f}", RecordKind.BATCH, "og", f"{og:.4f}")


def _acknowledge(request: Request) -> Done:
    alarms, kinds = _seen(request.state, request.action, request.vessel.name)
    vessel = request.was
    if "reminder" in kinds and vessel.off_since_s is not None:
        vessel = vessel._replace(off_since_s=request.state.now_s)
    names = ", ".join(kinds)
    done = Done(vessel, f"acknowledged: {names}", RecordKind.ALARM, names, "acknowledged")
    done.alarms = alarms
    return done


def _acknowledge_bath(state: SiteState, action: Action, utc_s: float | None) -> tuple[SiteState, Record]:
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
    wanted, prefix = _text(action, "alarm", ""), f"{where}/"
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
        raise Refused(f"{where} has no alarm{f' {_shown(wanted)}' if wanted else ''} to acknowledge")
    return alarms, kinds


def _to_state(vessel: VesselState, condition: BatchState, answer: str) -> Done:
    return Done(vessel._replace(condition=condition), answer, RecordKind.STATE, "batch", condition.value)


def _within(limits: Limits, celsius: float) -> float:
    if not limits.low_c <= celsius <= limits.high_c:
        raise Refused(
            f"{celsius:.1f} °C is outside the vessel's hard limits of {limits.low_c:.1f} to {limits.high_c:.1f} °C"
        )
    return celsius


def _with_freezing(batch: Batch) -> Batch:
    """Alcohol never goes away: the least proven alcohol is that of the lowest gravity, less a tenth."""
    if batch.og is None or not batch.gravities:
        return batch
    lowest = min(reading.gravity for reading in batch.gravities)
    proven = PROVEN_ALCOHOL_SHARE * max(0.0, alcohol_by_weight(batch.og, min(lowest, batch.og)))
    return batch._replace(freezing_c=freezing_point_c(proven))


def _what_the_beer_will_do(request: Request, batch: Batch) -> str:
    now_c = request.was.estimate.celsius
    room = request.site.room
    room_signal = request.state.signals.get(room.tag) if room else None
    here = f"{batch.name} is at {now_c:.1f} °C" if now_c is not None else f"{batch.name} has no known temperature"
    if room_signal and room_signal.celsius is not None:
        return f"{here} and will drift toward the room's {room_signal.celsius:.1f} °C, warmer while it ferments."
    return f"{here} and will drift toward the room's temperature, warmer while it ferments."


VERBS: Mapping[str, Callable[[Request], Done]] = {
    "start": _start,
    "packaged": _packaged,
    "setpoint": _setpoint,
    "mode": _mode,
    "hold": _hold,
    "resume": _resume,
    "stop": _stop,
    "abort": _abort,
    "confirm": _confirm,
    "gravity": _gravity,
    "og": _og,
    "acknowledge": _acknowledge,
}
