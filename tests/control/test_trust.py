"""What a probe says, and whether it is believed."""

from math import inf, isfinite, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.site import Place, Probe
from controller.control.state import NEVER
from controller.control.trust import SETTLE_AFTER_JUMP_S, fit_to_drive, trust
from controller.control.values import Reading, Signal, Status

HOUR_S = 3600.0
WELL = Probe("ale/well", Place.THERMOWELL, quiet_s=30.0)
ON_CHANGE = Probe("lager/well", Place.THERMOWELL, quiet_s=HOUR_S)  # publishes only when the value changes


def heard(probe: Probe, *reports: tuple[float, float], last: Signal = NEVER) -> Signal:
    """The signal after these reports, each a pair of receipt time in s and °C."""
    for at_s, celsius in reports:
        last = trust(probe, last, Reading(celsius, at_s), at_s)
    return last


def silent(probe: Probe, last: Signal, now_s: float) -> Signal:
    """The signal at `now_s` when nothing more was heard."""
    return trust(probe, last, None, now_s)


def test_a_usual_reading_is_good() -> None:
    assert heard(WELL, (5.0, 18.9375)) == Signal(18.9375, 5.0, Status.GOOD, "", moved_s=5.0)


def test_a_probe_that_was_never_heard_drives_nothing_and_says_so() -> None:
    signal = silent(WELL, NEVER, 1e6)
    assert not fit_to_drive(signal)
    assert (signal.celsius, signal.cause) == (None, "no reading yet")


def test_a_probe_is_stale_when_it_is_quiet_for_longer_than_its_own_interval() -> None:
    good = heard(WELL, (100.0, 19.0))
    assert silent(WELL, good, 130.0).status is Status.GOOD
    stale = silent(WELL, good, 130.1)
    assert (stale.status, stale.cause) == (Status.FAILURE, "stale")
    assert stale.celsius == 19.0  # the last value stays to be looked at
    assert not fit_to_drive(stale)


def test_a_device_that_reports_only_changes_is_not_stale_in_the_same_time() -> None:
    good = heard(ON_CHANGE, (100.0, 10.0))
    assert silent(ON_CHANGE, good, 100.0 + HOUR_S).status is Status.GOOD
    assert silent(ON_CHANGE, good, 101.0 + HOUR_S).status is Status.FAILURE


def test_a_stale_probe_is_good_again_with_its_next_reading() -> None:
    stale = silent(WELL, heard(WELL, (0.0, 19.0)), 600.0)
    assert heard(WELL, (605.0, 19.5), last=stale).status is Status.GOOD


def test_a_reading_that_waited_in_the_inbox_for_longer_than_the_interval_is_stale_too() -> None:
    good = heard(WELL, (0.0, 19.0))
    # The process slept: the reading of second 10 is taken up in second 600.
    late = trust(WELL, good, Reading(19.1, 10.0), 600.0)
    assert not fit_to_drive(late)
    assert not fit_to_drive(trust(WELL, NEVER, Reading(19.1, 10.0), 600.0))


def test_a_reading_that_is_older_than_the_last_one_changes_nothing() -> None:
    good = heard(WELL, (100.0, 19.0))
    assert trust(WELL, good, Reading(25.0, 90.0), 101.0) == good
    assert trust(WELL, good, Reading(25.0, 100.0), 101.0) == good


@pytest.mark.parametrize("celsius", [-55.1, 125.1, 1e6, -273.15, -1e300])
def test_a_reading_outside_the_sensors_range_is_a_failure(celsius: float) -> None:
    # Range -55..+125 °C: DS18B20 datasheet.
    signal = heard(WELL, (0.0, 19.0), (5.0, celsius))
    assert (signal.status, signal.cause, signal.celsius) == (Status.FAILURE, "out of the sensor's range", 19.0)


def test_the_ends_of_the_sensors_range_belong_to_it() -> None:
    for celsius in (-55.0, 125.0):
        assert heard(WELL, (0.0, celsius)).celsius == celsius


