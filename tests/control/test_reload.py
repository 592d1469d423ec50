"""Another site file while the beer ferments: what did not change does not notice, what did begins off."""

from dataclasses import replace

import pytest

from controller.control.balance import Balance
from controller.control.codec import from_json, to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.diagnosis import COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP, OutputFault, Retry
from controller.control.lifecycle import initial_state, reloaded_state, resumed_state
from controller.control.site import Limits, Site
from controller.control.state import AlarmPhase, AlarmState, Blind, SiteState
from controller.control.values import Action, Setpoint, Status
from tests.factories import DAY_S, HOUR_S, ON_OFF, PID, scan, site, starting, vessel

REST = Profile("hold", "A rest", (ProfileStep("rest", StepKind.REST, 20.0, 0.5, Ends(after_s=2 * DAY_S), 9 * DAY_S),))
CELLAR = site(vessel("ale"), vessel("lager"), profile=REST)


def busy(cellar: Site = CELLAR, celsius: float = 21.5) -> SiteState:
    """An hour on, with a batch in the ale fermenter and its cooler on at this moment."""
    state = scan(cellar, initial_state(cellar, 0.0), celsius).state
    state = scan(cellar, state, celsius, starting("ale")).state
    while state.now_s < HOUR_S or not state.vessels["ale"].cooler.on:
        state = scan(cellar, state, celsius).state
    return state


def reloaded(new: Site, state: SiteState, old: Site = CELLAR) -> SiteState:
    return reloaded_state(old, new, state, state.now_s)


def with_ale(**changes: object) -> Site:
    ale, lager = CELLAR.vessels
    return replace(CELLAR, vessels=(replace(ale, **changes), lager))


def test_the_same_file_changes_nothing_and_decides_the_same_to_the_last_bit() -> None:
    state = busy()
    same = site(vessel("ale"), vessel("lager"), profile=REST)
    going_on, after = state, reloaded(same, state)
    assert after == state
    for number in range(800):
        celsius = 21.5 - number * 0.003
        one, other = scan(CELLAR, going_on, celsius), scan(same, after, celsius)
        assert (one.commands, one.records) == (other.commands, other.records)
        going_on, after = one.state, other.state
    assert to_json(going_on) == to_json(after)


def test_a_running_batch_keeps_the_profile_that_it_copied() -> None:
    hotter = Profile("hold", "Hotter", (replace(REST.steps[0], target_c=25.0),))
    state = busy()
    new = replace(CELLAR, profiles={"hold": hotter})
    after = scan(new, reloaded(new, state), 21.5).state
    assert after.vessels["ale"].batch.profile == REST
    assert after.vessels["ale"].setpoint == Setpoint(20.0, 20.0)
    after = scan(new, after, 21.5, starting("lager")).state
    assert after.vessels["lager"].setpoint == Setpoint(25.0, 25.0)


def test_an_unchanged_vessel_does_not_notice_what_happens_to_its_neighbour() -> None:
    state = busy()
    ale, lager = CELLAR.vessels
    new = replace(CELLAR, vessels=(ale, replace(lager, loop=ON_OFF, heater=None), vessel("wit")))
    after = reloaded(new, state)
    assert after.vessels["ale"] is state.vessels["ale"]
    for _ in range(300):
        state, after = scan(CELLAR, state, 21.0).state, scan(new, after, 21.0).state
        assert after.vessels["ale"] == state.vessels["ale"]


def test_a_new_vessel_is_commanded_off_first_and_idles() -> None:
    """Design rule 3."""
    new = replace(CELLAR, vessels=(*CELLAR.vessels, vessel("wit")))
    first = scan(new, reloaded(new, busy()), 21.5)
    assert {(c.tag, c.on) for c in first.commands} >= {("wit/cooler", False), ("wit/heater", False)}
    assert first.state.vessels["wit"].batch is None
    state = scan(new, first.state, 21.5, starting("wit")).state
    off_s = 0.0
    while not state.vessels["wit"].cooler.on:
        state = scan(new, state, 21.5).state
        off_s = state.now_s - first.state.now_s
    assert off_s >= 170.0  # protective off time of 3 min, counted from the reload


