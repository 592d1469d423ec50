"""A batch moves to another fermenter; an empty fermenter goes out of service and comes back."""

from dataclasses import replace

import pytest

from controller.control.codec import from_json, to_json
from controller.control.lifecycle import initial_state
from controller.control.site import Limits, Site
from controller.control.state import AlarmPhase, AlarmState, BatchState, Mode, SiteState
from controller.control.step import StepResult
from controller.control.values import RecordKind
from tests.control.cellar_actions import ALE, CELLAR, PRIMARY, allowed, answered, at_step, left, refused, told, wish
from tests.factories import HOUR_S, ON_OFF, scan, site, vessel


def empty_cellar(cellar: Site = CELLAR) -> SiteState:
    state = initial_state(cellar, 0.0)
    for _ in range(60):  # five minutes: protective times are over
        state = scan(cellar, state, 20.0).state
    return state


@pytest.fixture
def empty() -> SiteState:
    return empty_cellar()


@pytest.fixture
def fermenting(empty: SiteState) -> SiteState:
    """In the left vessel, at primary, with the cooler at work: a wort at 21 °C that should be at 19."""
    state = allowed(at_step(PRIMARY, empty, 21.0), wish("gravity", gravity=1.030))
    for _ in range(120):
        state = scan(CELLAR, state, 21.0).state
    assert left(state).cooler.on
    return state


# move


def test_the_batch_takes_its_place_in_the_profile_its_gravities_and_its_history_along(fermenting: SiteState) -> None:
    after = allowed(fermenting, wish("move", to="right"))
    before, now = left(fermenting), after.vessels["right"]
    assert (now.batch, now.program, now.condition, now.setpoint) == (
        before.batch, before.program, BatchState.RUNNING, before.setpoint,
    )  # fmt: skip
    assert (left(after).batch, left(after).condition, left(after).in_service) == (None, BatchState.IDLE, False)


def test_a_move_is_recorded_at_both_vessels(fermenting: SiteState) -> None:
    assert told(fermenting, wish("move", to="right")) == [
        ("left", "batch", "Pale 4", "moved away"),
        ("right", "batch", "Pale 4", "moved here"),
    ]
    _, answer, records = answered(fermenting, wish("move", to="right"))
    assert answer.reason == "Pale 4 moved to right; left is out of service (cleaning) until the next batch"
    assert records[1].reason == "Pale 4 came from left; mode auto"


def test_the_pump_of_the_vessel_that_was_left_is_off_at_once_and_the_other_takes_over(fermenting: SiteState) -> None:
    result = scan(CELLAR, fermenting, 21.0, wish("move", to="right"))
    assert {(c.tag, c.on) for c in result.commands} >= {("left/cooler", False)}
    assert not left(result.state).cooler.on
    ran = False
    state = result.state
    for _ in range(240):
        state = scan(CELLAR, state, 21.0).state
        assert not left(state).cooler.on
        ran = ran or state.vessels["right"].cooler.on
    assert ran


def test_the_loop_begins_without_a_bump(fermenting: SiteState) -> None:
    """The first demand in the new vessel is what is applied there: nothing, whatever the old one did."""
    state = fermenting
    for _ in range(400):
        state = scan(CELLAR, state, 19.1).state
    state = scan(CELLAR, state, 19.1, wish("move", to="right")).state
    assert abs(state.vessels["right"].loop.heat_w) < 1.0


def test_gravities_go_on_in_the_new_vessel(fermenting: SiteState) -> None:
    after = scan(CELLAR, allowed(fermenting, wish("move", to="right")), 19.0).state
    after = allowed(after, wish("gravity", "right", gravity=1.012))
    assert [reading.gravity for reading in after.vessels["right"].batch.gravities] == [1.030, 1.012]
    state = scan(CELLAR, after, 19.0).state  # 75 % attenuation: primary ends
    assert state.vessels["right"].program.step == 2


def test_a_move_is_also_welcome_in_a_vessel_that_was_out_of_service_or_off(fermenting: SiteState) -> None:
    state = allowed(fermenting, wish("service", "right", in_service=False))
    state = allowed(state, wish("mode", "right", mode="off"))
    now = allowed(state, wish("move", to="right")).vessels["right"]
    assert (now.in_service, now.mode, now.off_since_s) == (True, Mode.AUTO, None)


def test_a_hand_on_the_old_pump_and_its_quiet_hours_stay_behind(fermenting: SiteState) -> None:
    by_hand = allowed(fermenting, wish("mode", mode="manual", duty=-0.5, for_s=HOUR_S))
    after = allowed(by_hand, wish("move", to="right"))
    assert [(v.mode, v.manual) for v in after.vessels.values()] == [(Mode.AUTO, None)] * 2
    quiet = allowed(fermenting, wish("quiet", for_s=HOUR_S))
    after = allowed(quiet, wish("move", to="right"))
    assert [v.quiet for v in after.vessels.values()] == [None, None]


@pytest.mark.parametrize("verb", ["hold", "stop", "abort"])
def test_a_batch_moves_in_whatever_state_it_is(fermenting: SiteState, verb: str) -> None:
    before = allowed(fermenting, wish(verb, sure=True))
    after = allowed(before, wish("move", to="right"))
    assert after.vessels["right"].condition is left(before).condition
    state = scan(CELLAR, after, 21.0).state
    assert from_json(SiteState, to_json(state)) == state


