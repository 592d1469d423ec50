"""Heat and cold against each other, on traces made by hand."""

import pytest

from tests.bench.control.courses import Course, Leg
from tests.bench.control.opposed import opposed
from tests.bench.control.test_judge import CAPACITY, PER_HOUR, trace_of

HOURS = 24


@pytest.mark.parametrize(("swing_w", "asked_k"), [(0.0, 0.0), (50.0, 5.4)])
def test_what_is_heated_and_cooled_at_a_time_counts_beyond_what_the_balance_asks_of_both(
    swing_w: float, asked_k: float
) -> None:
    """A steady load of 10 W, or one that turns each three hours; heat and cold of 60 W each beyond it keep the wort."""
    count = HOURS * PER_HOUR
    trace = trace_of(Course((Leg("hold", 18.0, HOURS),), 18.0), [18.0] * count, room_c=18.0)
    trace.yeast_w = [10.0 if not swing_w else swing_w * (1 if n // 180 % 2 else -1) for n in range(count)]
    trace.heated_s = [60.0 * n for n in range(count)]
    trace.cooled_s = [60.0 * n for n in range(count)]
    useful_w = trace.spec.heater_w * (1.0 - trace.spec.wrap_loss_share)
    heated_k = useful_w * 6 * 3600.0 / CAPACITY
    worst = opposed(trace, "")
    assert worst.both_k == pytest.approx(heated_k, rel=0.2)
    assert worst.asked_k == pytest.approx(asked_k, abs=0.1)


def test_a_heater_alone_is_against_nobody() -> None:
    count = HOURS * PER_HOUR
    trace = trace_of(Course((Leg("hold", 18.0, HOURS),), 18.0), [18.0] * count, room_c=10.0)
    trace.heated_s = [60.0 * n for n in range(count)]
    assert opposed(trace, "").both_k == 0.0
