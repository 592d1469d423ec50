"""The least that an on/off output can leave in the wort where its pulses cannot be smaller than a given size: by
dynamic programming, with the load known in advance (R. Bellman, Dynamic Programming, 1957; from memory).

The wort's deviation is y(t) + D(t), where D is what the load does by itself, known, and y only changes by a pulse. So y
lives on a grid without error, whose window goes with D. A pulse moves the wort at once, and by any amount from the
smallest on; the deviation may begin and end anywhere, in every spell. How many starts there are is asked for by their
price: for every price p >= 0, the least of (square + p x starts) less p x n is no more than the least square with n
starts (Lagrangian duality), so the greatest of these is still a lower bound. A real controller knows no load in
advance."""

import math
from typing import NamedTuple

import numpy as np

GRID_K = 0.01
REACH_K = 0.8  # how far from the setpoint is looked at; or twice a pulse
WITHIN = 36  # steps of ten minutes: an output works only where within six hours the load asks for it
PRICES = 24  # golden-section steps of the search for a price
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


class Pulses(NamedTuple):
    """What one or more spells of a hold are made of: by how much its load moves the wort in each ten minutes, K; by
    how much a cooler's pulse moves it down at least, and a heater's up (inf: there is none); by how much the coil,
    which gives its cold little by little, shrinks the rms, 0..1 (`floor.smoothing`)."""

    spells_k: tuple[tuple[float, ...], ...]
    cold_k: float
    heat_k: float
    smooth: float = 1.0


NO_PULSES = Pulses((), 0.0, 0.0)


def least_rms_k(pulses: Pulses, starts: float) -> float:
    """The least rms in K with so many starts of both together."""
    spells = [np.array(moves_k) for moves_k in pulses.spells_k if moves_k]
    count = sum(len(spell) for spell in spells)
    if not count:
        return 0.0

    def bound(price: float) -> float:
        return sum(_cheapest(spell, pulses.cold_k, pulses.heat_k, price) for spell in spells) - price * starts

    low, high = -16.0, 4.0  # ln of a price, K² x steps
    points = [high - GOLDEN * (high - low), low + GOLDEN * (high - low)]
    found = [bound(math.exp(point)) for point in points]
    for _ in range(PRICES):
        if found[0] >= found[1]:
            high, points[1], found[1] = points[1], points[0], found[0]
            points[0] = high - GOLDEN * (high - low)
            found[0] = bound(math.exp(points[0]))
        else:
            low, points[0], found[0] = points[0], points[1], found[1]
            points[1] = low + GOLDEN * (high - low)
            found[1] = bound(math.exp(points[1]))
    return pulses.smooth * math.sqrt(max(*found, 0.0) / count)


def _cheapest(moves_k: np.ndarray, cold_k: float, heat_k: float, price: float) -> float:
    """The least of squares and paid starts of one spell, in K² x steps."""
    drift_k = np.cumsum(moves_k)
    windows = [moves_k[max(0, number - WITHIN) : number + WITHIN + 1] for number in range(len(moves_k))]
    cools, heats = [window.max() > 0.0 for window in windows], [window.min() < 0.0 for window in windows]
    reach_k = max(REACH_K, *(2.0 * pulse_k for pulse_k in (cold_k, heat_k) if math.isfinite(pulse_k)))
    half = round(reach_k / GRID_K)
    middle = np.rint(-drift_k / GRID_K).astype(int)
    offsets = np.arange(-half, half + 1)
    colder, warmer = (
        max(1, math.ceil(pulse_k / GRID_K - 1e-9)) if math.isfinite(pulse_k) else 2 * half + 1
        for pulse_k in (cold_k, heat_k)
    )
    ahead = np.zeros(2 * half + 1)
    for number in range(len(drift_k) - 1, -1, -1):
        value = ahead + ((middle[number] + offsets) * GRID_K + drift_k[number]) ** 2
        best = value.copy()  # what it is worth to be here before a pulse
        if cools[number] and colder < len(value):
            best[colder:] = np.minimum(best[colder:], price + np.minimum.accumulate(value)[:-colder])
        if heats[number] and warmer < len(value):
            best[:-warmer] = np.minimum(best[:-warmer], price + np.minimum.accumulate(value[::-1])[::-1][warmer:])
        if number:
            ahead = _shifted(best, int(middle[number - 1] - middle[number]))
    return float(best.min())


def _shifted(values: np.ndarray, by: int) -> np.ndarray:
    """The values of a window whose middle lies `by` grid steps higher; outside nothing is known, so nothing is."""
    moved = np.full_like(values, math.inf)
    if by >= 0:
        moved[: len(values) - by or None] = values[by:]
    elif -by < len(values):
        moved[-by:] = values[:by]
    return moved
