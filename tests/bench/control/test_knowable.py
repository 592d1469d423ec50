"""What can be known of a loss, on traces made by hand."""

import math

import pytest

from tests.bench.control.courses import Course, Leg
from tests.bench.control.knowable import FIRST_LOSS_SD, loss_sd
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


def test_a_yeast_that_changes_as_fast_as_the_room_hides_it() -> None:
    assert sd(3.0) < sd(3.0, 2.0) < sd(3.0, 20.0)
    assert sd(3.0, 20.0) > 0.1
    assert sd(1.0, 5.0) > sd(4.0, 5.0)
