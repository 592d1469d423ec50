"""What people are told: turns the result of each scan into messages, each with a priority.

Pure: no clock, no I/O; time is that of the result. Alarms are told from their *state*, compared with what was told
last, so that a message is not lost when the service dies between a scan and its message. When a message leaves, and to
whom, is decided in `outbox`; the sentences are in `messages_words`.
"""

from collections.abc import Iterable, Mapping
from datetime import date, time
from enum import Enum
from types import MappingProxyType
from typing import NamedTuple

from controller.control.alarm_list import Priority
from controller.control.alarms import ACTIVE
from controller.control.site import Site
from controller.control.state import AlarmPhase, BatchState, SiteState
from controller.control.values import Record, RecordKind
from controller.display import Display
from controller.hmi.messages_when import daily_due
from controller.hmi.messages_words import (
    PROMPT,
    STEP_TIME,
    alarm_priority,
    daily_text,
    outage_text,
    raised_text,
    standing,
)
from controller.hmi.words import duration_text, printable, told

# All of these: common practice, no source.
REPEAT_S = (30 * 60.0, 2 * 3600.0, 6 * 3600.0, 12 * 3600.0, 24 * 3600.0)  # of a high one that nobody acknowledges
HOLD_S = 15 * 60.0  # an alarm that comes back earlier is flapping: it is told again only then, later and later
LONGEST_HOLD_S = 6 * 3600.0
TROUBLE_S = 120.0  # what the service itself suffers from is told when it has lasted this long
SETTLE_S = 60.0  # after a start, until probes have reported and it can be said where each beer stands
UTC_PATIENCE_S = 10 * 60.0  # after a start, until an outage is told without its length
SHORTEST_OUTAGE_S = 120.0  # shorter is an ordinary restart, and nothing is said of it

ANSWERED = (PROMPT, STEP_TIME, "reminder")  # over because a person acted: who did it knows
NOTHING: Mapping[str, str] = MappingProxyType({})


class Message(NamedTuple):
    """One thing to tell. `at_s` is on the service's time line, `utc_s` None where UTC was not trusted."""

    priority: Priority
    title: str
    text: str
    at_s: float
    utc_s: float | None


class Resumed(NamedTuple):
    """The stored state from which a run goes on: its last UTC (None: never known), its service time, in s."""

    utc_s: float | None
    now_s: float


class Told(NamedTuple):
    """What was told of one subject: the raising last seen, when a message last said that it is active, with which
    title, whether that still stands, how often it came since without a message, and how often it was repeated."""

    raised_s: float
    said_s: float
    title: str
    stands: bool
    more: int = 0
    repeats: int = 0
    hold_s: float = HOLD_S


class Memory(NamedTuple):
    """What must outlive a restart: what was told of each subject, and the date of the last daily message."""

    told: Mapping[str, Told] = MappingProxyType({})
    daily: date | None = None


class Condition(NamedTuple):
    """Something that is the matter now. `key` is "vessel/kind"."""

    key: str
    priority: Priority
    raised_s: float
    text: str
    acknowledged: bool


class Word(Enum):
    """What is to be said of a subject."""

    RAISED = "raised"
    AGAIN = "again"
    STILL = "still"
    OVER = "over"


