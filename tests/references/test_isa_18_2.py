"""Names and paths of an alarm's life against the states that ANSI/ISA-18.2-2016 and IEC 62682:2014 publish.

The states, what each says of process, alarm, annunciation and acknowledgement, and the paths between them are typed in
from memory of the standards' table and state diagram. Their letters are used as far as memory is sure of them (A to D);
the letters of the others differ between editions. `test_alarm_states.py` goes through our transition function
pair by pair; here is what is the same as in the standard, and where we differ, all of it:

| the standard | here |
|---|---|
| latched (unacknowledged, acknowledged) | no state of an alarm: the fault of an output latches, its alarm follows |
| shelved | not offered: nothing in the cellar can be shelved, so no rule about what may not be is needed |
| suppressed by design, process normal | quietly normal: an alarm that has nothing to say is not listed |
| returned to normal, unacknowledged -> suppressed | stays to be acknowledged: what was missed is still worth knowing |
| out of service, from normal | not listed, for the same reason |
| back in service, or no longer suppressed, process abnormal -> unacknowledged | after a whole on-delay |
"""

from collections.abc import Mapping
from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from controller.control.alarms import ACTIVE, acknowledged, next_phase, taken_out_of_service
from controller.control.state import AlarmPhase, AlarmState
from tests.effort import examples

# The standard's name: process, alarm, annunciated, acknowledgement.
PUBLISHED: Mapping[str, tuple[str, str, str, str]] = {
    "normal": ("normal", "inactive", "not annunciated", "acknowledged"),  # A
    "unacknowledged": ("abnormal", "active", "annunciated", "unacknowledged"),  # B
    "acknowledged": ("abnormal", "active", "annunciated", "acknowledged"),  # C
    "returned to normal, unacknowledged": ("normal", "inactive", "annunciated", "unacknowledged"),  # D
    "latched, unacknowledged": ("normal", "active", "annunciated", "unacknowledged"),
    "latched, acknowledged": ("normal", "active", "annunciated", "acknowledged"),
    "shelved": ("any", "any", "not annunciated", "not applicable"),
    "suppressed by design": ("any", "any", "not annunciated", "not applicable"),
    "out of service": ("any", "any", "not annunciated", "not applicable"),
}
OURS: Mapping[AlarmPhase, str] = {
    AlarmPhase.NORMAL: "normal",
    AlarmPhase.UNACKNOWLEDGED: "unacknowledged",
    AlarmPhase.ACKNOWLEDGED: "acknowledged",
    AlarmPhase.RETURNED: "returned to normal, unacknowledged",
    AlarmPhase.SUPPRESSED: "suppressed by design",
    AlarmPhase.OUT_OF_SERVICE: "out of service",
}
NOT_HERE = {"latched, unacknowledged", "latched, acknowledged", "shelved"}

# The paths of the diagram between the states that are here, by what makes the alarm take them.
PATHS: Mapping[tuple[str, str], str] = {
    ("normal", "unacknowledged"): "alarm occurs",
    ("unacknowledged", "acknowledged"): "acknowledge",
    ("acknowledged", "normal"): "process returns to normal",
    ("unacknowledged", "returned to normal, unacknowledged"): "process returns to normal",
    ("returned to normal, unacknowledged", "normal"): "acknowledge",
    ("returned to normal, unacknowledged", "unacknowledged"): "alarm occurs again",
    ("normal", "suppressed by design"): "suppress",
    ("unacknowledged", "suppressed by design"): "suppress",
    ("acknowledged", "suppressed by design"): "suppress",
    ("suppressed by design", "normal"): "unsuppress, process normal",
    ("suppressed by design", "unacknowledged"): "unsuppress, process abnormal",
    ("unacknowledged", "out of service"): "remove from service",
    ("acknowledged", "out of service"): "remove from service",
    ("returned to normal, unacknowledged", "out of service"): "remove from service",
    ("suppressed by design", "out of service"): "remove from service",
    ("out of service", "normal"): "return to service, process normal",
    ("out of service", "unacknowledged"): "return to service, process abnormal",
    ("out of service", "suppressed by design"): "return to service while suppressed",
}
NEVER_TAKEN = {  # the diagram has them; see the table above
    ("returned to normal, unacknowledged", "suppressed by design"),
    ("normal", "out of service"),
}


