"""How well it went, counted by hand and compared."""

from dataclasses import replace

import pytest

from controller.control.course import Ends
from controller.control.state import BatchState, SiteState
from controller.control.values import Drive, Record, RecordKind
from controller.display import Display
from controller.hmi.summary import summaries, summary_text
from controller.hmi.tally import Tally
from tests.hmi.factories import (
    ALE,
    BERLIN,
    CHICAGO,
    DAY,
    FERMENT,
    HOUR,
    PILSEN,
    PITCH,
    REST,
    busy_cellar,
    fermenting,
    site,
    with_alarm,
    with_vessel,
)

CELLAR = site()


def at(hour: float, wort_c: float, step: int = 1, starts: int = 41, on_h: float = 9.0) -> SiteState:
    """The cellar at an hour of the tally, the ale at a temperature in one of its steps."""
    state = busy_cellar(CELLAR)
    ale = fermenting(state.vessels["ale"], wort_c, step)
    assert ale.cooler is not None
    ale = ale._replace(cooler=ale.cooler._replace(starts=starts, on_s=on_h * HOUR))
    return with_vessel(state, "ale", ale)._replace(now_s=hour * HOUR)


def ended(hour: float, step: str, reason: str) -> Record:
    return Record(hour * HOUR, None, "ale", RecordKind.STEP, step, "ended", reason)


def test_time_in_band_is_counted_from_arrival() -> None:
    tally = Tally()
    for hour, wort_c in enumerate([22.0, 20.0, 19.4, 19.2, 19.6, 19.1], 1):
        tally.add(CELLAR, at(hour, wort_c), HOUR)
    visit = tally.vessels["ale"].visits[0]
    assert visit.arrived_after_s == 2 * HOUR
    assert visit.judged_s == 4 * HOUR
    assert visit.band_s == 3 * HOUR  # 19.4, 19.2, 19.1
    assert visit.narrow_s == 2 * HOUR  # 19.2, 19.1
    assert abs(visit.worst_k - 0.6) < 1e-9


def test_a_step_tells_when_it_began_how_long_it_lasted_and_why_it_ended() -> None:
    tally = Tally()
    for hour in range(1, 25):
        tally.add(CELLAR, at(hour, 19.0), HOUR)
    tally.add(CELLAR, at(25, 19.0, 2), HOUR, [ended(25, "ferment", "its conditions are met")])
    row = summaries(tally, BERLIN)[0].steps[0]
    assert row == (
        "ferment", "day 0.0", "24 h", "0 s", "100 %", "100 %", "+0.0 K", "conditions are met (75 % attenuation)",
    )  # fmt: skip
    assert summaries(tally, BERLIN)[0].steps[1][-1] == "goes on"
    assert summaries(tally, BERLIN)[0].steps[1][3] == "not yet"  # the rest is at 21 °C


def test_going_back_to_a_step_is_a_visit_of_its_own() -> None:
    tally = Tally()
    for hour, step in enumerate([1, 2, 1], 1):
        tally.add(CELLAR, at(hour, 19.0, step), HOUR)
    assert [visit.name for visit in tally.vessels["ale"].visits] == ["ferment", "rest", "ferment"]


def test_pump_starts_and_hours_are_those_of_this_run_only() -> None:
    tally = Tally()
    tally.add(CELLAR, at(1, 19.0, starts=41, on_h=9.0), HOUR)
    tally.add(CELLAR, at(49, 19.0, starts=61, on_h=12.0), 47 * HOUR)
    facts = summaries(tally, BERLIN)[0].facts
    assert facts["pump starts"] == "20 (10 a day)"
    assert facts["cooled for"] == "3 h"
    assert facts["heated for"] == "0 s"


def test_time_without_a_signal_is_told_and_not_judged() -> None:
    tally = Tally()
    blind = at(1, 30.0)
    ale = blind.vessels["ale"]
    lost = ale._replace(estimate=ale.estimate._replace(drive=Drive.NOTHING))
    tally.add(CELLAR, with_vessel(blind, "ale", lost), HOUR)
    facts = summaries(tally, BERLIN)[0].facts
    assert facts["without a signal for"] == "60 min"
    assert facts["in ±0.5 K"] == "–"


def test_an_alarm_is_counted_once_however_long_it_lasts() -> None:
    tally = Tally()
    alarmed = with_alarm(at(1, 19.0), "ale/deviation", "+1.9 K from the setpoint")
    for hour in range(1, 6):
        tally.add(CELLAR, alarmed._replace(now_s=hour * HOUR, alarms=dict(alarmed.alarms)), HOUR)
    assert len(summaries(tally, BERLIN)[0].alarms) == 1
    assert "+1.9 K from the setpoint" in summaries(tally, BERLIN)[0].alarms[0]


def test_an_alarm_of_the_bath_belongs_to_no_vessel_and_is_still_told() -> None:
    tally = Tally()
    tally.add(CELLAR, with_alarm(at(1, 19.0), "bath/bath warm", "bath at 4.1 °C"), HOUR)
    assert summaries(tally, BERLIN)[0].alarms == ()
    assert "bath at 4.1 °C" in summary_text(tally, BERLIN)


