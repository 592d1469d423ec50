"""The judge on traces made by hand."""

import math

import pytest

from tests.bench.control.courses import Course, Leg
from tests.bench.control.floor import smoothing
from tests.bench.control.judge import hold_of, judge
from tests.bench.control.plants import sized
from tests.bench.control.truth import SAMPLE_S, Trace

CAPACITY = 100_000.0
LOSS_W_PER_K = 1.0
PER_HOUR = 60


def trace_of(course: Course, wort_c: list[float], room_c: float = 25.0, yeast_w: float = 0.0) -> Trace:
    """A trace of this wort in a steady room; well and whole wort are the same, nothing was switched."""
    spec, count = sized("fv1", 25.0), len(wort_c)
    trace = Trace(spec, course, CAPACITY, LOSS_W_PER_K, 1.0)
    trace.mean_c, trace.felt_c = list(wort_c), list(wort_c)
    trace.room_c, trace.bath_c = [room_c] * count, [-4.0] * count
    trace.yeast_w, trace.neighbour_w = [yeast_w] * count, [0.0] * count
    trace.estimate_c = [None] * count
    trace.cooled_s, trace.heated_s = [0.0] * count, [0.0] * count
    trace.cooler_starts, trace.heater_starts = [0] * count, [0] * count
    trace.setpoints_c = course.setpoints([number * SAMPLE_S for number in range(count)])
    return trace


def test_the_time_in_which_a_load_keeps_its_sign_for_six_hours() -> None:
    """Three days; by hand: a load that turns once, after a day, does so in 12 of 72 hours."""
    hours = 72
    course = Course((Leg("hold", 18.0, hours),), 18.0)
    shares = []
    for turns_at in ((), (24,), tuple(range(6, 72, 6))):
        trace = trace_of(course, [18.0] * (hours * PER_HOUR), room_c=18.0)
        trace.yeast_w = [
            5.0 * (-1) ** sum(number >= hour * PER_HOUR for hour in turns_at) for number in range(hours * PER_HOUR)
        ]
        shares.append(hold_of(trace, "fv1", 18.0, 0, hours * PER_HOUR).steady)
    assert shares == pytest.approx([1.0, 60.0 / 72.0, 0.0])