@pytest.mark.parametrize("celsius", [nan, inf, -inf])
def test_a_reading_that_is_no_number_never_becomes_good(celsius: float) -> None:
    for before in (NEVER, heard(WELL, (0.0, 19.0))):
        signal = heard(WELL, (5.0, celsius), (10.0, celsius), (15.0, celsius), last=before)
        assert signal.status is Status.FAILURE
        assert signal.celsius == before.celsius


def test_the_power_on_value_of_the_digital_probe_is_a_function_check() -> None:
    # 85 °C is the power-on reset value: DS18B20 datasheet, Table 1.
    signal = heard(WELL, (0.0, 19.0), (5.0, 85.0))
    assert signal.status is Status.FUNCTION_CHECK
    assert signal.celsius == 19.0
    assert not fit_to_drive(signal)
    assert heard(WELL, (10.0, 19.0), last=signal).status is Status.GOOD


def test_the_code_for_no_device_is_a_failure() -> None:
    # -127 is what common drivers report for a missing device: common practice, no source.
    signal = heard(WELL, (0.0, 19.0), (5.0, -127.0))
    assert (signal.status, signal.cause) == (Status.FAILURE, "probe disconnected")


def test_codes_are_looked_for_before_calibration() -> None:
    shifted = Probe("ale/well", Place.THERMOWELL, 30.0, offset_k=-0.5)
    assert heard(shifted, (0.0, 85.0)).status is Status.FUNCTION_CHECK
    assert heard(shifted, (0.0, -127.0)).cause == "probe disconnected"


def test_a_code_does_not_keep_a_probe_from_going_stale() -> None:
    signal = heard(WELL, (0.0, 19.0), (5.0, 85.0))
    assert silent(WELL, signal, 40.0).cause == "stale"


def test_a_single_spike_is_ignored() -> None:
    before = heard(WELL, (0.0, 19.0), (5.0, 19.0))
    spike = heard(WELL, (10.0, 27.0), last=before)
    assert (spike.celsius, spike.status) == (19.0, Status.GOOD)
    after = heard(WELL, (15.0, 19.0625), last=spike)
    assert after == Signal(19.0625, 15.0, Status.GOOD, "", moved_s=15.0)


def test_spikes_in_every_second_reading_are_all_ignored() -> None:
    signal = heard(WELL, (0.0, 19.0))
    for k in range(1, 100):
        signal = heard(WELL, (5.0 * k, 30.0 if k % 2 else 19.0), last=signal)
        assert (signal.celsius, signal.status) == (19.0, Status.GOOD)


def test_two_different_spikes_do_not_confirm_each_other() -> None:
    signal = heard(WELL, (0.0, 19.0), (5.0, 30.0), (10.0, 5.0))
    assert (signal.celsius, signal.status) == (19.0, Status.GOOD)


def test_a_jump_that_a_second_reading_confirms_is_shown_but_drives_nothing_for_five_minutes() -> None:
    jumped = heard(WELL, (0.0, 19.0), (5.0, 25.0), (10.0, 25.0))
    assert (jumped.celsius, jumped.status) == (25.0, Status.FUNCTION_CHECK)
    assert not fit_to_drive(jumped)
    signal, now_s = jumped, 10.0
    while now_s < 10.0 + SETTLE_AFTER_JUMP_S - 5.0:
        now_s += 5.0
        signal = heard(WELL, (now_s, 25.0), last=signal)
        assert not fit_to_drive(signal), now_s
    assert heard(WELL, (310.0, 25.0), last=signal).status is Status.GOOD


def test_a_probe_put_back_into_its_well_waits_five_minutes_from_the_second_jump() -> None:
    out = heard(WELL, (0.0, 19.0), (5.0, 25.0), (10.0, 25.0))
    back = heard(WELL, (100.0, 25.0), (105.0, 19.0), (110.0, 19.0), last=out)
    assert heard(WELL, (405.0, 19.0), last=back).status is Status.FUNCTION_CHECK
    assert heard(WELL, (410.0, 19.0), last=back).status is Status.GOOD


