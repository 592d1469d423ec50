"""The last word: what must be known to be so before a cooler or a heater may be on."""

from dataclasses import replace
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.beer import freezing_point_c
from controller.control.interlock import REGULATED, freezing_limit_c, may_cool, may_heat
from controller.control.site import Limits, Vessel
from controller.control.state import Batch, BatchState, Mode, OutputState
from controller.control.values import Signal, Status
from tests.factories import PID, vessel

NOW_S = 1e5
ALE = vessel(limits=Limits(-5.0, 30.0))  # limits out of the way of the freezing point
BATCH = Batch("pale", 1.050, 50.0, "", None, 0.0, None)
RESTED = OutputState(False, 0.0, 0.0, "")


COLD = "no cooling: the wort is near freezing or at its hard limit"


def good(celsius: float | None) -> Signal:
    return Signal(celsius, NOW_S, Status.GOOD, "")


def cool(
    *signals: Signal,
    fermenter: Vessel = ALE,
    batch: Batch | None = BATCH,
    condition: BatchState = BatchState.RUNNING,
    mode: Mode = Mode.AUTO,
    cooler: OutputState = RESTED,
    heater: OutputState | None = RESTED,
) -> str:
    """The missing permit of the cooler."""
    shown = replace(fermenter, probes=fermenter.probes * len(signals))
    return may_cool(shown, batch, condition, mode, list(signals), cooler, heater, NOW_S)


def heat(
    *signals: Signal,
    fermenter: Vessel = ALE,
    batch: Batch | None = BATCH,
    condition: BatchState = BatchState.RUNNING,
    mode: Mode = Mode.AUTO,
    heater: OutputState = RESTED,
    cooler: OutputState | None = RESTED,
) -> str:
    """The missing permit of the heater."""
    return may_heat(fermenter, batch, condition, mode, list(signals), heater, cooler, NOW_S)


def test_beer_at_an_ordinary_temperature_may_be_cooled_and_heated() -> None:
    assert cool(good(19.0)) == ""
    assert heat(good(19.0)) == ""


# Who is regulated


@pytest.mark.parametrize("condition", BatchState)
def test_only_a_batch_that_is_regulated_is_cooled_or_heated(condition: BatchState) -> None:
    # ISA-88 states; idle and aborted have everything off.
    off = condition in (BatchState.IDLE, BatchState.ABORTED)
    assert (condition not in REGULATED) == off
    for missing in (cool(good(19.0), condition=condition), heat(good(19.0), condition=condition)):
        assert missing == ("no batch to regulate" if off else "")


def test_mode_off_is_off_and_manual_is_not() -> None:
    assert cool(good(19.0), mode=Mode.OFF) == heat(good(19.0), mode=Mode.OFF) == "mode off"
    assert cool(good(19.0), mode=Mode.MANUAL) == heat(good(19.0), mode=Mode.MANUAL) == ""


# Design rule 1: never both, and a time between


def test_the_cooler_waits_for_the_heater_and_the_heater_for_the_cooler() -> None:
    on = OutputState(True, NOW_S - 60.0, NOW_S, "", ended_s=NOW_S)
    assert cool(good(19.0), heater=on) == "the heater is on"
    assert heat(good(19.0), cooler=on) == "the cooler is on"


def test_a_change_over_time_lies_between_the_two() -> None:
    just = OutputState(False, NOW_S, NOW_S, "", ended_s=NOW_S - PID.changeover_s + 1.0)
    long = OutputState(False, NOW_S, NOW_S, "", ended_s=NOW_S - PID.changeover_s)
    assert cool(good(19.0), heater=just) == "change-over time after the heater"
    assert heat(good(19.0), cooler=just) == "change-over time after the cooler"
    assert cool(good(19.0), heater=long) == heat(good(19.0), cooler=long) == ""


def test_a_vessel_without_a_heater_has_no_change_over() -> None:
    assert cool(good(19.0), fermenter=vessel(heater_w=None), heater=None) == ""


