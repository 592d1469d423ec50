"""What the status says, as data and in a brewer's sentences."""

import json
from dataclasses import replace

import pytest
from rich.console import Console

from controller.control.course import Ends, ProfileStep, StepKind
from controller.control.site import Ending, Output, Supply, Upstream
from controller.control.state import AlarmPhase, BatchState, Manual, Mode, OutputState, SiteState
from controller.control.values import Drive, Record, RecordKind, Setpoint, Signal, Status
from controller.display import Display
from controller.hmi.status import status_dict, vessel_dict
from controller.hmi.table import batch_lines, output_lines, status_table
from tests.hmi.factories import (
    ALE,
    BERLIN,
    CHICAGO,
    DAY,
    HOUR,
    NOW_S,
    batch,
    busy_cellar,
    empty_cellar,
    fermenting,
    site,
    with_alarm,
    with_vessel,
)


def table(state: SiteState, display: Display = BERLIN, width: int = 80) -> str:
    console = Console(width=width, force_terminal=False, color_system=None)
    with console.capture() as captured:
        console.print(status_table(status_dict(site(), state, display)))
    return captured.get()


def ale_waits(step: int, counted_s: float = 12 * HOUR, wort_c: float = 19.2, display: Display = BERLIN) -> list[str]:
    idle = empty_cellar().vessels["ale"]
    state = with_vessel(busy_cellar(), "ale", fermenting(idle, wort_c, step, counted_s))
    return list(vessel_dict(site(), site().vessels[0], state, display)["step"]["waits"])


def waits_of(ends: Ends, *gravities: float, og: float | None = 1.048, kind: StepKind = StepKind.HOLD) -> list[str]:
    step = ProfileStep("only", kind, 19.0, 0.5, ends, 9 * DAY, rate_k_per_s=1 / DAY)
    profile = ALE.__class__("one", "One", (step,))
    ale = fermenting(empty_cellar().vessels["ale"], step=0)
    ale = ale._replace(batch=batch("Test", og, *gravities)._replace(profile=profile))
    return list(vessel_dict(site(), site().vessels[0], with_vessel(busy_cellar(), "ale", ale), BERLIN)["step"]["waits"])


def test_a_step_by_attenuation_says_how_far_it_is() -> None:
    # 1.048 to 1.029 is 39 % by extract: (11.91 - 7.28) / 11.91, with degrees Plato of the ASBC tables
    assert ale_waits(1) == ["until 75 % apparent attenuation (now 39 %)"]


def test_a_rest_says_how_much_of_its_time_is_counted() -> None:
    assert ale_waits(2, 12 * HOUR, 21.1) == ["counted 12 h of 48 h"]


def test_a_rest_that_is_too_cold_says_that_it_is_not_counting() -> None:
    assert ale_waits(2, 12 * HOUR, 20.0) == ["counted 12 h of 48 h", "not counting: more than 0.5 K from the setpoint"]


def test_pitching_waits_for_the_temperature_and_for_the_brewer() -> None:
    assert ale_waits(0, 0.0, 22.0) == [
        "until the wort has reached 18.0 °C (now 22.0 °C)",
        "waits for you: Yeast pitched?",
    ]


def test_fahrenheit_is_what_a_brewer_with_a_fahrenheit_site_reads() -> None:
    assert ale_waits(0, 0.0, 22.0, CHICAGO)[0] == "until the wort has reached 64.4 °F (now 71.6 °F)"


def test_gravity_and_steadiness_say_what_was_entered_last() -> None:
    assert waits_of(Ends(gravity=1.012), 1.030) == ["until gravity 1.012 (now 1.030)"]
    assert waits_of(Ends(gravity=1.012)) == ["until gravity 1.012 (no gravity entered yet)"]
    assert waits_of(Ends(steady_s=48 * HOUR), 1.012) == ["until gravity has been steady for 48 h (now 1.012)"]


