"""The least that pulses can leave, against what is worked out by hand and by trying everything."""

from itertools import product
from math import inf, sqrt

import pytest

from tests.bench.control.least import Pulses, least_rms_k

DAYS = (0.1 / 6.0,) * (6 * 480)  # twenty days of 0.1 K/h, in steps of ten minutes


def test_a_steady_load_leaves_the_tooth_of_its_starts_or_of_its_smallest_pulses() -> None:
    """A saw-tooth of height A has the rms A / sqrt(12); 160 starts against 48 K make teeth of 0.3 K."""
    assert least_rms_k(Pulses((DAYS,), 0.0, inf), 160.0) == pytest.approx(0.3 / sqrt(12.0), rel=0.02)
    assert least_rms_k(Pulses((DAYS,), 0.3, inf), 10_000.0) == pytest.approx(0.3 / sqrt(12.0), rel=0.02)
    assert least_rms_k(Pulses((DAYS,), 0.3, inf, 0.5), 10_000.0) == pytest.approx(0.15 / sqrt(12.0), rel=0.02)


def test_heat_counts_as_cold_does() -> None:
    warms, cools = Pulses((DAYS,), 0.3, 0.1), Pulses((tuple(-move_k for move_k in DAYS),), 0.1, 0.3)
    assert least_rms_k(warms, 200.0) == pytest.approx(least_rms_k(cools, 200.0), rel=1e-6)


def test_no_load_leaves_nothing_and_nothing_is_left_of_no_hold() -> None:
    assert least_rms_k(Pulses(((0.0,) * 144,), 0.3, 0.3), 0.0) == pytest.approx(0.0, abs=1e-6)
    assert least_rms_k(Pulses(((),), 0.3, 0.3), 5.0) == 0.0


def test_nobody_heats_against_a_load_that_asks_for_cold_alone() -> None:
    assert least_rms_k(Pulses((DAYS,), 0.3, 0.3), 10_000.0) == least_rms_k(Pulses((DAYS,), 0.3, inf), 10_000.0)


def test_spells_are_reckoned_each_by_itself() -> None:
    """Both may begin where it is best; the second is the first upside down."""
    spell = (0.05,) * 40
    both = Pulses((spell, tuple(-move_k for move_k in spell)), 0.2, 0.2)
    assert least_rms_k(both, 100.0) == pytest.approx(least_rms_k(Pulses((spell,), 0.2, 0.2), 100.0), rel=1e-3)


@pytest.mark.parametrize("starts", [0, 1, 2])
def test_no_pulses_of_all_that_can_be_tried_leave_less(starts: int) -> None:
    moves_k, cold_k, heat_k = (0.06, 0.06, 0.06, -0.03, -0.09, -0.09, 0.06, 0.06), 0.1, 0.05
    begins_k = [number / 50.0 for number in range(-25, 26)]
    jumps_k = [0.0, -0.1, -0.16, -0.22, 0.06, 0.12]
    best = inf
    for jumped_k in product(jumps_k, repeat=len(moves_k) - 1):
        if sum(jump_k != 0.0 for jump_k in jumped_k) > starts:
            continue
        for begin_k in begins_k:
            away_k, square = begin_k + moves_k[0], 0.0
            for move_k, jump_k in zip((*moves_k[1:], 0.0), (*jumped_k, 0.0), strict=True):
                square += away_k**2
                away_k += jump_k + move_k
            best = min(best, square)
    least_k = least_rms_k(Pulses((moves_k,), cold_k, heat_k), float(starts))
    assert least_k <= sqrt(best / len(moves_k)) + 1e-9
    assert least_k >= 0.7 * sqrt(best / len(moves_k)) - 0.01
