"""The sentences of messages to people, in the words of a brewer. What is said when is decided in `messages`."""

from controller.control.alarm_list import ALARMS, AlarmKind, Priority
from controller.control.alarms import ACTIVE
from controller.control.site import Site
from controller.control.state import BatchState, SiteState, VesselState
from controller.control.values import Drive
from controller.display import Display
from controller.hmi.waits import attenuation_of, last_gravity, step_of
from controller.hmi.words import (
    band_text,
    duration_text,
    printable,
    share_text,
    told,
    trusted_c,
)

PROMPT = "prompt"
STEP_TIME = "step time"


def alarm_priority(kind: str) -> Priority:
    """How urgent the message of an alarm is: by the list of alarms, but a step that asks something is medium."""
    if kind == PROMPT:
        return Priority.MEDIUM
    row = ALARMS.get(kind)
    return row.priority if row else Priority.MEDIUM


def raised_text(key: str, text: str, state: SiteState, display: Display) -> tuple[str, str]:
    """Title and sentences of an alarm that is active; `key` is "vessel/kind", `text` the core's own words."""
    where, _, kind = key.partition("/")
    row, vessel = ALARMS.get(kind), state.vessels.get(where)
    said = told(printable(text), display).strip()
    if kind == PROMPT:
        return _prompt(where, said, vessel, display)
    title = f"{where}: {_cause(row, kind, vessel)}"
    facts = [said] if said else []
    if vessel is not None and vessel.batch is not None:
        facts.append(standing(vessel, display))
    if row is not None:
        facts += [f"if nobody acts: {told(row.consequence, display)}", f"to do: {told(row.action, display)}"]
    return title, ". ".join(_capital(fact) for fact in facts) + "."


def over_text(key: str, state: SiteState) -> str:
    """The title of an alarm whose condition is no longer present."""
    where, _, kind = key.partition("/")
    return f"{where}: returned to normal: {_cause(ALARMS.get(kind), kind, state.vessels.get(where))}"


def standing(vessel: VesselState, display: Display) -> str:
    """Where a beer stands, in one line: batch, step, wort, setpoint, gravity."""
    batch = vessel.batch
    if batch is None:
        return "no batch" if vessel.in_service else "out of service"
    parts = [printable(batch.name), _position(vessel)]
    known = vessel.estimate.celsius is not None and vessel.estimate.drive is not Drive.NOTHING
    wort = display.temperature_text(vessel.estimate.celsius) if known else f"unknown ({_cause_of(vessel, display)})"
    parts.append(f"wort {wort}")
    if vessel.setpoint is not None:
        parts.append(f"setpoint {band_text(vessel.setpoint.low_c, vessel.setpoint.high_c, display)}")
    gravity = last_gravity(batch)
    if gravity is not None:
        attenuated = attenuation_of(batch)
        share = "" if attenuated is None else f" ({share_text(attenuated)} apparent attenuation)"
        parts.append(f"gravity {display.gravity_text(gravity)}{share}")
    return ", ".join(part for part in parts if part)


def where_each_stands(site: Site, state: SiteState, display: Display) -> list[str]:
    """One line for each vessel, in the order of the site file, then the bath."""
    lines = [f"{vessel.name}: {standing(state.vessels[vessel.name], display)}" for vessel in site.vessels]
    if site.bath is not None and site.bath.probes:
        bath_c = trusted_c(state.signals, site.bath.probes)
        lines.append(f"bath: {display.temperature_text(bath_c) if bath_c is not None else 'temperature unknown'}")
    return lines


def daily_text(site: Site, state: SiteState, display: Display) -> tuple[str, str]:
    """Title and lines of the daily message: whether all is well, what is not, what is asked, each vessel."""
    wrong, asks = [], []
    for key, alarm in sorted(state.alarms.items()):
        if alarm.phase not in ACTIVE:
            continue
        title, _ = raised_text(key, alarm.text, state, display)
        if key.endswith(f"/{PROMPT}"):
            asks.append(title)
            continue
        since = "" if alarm.raised_s is None else f", for {duration_text(state.now_s - alarm.raised_s)}"
        wrong.append(f"not well: {title}{since}")
    if not wrong:
        headline = "all is well" if not asks else f"all is well; {_count(len(asks), 'question')} for you"
    else:
        headline = f"{_count(len(wrong), 'thing')} not well"
    return headline, "\n".join([*wrong, *asks, *where_each_stands(site, state, display)])


def outage_text(outage_s: float | None, site: Site, state: SiteState, display: Display) -> tuple[str, str]:
    """Title and lines of the message after a time without the service; None: nobody knows how long it was."""
    headline = "running again; how long nothing was controlled is not known"
    if outage_s is not None:
        headline = f"running again after {duration_text(outage_s)} without control"
    lines = ["Nothing was regulated meanwhile. Where each beer stands now:"]
    return headline, "\n".join([*lines, *where_each_stands(site, state, display)])


def _prompt(where: str, question: str, vessel: VesselState | None, display: Display) -> tuple[str, str]:
    if vessel is not None and vessel.condition is BatchState.COMPLETE and vessel.batch is not None:
        at = "" if vessel.setpoint is None else band_text(vessel.setpoint.low_c, vessel.setpoint.high_c, display)
        kept = f"It is kept at {at} until you say packaged" if at else "Say packaged when the vessel is empty"
        return f"{where}: {printable(vessel.batch.name)} is complete", f"{kept}. {standing(vessel, display)}."
    here = "" if vessel is None else f" {standing(vessel, display)}."
    return f"{where} asks: {question}", f"The beer waits at this step: do what it asks for, then confirm.{here}"


def _position(vessel: VesselState) -> str:
    step = step_of(vessel)
    if step is None or vessel.program is None or vessel.batch is None or vessel.batch.profile is None:
        return vessel.condition.value
    held = "held in " if vessel.condition is BatchState.HELD else ""
    return f"{held}step {vessel.program.step + 1} of {len(vessel.batch.profile.steps)} {printable(step.name)}"


def _cause(row: AlarmKind | None, kind: str, vessel: VesselState | None) -> str:
    if row is None:
        return kind
    step = step_of(vessel) if vessel is not None and kind == STEP_TIME else None
    if step is not None:
        return f"the step {printable(step.name)} has reached its longest time of {duration_text(step.at_most_s)}"
    return row.cause


def _cause_of(vessel: VesselState, display: Display) -> str:
    return told(printable(vessel.estimate.cause), display) or "no reading yet"


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:].rstrip(".")


def _count(number: int, what: str) -> str:
    verb = "" if what == "question" else (" is" if number == 1 else " are")
    return f"{number} {what}{'' if number == 1 else 's'}{verb}"
