"""From the probes of a vessel to one wort temperature, and what it is fit to drive."""

from math import exp

import pytest

from controller.control.doubt import OUT_OF_WELL, STUCK
from controller.control.estimate import FILTER_S, TREND_S, disagreeing, estimate
from controller.control.state import NO_ESTIMATE
from controller.control.values import Drive, Estimate, Signal, Status

SCAN_S = 5.0
NO_SIGNAL = Signal(None, 0.0, Status.FAILURE, "no reading yet")


def good(celsius: float) -> Signal:
    return Signal(celsius, 0.0, Status.GOOD, "")


def failed(celsius: float) -> Signal:
    return Signal(celsius, 0.0, Status.FAILURE, "stale")


def doubtful(celsius: float) -> Signal:
    return Signal(celsius, 0.0, Status.OUT_OF_SPECIFICATION, "outside what a fermenter can hold")


def after(signals: list[Signal], scans: int, last: Estimate = NO_ESTIMATE) -> Estimate:
    for _ in range(scans):
        last = estimate(signals, last, SCAN_S, gap=False)
    return last


def test_the_first_good_reading_is_the_estimate() -> None:
    wort = estimate([good(19.0)], NO_ESTIMATE, SCAN_S, gap=False)
    assert (wort.celsius, wort.rate_k_per_h, wort.drive) == (19.0, 0.0, Drive.BOTH)


def test_a_step_comes_through_like_a_first_order_lag_of_one_minute() -> None:
    # Step response of a first-order lag: 1 - exp(-t / T).
    wort = after([good(20.0)], scans=12, last=after([good(19.0)], 1))
    assert wort.celsius == pytest.approx(19.0 + (1.0 - exp(-60.0 / FILTER_S)), abs=1e-9)


def test_the_filter_does_not_depend_on_how_often_the_scan_runs() -> None:
    start = after([good(19.0)], 1)
    slow = estimate([good(20.0)], start, 60.0, gap=False)
    assert slow.celsius == pytest.approx(after([good(20.0)], 12, start).celsius)


def test_after_a_gap_the_filter_starts_again_at_the_measurement() -> None:
    before = after([good(19.0)], 100)
    wort = estimate([good(14.0)], before, 10.0, gap=True)
    assert (wort.celsius, wort.slow_c, wort.rate_k_per_h) == (14.0, 14.0, 0.0)


def test_a_wort_seen_again_after_a_blind_hour_is_where_it_is_and_not_where_it_was() -> None:
    blind = after([failed(19.0)], 720, after([good(19.0)], 100))
    wort = estimate([good(22.0)], blind, SCAN_S, gap=False)
    assert (wort.celsius, wort.rate_k_per_h) == (22.0, 0.0)


@pytest.mark.parametrize("rate_k_per_h", [-1.0, -0.1, 0.5])
def test_the_trend_of_a_long_ramp_is_its_rate(rate_k_per_h: float) -> None:
    wort = NO_ESTIMATE
    for k in range(int(6 * TREND_S / SCAN_S)):
        wort = estimate([good(20.0 + rate_k_per_h * k * SCAN_S / 3600.0)], wort, SCAN_S, gap=False)
    assert wort.rate_k_per_h == pytest.approx(rate_k_per_h, rel=0.02)


def test_a_wort_that_stands_still_has_no_trend_although_its_reading_flickers_by_a_sixteenth() -> None:
    wort = NO_ESTIMATE
    for k in range(3000):
        wort = estimate([good(19.0 + (k % 2) / 16.0)], wort, SCAN_S, gap=False)
    assert wort.celsius == pytest.approx(19.0 + 1 / 32, abs=0.005)
    assert wort.rate_k_per_h == pytest.approx(0.0, abs=0.01)


def test_of_two_probes_the_failed_one_is_left_out() -> None:
    wort = estimate([failed(40.0), good(19.0)], NO_ESTIMATE, SCAN_S, gap=False)
    assert (wort.celsius, wort.cold_c, wort.warm_c, wort.drive) == (19.0, 19.0, 19.0, Drive.BOTH)
    assert wort.cause == "stale"  # the brewer still learns that one has failed


