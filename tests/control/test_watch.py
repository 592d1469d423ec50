"""When an alarm comes, and when it does not: the brewer is woken only when all is not well."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from controller.control.alarms import ACTIVE
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import initial_state
from controller.control.site import Place, Probe, Site
from controller.control.state import AlarmPhase, SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Inputs, Reading, Record, RecordKind
from controller.plant.cellar import Cellar
from controller.plant.weather import weathered_room
from controller.simulate import simulate
from tests.control.simulated import amber_cellar, amber_site
from tests.factories import DAY_S, HOUR_S, UTC_S, readings, scan, site, vessel

ENDLESS = Ends(gravity=1.000)  # waits for a gravity that nobody enters


def a_step(name: str, target_c: float, ends: Ends = ENDLESS, kind: StepKind = StepKind.HOLD, **more) -> ProfileStep:
    return replace(ProfileStep(name, kind, target_c, 0.5, ends, 30 * DAY_S), **more)


def a_profile(*steps: ProfileStep) -> Profile:
    return Profile("plan", "A plan for a test", steps)


# With a plant that answers


def brewed(
    profile: Profile, days: float, wort_c: float, sabotage: Callable[[Cellar, float], None] = lambda plant, now_s: None
) -> tuple[list[Record], SiteState, Cellar]:
    """The alarms of a vessel of sugar water (it gives no heat) that follows a profile under seeded weather."""
    cellar_site, plant = amber_site({profile.name: profile}), amber_cellar(weathered_room(3))
    plant.pitch("amber", 1.048, 0.0, 25.0, wort_c)
    told: list[Record] = []

    def people(now_s: float, state: SiteState) -> tuple[Action, ...]:
        sabotage(plant, now_s)
        if now_s == 600.0:  # well after filling, when the thermowell has taken the wort's temperature
            wanted = {"batch": "b", "og": 1.048, "volume_l": 25.0, "profile": profile.name}
            return (Action("start", "amber", "start", wanted, "brewer"),)
        return ()

    def look(result: StepResult) -> None:
        told.extend(record for record in result.records if record.kind is RecordKind.ALARM)

    state = simulate(cellar_site, plant, days * DAY_S, people, look)
    return told, state, plant


def raised(told: list[Record]) -> list[str]:
    return [record.subject for record in told if record.value == AlarmPhase.UNACKNOWLEDGED.value]


@pytest.mark.parametrize("rate_k_per_day", [1.0, 3.0])
def test_a_ramp_up_or_down_raises_no_false_deviation(rate_k_per_day: float) -> None:
    rate = rate_k_per_day / DAY_S
    up = a_step("up", 22.0, Ends(), StepKind.RAMP, rate_k_per_s=rate)
    down = a_step("down", 16.0, Ends(), StepKind.RAMP, rate_k_per_s=rate)
    profile = a_profile(a_step("hold", 18.0, Ends(after_s=DAY_S)), up, down, a_step("end", 16.0))
    told, state, _ = brewed(profile, 14.0, 18.0)
    assert raised(told) == []
    assert state.vessels["amber"].program.step == 3


def test_a_crash_of_sixteen_kelvin_raises_nothing_while_the_wort_comes_nearer() -> None:
    profile = a_profile(a_step("hold", 18.0, Ends(after_s=DAY_S)), a_step("crash", 2.0, ENDLESS, StepKind.CRASH))
    told, state, _ = brewed(profile, 4.0, 18.0)
    assert raised(told) == []
    assert state.vessels["amber"].estimate.celsius < 2.6


def test_a_crash_whose_cooler_has_no_effect_is_told_within_three_hours() -> None:
    def unplugged(plant: Cellar, now_s: float) -> None:
        if now_s == 1.25 * DAY_S:  # a quarter of a day into the crash the pump sucks air
            plant.disable("amber/cooler")

    profile = a_profile(a_step("hold", 18.0, Ends(after_s=DAY_S)), a_step("crash", 2.0, ENDLESS, StepKind.CRASH))
    told, _, plant = brewed(profile, 2.0, 18.0, unplugged)
    # Once each. In the cold, where a coil does little, it is chance whether the cooler is found before or after.
    assert sorted(raised(told)) == ["cooler without effect", "deviation"]
    came = next(r for r in told if r.value == AlarmPhase.UNACKNOWLEDGED.value and r.subject == "deviation")
    # Two hours without coming nearer, then the alarm's own half hour.
    assert 1.25 * DAY_S < came.at_s <= 1.25 * DAY_S + 3 * HOUR_S
    assert plant.wort_c("amber") > 4.0


def test_wort_that_comes_hot_from_the_kettle_is_no_alarm_while_it_is_being_cooled() -> None:
    told, _, _ = brewed(a_profile(a_step("hold", 18.0)), 1.0, 36.0)
    assert raised(told) == []


# With readings as the test says


PLAN = a_profile(a_step("primary", 19.0))
CELLAR = site(vessel("ale"), profile=PLAN)
START = Action("s", "ale", "start", {"batch": "b", "og": 1.05, "volume_l": 50.0, "profile": "plan"}, "test")


def begun(cellar: Site = CELLAR, celsius: float = 19.0) -> SiteState:
    """A batch that runs and has arrived at its setpoint."""
    state = scan(cellar, initial_state(cellar, 0.0), celsius).state
    state = scan(cellar, state, celsius, START).state
    for _ in range(60):
        state = scan(cellar, state, celsius).state
    return state


def kept(
    cellar: Site, state: SiteState, celsius: float, lasting_s: float, *actions: Action, bath_c: float = -3.0
) -> tuple[SiteState, list[Record]]:
    told: list[Record] = []
    for _ in range(round(lasting_s / 5.0)):
        result = scan(cellar, state, celsius, *actions, bath_c=bath_c)
        state, actions = result.state, ()
        told += [record for record in result.records if record.kind is RecordKind.ALARM]
    return state, told


def active(state: SiteState) -> set[str]:
    return {key for key, alarm in state.alarms.items() if alarm.phase in ACTIVE}


def asks(verb: str, number: int = 1, **arguments: float | str) -> Action:
    return Action(f"{verb}-{number}", "ale", verb, arguments, "brewer")


def test_a_deviation_must_last_for_half_an_hour() -> None:
    state, _ = kept(CELLAR, begun(), 20.4, 1500.0)
    assert active(state) == set()
    state, told = kept(CELLAR, state, 20.4, 900.0)
    assert active(state) == {"ale/deviation"}
    assert "K from the setpoint" in told[-1].reason


def test_a_deviation_that_hovers_at_its_limit_rings_once() -> None:
    """The deadband of 0.2 K: it is over when the wort is back within 0.8 K, not at 0.99 K."""
    state, told = kept(CELLAR, begun(), 20.4, HOUR_S)
    for _ in range(6):
        state, more = kept(CELLAR, state, 19.9, 600.0)
        told += more
        state, more = kept(CELLAR, state, 20.1, 600.0)
        told += more
    assert raised(told) == ["deviation"]
    state, told = kept(CELLAR, state, 19.5, 600.0)
    assert active(state) == set()


def test_a_return_to_normal_says_what_is_over() -> None:
    state, _ = kept(CELLAR, begun(), 20.4, HOUR_S)
    state, told = kept(CELLAR, state, 19.2, 900.0)
    assert [record.value for record in told] == [AlarmPhase.RETURNED.value]
    assert "K from the setpoint" in told[0].reason


@pytest.mark.parametrize(("celsius", "kind"), [(28.3, "high"), (-1.3, "low")])
def test_wort_beyond_its_absolute_limits_alarms_after_five_minutes(celsius: float, kind: str) -> None:
    """Also while the mode is off: nobody regulates, but somebody watches."""
    state, _ = kept(CELLAR, begun(), 19.0, 5.0, asks("mode", mode="off"))
    state, _ = kept(CELLAR, state, celsius, 1000.0)
    told = state.alarms[f"ale/{kind}"]
    assert told.phase is AlarmPhase.UNACKNOWLEDGED
    assert "°C is" in told.text
    slightly_better_c = 27.9 if kind == "high" else -0.9
    state, _ = kept(CELLAR, state, slightly_better_c, 600.0)
    assert f"ale/{kind}" in active(state)
    state, _ = kept(CELLAR, state, 19.0, 600.0)
    assert f"ale/{kind}" not in active(state)


def blind(cellar: Site, state: SiteState, lasting_s: float, *fallen: str) -> tuple[SiteState, list[Record]]:
    """Scans in which the fallen probes report nothing and all others 19 °C."""
    told: list[Record] = []
    for _ in range(round(lasting_s / 5.0)):
        now_s = state.now_s + 5.0
        seen = {tag: r for tag, r in readings(cellar, 19.0, now_s).items() if tag not in fallen}
        result = step(cellar, state, Inputs(now_s, UTC_S + now_s, seen))
        state = result.state
        told += result.records
    return state, told


def test_a_lost_probe_is_told_within_two_minutes() -> None:
    state, told = blind(CELLAR, begun(), 120.0, "ale/well")
    health = next(record for record in told if record.kind is RecordKind.HEALTH)
    assert (health.vessel, health.subject, health.value, health.reason) == ("ale", "well", "F", "stale")
    assert active(state) == {"ale/signal"}
    state, _ = blind(CELLAR, state, 30.0)
    assert state.alarms["ale/signal"].phase is AlarmPhase.RETURNED


def test_a_vessel_without_beer_raises_nothing_when_its_probe_is_lost() -> None:
    state, _ = blind(CELLAR, scan(CELLAR, initial_state(CELLAR, 0.0), 19.0).state, HOUR_S, "ale/well")
    assert active(state) == set()


def test_one_of_two_probes_lost_is_told_but_the_vessel_is_not_blind() -> None:
    cellar = site(vessel("ale", probes=2), profile=PLAN)
    state, _ = blind(cellar, begun(cellar), 300.0, "ale/well1")
    assert active(state) == {"ale/probe"}


def test_two_probes_of_one_wort_that_disagree_are_told() -> None:
    cellar = site(vessel("ale", probes=2), profile=PLAN)
    state = begun(cellar)
    for number in range(200):
        now_s = state.now_s + 5.0
        apart_k = min(1.2, 0.01 * number)
        seen = {**readings(cellar, 19.0, now_s), "ale/well1": Reading(19.0 + apart_k, now_s)}
        state = step(cellar, state, Inputs(now_s, UTC_S + now_s, seen)).state
    assert active(state) == {"ale/disagreement"}


def test_a_probe_that_reports_only_changes_is_not_lost_while_it_may_be_quiet() -> None:
    quiet = replace(CELLAR.vessels[0], probes=(Probe("ale/well", Place.THERMOWELL, quiet_s=3600.0),))
    cellar = site(quiet, profile=PLAN)
    state, _ = blind(cellar, begun(cellar), 3500.0, "ale/well")
    assert active(state) == set()


def test_the_longest_time_of_a_step_is_told() -> None:
    cellar = site(vessel("ale"), profile=a_profile(a_step("primary", 19.0, at_most_s=HOUR_S)))
    _, told = kept(cellar, begun(cellar), 19.0, HOUR_S)
    assert raised(told) == ["step time"]


QUESTIONS = a_profile(
    a_step("pitch", 19.0, Ends(confirmed="Is the yeast in?")), a_step("hops", 19.0, Ends(confirmed="Are the hops in?"))
)


def test_each_question_is_asked_in_its_own_words_and_again_when_the_next_comes() -> None:
    cellar = site(vessel("ale"), profile=QUESTIONS)
    state = begun(cellar)
    assert state.alarms["ale/prompt"].text == "Is the yeast in?"
    state, _ = kept(cellar, state, 19.0, 60.0, asks("acknowledge"))
    assert state.alarms["ale/prompt"].phase is AlarmPhase.ACKNOWLEDGED
    state, _ = kept(cellar, state, 19.0, 60.0, asks("confirm"))
    assert state.alarms["ale/prompt"].phase is AlarmPhase.UNACKNOWLEDGED
    assert state.alarms["ale/prompt"].text == "Are the hops in?"


def test_a_profile_that_ends_with_a_question_still_says_that_it_is_complete() -> None:
    cellar = site(vessel("ale"), profile=QUESTIONS)
    state, _ = kept(cellar, begun(cellar), 19.0, 60.0, asks("confirm", 1))
    state, _ = kept(cellar, state, 19.0, 60.0, asks("acknowledge", 1))
    state, _ = kept(cellar, state, 19.0, 60.0, asks("confirm", 2))
    prompt = state.alarms["ale/prompt"]
    assert prompt.phase is AlarmPhase.UNACKNOWLEDGED
    assert "say packaged" in prompt.text


def test_a_forgotten_off_is_reminded_and_reminded_again_after_each_acknowledgement() -> None:
    """Design rule 9; every twelve hours by the site file."""
    patient = replace(CELLAR.vessels[0], alarms=replace(CELLAR.vessels[0].alarms, reminder_s=HOUR_S))
    cellar = site(patient, profile=PLAN)
    state, _ = kept(cellar, begun(cellar), 19.0, 3500.0, asks("mode", mode="off"))
    assert active(state) == set()
    for number in range(3):
        state, told = kept(cellar, state, 19.0, 200.0)
        assert raised(told) == ["reminder"]
        state, _ = kept(cellar, state, 19.0, 3500.0, asks("acknowledge", number, alarm="reminder"))
        assert active(state) == set()
    state, _ = kept(cellar, state, 19.0, 2 * HOUR_S, asks("mode", 2, mode="auto"))
    assert active(state) == set()


def test_acknowledging_the_reminder_of_an_off_that_is_over_does_not_put_off_the_next_reminder() -> None:
    """Design rule 9; the story of a brewer who switches off, on, and off again and then clears the list."""
    patient = replace(CELLAR.vessels[0], alarms=replace(CELLAR.vessels[0].alarms, reminder_s=HOUR_S))
    cellar = site(patient, profile=PLAN)
    state, told = kept(cellar, begun(cellar), 19.0, HOUR_S + 60.0, asks("mode", 1, mode="off"))
    assert raised(told) == ["reminder"]
    state, _ = kept(cellar, state, 19.0, 600.0, asks("mode", 2, mode="auto"))
    state, _ = kept(cellar, state, 19.0, 2400.0, asks("mode", 3, mode="off"))
    state, _ = kept(cellar, state, 19.0, 1100.0, asks("acknowledge", 4))
    assert active(state) == set()
    state, told = kept(cellar, state, 19.0, 200.0)
    assert raised(told) == ["reminder"]


def test_an_empty_vessel_may_be_off_for_ever() -> None:
    patient = replace(CELLAR.vessels[0], alarms=replace(CELLAR.vessels[0].alarms, reminder_s=60.0))
    cellar = site(patient, profile=PLAN)
    state, _ = kept(cellar, initial_state(cellar, 0.0), 19.0, HOUR_S, asks("mode", mode="off"))
    assert active(state) == set()


def test_a_warm_bath_is_told_after_a_quarter_of_an_hour_and_is_over_half_a_kelvin_lower() -> None:
    state = begun()
    for tenths in range(46):  # a probe may not rise faster
        state, _ = kept(CELLAR, state, 19.0, 5.0, bath_c=-3.0 + 0.1 * tenths)
    state, _ = kept(CELLAR, state, 19.0, 850.0, bath_c=1.5)
    assert active(state) == set()
    state, told = kept(CELLAR, state, 19.0, 120.0, bath_c=1.5)
    assert active(state) == {"bath/bath warm"}
    assert (told[0].vessel, told[0].subject, told[0].reason) == ("", "bath warm", "bath at 1.5 °C")
    state, _ = kept(CELLAR, state, 19.0, 120.0, bath_c=0.7)
    assert active(state) == {"bath/bath warm"}
    state, _ = kept(CELLAR, state, 19.0, 120.0, bath_c=0.4)
    assert active(state) == set()


def test_a_bath_that_a_crash_makes_warm_is_told_only_when_it_cools_no_more() -> None:
    cellar = site(vessel("ale"), profile=a_profile(a_step("crash", 2.0, kind=StepKind.CRASH)))
    state = begun(cellar, 8.0)
    for tenths in range(110):  # a probe may not rise faster
        state, _ = kept(cellar, state, 8.0, 5.0, bath_c=-3.0 + 0.1 * tenths)
        if tenths == 80:
            state, told = kept(cellar, state, 8.0, HOUR_S, bath_c=5.0)
            assert "bath warm" not in raised(told)
    state, told = kept(cellar, state, 8.0, 1000.0, bath_c=8.0)
    assert "bath warm" in raised(told)


def test_a_bath_near_the_freezing_point_of_its_glycol_is_told_within_minutes() -> None:
    """Freezing point -12 °C, margin 2 K (by the site file)."""
    state = begun()
    for tenths in range(75):  # a probe may not fall faster
        state, _ = kept(CELLAR, state, 19.0, 5.0, bath_c=-3.0 - 0.1 * tenths)
    state, _ = kept(CELLAR, state, 19.0, 70.0, bath_c=-10.4)
    assert active(state) == {"bath/bath freezing"}


def test_a_lost_bath_probe_is_told() -> None:
    state, _ = blind(CELLAR, begun(), 150.0, "bath/supply")
    assert active(state) == {"bath/bath signal"}


def test_an_alarm_is_recorded_once_for_each_change_not_for_each_scan() -> None:
    state, told = kept(CELLAR, begun(), 20.4, 2 * HOUR_S)
    assert len(told) == 1
    _, told = kept(CELLAR, state, 19.0, 2 * HOUR_S)
    assert len(told) == 1