def test_a_finished_batch_goes_on_under_its_state() -> None:
    tally = Tally()
    tally.add(CELLAR, at(1, 19.0), HOUR)
    done = at(2, 19.0)
    tally.add(CELLAR, with_vessel(done, "ale", done.vessels["ale"]._replace(condition=BatchState.COMPLETE)), HOUR)
    assert [visit.name for visit in tally.vessels["ale"].visits] == ["ferment", "complete"]


def test_holding_a_batch_does_not_break_its_step_in_two() -> None:
    tally = Tally()
    tally.add(CELLAR, at(1, 19.0), HOUR)
    held = at(2, 19.0)
    tally.add(CELLAR, with_vessel(held, "ale", held.vessels["ale"]._replace(condition=BatchState.HELD)), HOUR)
    tally.add(CELLAR, at(3, 19.0), HOUR)
    assert [visit.lasted_s for visit in tally.vessels["ale"].visits] == [3 * HOUR]


def test_the_text_reads_for_a_brewer() -> None:
    tally = Tally()
    tally.add(CELLAR, at(24, 19.0), DAY)
    text = summary_text(tally, BERLIN)
    assert "ale: House Pale" in text
    assert "lager: no batch" in text
    assert "no alarms" in text
    assert text.splitlines()[3].split()[:4] == ["step", "entered", "lasted", "arrived"]


def test_fahrenheit_scales_the_band_and_never_shifts_it() -> None:
    tally = Tally()
    tally.add(CELLAR, at(1, 19.2), HOUR)
    assert summaries(tally, CHICAGO)[0].facts["in ±0.9 °F"] == "100 %"
    assert summaries(tally, CHICAGO)[0].facts["worst after arrival"] == "+0.4 °F"


@pytest.mark.parametrize("display", [BERLIN, CHICAGO])
def test_the_text_fits_80_columns_however_long_names_and_alarms_are(display: Display) -> None:
    tally = Tally()
    endless = "a name that goes on and on " * 5
    step = replace(FERMENT, name=endless, ends=Ends(attenuation=0.75, gravity=1.012, confirmed="Done?", steady_s=DAY))
    for hour in range(1, 80, 13):
        state = at(hour, 19.0 if hour % 2 else 31.9, starts=hour * 9, on_h=hour)
        ale = state.vessels["ale"]
        assert ale.batch is not None
        longer = ale.batch._replace(name=endless, profile=replace(ALE, steps=(PITCH, step, REST)))
        loud = with_alarm(with_vessel(state, "ale", ale._replace(batch=longer)), "ale/high", "31.9 °C is too much " * 9)
        tally.add(CELLAR, loud, 13 * HOUR)
    tally.add(CELLAR, at(93, 19.0, 2), HOUR, [ended(93, endless, "its conditions are met")])
    narrow = summary_text(tally, display).splitlines()
    assert max(map(len, narrow)) <= 80
    assert any("…" in line for line in narrow)
    assert any(line.startswith("    ended: conditions are met (gravity 1.012, 75 % attenuation") for line in narrow)
    wide = summary_text(tally, display, 400)
    assert "conditions are met (gravity 1.012, 75 % attenuation, gravity steady for 24 h, confirmed)" in wide
    assert "ended because" in wide


def test_a_figure_is_not_torn_from_its_heading_at_the_end_of_a_line() -> None:
    tally = Tally()
    for hour in range(1, 60):
        tally.add(CELLAR, at(hour, 19.4, starts=hour, on_h=hour), HOUR)
    first, second = summary_text(tally, BERLIN).splitlines()[1:3]
    assert first.endswith(",")
    assert second.startswith(("  cooled for ", "  heated for "))


def test_a_step_that_was_ended_by_hand_does_not_claim_its_conditions() -> None:
    tally = Tally()
    tally.add(CELLAR, at(1, 22.0), HOUR)
    tally.add(CELLAR, at(2, 22.0, 2), HOUR, [ended(2, "ferment", "ferment ended by hand; rest begins")])
    assert summaries(tally, BERLIN)[0].steps[0][-1] == "ferment ended by hand; rest begins"


def test_wort_in_degrees_plato_ends_a_step_in_degrees_plato() -> None:
    tally = Tally()
    state = at(1, 19.0)
    ale = state.vessels["ale"]
    assert ale.batch is not None
    until = replace(FERMENT, ends=Ends(gravity=1.0123))
    batch_ = ale.batch._replace(profile=replace(ALE, steps=(PITCH, until, REST)))
    tally.add(CELLAR, with_vessel(state, "ale", ale._replace(batch=batch_)), HOUR)
    tally.add(CELLAR, at(2, 19.0, 2), HOUR, [ended(2, "ferment", "its conditions are met")])
    assert summaries(tally, PILSEN)[0].steps[0][-1] == "conditions are met (gravity 3.1 °P)"