class Teller:
    """Sees every scan's result and says what is new. `memory` is to be stored with the messages."""

    def __init__(self, display: Display, daily_at: time | None, memory: Memory, resumed: Resumed | None) -> None:
        self.memory = memory
        self._display = display
        self._daily_at = daily_at
        self._resumed = resumed
        self._first_s: float | None = None
        self._trouble_since: dict[str, float] = {}

    def see(
        self, site: Site, state: SiteState, records: Iterable[Record], troubles: Mapping[str, str] = NOTHING
    ) -> list[Message]:
        """The messages of one scan. `troubles` names what the service itself suffers from, such as
        {"broker": "no connection to the broker"}, as long as it lasts."""
        if self._first_s is None:
            self._first_s = state.now_s
            self.memory = _not_ahead(self.memory, state.now_s)
        messages = [message for record in records for message in self._of_record(record, state)]
        messages += self._of_conditions(state, self._conditions(state, troubles))
        if state.now_s - self._first_s >= SETTLE_S:
            messages += self._of_outage(site, state)
            messages += self._of_day(site, state)
        return messages

    def _message(self, state: SiteState, priority: Priority, title: str, text: str = "") -> Message:
        return Message(priority, title, text, state.now_s, trusted_utc_s(state))

    def _of_record(self, record: Record, state: SiteState) -> list[Message]:
        said = told(printable(record.reason), self._display) + (f" ({printable(record.who)})" if record.who else "")
        vessel = state.vessels.get(record.vessel)
        match record.kind:
            case RecordKind.BATCH if record.value in ("started", "moved here", "packaged"):
                title = f"{record.vessel}: {said}"
            case RecordKind.STEP if record.value == "begun":
                title = f"{record.vessel}: the step {printable(record.subject)} has begun"
            case RecordKind.STATE if record.value == BatchState.ABORTED.value:
                title = f"{record.vessel}: {said}"
            case RecordKind.MODE if not record.who:
                title = f"{record.vessel}: {said}"
            case _:
                return []
        here = standing(vessel, self._display) if vessel is not None and vessel.batch is not None else ""
        return [self._message(state, Priority.LOW, title, here)]

    def _conditions(self, state: SiteState, troubles: Mapping[str, str]) -> dict[str, Condition]:
        found = {}
        for key, alarm in state.alarms.items():
            if alarm.phase not in ACTIVE or alarm.raised_s is None:
                continue
            kind = key.partition("/")[2]
            subject = f"{key}: {alarm.text}" if kind == PROMPT else key  # another question is another subject
            seen = alarm.phase is AlarmPhase.ACKNOWLEDGED
            found[subject] = Condition(key, alarm_priority(kind), alarm.raised_s, alarm.text, seen)
        self._trouble_since = {name: self._trouble_since.get(name, state.now_s) for name in troubles}
        for name, since_s in self._trouble_since.items():
            if state.now_s - since_s >= TROUBLE_S:
                key = f"controller/{name}"
                found[key] = Condition(key, Priority.HIGH, since_s, troubles[name], False)
        return found

    def _of_conditions(self, state: SiteState, conditions: Mapping[str, Condition]) -> list[Message]:
        messages, changed = [], dict(self.memory.told)
        for subject in [*conditions, *(each for each in self.memory.told if each not in conditions)]:
            was, now = self.memory.told.get(subject), conditions.get(subject)
            if now is None and _suspended(state, subject):
                continue
            after, word = live(was, now, state.now_s)
            if after is None:
                changed.pop(subject, None)
                continue
            if now is not None and (word is not None or not after.title):
                title, text = self._raised(now, state)
                after = after._replace(title=title)
                if word is not None:
                    often = _often(was, now, state.now_s)
                    messages.append(self._message(state, now.priority, _prefixed(word, title, often), text))
            elif word is Word.OVER and was is not None and _kind(subject) not in ANSWERED:
                often = _often(was, None, state.now_s)
                messages.append(self._message(state, Priority.LOW, _prefixed(word, was.title, often)))
            changed[subject] = after
        if changed != self.memory.told:
            self.memory = self.memory._replace(told=changed)
        return messages

    def _raised(self, condition: Condition, state: SiteState) -> tuple[str, str]:
        if condition.key.startswith("controller/"):
            return f"controller: {printable(condition.text)}", ""
        return raised_text(condition.key, condition.text, state, self._display)

    def _of_outage(self, site: Site, state: SiteState) -> list[Message]:
        if self._resumed is None:
            return []
        was, utc_s = self._resumed, trusted_utc_s(state)
        running_s = state.now_s - was.now_s
        if utc_s is None and running_s < UTC_PATIENCE_S:
            return []
        self._resumed = None
        outage_s = None if utc_s is None or was.utc_s is None else utc_s - was.utc_s - running_s
        if outage_s is not None and outage_s < SHORTEST_OUTAGE_S:
            return []
        beer = any(vessel.batch is not None for vessel in state.vessels.values())
        priority = Priority.MEDIUM if beer else Priority.LOW
        return [self._message(state, priority, *outage_text(outage_s, site, state, self._display))]

    def _of_day(self, site: Site, state: SiteState) -> list[Message]:
        utc_s = trusted_utc_s(state)
        if utc_s is None or self._daily_at is None:
            return []
        due, day = daily_due(utc_s, self.memory.daily, self._daily_at, self._display.zone)
        if day != self.memory.daily:
            self.memory = self.memory._replace(daily=day)
        return [self._message(state, Priority.LOW, *daily_text(site, state, self._display))] if due else []