def test_an_attenuation_without_an_original_gravity_asks_for_it() -> None:
    assert waits_of(Ends(attenuation=0.7), 1.030, og=None) == [
        "until 70 % apparent attenuation (the batch has no OG: enter one)"
    ]


def test_a_ramp_says_where_its_setpoint_is() -> None:
    assert waits_of(Ends(), kind=StepKind.RAMP) == ["until the ramp has reached 19.0 °C (setpoint now 18.0 °C)"]


def test_a_held_batch_says_that_its_clock_stands_still() -> None:
    ale = fermenting(empty_cellar().vessels["ale"], step=2)._replace(condition=BatchState.HELD)
    seen = vessel_dict(site(), site().vessels[0], with_vessel(busy_cellar(), "ale", ale), BERLIN)
    assert seen["step"]["waits"][-1] == "held: the step's clock stands still"


def test_the_step_tells_other_programs_when_it_only_waits_for_an_answer() -> None:
    ale = fermenting(empty_cellar().vessels["ale"], 18.0, 0)
    assert ale.program is not None
    asking = ale._replace(program=ale.program._replace(reached=True, waiting=True))
    step = vessel_dict(site(), site().vessels[0], with_vessel(busy_cellar(), "ale", asking), BERLIN)["step"]
    assert (step["asks"], step["question"]) == (True, "Yeast pitched?")


def test_why_is_this_pump_on_is_answered() -> None:
    seen = status_dict(site(), busy_cellar(), BERLIN)["vessels"]["ale"]
    assert output_lines(seen)[0] == "cooler ON 90 s (since 22:25): 0.2 K above the setpoint"
    assert seen["outputs"]["heater"]["reason"] == "start: everything off first"


def test_the_table_shows_a_fermentation_an_empty_vessel_bath_and_room() -> None:
    shown = table(busy_cellar())
    for words in (
        "19.2 °C",
        "19.0 °C",
        "+0.2 K",
        "House Pale: running, auto; begun Sat 22:26",
        "gravity 1.029 of 1.048",
        "39 % apparent attenuation, real degree of fermentation 33 %, 2.5 % ABV",
        "2/3 ferment",
        "step 2 of 3, ferment (hold), since 09:26",
        "until 75 % apparent attenuation (now 39 %)",
        "no batch",
        "-1.8 °C",
        "23.5 °C",
        "no alarm active",
    ):
        assert words in shown, words


def test_an_active_alarm_stands_above_one_that_is_over() -> None:
    state = with_alarm(busy_cellar(), "ale/prompt", "Yeast pitched?", AlarmPhase.RETURNED)
    shown = table(with_alarm(state, "ale/deviation", "+1.9 K from the setpoint"))
    assert "1 alarm active" in shown
    assert shown.index("! +1.9 K from the setpoint") < shown.index("was: Yeast pitched?")


def test_an_alarm_carries_what_to_do() -> None:
    seen = status_dict(site(), with_alarm(busy_cellar(), "bath/bath warm", "bath at 4.1 °C"), BERLIN)
    alarm = seen["bath"]["alarms"][0]
    assert alarm["priority"] == "medium"
    assert "chiller" in alarm["action"]
    assert alarm["age_s"] == HOUR
    assert seen["vessels"]["ale"]["alarms"] == []


def test_a_lost_probe_is_named_with_its_cause() -> None:
    state = busy_cellar()
    lost = Signal(19.0, NOW_S - HOUR, Status.FAILURE, "no reading for 60 min")
    assert "probe ale/well: failure, no reading for 60 min" in table(
        state._replace(signals={**state.signals, "ale/well": lost})
    )


def test_nothing_known_is_null_and_a_dash_never_a_number() -> None:
    seen = status_dict(site(), empty_cellar(), BERLIN)
    assert seen["vessels"]["ale"]["temperature_c"] is None
    assert seen["bath"]["temperature_c"] is None
    assert seen["utc"] is None
    shown = table(empty_cellar())
    assert "–" in shown
    assert "no reading yet" in shown
    assert "UTC not known yet" in shown