def test_of_two_probes_that_differ_the_colder_limits_cooling_and_the_warmer_heating() -> None:
    wort = estimate([good(18.0), good(20.0)], NO_ESTIMATE, SCAN_S, gap=False)
    assert (wort.celsius, wort.cold_c, wort.warm_c) == (19.0, 18.0, 20.0)


def test_the_two_limits_stay_as_far_apart_as_the_probes_while_the_wort_moves() -> None:
    wort = after([good(18.0), good(20.0)], 10)
    for k in range(200):
        wort = estimate([good(18.0 - 0.01 * k), good(20.0 - 0.01 * k)], wort, SCAN_S, gap=False)
        assert wort.warm_c - wort.cold_c == pytest.approx(2.0)


def test_probes_disagree_beyond_one_kelvin_and_a_failed_one_has_no_say() -> None:
    assert not disagreeing([good(18.5), good(19.5)])
    assert disagreeing([good(18.4), good(19.5)])
    assert not disagreeing([good(18.4), failed(30.0)])
    assert not disagreeing([good(18.4)])
    assert not disagreeing([])


@pytest.mark.parametrize("signals", [[doubtful(41.0)], [doubtful(41.0), good(19.0)], [good(19.0), doubtful(-11.0)]])
def test_a_signal_out_of_specification_drives_cooling_only(signals: list[Signal]) -> None:
    wort = estimate(signals, NO_ESTIMATE, SCAN_S, gap=False)
    assert wort.drive is Drive.COOLING
    assert wort.cause == "outside what a fermenter can hold"


def test_a_signal_that_asks_for_maintenance_drives_both() -> None:
    signal = Signal(19.0, 0.0, Status.MAINTENANCE, "calibration is due")
    assert estimate([signal], NO_ESTIMATE, SCAN_S, gap=False).drive is Drive.BOTH


@pytest.mark.parametrize("signals", [[], [NO_SIGNAL], [failed(19.0), failed(19.0)]])
def test_without_a_fit_probe_nothing_is_driven_from_the_start(signals: list[Signal]) -> None:
    wort = estimate(signals, NO_ESTIMATE, SCAN_S, gap=False)
    assert (wort.celsius, wort.drive) == (None, Drive.NOTHING)


@pytest.mark.parametrize("status", [Status.FAILURE, Status.FUNCTION_CHECK])
def test_a_blind_vessel_keeps_its_last_temperature_and_drives_nothing(status: Status) -> None:
    seen = after([good(19.0)], 10)
    blind = after([Signal(25.0, 0.0, status, "why")], 100, seen)
    assert (blind.celsius, blind.drive, blind.cause) == (19.0, Drive.NOTHING, "why")


def test_a_good_status_without_a_temperature_drives_nothing() -> None:
    assert estimate([Signal(None, 0.0, Status.GOOD, "")], NO_ESTIMATE, SCAN_S, gap=False).drive is Drive.NOTHING


@pytest.mark.parametrize(
    ("doubted", "fit_c", "cold_c"),
    [
        (Signal(0.8, 0.0, Status.FAILURE, STUCK), 3.8, 0.8),
        (Signal(0.8, 0.0, Status.FAILURE, OUT_OF_WELL), 3.8, 0.8),
        (Signal(0.8, 0.0, Status.FAILURE, "stale"), 3.8, 3.8),
        (Signal(12.0, 0.0, Status.FAILURE, STUCK), 19.0, 19.0),  # warm beer is not kept from being cooled
        (Signal(6.0, 0.0, Status.FAILURE, STUCK), 3.8, 3.8),
    ],
)
def test_a_probe_that_is_only_thought_to_be_at_fault_still_limits_the_cooling_of_cold_wort(
    doubted: Signal, fit_c: float, cold_c: float
) -> None:
    """Design rule 2: the colder limits cooling; rule 6: freezing comes before overheating."""
    wort = estimate([doubted, good(fit_c)], NO_ESTIMATE, SCAN_S, gap=False)
    assert (wort.celsius, wort.cold_c, wort.warm_c, wort.drive) == (fit_c, cold_c, fit_c, Drive.BOTH)
