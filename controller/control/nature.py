"""What nature does to a wort at most: yeast and room. A wort that changes faster than that by itself for an hour is
heated or cooled by an output that was commanded off (design rule 5), whatever was learnt of vessel and outputs before:
this finds a relay that has been welded since before the beer came.
"""

from math import sqrt

from controller.control.balance import YOUNG_TICKS, Balance, Tick
from controller.control.observer import Thought
from controller.control.site import Vessel

# What a hot and hasty yeast does: 0.6 °P an hour; 1.44 K per °P (560 kJ per kg of extract, 3.9 kJ per K and kg).
MOST_YEAST_K_PER_H = 0.87
# A wort must be beyond nature for so long (no lid is off for an hour), by so many standard deviations, with so little
# duty left to come through. The room may be so far from what its probe says; where nobody measures it, so warm.
BEYOND_S, SURE, IDLE = 3600.0, 2.5, 0.05
CLEARLY_K_PER_H = 0.2  # no rate is known better than so, whatever the observer says of it
ROOM_STRAY_K, WARMEST_ROOM_C = 2.0, 35.0
# All figures so far: common practice, no source.


def beyond_s(
    last_s: float, vessel: Vessel, thought: Thought, balance: Balance, tick: Tick, room_c: float | None
) -> float:
    """For how long the wort has been warming (> 0) or cooling (< 0) faster than nature can, in s, after one more tick;
    `last_s` is what it was before. 0 while an output that may have done it was on, or the rest is not known yet."""
    k_per_h, sd_k_per_h = by_itself_k_per_h(thought), sqrt(max(thought.unsure.rr, 0.0))
    least, most = natural_k_per_h(vessel, tick, room_c)
    if thought.ticks < YOUNG_TICKS:
        return 0.0
    if max(balance.heating, tick.heated) < IDLE and k_per_h - SURE * sd_k_per_h > most + CLEARLY_K_PER_H:
        return max(last_s, 0.0) + tick.dt_s
    if max(balance.cooling, tick.cooled) < IDLE and k_per_h + SURE * sd_k_per_h < least - CLEARLY_K_PER_H:
        return min(last_s, 0.0) - tick.dt_s
    return 0.0


def by_itself_k_per_h(thought: Thought) -> float:
    """The rate at which the wort changes by itself, K/h: what nothing explains, and its loss to the room."""
    room_c = thought.nodes.wort_c if thought.room_c is None else thought.room_c
    loss_per_h = thought.rate.loss_per_h * thought.shares.loss
    return thought.rest_k_per_h + loss_per_h * (room_c - thought.nodes.wort_c)


def natural_k_per_h(vessel: Vessel, tick: Tick, room_c: float | None) -> tuple[float, float]:
    """The rates between which yeast and room move the wort by themselves, K/h (lower <= 0 <= upper)."""
    coldest_c, warmest_c = vessel.coldest_room_c, WARMEST_ROOM_C
    if room_c is not None:
        coldest_c, warmest_c = room_c - ROOM_STRAY_K, room_c + ROOM_STRAY_K
    return (
        tick.most_loss_per_h * min(coldest_c - tick.wort_c, 0.0),
        tick.most_loss_per_h * max(warmest_c - tick.wort_c, 0.0) + MOST_YEAST_K_PER_H,
    )