def test_an_output_that_is_another_device_now_begins_off_and_waits_for_its_protective_time() -> None:
    """Its state taken away is how the caller says that the device is another one."""
    state = busy()
    ale = state.vessels["ale"]._replace(cooler=None)
    after = reloaded(CELLAR, state._replace(vessels={**state.vessels, "ale": ale}))
    first = scan(CELLAR, after, 21.5)
    assert ("ale/cooler", False) in {(c.tag, c.on) for c in first.commands}
    now = first.state
    while not now.vessels["ale"].cooler.on:
        now = scan(CELLAR, now, 21.5).state
    assert now.now_s - state.now_s >= 180.0


def test_the_heater_waits_for_the_change_over_after_a_cooler_that_is_another_device_now() -> None:
    """Design rule 1: the old device may have run until this moment."""
    state = busy()
    ale = state.vessels["ale"]._replace(cooler=None)
    after = reloaded(CELLAR, state._replace(vessels={**state.vessels, "ale": ale}))
    while not after.vessels["ale"].heater.on:
        after = scan(CELLAR, after, 17.0).state
    assert after.now_s - state.now_s >= 900.0


def test_an_output_with_other_figures_keeps_its_protective_times_and_its_totals() -> None:
    state = busy()
    cooler = replace(CELLAR.vessels[0].cooler, power_w=400.0, lifetime_s=60.0)
    after = reloaded(with_ale(cooler=cooler), state)
    assert after.vessels["ale"].cooler == state.vessels["ale"].cooler


def test_an_output_that_the_file_no_longer_has_is_forgotten() -> None:
    state = busy()
    new = with_ale(cooler=None)
    after = reloaded(new, state)
    assert after.vessels["ale"].cooler is None
    for _ in range(10):
        after = scan(new, after, 21.5).state
    assert from_json(SiteState, to_json(after)) == after


def test_a_loop_with_other_figures_takes_over_without_a_bump() -> None:
    state = busy(celsius=20.2)
    applied_w = state.vessels["ale"].applied_w
    new = with_ale(loop=replace(PID, gain_w_per_k=3 * PID.gain_w_per_k))
    after = scan(new, reloaded(new, state), 20.2).state
    assert after.vessels["ale"].loop.heat_w == pytest.approx(applied_w, abs=3.0)


def test_the_setpoint_follows_narrower_hard_limits_at_once() -> None:
    """Design rule 7."""
    held = scan(CELLAR, busy(), 21.5, Action("1", "ale", "hold", {}, "jo")).state
    assert reloaded(with_ale(limits=Limits(0.0, 15.0)), held).vessels["ale"].setpoint == Setpoint(15.0, 15.0)


def test_signals_of_unchanged_probes_stay_and_changed_ones_must_be_proven_again() -> None:
    state = busy()
    (well,) = CELLAR.vessels[0].probes
    after = reloaded(with_ale(probes=(replace(well, offset_k=0.5),)), state)
    assert after.signals["ale/well"].status is Status.FAILURE
    assert after.signals["lager/well"] == state.signals["lager/well"]
    assert after.signals["bath/supply"] == state.signals["bath/supply"]
    new = with_ale(probes=(replace(well, offset_k=0.5),))
    assert scan(new, after, 21.5).state.signals["ale/well"].celsius == pytest.approx(22.0, abs=1e-4)


def test_a_vessel_with_a_batch_cannot_vanish_from_the_file() -> None:
    without = replace(CELLAR, vessels=CELLAR.vessels[1:])
    with pytest.raises(ValueError, match=r"a batch in ale, which the site file does not name.*nothing was changed"):
        reloaded(without, busy())


def test_an_empty_vessel_may_vanish_with_its_alarms_and_its_signals() -> None:
    alarm = AlarmState(AlarmPhase.RETURNED, None, 20.0, "over")
    state = busy()._replace(alarms={"lager/high": alarm, "ale/high": alarm, "bath/bath warm": alarm})
    new = replace(CELLAR, vessels=CELLAR.vessels[:1])
    after = reloaded(new, state)
    assert (set(after.vessels), set(after.alarms)) == ({"ale"}, {"ale/high", "bath/bath warm"})
    assert set(after.signals) == {"ale/well", "bath/supply"}
    scan(new, after, 21.5)