def test_a_move_to_nowhere_or_to_a_full_vessel_is_refused(fermenting: SiteState) -> None:
    assert "there is no vessel 'middle' to move to; the site file names right" in refused(
        fermenting, wish("move", to="middle")
    )
    assert "Pale 4 is in left already" in refused(fermenting, wish("move", to="left"))
    assert "'to' is missing" in refused(fermenting, wish("move"))
    full = allowed(fermenting, wish("start", "right", batch="Stout", setpoint_c=18.0))
    assert "right has the batch 'Stout'; move to an empty vessel" in refused(full, wish("move", to="right"))


def with_right(**changes: object) -> Site:
    return replace(CELLAR, vessels=(CELLAR.vessels[0], replace(CELLAR.vessels[1], **changes)))


def test_a_batch_that_does_not_fit_stays_where_it_is(fermenting: SiteState) -> None:
    small = with_right(volume_l=40.0)
    assert "50.0 L do not fit into right, which holds 40.0 L" in refused(fermenting, wish("move", to="right"), small)


def test_a_setpoint_outside_the_new_vessels_hard_limits_is_not_moved_there(fermenting: SiteState) -> None:
    """Design rule 7."""
    cold = with_right(limits=Limits(0.0, 15.0))
    reason = refused(fermenting, wish("move", to="right"), cold)
    assert "the setpoint of 19.0 °C is outside the hard limits of right, 0.0 to 15.0 °C" in reason


def test_a_move_to_a_vessel_with_another_loop_regulates_there() -> None:
    cellar = site(vessel("left"), vessel("right", loop=ON_OFF), profile=ALE)
    state = allowed(empty_cellar(cellar), wish("start", batch="P", volume_l=50.0, setpoint_c=19.0), cellar)
    state = allowed(scan(cellar, state, 21.0).state, wish("move", to="right"), cellar)
    for _ in range(60):
        state = scan(cellar, state, 21.0).state
    assert state.vessels["right"].cooler.on


# service


def test_an_empty_vessel_goes_out_of_service_and_comes_back(empty: SiteState) -> None:
    assert told(empty, wish("service", in_service=False)) == [("left", "state", "service", "out of service")]
    out = allowed(empty, wish("service", in_service=False))
    assert not left(out).in_service
    assert told(out, wish("service", in_service=True)) == [("left", "state", "service", "in service")]
    assert left(allowed(out, wish("service", in_service=True))).in_service


def test_a_vessel_with_beer_in_it_cannot_be_put_out_of_service(fermenting: SiteState) -> None:
    reason = refused(fermenting, wish("service", in_service=False))
    assert "left has the batch 'Pale 4'; move it or say packaged first" in reason


def test_service_is_a_plain_yes_or_no_and_says_when_it_is_so_already(empty: SiteState) -> None:
    for nonsense in ("false", 0.0, 1, None):
        assert "'in_service' must be true or false" in refused(empty, wish("service", in_service=nonsense))
    assert "left is in service already" in refused(empty, wish("service", in_service=True))


def test_a_start_puts_the_vessel_back_into_service(empty: SiteState) -> None:
    out = allowed(empty, wish("service", in_service=False))
    assert left(allowed(out, wish("start", batch="P", profile="ale"))).in_service


def alarming(state: SiteState) -> SiteState:
    alarms = {
        "left/high": AlarmState(AlarmPhase.RETURNED, None, 20.0, "29.0 °C is above 28.0 °C"),
        "left/prompt": AlarmState(AlarmPhase.UNACKNOWLEDGED, 10.0, 20.0, "the profile is complete"),
        "right/high": AlarmState(AlarmPhase.RETURNED, None, 20.0, "28.5 °C is above 28.0 °C"),
    }
    return state._replace(alarms=alarms)


def alarms_told(result: StepResult) -> list[tuple[str, str, str]]:
    return [(r.vessel, r.subject, r.value) for r in result.records if r.kind is RecordKind.ALARM]


def test_out_of_service_the_vessels_alarms_are_put_away_and_the_neighbours_stay(fermenting: SiteState) -> None:
    """ISA-18.2, from memory: an alarm out of service is not indicated, it is listed, and it comes back to what its
    condition says."""
    result = scan(CELLAR, alarming(fermenting), 20.0, wish("packaged"))
    assert alarms_told(result) == [("left", "high", "out of service"), ("left", "prompt", "out of service")]
    assert result.state.alarms["left/high"].phase is AlarmPhase.OUT_OF_SERVICE
    assert result.state.alarms["right/high"].phase is AlarmPhase.RETURNED
    again = scan(CELLAR, result.state, 20.0)
    assert alarms_told(again) == []
    back = scan(CELLAR, again.state, 20.0, wish("service", in_service=True))
    assert alarms_told(back) == [("left", "high", "normal"), ("left", "prompt", "normal")]
    assert set(back.state.alarms) == {"right/high"}


def test_the_next_batch_is_watched_as_ever(fermenting: SiteState) -> None:
    state = scan(CELLAR, alarming(fermenting), 20.0, wish("packaged")).state
    state = scan(CELLAR, state, 29.0, wish("start", batch="P", setpoint_c=20.0)).state
    for _ in range(1000):
        state = scan(CELLAR, state, 29.0, dt_s=15.0).state
    assert state.alarms["left/high"].phase is AlarmPhase.UNACKNOWLEDGED
