"""The life of an alarm against ANSI/ISA-18.2-2016 (IEC 62682:2014), from memory of its state diagram:

A normal - B unacknowledged - C acknowledged - D returned to normal, unacknowledged - G suppressed by design.
H out of service. (E latched and F shelved are no part of this transition function.)

    A -> B  alarm occurs              B -> C  acknowledge        C -> A  returns to normal
    B -> D  returns to normal         D -> A  acknowledge        D -> B  alarm occurs again
    A, B, C -> G  suppressed by design while present; G -> A when it is not present any more
    and, for the time of the suppression, the condition is still evaluated.
    B, C, D, G -> H  taken out of service   H -> A or, if the condition is present, B  back in service
"""

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.alarms import acknowledged, next_phase, taken_out_of_service
from controller.control.state import AlarmPhase, AlarmState

A, B, C, D, G, H = (
    AlarmPhase.NORMAL, AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED, AlarmPhase.RETURNED, AlarmPhase.SUPPRESSED,
    AlarmPhase.OUT_OF_SERVICE,
)  # fmt: skip
DELAY_S = 60.0


def in_phase(phase: AlarmPhase, since_s: float | None = None) -> AlarmState | None:
    return None if phase is A and since_s is None else AlarmState(phase, since_s, 0.0, "hot")


def phase_of(alarm: AlarmState | None) -> AlarmPhase:
    return alarm.phase if alarm else A


# phase, condition present, suppressed by design, the delay is over -> next phase
TABLE = {
    (A, False, False): A, (A, True, False): B, (A, False, True): A, (A, True, True): G,
    (B, False, False): D, (B, True, False): B, (B, False, True): D, (B, True, True): G,
    (C, False, False): A, (C, True, False): C, (C, False, True): A, (C, True, True): G,
    (D, False, False): D, (D, True, False): B, (D, False, True): D, (D, True, True): D,
    (G, False, False): A, (G, True, False): B, (G, False, True): A, (G, True, True): G,
    (H, False, False): A, (H, True, False): B, (H, False, True): A, (H, True, True): G,
}  # fmt: skip


def test_the_table_is_exhaustive() -> None:
    assert set(TABLE) == set(product((A, B, C, D, G, H), (False, True), (False, True)))
    assert {A, B, C, D, G, H} == set(AlarmPhase)


@pytest.mark.parametrize(("phase", "present", "suppressed"), TABLE)
def test_every_transition_without_delay(phase: AlarmPhase, present: bool, suppressed: bool) -> None:
    after = next_phase(in_phase(phase), present, 0.0, suppressed, 100.0, "hot")
    assert phase_of(after) is TABLE[phase, present, suppressed]


@pytest.mark.parametrize(("phase", "to"), [(A, A), (B, C), (C, C), (D, A), (G, G), (H, H)])
def test_acknowledging_acts_on_the_unacknowledged_only_and_never_clears_an_active_alarm(
    phase: AlarmPhase, to: AlarmPhase
) -> None:
    alarm = in_phase(phase, since_s=None if phase is D else 1.0)
    assert alarm is not None
    assert phase_of(acknowledged(alarm)) is to


@pytest.mark.parametrize(("phase", "to"), [(A, A), (B, H), (C, H), (D, H), (G, H), (H, H)])
def test_out_of_service_an_alarm_is_neither_active_nor_waiting_to_be_seen(phase: AlarmPhase, to: AlarmPhase) -> None:
    assert phase_of(taken_out_of_service(in_phase(phase, 1.0) or AlarmState(A, 1.0, None, ""))) is to


def test_back_in_service_the_whole_delay_runs_before_the_alarm_is_raised() -> None:
    alarm = in_phase(H)
    for now_s, phase in ((1000.0, A), (1059.0, A), (1060.0, B)):
        alarm = next_phase(alarm, True, DELAY_S, False, now_s, "hot")
        assert phase_of(alarm) is phase


def test_an_acknowledged_alarm_stays_active_until_its_condition_has_gone() -> None:
    alarm = next_phase(None, True, 0.0, False, 0.0, "hot")
    assert alarm is not None
    alarm = acknowledged(alarm)
    for now_s in range(0, 7200, 5):
        alarm = next_phase(alarm, True, 0.0, False, float(now_s), "hot")
        assert phase_of(alarm) is C
    assert next_phase(alarm, False, 0.0, False, 7200.0, "hot") is None


def test_what_comes_back_after_its_return_is_unacknowledged_again_even_if_the_first_was_seen() -> None:
    alarm = next_phase(None, True, 0.0, False, 0.0, "hot")
    assert alarm is not None
    alarm = next_phase(acknowledged(alarm), False, 0.0, False, 1.0, "hot")
    alarm = next_phase(alarm, True, 0.0, False, 2.0, "hot")
    assert phase_of(alarm) is B
    assert alarm is not None
    assert alarm.raised_s == 2.0