def test_answers_numbers_and_epoch_go_on() -> None:
    state = busy()
    after = reloaded(with_ale(volume_l=70.0), state)
    assert (after.answers, after.number, after.epoch, after.started) == (
        state.answers, state.number, state.epoch, True,
    )  # fmt: skip


# What the diagnosis held against a device

LATCHED = {
    COOLER_WILL_NOT_STOP: OutputFault(60.0, "runs on"),
    HEATER_WILL_NOT_STOP: OutputFault(60.0, "warms when off"),
}


def accused(state: SiteState) -> SiteState:
    """Both outputs of the ale fermenter are at fault, its cooler waits for a retry and has a duty of hours."""
    ale = state.vessels["ale"]
    balance = ale.diagnosis.balance._replace(cooler=0.1, heater=0.1)
    diagnosis = ale.diagnosis._replace(retry=Retry(900.0, state.now_s + 900.0), balance=balance)
    blind = Blind(-60.0, -3.0, 6 * HOUR_S, state.now_s, 20.0, state.now_s)
    ale = ale._replace(faults=LATCHED, diagnosis=diagnosis, blind=blind)
    return scan(CELLAR, state._replace(vessels={**state.vessels, "ale": ale}), 21.5).state


@pytest.mark.parametrize(
    ("name", "goes", "stays"),
    [("cooler", COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP), ("heater", HEATER_WILL_NOT_STOP, COOLER_WILL_NOT_STOP)],
)
def test_what_was_held_against_an_output_goes_with_the_device(name: str, goes: str, stays: str) -> None:
    state = accused(busy())
    assert {f"ale/{goes}", f"ale/{stays}"} <= set(state.alarms)
    ale = state.vessels["ale"]
    replaced = state._replace(vessels={**state.vessels, "ale": ale._replace(**{name: None})})
    after = reloaded(CELLAR, replaced).vessels["ale"]
    assert after.faults == {stays: LATCHED[stays]}
    assert (after.diagnosis.retry is None) is (name == "cooler")
    assert (after.blind.known_s == 0.0) is (name == "cooler")
    fresh, old = Balance(), ale.diagnosis.balance
    assert after.diagnosis.balance.cooler == (fresh.cooler if name == "cooler" else old.cooler)
    assert after.diagnosis.balance.heater == (fresh.heater if name == "heater" else old.heater)
    end = scan(CELLAR, reloaded(CELLAR, replaced), 21.5).state
    assert end.alarms[f"ale/{goes}"].phase is AlarmPhase.RETURNED
    assert end.alarms[f"ale/{stays}"].phase is AlarmPhase.UNACKNOWLEDGED


@pytest.mark.parametrize("name", ["cooler", "heater"])
def test_what_was_held_against_an_output_goes_where_the_file_no_longer_has_it(name: str) -> None:
    state = accused(busy())
    new = with_ale(**{name: None})
    for after in (reloaded(new, state), resumed_state(new, state, state.now_s)):
        (kind,) = after.vessels["ale"].faults
        assert not kind.startswith(name)


def test_other_figures_of_a_faulty_device_do_not_make_it_sound() -> None:
    state = accused(busy())
    weaker = replace(CELLAR.vessels[0].cooler, power_w=100.0)
    was, strengths = state.vessels["ale"].diagnosis, ("cooler", "heater")
    after = reloaded(with_ale(cooler=weaker), state).vessels["ale"]
    assert (after.faults, after.diagnosis) == (LATCHED, was)
    again = resumed_state(CELLAR, state, state.now_s).vessels["ale"]
    assert (again.faults, again.diagnosis.retry) == (LATCHED, was.retry)
    assert [getattr(again.diagnosis.balance, each) for each in strengths] == pytest.approx(
        [getattr(was.balance, each) for each in strengths], abs=1e-5
    )
