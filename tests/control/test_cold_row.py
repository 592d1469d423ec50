"""A cooler that dies in a cold wort is told by the wort that becomes warmer, unless an open lid may have done it."""

import pytest

from controller.control.balance import Tick, lid_k_per_h
from controller.control.cold_row import ColdRow, cold_row, warms

HEAT_CAPACITY_J_PER_K = 20_000.0  # 5 L


def told_after_min(warms_k_per_h: float, lid: float, from_c: float = 2.0) -> int | None:
    """After how many minutes of unbroken cooling it is told."""
    row: ColdRow | None = None
    for minute in range(70):
        tick = Tick(60.0, from_c + warms_k_per_h * minute / 60.0, 1.0, 0.0, -4.0, 1.0, 0.1, lid)
        row = cold_row(row, tick)
        if row is not None and warms(row, tick):
            return minute
    return None


def test_a_cold_wort_that_warms_under_unbroken_cooling_is_told_within_the_hour() -> None:
    minutes = told_after_min(0.7, 0.0)
    assert minutes is not None
    assert 40 <= minutes <= 60
    assert told_after_min(0.3, 0.0) is None


@pytest.mark.parametrize("warms_k_per_h", [1.0, 1.2])
def test_what_an_open_lid_does_to_a_small_cold_vessel_in_a_hot_room_is_not_told(warms_k_per_h: float) -> None:
    """5 L at 2 °C, 31 °C: the top takes up 7.4 W, by hand 15 W/(m² K) x 0.581 x 0.005^(2/3) m² x 29 K."""
    lid = lid_k_per_h(HEAT_CAPACITY_J_PER_K, 5.0, 29.0)
    assert lid == pytest.approx(7.4 * 3600.0 / HEAT_CAPACITY_J_PER_K, rel=0.01)
    assert told_after_min(warms_k_per_h, lid) is None
    assert told_after_min(3.0, lid) is not None


def test_a_row_begins_in_a_cold_wort_and_ends_with_a_pause_of_the_cooler() -> None:
    assert told_after_min(1.0, 0.0, from_c=7.0) is None
    running, pausing = (Tick(60.0, 2.0, on, 0.0, -4.0, 1.0, 0.1) for on in (1.0, 0.5))
    assert cold_row(ColdRow(1.0, 600.0), running) == ColdRow(1.0, 660.0)
    assert cold_row(ColdRow(1.0, 600.0), pausing) is None