def trusted_utc_s(state: SiteState) -> float | None:
    """UTC of the scan in s, or None while it is not trusted: then the state only guesses on from before a restart."""
    return None if state.outage_since_s is not None else state.utc_s


def live(was: Told | None, now: Condition | None, at_s: float) -> tuple[Told | None, Word | None]:
    """What is to be said of one subject at `at_s`, and what is to be remembered of it (None: nothing any more).

    `was` is what has been told, `now` what is the matter (None: nothing)."""
    if was is None:
        if now is None:
            return None, None
        return Told(now.raised_s, at_s, "", not now.acknowledged), None if now.acknowledged else Word.RAISED
    held = at_s - was.said_s < was.hold_s
    if now is None:
        return _gone(was, held, at_s)
    if now.raised_s != was.raised_s:
        was = was._replace(raised_s=now.raised_s, more=was.more + 1)
    if now.acknowledged:
        return was._replace(more=0), None
    if was.more:
        if held:
            return was, None
        return Told(now.raised_s, at_s, was.title, True, hold_s=_next_hold_s(was, at_s)), Word.AGAIN
    if now.priority is Priority.HIGH and was.stands:
        wait_s = REPEAT_S[min(was.repeats, len(REPEAT_S) - 1)]
        if at_s - was.said_s >= wait_s:
            return was._replace(said_s=at_s, repeats=was.repeats + 1), Word.STILL
    return was, None


def _gone(was: Told, held: bool, at_s: float) -> tuple[Told | None, Word | None]:
    if was.more:  # it came and went unsaid
        return (was, None) if held else (was._replace(stands=False, more=0, said_s=at_s), Word.OVER)
    if was.stands:
        return was._replace(stands=False), Word.OVER
    return (was if at_s - was.said_s < 2 * was.hold_s else None), None


def _next_hold_s(was: Told, at_s: float) -> float:
    flaps = at_s - was.said_s < 2 * was.hold_s
    return min(2 * was.hold_s, LONGEST_HOLD_S) if flaps else HOLD_S


def _not_ahead(memory: Memory, now_s: float) -> Memory:
    """A service time line that begins anew, because its store was lost, must not keep anything unsaid."""
    told = {each: was._replace(said_s=min(was.said_s, now_s)) for each, was in memory.told.items()}
    return memory._replace(told=told)


def _suspended(state: SiteState, subject: str) -> bool:
    """Whether the alarm is neither active nor over: suppressed by design, shelved, out of service."""
    alarm = state.alarms.get(subject.partition(": ")[0])
    return alarm is not None and alarm.phase not in (*ACTIVE, AlarmPhase.NORMAL, AlarmPhase.RETURNED)


def _kind(subject: str) -> str:
    return subject.partition("/")[2].partition(":")[0]


def _often(was: Told | None, now: Condition | None, now_s: float) -> str:
    """How often it has come since the last message, in words; "" for once."""
    if was is None:
        return ""
    new = now is not None and now.raised_s != was.raised_s
    times = was.more + new
    least = 2 if now is not None else 1
    return f"{times} time{'s' if times > 1 else ''} in {duration_text(now_s - was.said_s)}" if times >= least else ""


def _prefixed(word: Word, title: str, often: str) -> str:
    """The title, with what is special about this time after the place: "fv1: again: ..."."""
    where, _, what = title.partition(": ")
    match word:
        case Word.RAISED:
            return title
        case Word.AGAIN:
            special = f"again, {often}" if often else "again"
        case Word.STILL:
            special = "still, and not acknowledged"
        case Word.OVER:
            special = f"returned to normal, came again {often}" if often else "returned to normal"
    return f"{where}: {special}: {what}" if what else f"{title}: {special}"