def test_only_days_whose_load_is_steady_count_as_such() -> None:
    """Two days of 24 and 30 starts; on the second the load is twice as high in the end."""
    course = Course((Leg("hold", 18.0, 48.0),), 18.0)
    trace = trace_of(course, [18.0] * (48 * PER_HOUR), room_c=18.0)
    trace.cooler_starts = [min(n, 1440) // 60 + max(n - 1416, 0) // 48 for n in range(48 * PER_HOUR)]
    trace.cooled_s = [60.0 * starts for starts in trace.cooler_starts]
    for last_w, busiest in ((14.0, 30), (20.0, 24)):
        trace.yeast_w = [10.0] * (36 * PER_HOUR) + [last_w] * (12 * PER_HOUR)
        assert hold_of(trace, "fv1", 18.0, 0, 48 * PER_HOUR).busiest == busiest


def test_a_hold_is_held_against_the_floor_of_its_own_starts() -> None:
    course = Course((Leg("hold", 18.0, 72.0),), 18.0)
    load_w = 7.0  # 1 W/K to a room of 25 °C
    period = 60  # minutes: 24 starts a day; a tooth that rises for the hour and falls in a minute
    tooth_k = load_w * period * 60.0 / CAPACITY
    wort = [18.0 - tooth_k / 2 + tooth_k * (n % period) / (period - 1) for n in range(72 * PER_HOUR)]
    trace = trace_of(course, wort)
    trace.cooler_starts = [n // period for n in range(len(wort))]
    trace.cooled_s = [60.0 * (n // period) for n in range(len(wort))]
    (hold,) = judge(trace, "", 1).holds
    assert hold.starts_per_day == pytest.approx(24.0, abs=0.5)
    assert hold.busiest == 24
    assert hold.rms_k == pytest.approx(tooth_k / math.sqrt(12.0), rel=0.02)
    coil_lag_s = trace.spec.coil_l * 3860.0 / trace.spec.coil_w_per_k
    smoothed_k = tooth_k / math.sqrt(12.0) * smoothing(3600.0, 1.0 / 60.0, coil_lag_s)
    assert hold.floor_k == pytest.approx(smoothed_k, rel=0.04)  # of one duty and counting
    assert hold.load_w == pytest.approx(load_w, rel=0.01)
    assert not hold.changes_sign
    assert hold.pulses.cold_k == pytest.approx(tooth_k, rel=0.05)  # pulses of a minute are the shortest


def test_what_the_well_does_not_feel_is_taken_off_but_not_what_control_leaves() -> None:
    course = Course((Leg("hold", 18.0, 48.0),), 18.0)
    trace = trace_of(course, [18.3] * (48 * PER_HOUR))
    trace.felt_c = [18.1] * len(trace.mean_c)
    (hold,) = judge(trace, "", 1).holds
    assert hold.mean_k == pytest.approx(0.1)
    assert hold.rms_k == pytest.approx(0.1)


def test_a_load_that_changes_sign_is_seen() -> None:
    course = Course((Leg("hold", 18.0, 48.0),), 18.0)
    trace = trace_of(course, [18.0] * (48 * PER_HOUR))
    trace.room_c = [18.0 + 3.0 * math.cos(math.tau * n / 1440.0) for n in range(len(trace.mean_c))]
    (hold,) = judge(trace, "", 1).holds
    assert hold.changes_sign


def test_a_pull_down_that_goes_past_its_target() -> None:
    course = Course((Leg("hold", 18.0, 48.0),), 22.0)
    falling = [22.0 - 4.4 * n / 240 for n in range(240)]  # to 17.6 °C within 4 h
    back = [17.6 + 0.4 * n / 120 for n in range(120)]
    wort = falling + back + [18.0] * (44 * PER_HOUR)
    (landing,) = judge(trace_of(course, wort), "", 1).landings
    assert landing.kind == "pull-down"
    assert landing.past_k == pytest.approx(0.4, abs=0.02)
    assert landing.hours == pytest.approx(3.9 / 4.4 * 4.0, abs=0.05)


def test_a_pull_down_that_never_gets_there() -> None:
    course = Course((Leg("hold", 18.0, 30.0),), 22.0)
    verdict = judge(trace_of(course, [21.0] * (30 * PER_HOUR)), "", 1)
    assert verdict.landings[0].past_k is None
    assert not verdict.holds


def test_a_ramp_upwards_lands_from_below() -> None:
    course = Course((Leg("hold", 18.0, 10.0), Leg("ramp", 20.0, 10.0), Leg("hold", 20.0, 30.0)), 18.0)
    trace = trace_of(course, [0.0] * (50 * PER_HOUR))
    trace.mean_c = [sought + (0.25 if 20 * PER_HOUR < n < 22 * PER_HOUR else 0.0)
                    for n, sought in enumerate(trace.setpoints_c)]  # fmt: skip
    trace.felt_c = list(trace.mean_c)
    (landing,) = judge(trace, "", 1).landings
    assert landing.kind == "ramp"
    assert landing.past_k == pytest.approx(0.25, abs=0.03)


def test_the_energy_balance_counts_ramps_and_losses_and_not_a_pull_down() -> None:
    course = Course((Leg("hold", 18.0, 24.0), Leg("ramp", 20.0, 10.0), Leg("hold", 20.0, 24.0)), 18.0)
    trace = trace_of(course, [18.0] * (58 * PER_HOUR), room_c=10.0)
    trace.mean_c = list(trace.setpoints_c)
    heat = judge(trace, "", 1).heat
    joules = (8.0 * 24.0 + 9.0 * 10.0 + 10.0 * 24.0) * 3600.0 + 2.0 * CAPACITY
    useful_w = trace.spec.heater_w * (1.0 - trace.spec.wrap_loss_share)
    assert heat.needed_h == pytest.approx(joules / useful_w / 3600.0, rel=0.01)
    trace.mean_c = [celsius + 1.0 for celsius in trace.mean_c]  # still too warm: no heat is needed
    assert judge(trace, "", 1).heat.needed_h == 0.0


def test_a_yeast_that_gives_more_than_the_room_takes_needs_no_heat() -> None:
    course = Course((Leg("hold", 18.0, 24.0),), 18.0)
    trace = trace_of(course, [18.0] * (24 * PER_HOUR), room_c=10.0, yeast_w=9.0)
    assert judge(trace, "", 1).heat.needed_h == 0.0


def test_the_estimate_is_held_against_the_wort() -> None:
    course = Course((Leg("hold", 18.0, 24.0),), 18.0)
    trace = trace_of(course, [18.0] * (24 * PER_HOUR))
    trace.estimate_c = [18.0 + (0.05 if n % 2 else -0.05) for n in range(len(trace.mean_c))]
    assert judge(trace, "", 1).believed.rms_k == pytest.approx(0.05)
