"""What can be known of a loss, on traces made by hand."""

import math

import pytest

from tests.bench.control.courses import Course, Leg
from tests.bench.control.knowable import FIRST_HOLD_SD, FIRST_LOSS_SD, GLYCOL_J_PER_L_K, coil_sd, loss_sd
from tests.bench.control.plants import sized
from tests.bench.control.test_judge import PER_HOUR, trace_of

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