def test_the_status_is_strict_json_even_with_mad_numbers() -> None:
    state = busy_cellar()
    ale = state.vessels["ale"]
    estimate = ale.estimate._replace(celsius=float("nan"), rate_k_per_h=float("inf"))
    mad = with_vessel(state, "ale", ale._replace(estimate=estimate, applied_w=float("-inf")))
    record = Record(float("nan"), None, "ale", RecordKind.STEP, "ferment", "begun", "after pitch")
    text = json.dumps(status_dict(site(), mad, BERLIN, [record]), allow_nan=False)
    assert json.loads(text)["recent"][0]["subject"] == "ferment"


def test_hostile_names_are_shown_as_they_are_and_do_nothing() -> None:
    ale = fermenting(empty_cellar().vessels["ale"])
    evil = ale._replace(batch=batch("[red]\x1b]0;owned\x07[/red]\n<b>", 1.05))
    shown = table(with_vessel(busy_cellar(), "ale", evil))
    assert "\x1b" not in shown
    assert "\x07" not in shown
    assert "[red]" in shown


def test_a_manual_output_says_how_long_it_still_lasts() -> None:
    ale = fermenting(empty_cellar().vessels["ale"])
    by_hand = ale._replace(mode=Mode.MANUAL, manual=Manual(-0.5, NOW_S + 2 * HOUR))
    seen = vessel_dict(site(), site().vessels[0], with_vessel(busy_cellar(), "ale", by_hand), BERLIN)
    assert batch_lines(seen)[0] == "House Pale: running, manual: cooling at 50 % for another 2 h; begun Sat 22:26"


def test_a_vessel_being_cleaned_says_so() -> None:
    cleaning = empty_cellar().vessels["ale"]._replace(in_service=False)
    assert "out of service" in table(with_vessel(busy_cellar(), "ale", cleaning))


def test_a_free_rise_shows_both_ends_of_its_setpoint() -> None:
    ale = fermenting(empty_cellar().vessels["ale"], 20.0)._replace(setpoint=Setpoint(18.0, 22.0))
    shown = table(with_vessel(busy_cellar(), "ale", ale), BERLIN)
    assert "18.0 to 22.0 °C  +0.0 K" in shown


@pytest.mark.parametrize("drive", list(Drive))
def test_what_an_estimate_may_drive_is_told(drive: Drive) -> None:
    state = busy_cellar()
    ale = state.vessels["ale"]
    changed = with_vessel(state, "ale", ale._replace(estimate=ale.estimate._replace(drive=drive)))
    assert vessel_dict(site(), site().vessels[0], changed, BERLIN)["drives"] == drive.value


def test_what_vessels_share_says_whether_it_is_on_and_why() -> None:
    contactor = Upstream(Supply.CONTACTOR, Output("upstream/heat", 0.0, Ending.DEVICE_TIMER), ("ale/heater",))
    plant = replace(site(), upstream=(contactor,))
    closed = OutputState(True, NOW_S - 3 * HOUR, NOW_S, "a vessel that it feeds is regulated", starts=2, on_s=5 * HOUR)
    state = busy_cellar(plant)._replace(upstream={"upstream/heat": closed})
    shown = status_dict(plant, state, BERLIN)
    assert shown["upstream"]["heat"] == {
        "kind": "contactor",
        "feeds": ["ale/heater"],
        "on": True,
        "for_s": 3 * HOUR,
        "since_text": shown["upstream"]["heat"]["since_text"],
        "reason": "a vessel that it feeds is regulated",
        "starts": 2,
        "on_s": 5 * HOUR,
    }
    console = Console(width=80, force_terminal=False, color_system=None)
    with console.capture() as captured:
        console.print(status_table(shown))
    assert "contactor heat ON 3 h" in captured.get()
    assert "upstream" not in table(busy_cellar())