def name_of(alarm: AlarmState | None) -> str:
    return OURS[alarm.phase if alarm else AlarmPhase.NORMAL]


def followers(alarm: AlarmState | None, at_s: float, delay_s: float) -> set[AlarmState | None]:
    """Every alarm that can follow."""
    after = {
        next_phase(alarm, present, delay_s, suppressed, at_s, "hot")
        for present, suppressed in product((False, True), repeat=2)
    }
    return after if alarm is None else {*after, acknowledged(alarm), taken_out_of_service(alarm)}


def explored(delay_s: float) -> set[tuple[str, str]]:
    """Every path that an alarm can take in eight events, each 60 s after the one before."""
    found: set[tuple[str, str]] = set()
    alarms: set[AlarmState | None] = {None}
    for number in range(8):
        pairs = {(alarm, after) for alarm in alarms for after in followers(alarm, 60.0 * number, delay_s)}
        found |= {(name_of(alarm), name_of(after)) for alarm, after in pairs}
        alarms = {after for _, after in pairs}
    return {(before, after) for before, after in found if before != after}


def test_every_name_of_ours_is_the_standards_and_the_three_that_are_missing_are_known() -> None:
    assert set(OURS) == set(AlarmPhase)
    assert set(PUBLISHED) == {*OURS.values(), *NOT_HERE}


def test_active_means_what_the_standard_says() -> None:
    active = {phase for phase in AlarmPhase if PUBLISHED[OURS[phase]][1] == "active"}
    assert active == set(ACTIVE)


def test_each_path_of_the_standard_is_taken_and_no_other() -> None:
    """The on-delay of a minute puts "normal" between out of suppression (or service) and unacknowledged."""
    at_once = explored(delay_s=0.0)
    assert at_once == set(PATHS)
    assert explored(delay_s=60.0) == set(PATHS) - {
        ("suppressed by design", "unacknowledged"),
        ("out of service", "unacknowledged"),
    }
    assert not NEVER_TAKEN & at_once


def test_acknowledging_never_makes_an_active_alarm_inactive_and_returning_never_acknowledges() -> None:
    for phase in AlarmPhase:
        alarm = AlarmState(phase, 0.0 if phase in ACTIVE else None, 0.0, "hot")
        seen, gone = name_of(acknowledged(alarm)), name_of(next_phase(alarm, False, 0.0, False, 1.0, ""))
        if phase in ACTIVE:
            assert PUBLISHED[seen][1] == "active"
            assert PUBLISHED[gone][3] == PUBLISHED[OURS[phase]][3]


@examples(100)
@given(st.lists(st.tuples(st.sampled_from(["scan", "acknowledge", "out"]), st.booleans(), st.booleans()), max_size=40))
def test_whatever_is_not_annunciated_asks_for_nothing(events: list[tuple[str, bool, bool]]) -> None:
    """Suppressed or out of service, an alarm is not annunciated: here, neither active nor to be acknowledged."""
    alarm: AlarmState | None = None
    for number, (what, present, suppressed) in enumerate(events):
        if what == "scan" or alarm is None:
            alarm = next_phase(alarm, present, 30.0, suppressed, 20.0 * number, "hot")
        else:
            alarm = acknowledged(alarm) if what == "acknowledge" else taken_out_of_service(alarm)
        if alarm is not None and PUBLISHED[name_of(alarm)][2] == "not annunciated":
            assert alarm.phase not in ACTIVE
            assert alarm.phase is AlarmPhase.NORMAL or acknowledged(alarm) is alarm