def test_an_unseen_return_waits_to_be_acknowledged_and_comes_back_as_unacknowledged() -> None:
    alarm = next_phase(in_phase(B, 0.0), False, 0.0, False, 1.0, "hot")
    assert phase_of(alarm) is D
    assert phase_of(next_phase(alarm, True, 0.0, False, 2.0, "hot")) is B


# On-delay: the condition must last before the alarm comes


@pytest.mark.parametrize("phase", [A, D, G])
def test_a_condition_must_last_for_the_delay(phase: AlarmPhase) -> None:
    alarm = in_phase(phase)
    for now_s in range(100, 160, 5):
        alarm = next_phase(alarm, True, DELAY_S, False, float(now_s), "hot")
        assert phase_of(alarm) is (D if phase is D else A)
    assert phase_of(next_phase(alarm, True, DELAY_S, False, 160.0, "hot")) is B


def test_a_condition_that_goes_before_the_delay_is_over_begins_anew() -> None:
    alarm = next_phase(None, True, DELAY_S, False, 0.0, "hot")
    alarm = next_phase(alarm, False, DELAY_S, False, 55.0, "hot")
    assert alarm is None
    alarm = next_phase(alarm, True, DELAY_S, False, 60.0, "hot")
    assert phase_of(next_phase(alarm, True, DELAY_S, False, 115.0, "hot")) is A


def test_acknowledging_a_return_does_not_shorten_the_delay_of_what_is_coming_back() -> None:
    alarm = next_phase(in_phase(D), True, DELAY_S, False, 100.0, "hot")
    assert alarm is not None
    alarm = acknowledged(alarm)
    assert phase_of(alarm) is A
    assert phase_of(next_phase(alarm, True, DELAY_S, False, 155.0, "hot")) is A
    assert phase_of(next_phase(alarm, True, DELAY_S, False, 160.0, "hot")) is B


# Suppression by design: still evaluated, not annunciated


def test_a_suppressed_condition_that_outlives_its_suppression_alarms_after_a_whole_delay() -> None:
    alarm = None
    for now_s in range(0, 600, 5):
        alarm = next_phase(alarm, True, DELAY_S, True, float(now_s), "hot")
        assert phase_of(alarm) is G
    for now_s in range(600, 660, 5):
        alarm = next_phase(alarm, True, DELAY_S, False, float(now_s), "hot")
        assert phase_of(alarm) is A
    assert phase_of(next_phase(alarm, True, DELAY_S, False, 660.0, "hot")) is B


def test_an_unseen_return_whose_condition_comes_back_suppressed_gets_a_whole_delay_too() -> None:
    alarm = next_phase(in_phase(D), True, DELAY_S, False, 0.0, "hot")
    alarm = next_phase(alarm, True, DELAY_S, True, 50.0, "hot")
    assert phase_of(alarm) is D
    alarm = next_phase(alarm, True, DELAY_S, False, 100.0, "hot")
    assert phase_of(alarm) is D
    assert phase_of(next_phase(alarm, True, DELAY_S, False, 160.0, "hot")) is B


def test_a_suppressed_condition_that_goes_is_quietly_normal() -> None:
    assert next_phase(in_phase(G), False, DELAY_S, True, 10.0, "hot") is None


EVENTS = st.lists(st.tuples(st.booleans(), st.booleans(), st.booleans(), st.floats(0.0, 100.0)), max_size=60)
MOVES = {(before, after) for (before, _, _), after in TABLE.items()} | {(B, C), (D, A), (A, A)}


@given(EVENTS)
def test_no_alarm_ever_moves_outside_the_table(events: list[tuple[bool, bool, bool, float]]) -> None:
    alarm: AlarmState | None = None
    now_s, present_since_s = 0.0, None
    for present, suppressed, acknowledge, dt_s in events:
        now_s += dt_s
        present_since_s = (present_since_s if present_since_s is not None else now_s) if present else None
        before = phase_of(alarm)
        alarm = next_phase(alarm, present, DELAY_S, suppressed, now_s, "hot")
        assert (before, phase_of(alarm)) in MOVES
        if phase_of(alarm) is B and before is not B:
            assert present_since_s is not None
            assert now_s - present_since_s >= DELAY_S
        if acknowledge and alarm is not None:
            was, alarm = alarm, acknowledged(alarm)
            assert was.phase not in (B, C) or phase_of(alarm) is C


def test_in_every_phase_nothing_changes_while_nothing_changes() -> None:
    """One event per change, not one per scan."""
    for phase, present in ((B, True), (C, True), (D, False)):
        alarm = in_phase(phase, since_s=0.0 if present else None)
        assert next_phase(alarm, present, DELAY_S, False, 1e6, "hot") is alarm
