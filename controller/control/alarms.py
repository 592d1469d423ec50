"""The life of an alarm by ISA-18.2 (IEC 62682), plain part: delay, acknowledge, return, suppressed, out of service."""

from controller.control.state import AlarmPhase, AlarmState

ACTIVE = (AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED)


def next_phase(
    last: AlarmState | None, present: bool, delay_s: float, suppressed: bool, now_s: float, text: str
) -> AlarmState | None:
    """The alarm after this scan; None is quietly normal.

    `present` is the condition with its deadband already applied; it must last for `delay_s` to raise the
    alarm. A suppressed condition is still watched; its delay starts when the suppression ends.
    """
    if last is None:
        if not present:
            return None
        last = AlarmState(AlarmPhase.NORMAL, None, None, text)
    if not present:
        return _gone(last)
    if suppressed:
        if last.phase is AlarmPhase.SUPPRESSED:
            return last
        if last.phase is AlarmPhase.RETURNED:  # still wants to be acknowledged; its delay starts afterwards
            return _gone(last)
        return AlarmState(AlarmPhase.SUPPRESSED, None, last.raised_s, text)
    if last.phase in ACTIVE:
        return last
    if last.since_s is None:
        last = last._replace(since_s=now_s, text=text)
        if last.phase in (AlarmPhase.SUPPRESSED, AlarmPhase.OUT_OF_SERVICE):
            last = last._replace(phase=AlarmPhase.NORMAL)
    assert last.since_s is not None
    if now_s - last.since_s >= delay_s:
        return AlarmState(AlarmPhase.UNACKNOWLEDGED, last.since_s, now_s, text)
    return last


def taken_out_of_service(last: AlarmState) -> AlarmState | None:
    """The alarm while what it watches is out of service: not shown, not raised, and listed as such; `next_phase`
    takes it up again when the vessel is back. A condition that had not become an alarm yet is forgotten."""
    if last.phase is AlarmPhase.OUT_OF_SERVICE:
        return last
    return (
        None
        if last.phase is AlarmPhase.NORMAL
        else AlarmState(AlarmPhase.OUT_OF_SERVICE, None, last.raised_s, last.text)
    )


def acknowledged(last: AlarmState) -> AlarmState | None:
    """The alarm after a person has acknowledged it: acknowledging never clears an active condition."""
    if last.phase is AlarmPhase.UNACKNOWLEDGED:
        return last._replace(phase=AlarmPhase.ACKNOWLEDGED)
    if last.phase is AlarmPhase.RETURNED:
        return None if last.since_s is None else last._replace(phase=AlarmPhase.NORMAL)
    return last


def _gone(last: AlarmState) -> AlarmState | None:
    if last.phase is AlarmPhase.UNACKNOWLEDGED:
        return last._replace(phase=AlarmPhase.RETURNED, since_s=None)
    if last.phase is AlarmPhase.RETURNED:
        return last if last.since_s is None else last._replace(since_s=None)
    return None
