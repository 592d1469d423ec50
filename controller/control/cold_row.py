"""A cooler that dies in a cold wort. What a coil does there nobody knows: water is densest there, ice may sit on it.
But a wort that becomes so much warmer so soon under unbroken cooling, and by more than an open lid can make it, says
enough: a coil at its end in a hot room loses ground more slowly.
"""

from typing import NamedTuple

from controller.control.balance import HOUR_S, Tick
from controller.control.vessel_model import COLD_C

COLD_SHARE = 0.2  # of what a coil does in a cold wort, at least
WARMS_K, RUNS_S, WITHIN_S, LEAST_K_PER_H, UNBROKEN = 0.5, 2400.0, 4500.0, 0.2, 0.9
LID_S = 2400.0  # no lid is off for longer
# All figures: common practice, no source.


class ColdRow(NamedTuple):
    """A cold wort under unbroken cooling: its lowest temperature, and how long the cooler has run since."""

    least_c: float
    ran_s: float = 0.0


def cold_row(last: ColdRow | None, tick: Tick) -> ColdRow | None:
    """The row of unbroken cooling after one more tick, None where there is none. It begins in a cold wort."""
    if tick.cooled < UNBROKEN or -tick.full_cooling_k_per_h * COLD_SHARE < LEAST_K_PER_H:
        return None
    if last is None:
        return ColdRow(tick.wort_c) if tick.wort_c <= COLD_C else None
    if tick.wort_c < last.least_c or last.ran_s > WITHIN_S:
        return ColdRow(tick.wort_c)
    return last._replace(ran_s=last.ran_s + tick.cooled * tick.dt_s)


def warms(row: ColdRow, tick: Tick) -> bool:
    """Whether nothing but a dead cooler explains how much warmer the wort has become."""
    lid_k = max(tick.lid_k_per_h, 0.0) * LID_S / HOUR_S
    return row.ran_s >= RUNS_S and tick.wort_c >= row.least_c + WARMS_K + lid_k
