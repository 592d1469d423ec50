"""Records in words: what happened, where and why, and which of it a brewer wants to read."""

from controller.control.state import AlarmPhase
from controller.control.values import Record, RecordKind
from controller.display import Display
from controller.hmi.words import printable, status_word, told

_NEWS = (RecordKind.STEP, RecordKind.STATE, RecordKind.MODE, RecordKind.LIMIT, RecordKind.HEALTH)
_MOVES = ("moved away", "moved here")
_HEADINGS = {RecordKind.HEALTH: "probe", RecordKind.LIMIT: "interlock:"}
_ALARM_NEWS = (AlarmPhase.UNACKNOWLEDGED.value, AlarmPhase.RETURNED.value)


def record_text(record: Record, display: Display) -> str:
    """One record as a sentence without its time: "ale: probe ale/well failure (no reading for 60 min)"."""
    where = f"{record.vessel}: " if record.vessel else ""
    if record.kind is RecordKind.ACTION:
        what = f"{record.who or 'operator'}: {record.reason}"
    else:
        reason = f" ({record.reason})" if record.reason else ""
        value = status_word(record.value) if record.kind is RecordKind.HEALTH else record.value
        what = f"{_HEADINGS.get(record.kind, record.kind.value)} {record.subject} {value}{reason}"
    return printable(told(where + what, display))


def worth_reading(record: Record) -> bool:
    """Whether a brewer wants this record among the news: not every pulse, nor an alarm's quiet passages."""
    if record.kind is RecordKind.ACTION:
        return record.value != "repeated"
    if record.kind is RecordKind.ALARM:
        return record.value in _ALARM_NEWS
    if record.kind is RecordKind.BATCH and record.value in _MOVES:
        return True
    return record.kind in _NEWS and not record.who  # what a person did is told by its ACTION record