# Design rule 2: fit to drive


@pytest.mark.parametrize("status", [Status.FAILURE, Status.FUNCTION_CHECK])
def test_a_signal_that_is_invalid_drives_neither(status: Status) -> None:
    assert cool(Signal(19.0, NOW_S, status, "x")) == heat(Signal(19.0, NOW_S, status, "x")) == "no signal fit to drive"


def test_without_any_probe_neither_is_on() -> None:
    assert cool() == heat() == "no signal fit to drive"


def test_maintenance_required_drives_both() -> None:
    signal = Signal(19.0, NOW_S, Status.MAINTENANCE, "calibration is due")
    assert cool(signal) == heat(signal) == ""


def test_a_signal_out_of_specification_cools_and_never_heats() -> None:
    doubtful = Signal(39.0, NOW_S, Status.OUT_OF_SPECIFICATION, "x")
    assert cool(doubtful) == ""
    for signals in ([doubtful], [doubtful, good(19.0)], [good(19.0), doubtful]):
        assert heat(*signals) == "no heat on a signal out of specification"


def test_a_failed_probe_beside_a_good_one_is_left_out() -> None:
    dead = Signal(-20.0, NOW_S, Status.FAILURE, "stale")
    assert cool(dead, good(19.0)) == heat(good(19.0), dead) == ""


@pytest.mark.parametrize("celsius", [nan, inf, -inf, None])
@pytest.mark.parametrize("status", [Status.GOOD, Status.MAINTENANCE])
def test_a_signal_that_is_no_number_denies_both(celsius: float | None, status: Status) -> None:
    # Trust lets no such number through; if it ever did, the permits would still be missing.
    odd = Signal(celsius, NOW_S, status, "")
    for signals in ([odd], [odd, good(19.0)], [good(19.0), odd]):
        assert cool(*signals)
        assert heat(*signals)


# Design rule 6: freezing


def test_where_no_alcohol_is_known_wort_is_cooled_to_half_a_kelvin_above_zero() -> None:
    for batch in (BATCH, None):
        assert freezing_limit_c(ALE, batch) == 0.5
        assert cool(good(0.5), batch=batch) == ""
        assert cool(good(0.4375), batch=batch) == "no cooling: the wort is near freezing or at its hard limit"


def test_beer_whose_alcohol_is_proven_may_be_colder() -> None:
    # Lange's Handbook, 15th ed., Table 5.13: 4.8 % of ethanol by weight freezes at -2.0 °C (Melinder: -1.95 °C).
    beer = BATCH._replace(freezing_c=freezing_point_c(4.8))
    assert freezing_limit_c(ALE, beer) == pytest.approx(-1.95 + 0.5, abs=0.05)
    assert cool(good(-0.5), batch=beer) == ""
    assert cool(good(-1.6), batch=beer) != ""


def test_the_colder_of_two_probes_counts_for_freezing() -> None:
    assert cool(good(5.0), good(0.0)) != ""
    assert cool(good(0.0), good(5.0)) != ""


# Design rule 7: hard limits, empty vessels, hot cleaner


def test_no_cooling_below_the_lower_hard_limit() -> None:
    lager = vessel(limits=Limits(8.0, 22.0))
    assert cool(good(8.0), fermenter=lager) == ""  # the limit itself may be a setpoint
    assert cool(good(7.6), fermenter=lager) == "no cooling: the wort is near freezing or at its hard limit"


def test_no_heat_above_the_upper_hard_limit() -> None:
    lager = vessel(limits=Limits(8.0, 22.0))
    assert heat(good(22.0), fermenter=lager) == ""
    assert heat(good(22.4), fermenter=lager) == "no heat: the wort is at its hard limit"
    assert heat(good(15.0), good(22.4), fermenter=lager) == "no heat: the wort is at its hard limit"


