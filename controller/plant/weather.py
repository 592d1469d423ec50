"""The room that the cellar sits in: weather of our own from a seed, or any hourly series, behind walls that lag.

Anything that turns seconds into degrees Celsius may stand in for these: `room_c(t_s) -> float`."""

import itertools
import math
import random
from collections.abc import Sequence
from dataclasses import dataclass

HOUR_S, DAY_S, YEAR_S = 3600.0, 86400.0, 365.25 * 86400.0


@dataclass(frozen=True, slots=True)
class Wave:
    """One swing of the outside temperature: amplitude K, period s, time s of its crest."""

    amplitude_k: float
    period_s: float
    crest_s: float


@dataclass(frozen=True, slots=True)
class WeatheredRoom:
    """A room that follows a sum of waves through the first-order lag of its building. It feels the share
    `openness` of the outside swings about `room_mean_c`. Calling it gives the room's °C at a time in s."""

    outside_mean_c: float
    room_mean_c: float
    openness: float
    lag_s: float
    waves: tuple[Wave, ...]

    def outside_c(self, t_s: float) -> float:
        """Outside air at `t_s`."""
        swings = (w.amplitude_k * math.cos(math.tau * (t_s - w.crest_s) / w.period_s) for w in self.waves)
        return self.outside_mean_c + sum(swings)

    def __call__(self, t_s: float) -> float:
        """The room at `t_s`: each wave weaker by 1/sqrt(1 + (omega tau)²) and later by atan(omega tau), the
        steady response of a first-order lag."""
        total = 0.0
        for wave in self.waves:
            omega = math.tau / wave.period_s
            late = omega * self.lag_s
            phase = omega * (t_s - wave.crest_s) - math.atan(late)
            total += wave.amplitude_k * math.cos(phase) / math.sqrt(1.0 + late * late)
        return self.room_mean_c + self.openness * total


def weathered_room(seed: int, first_day: float = 100.0) -> WeatheredRoom:
    """A cellar room in a temperate climate; `first_day` is the day of the year (0..365) at t = 0.

    Yearly and daily swing with six waves of 2 to 11 days for passing fronts, whose size and time come from
    the seed. Sizes are estimates of ours."""
    chance = random.Random(f"{seed}/weather")
    start_s = first_day * DAY_S
    waves = [Wave(9.0, YEAR_S, 200.0 * DAY_S - start_s), Wave(4.5, DAY_S, 15.0 * HOUR_S)]
    for _ in range(6):
        period_s = chance.uniform(2.0, 11.0) * DAY_S
        waves.append(Wave(chance.uniform(0.8, 2.2), period_s, chance.uniform(0.0, period_s)))
    return WeatheredRoom(outside_mean_c=11.0, room_mean_c=17.0, openness=0.6, lag_s=10.0 * HOUR_S, waves=tuple(waves))


class HourlyRoom:
    """A room that lags an hourly series of outside temperatures with time constant `lag_s`; straight lines
    between the hours, the series begins again after its end. Calling it gives °C at a time in s >= 0."""

    __slots__ = ("_room_c",)

    def __init__(self, outside_c: Sequence[float], lag_s: float) -> None:
        if len(outside_c) < 2:
            raise ValueError(f"an hourly series needs at least 2 values, found {len(outside_c)}")
        fade = math.exp(-HOUR_S / lag_s)
        room_c = [float(outside_c[0])]
        for start_c, end_c in itertools.pairwise(outside_c):
            behind_k = (end_c - start_c) * lag_s / HOUR_S  # a lag trails a steady ramp by rate x lag
            room_c.append(end_c - behind_k + (room_c[-1] - start_c + behind_k) * fade)
        self._room_c = room_c

    def __call__(self, t_s: float) -> float:
        hour, rest_s = divmod(t_s, HOUR_S)
        count = len(self._room_c)
        here = int(hour) % count
        start_c = self._room_c[here]
        return start_c + (self._room_c[(here + 1) % count] - start_c) * rest_s / HOUR_S