def test_a_failure_in_between_does_not_shorten_the_five_minutes() -> None:
    jumped = heard(WELL, (0.0, 19.0), (5.0, 25.0), (10.0, 25.0), (15.0, -127.0))
    assert not fit_to_drive(heard(WELL, (20.0, 25.0), last=jumped))


def test_a_slow_change_is_never_a_jump() -> None:
    signal = heard(WELL, (0.0, 20.0))
    for k in range(1, 200):
        signal = heard(WELL, (5.0 * k, 20.0 - 0.1 * k), last=signal)
        assert fit_to_drive(signal)


def test_what_no_fermenter_holds_is_out_of_specification() -> None:
    for celsius in (-10.5, 40.5, 70.0):
        assert heard(WELL, (0.0, celsius)).status is Status.OUT_OF_SPECIFICATION
    for celsius in (-10.0, 40.0):
        assert heard(WELL, (0.0, celsius)).status is Status.GOOD


def test_the_letters_are_those_of_ne_107() -> None:
    # NAMUR NE 107: failure F, function check C, out of specification S, maintenance required M.
    letters = [
        Status.FAILURE.value,
        Status.FUNCTION_CHECK.value,
        Status.OUT_OF_SPECIFICATION.value,
        Status.MAINTENANCE.value,
    ]
    assert letters == ["F", "C", "S", "M"]


def test_only_failure_and_function_check_drive_nothing() -> None:
    # NAMUR NE 107 calls the output signal invalid in F and in C.
    unfit = {status for status in Status if not fit_to_drive(Signal(19.0, 0.0, status, ""))}
    assert unfit == {Status.FAILURE, Status.FUNCTION_CHECK}


def test_an_offset_shifts_each_reading() -> None:
    probe = Probe("ale/well", Place.THERMOWELL, 30.0, offset_k=-0.4)
    assert heard(probe, (0.0, 19.4)).celsius == pytest.approx(19.0)


def test_a_calibration_at_two_points_is_a_line_through_both() -> None:
    # The probe read 0.6 °C in ice water and 20.2 °C beside a reference at 20.0 °C.
    gain = 20.0 / (20.2 - 0.6)
    probe = Probe("ale/well", Place.THERMOWELL, 30.0, gain=gain, offset_k=-0.6 * gain)
    assert heard(probe, (0.0, 0.6)).celsius == pytest.approx(0.0)
    assert heard(probe, (0.0, 20.2)).celsius == pytest.approx(20.0)


REPORT = st.tuples(
    st.floats(0.0, 400.0),  # seconds since the last
    st.sampled_from([0.0, 0.0, 2.0, 100.0]),  # seconds that it waited to be taken up
    st.none() | st.floats() | st.sampled_from([85.0, -127.0, 19.0, 19.1, 25.0, nan, inf, -inf]),
)


@given(st.lists(REPORT, max_size=40))
def test_whatever_a_probe_reports_the_signal_is_a_finite_number_or_none(
    reports: list[tuple[float, float, float | None]],
) -> None:
    calibrated = Probe("x/y", Place.STRAPPED, 30.0, gain=1.02, offset_k=-0.6)
    for probe in (WELL, ON_CHANGE, calibrated):
        signal, now_s = NEVER, 0.0
        for later_s, waited_s, celsius in reports:
            now_s += later_s
            reading = None if celsius is None else Reading(celsius, now_s - waited_s)
            signal = trust(probe, signal, reading, now_s)
            assert signal.celsius is None or isfinite(signal.celsius)
            assert signal.suspect_c is None or isfinite(signal.suspect_c)
            assert isinstance(signal.status, Status)
            assert signal.cause or signal.status is Status.GOOD
            if fit_to_drive(signal):
                assert signal.celsius is not None
                assert now_s - signal.at_s <= probe.quiet_s


def test_a_doubt_of_the_diagnosis_holds_between_readings_too() -> None:
    good = heard(WELL, (5.0, 18.9375))
    doubted = trust(WELL, good, None, 10.0, "stuck")
    assert (doubted.status, doubted.cause, doubted.celsius) == (Status.FAILURE, "stuck", 18.9375)
