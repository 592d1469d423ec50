"""What can be known of a loss, on traces made by hand."""

import math

import pytest

from tests.bench.control.courses import Course, Leg
from tests.bench.control.knowable import FIRST_HOLD_SD, FIRST_LOSS_SD, coil_sd, loss_sd
from tests.bench.control.plants import sized
from tests.bench.control.test_judge import PER_HOUR, trace_of
from tests.bench.control.truth import GLYCOL_J_PER_L_K

HOURS = 72


def sd(swing_k: float, yeast_w: float = 0.0, room_c: float = 12.0) -> float:
    """In a room that swings by the day, with a yeast whose heat does so, too, a third of a day later."""
    count = HOURS * PER_HOUR
    trace = trace_of(Course((Leg("hold", 18.0, HOURS),), 18.0), [18.0] * count)
    angles = [2.0 * math.pi * n / (24.0 * PER_HOUR) for n in range(count)]
    trace.room_c = [room_c + swing_k * math.sin(angle) for angle in angles]
    trace.yeast_w = [yeast_w * (1.0 + math.cos(angle)) for angle in angles]
    return loss_sd(trace, HOURS)


def test_in_a_room_that_never_changes_nothing_can_be_known() -> None:
    assert sd(0.0) == pytest.approx(FIRST_LOSS_SD, rel=0.1)


def test_a_swing_tells_it_where_nothing_else_changes() -> None:
    """By hand: rest and loss are constants and L x swing moves the wort by L x 3 K x 24 h / 2 pi to and fro, which
    twenty thousandths of a kelvin spread over 432 looks tell to less than a hundredth."""
    assert sd(3.0) < 0.01


def coil_of(*on_s: float, every_h: int = 1) -> float:
    """With pulses of these lengths in turn, so often, without yeast."""
    count = HOURS * PER_HOUR
    trace = trace_of(Course((Leg("hold", 18.0, HOURS),), 18.0), [18.0] * count)
    starts, cooled_s = 0, 0.0
    for number in range(count):
        if number % (every_h * PER_HOUR) == 30:
            cooled_s, starts = cooled_s + on_s[starts % len(on_s)], starts + 1
        trace.cooler_starts[number], trace.cooled_s[number] = starts, cooled_s
    return coil_sd(trace, HOURS)


def test_pulses_of_one_length_tell_strength_and_hold_up_together() -> None:
    """By hand: what is not known of the hold-up, 60 % of it, is not known of t + d either."""
    spec = sized("fv1", 25.0)
    hold_s = spec.coil_l * GLYCOL_J_PER_L_K / spec.coil_w_per_k
    assert coil_of(100.0) == pytest.approx(FIRST_HOLD_SD * hold_s / (100.0 + hold_s), rel=0.05)
    assert coil_of(100.0, 400.0) < 0.4 * coil_of(100.0)
    assert coil_of(3600.0, every_h=4) < 0.3 * coil_of(100.0)
    assert coil_of(0.0, every_h=100) == math.inf


def test_a_yeast_that_changes_as_fast_as_the_room_hides_it() -> None:
    assert sd(3.0) < sd(3.0, 2.0) < sd(3.0, 20.0)
    assert sd(3.0, 20.0) > 0.1
    assert sd(1.0, 5.0) > sd(4.0, 5.0)


def test_outputs_that_work_much_hide_the_loss_too() -> None:
    """A pump that runs for a minute in ten and whose flow wanders moves the wort by what nobody knows."""
    count = HOURS * PER_HOUR
    trace = trace_of(Course((Leg("hold", 18.0, HOURS),), 18.0), [18.0] * count)
    trace.room_c = [12.0 + 3.0 * math.sin(2.0 * math.pi * n / (24.0 * PER_HOUR)) for n in range(count)]
    calm = loss_sd(trace, HOURS)
    trace.cooled_s = [6.0 * n for n in range(count)]
    assert loss_sd(trace, HOURS) > 3.0 * calm


def test_a_pulse_moves_the_wort_by_what_flows_past_and_by_what_it_leaves_in_the_coil() -> None:
    """By hand: 20 K over 25 L of wort and its wall; a pump that fills the coil in less than a minute."""
    trace = trace_of(Course((Leg("hold", 16.0, 1),), 16.0), [16.0] * PER_HOUR)
    spec = trace.spec
    left_j = spec.coil_l * GLYCOL_J_PER_L_K * 20.0
    assert spec.flow_l_per_s * 60.0 > spec.coil_l
    expected_k = (spec.coil_w_per_k * 20.0 * 60.0 + left_j) / trace.heat_capacity_j_per_k
    assert trace.pulse_k(0, 60.0) == pytest.approx(expected_k)