def test_no_heat_into_wort_so_cold_that_it_is_frozen_or_the_probe_lies() -> None:
    assert heat(good(-5.1)) != ""
    assert heat(good(-4.9)) == ""


@pytest.mark.parametrize("volume_l", [None, 0.0, -1.0, nan])
def test_no_heat_without_a_known_volume(volume_l: float | None) -> None:
    assert heat(good(19.0), batch=BATCH._replace(volume_l=volume_l)) == "no heat: the batch's volume is not known"


def test_no_heat_without_a_batch() -> None:
    assert heat(good(19.0), batch=None) == "no batch to regulate"


def test_no_cooling_above_forty_degrees() -> None:
    assert cool(good(40.0)) == ""
    assert cool(good(40.1)) == "no cooling above 40 °C"
    assert cool(Signal(75.0, NOW_S, Status.OUT_OF_SPECIFICATION, "x")) == "no cooling above 40 °C"


@pytest.mark.parametrize(
    ("doubtful", "fit_c", "missing"),
    [
        (Signal(45.0, NOW_S, Status.FAILURE, "stuck"), 39.7, "no cooling above 40 °C"),
        (Signal(45.0, NOW_S, Status.FUNCTION_CHECK, "jumped"), 39.7, "no cooling above 40 °C"),
        (Signal(45.0, NOW_S - 3600.0, Status.FAILURE, "stale"), 39.7, ""),
        (Signal(45.0, NOW_S, Status.FAILURE, "stuck"), 21.0, ""),  # it lies: no vessel is layered so much
        (Signal(38.0, NOW_S, Status.FAILURE, "stuck"), 39.7, ""),
        (Signal(0.3, NOW_S, Status.FAILURE, "stuck"), 3.8, COLD),
        (Signal(0.3, NOW_S, Status.FAILURE, "stuck"), 9.0, ""),  # no wort is so uneven
        (Signal(0.3, NOW_S - 3600.0, Status.FAILURE, "stale"), 3.8, ""),
        (Signal(12.0, NOW_S, Status.FAILURE, "stuck"), 3.8, ""),
    ],
)
def test_neither_hot_cleaner_nor_freezing_wort_is_cooled_though_the_probe_that_shows_it_is_in_doubt(
    doubtful: Signal, fit_c: float, missing: str
) -> None:
    assert cool(doubtful, good(fit_c)) == cool(good(fit_c), doubtful) == missing


# Design rule 8: protective off time


def test_a_pump_that_has_just_stopped_rests_for_its_shortest_off_time() -> None:
    just, rested = OutputState(False, NOW_S - 179.0, 0.0, ""), OutputState(False, NOW_S - 180.0, 0.0, "")
    assert cool(good(19.0), cooler=just) == heat(good(19.0), heater=just) == "protective off time"
    assert cool(good(19.0), cooler=rested) == heat(good(19.0), heater=rested) == ""


def test_an_output_that_is_on_may_stay_on() -> None:
    on = OutputState(True, NOW_S - 5.0, NOW_S, "")
    assert cool(good(19.0), cooler=on) == heat(good(19.0), heater=on) == ""


SIGNAL = st.builds(
    Signal,
    st.none() | st.floats() | st.floats(-10.0, 45.0),
    st.just(NOW_S),
    st.sampled_from(Status),
    st.just("why"),
)


@given(st.lists(SIGNAL, max_size=3))
def test_an_output_is_permitted_only_on_what_is_known_to_be_so(signals: list[Signal]) -> None:
    drives = [s for s in signals if s.status in (Status.GOOD, Status.MAINTENANCE, Status.OUT_OF_SPECIFICATION)]
    if not cool(*signals):
        assert drives
        assert all(s.celsius is not None and 0.5 <= s.celsius <= 40.0 for s in drives)
    if not heat(*signals):
        assert drives
        assert all(s.celsius is not None and -5.0 <= s.celsius <= 30.3 for s in drives)
        assert all(s.status is not Status.OUT_OF_SPECIFICATION for s in signals)
