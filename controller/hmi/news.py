"""Records in words: what happened, where and why, and which of it a brewer wants to read."""

from collections.abc import Iterable, Iterator

from controller.control.follow import CONDITIONS_MET
from controller.control.state import AlarmPhase
from controller.control.values import Record, RecordKind, Status
from controller.display import Display
from controller.hmi.words import printable, status_word, told

_NEWS = (RecordKind.STEP, RecordKind.STATE, RecordKind.MODE, RecordKind.LIMIT, RecordKind.HEALTH)
_MOVES = ("moved away", "moved here")
_ALARM_NEWS = (AlarmPhase.UNACKNOWLEDGED.value, AlarmPhase.RETURNED.value)
_ALARM_QUIET = ("suppressed by design", "out of service")  # ISA-18.2: it is not told to anybody, nor that it is over
_ALARM_WORDS = {
    AlarmPhase.UNACKNOWLEDGED.value: "ALARM {subject}: {reason}",
    AlarmPhase.RETURNED.value: "alarm {subject} is over",
    AlarmPhase.NORMAL.value: "alarm {subject} is over",
}
_OUTPUTS = ("cooler", "heater")
_STEP_WORDS = {"begun": "step {subject} begins, {reason}", "ended": "step {subject} ends: {reason}"}


def record_text(record: Record, display: Display) -> str:
    """One record as a sentence without its time: "ale: probe ale/well failure: no reading for 60 min"."""
    where = f"{record.vessel}: " if record.vessel else ""
    return where + sentence(record, display)


def sentence(record: Record, display: Display) -> str:
    """The same without its place, in the person's units."""
    return printable(told(_words(record), display), 500)


def _words(record: Record) -> str:
    subject, value, reason = record.subject, record.value, record.reason
    if record.who:
        return f"{reason} ({record.who})"
    match record.kind:
        case RecordKind.ACTION:
            return f"operator: {reason}"
        case RecordKind.BATCH:
            return reason
        case RecordKind.STEP:
            return _STEP_WORDS.get(value, "step {subject}: {reason}").format(subject=subject, reason=reason)
        case RecordKind.ALARM:
            words = _ALARM_WORDS.get(value, f"alarm {{subject}} {value}: {{reason}}")
            return words.format(subject=subject, reason=reason)
        case RecordKind.HEALTH:
            device = subject if subject in _OUTPUTS else f"probe {subject}"
            return f"{device} {status_word(value)}: {reason}"
        case RecordKind.LIMIT:
            return f"{subject} {value} by the interlock: {reason}"
    named = "" if subject == record.kind.value else f"{subject} "
    return f"{named}{value}: {reason}"


def worth_reading(record: Record) -> bool:
    """Whether a brewer wants this record among the news: not every pulse, nor an alarm's quiet passages."""
    if record.kind is RecordKind.ACTION:
        return record.value != "repeated"
    if record.kind is RecordKind.ALARM:
        return record.value in _ALARM_NEWS
    if record.kind is RecordKind.BATCH and record.value in _MOVES:
        return True
    return record.kind in _NEWS and not record.who  # what a person did is told by its ACTION record


def for_reading(records: Iterable[Record]) -> Iterator[Record]:
    """The records, oldest first, without what a person need not read to know what happened: routine holds of the
    interlock, a step's end where the next step's beginning says the same, probes that are good from the start, and
    alarms that are suppressed by design or out of service, with the end of those. That a question is answered is
    told by the answer."""
    quiet: set[tuple[str, str]] = set()
    bad: set[tuple[str, str]] = set()
    for record in records:
        thing = (record.vessel, record.subject)
        match record.kind:
            case RecordKind.LIMIT:
                continue
            case RecordKind.HEALTH if record.subject in _OUTPUTS:  # its alarm says the same
                continue
            case RecordKind.STEP if record.value == "ended" and record.reason == CONDITIONS_MET:
                continue
            case RecordKind.HEALTH if record.value == Status.GOOD.value:
                if thing not in bad:
                    continue
                bad.discard(thing)
            case RecordKind.HEALTH:
                bad.add(thing)
            case RecordKind.ALARM:
                was_quiet = thing in quiet
                quiet = quiet | {thing} if record.value in _ALARM_QUIET else quiet - {thing}
                over = record.value in (AlarmPhase.NORMAL.value, AlarmPhase.RETURNED.value)
                if thing in quiet or (over and (was_quiet or record.subject == "prompt")):
                    continue
        yield record
