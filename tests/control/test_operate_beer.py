"""What the brewer tells of the beer, and which alarms they have seen."""

from dataclasses import replace

import pytest

from controller.control.state import AlarmPhase, AlarmState, SiteState
from tests.control.test_operate import CELLAR, allowed, answered, empty, left, refused, running, wish
from tests.factories import scan

__all__ = ["empty", "running"]  # fixtures


# confirm, gravity, og


def test_a_step_that_asks_nothing_cannot_be_confirmed(running: SiteState) -> None:
    state = allowed(running, wish("confirm"))
    state = scan(CELLAR, state, 20.0).state
    assert left(state).program.step == 1
    assert "the step 'primary' asks nothing" in refused(state, wish("confirm")._replace(id="2"))


def test_a_held_batch_asks_nothing(running: SiteState) -> None:
    assert "no step is running" in refused(allowed(running, wish("hold")), wish("confirm"))


@pytest.mark.parametrize(
    ("gravity", "reason"),
    [
        (0.97, "'gravity' must lie between 0.98 and 1.18"),
        (1.19, "'gravity' must lie between 0.98 and 1.18"),
        (12.0, "'gravity' must lie between 0.98 and 1.18"),
        (1.053, "a gravity of 1.053 is above the OG of 1.050; correct the OG first"),
        (None, "'gravity' must be a number"),
    ],
)
def test_a_gravity_that_cannot_be_is_refused(running: SiteState, gravity: object, reason: str) -> None:
    assert reason in refused(running, wish("gravity", gravity=gravity))


def test_entered_gravities_prove_alcohol_and_lower_the_freezing_point(running: SiteState) -> None:
    """1.050 to 1.010 is about 4.2 % alcohol by weight (5.3 % by volume, the usual table's figure, from memory).
    Lange's Handbook, Table 5.13: 2.5 % freezes at -1.0 °C, 4.8 % at -2.0 °C; the least proven must lie between."""
    state = allowed(running, wish("gravity", gravity=1.010))
    assert -2.0 < left(state).batch.freezing_c < -1.0


def test_alcohol_does_not_go_away_when_a_later_sample_reads_higher(running: SiteState) -> None:
    state = allowed(running, wish("gravity", gravity=1.010))
    later = allowed(state, wish("gravity", gravity=1.020)._replace(id="2"))
    assert left(later).batch.freezing_c == left(state).batch.freezing_c
    assert [reading.gravity for reading in left(later).batch.gravities] == [1.010, 1.020]


def test_without_an_og_no_alcohol_is_proven_until_it_is_entered(empty: SiteState) -> None:
    state = allowed(empty, wish("start", batch="b", profile="ale"))
    state = allowed(state, wish("gravity", gravity=1.010))
    assert left(state).batch.freezing_c == 0.0
    state = allowed(state, wish("og", gravity=1.050))
    assert left(state).batch.freezing_c < -1.0


@pytest.mark.parametrize("og", [1.004, 1.181, 1.02])
def test_an_og_below_an_entered_gravity_or_outside_its_range_is_refused(running: SiteState, og: float) -> None:
    state = allowed(running, wish("gravity", gravity=1.040))
    refused(state, wish("og", gravity=og))


# acknowledge


def with_alarms(state: SiteState, **phases: AlarmPhase) -> SiteState:
    alarms = {f"left/{kind}": AlarmState(phase, 0.0, 0.0, "text") for kind, phase in phases.items()}
    return state._replace(alarms=alarms)


def test_one_alarm_or_all_of_a_vessel_are_acknowledged(running: SiteState) -> None:
    state = with_alarms(running, high=AlarmPhase.UNACKNOWLEDGED, deviation=AlarmPhase.UNACKNOWLEDGED)
    one = allowed(state, wish("acknowledge", alarm="high"))
    assert one.alarms["left/high"].phase is AlarmPhase.ACKNOWLEDGED
    assert one.alarms["left/deviation"].phase is AlarmPhase.UNACKNOWLEDGED
    both = allowed(state, wish("acknowledge"))
    assert {alarm.phase for alarm in both.alarms.values()} == {AlarmPhase.ACKNOWLEDGED}


@pytest.mark.parametrize("phase", [AlarmPhase.NORMAL, AlarmPhase.ACKNOWLEDGED, AlarmPhase.SUPPRESSED])
def test_what_has_not_been_raised_or_was_seen_already_cannot_be_acknowledged(
    running: SiteState, phase: AlarmPhase
) -> None:
    state = with_alarms(running, high=phase)
    assert "left has no alarm to acknowledge" in refused(state, wish("acknowledge"))
    assert "left has no alarm 'high'" in refused(state, wish("acknowledge", alarm="high"))


def test_the_neighbours_alarms_are_not_touched(running: SiteState) -> None:
    alarm = AlarmState(AlarmPhase.UNACKNOWLEDGED, 0.0, 0.0, "text")
    state = running._replace(alarms={"left/high": alarm, "right/high": alarm, "bath/bath warm": alarm})
    after = allowed(state, wish("acknowledge"))
    assert after.alarms["right/high"] == after.alarms["bath/bath warm"] == alarm


def test_an_alarm_of_the_bath_is_acknowledged_at_the_bath(running: SiteState) -> None:
    alarm = AlarmState(AlarmPhase.UNACKNOWLEDGED, 0.0, 0.0, "text")
    state = running._replace(alarms={"bath/bath warm": alarm, "left/high": alarm})
    after, answer, records = answered(state, wish("acknowledge", "bath"))
    assert answer.value == "done"
    assert after.alarms["bath/bath warm"].phase is AlarmPhase.ACKNOWLEDGED
    assert after.alarms["left/high"] == alarm
    assert {(record.vessel, record.who) for record in records} == {("", "command line, jo")}
    assert "bath has no alarm" in refused(running, wish("acknowledge", "bath")._replace(id="2"))
    assert "no vessel 'bath'" in refused(running, wish("hold", "bath"))


def test_a_site_without_a_bath_has_no_bath_to_acknowledge(running: SiteState) -> None:
    assert "no vessel 'bath'" in refused(running, wish("acknowledge", "bath"), replace(CELLAR, bath=None))
