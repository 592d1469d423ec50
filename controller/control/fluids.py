"""What glycol, wort and water do: freezing point of the bath, heat capacity of the wort."""

from collections.abc import Sequence
from typing import NamedTuple


class _GlycolRow(NamedTuple):
    """One strength of propylene glycol in water, in percent by mass and by volume, and its freezing point in °C."""

    mass_percent: float
    volume_percent: float
    ashrae_c: float
    melinder_c: float


# Mass and volume percent and `ashrae_c`: ASHRAE's table for aqueous propylene glycol, as carried in the data of
# the CoolProp project. `melinder_c`: Å. Melinder, Properties of Secondary Working Fluids for Indirect Systems,
# IIR 2010, at that mass percent, by CoolProp 8.0.0 (INCOMP::MPG), rounded to the warmer hundredth.
_GLYCOL = (
    _GlycolRow(0.0, 0.0, 0.0, 0.0),
    _GlycolRow(5.0, 4.8, -1.6, -1.20),
    _GlycolRow(10.0, 9.6, -3.3, -2.86),
    _GlycolRow(15.0, 14.5, -5.1, -4.87),
    _GlycolRow(20.0, 19.4, -7.1, -7.17),
    _GlycolRow(25.0, 24.4, -9.6, -9.78),
    _GlycolRow(30.0, 29.4, -12.7, -12.78),
    _GlycolRow(35.0, 34.4, -16.4, -16.32),
    _GlycolRow(40.0, 39.6, -21.1, -20.56),
    _GlycolRow(45.0, 44.7, -26.7, -25.76),
    _GlycolRow(50.0, 49.9, -33.5, -32.19),
)

# Percent by volume and freezing point in °C: Lange's Handbook of Chemistry, 15th edition, Table 5.13.
_LANGE_GLYCOL = (
    (0.0, 0.0),
    (5.0, -1.1),
    (10.0, -2.2),
    (15.0, -3.9),
    (20.0, -6.7),
    (25.0, -8.9),
    (30.0, -12.8),
    (35.0, -16.1),
    (40.0, -20.6),
    (45.0, -26.7),
    (50.0, -33.3),
)

# A straight line between two rows lies below these curves, which bend downwards: by an eighth of the second
# difference, at most 1.4 K in the tables above. Added so that no published value is undercut.
_CHORD_K = 0.2


def glycol_freezing_c(percent: float, basis: str) -> float:
    """Freezing point in °C of propylene glycol in water, `percent` 0..50 by `basis` "mass" or "volume".

    Published tables differ by up to 1.4 K; the warmest, which protects least, is given: ASHRAE's table,
    Melinder (IIR 2010), Lange's Handbook Table 5.13. Between the rows of a table the line is straight, raised
    by 0.2 K for the bend of the curve. Never above 0 °C.
    Raises ValueError for another basis or a strength outside 0..50 %.
    """
    if basis not in ("mass", "volume"):
        raise ValueError(f'glycol strength is by "mass" or by "volume", not by {basis!r}')
    if not 0.0 <= percent <= 50.0:
        raise ValueError(f"glycol strength is 0 % to 50 % by {basis}, not {percent} %")
    by_mass = [(row.mass_percent, row.volume_percent) for row in _GLYCOL]
    if basis == "mass":
        mass, volume = percent, interpolate(by_mass, percent)
    else:
        mass, volume = interpolate([(v, m) for m, v in by_mass], percent), percent
    warmest_c = max(
        interpolate([(row.mass_percent, row.ashrae_c) for row in _GLYCOL], mass),
        interpolate([(row.mass_percent, row.melinder_c) for row in _GLYCOL], mass),
        interpolate(_LANGE_GLYCOL, volume),
    )
    return min(0.0, warmest_c + _CHORD_K)


def interpolate(table: Sequence[tuple[float, float]], x: float) -> float:
    """The value at `x` on straight lines through `table`, rows of (x, y) with rising x.

    Beyond either end the nearest line goes on; callers keep `x` inside the table.
    """
    upper = next((i for i in range(1, len(table) - 1) if x <= table[i][0]), len(table) - 1)
    (x0, y0), (x1, y1) = table[upper - 1], table[upper]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def wort_heat_capacity(plato: float, celsius: float) -> float:
    """Specific heat in J/(kg K) of wort taken as a solution of pure sucrose of `plato` % w/w at `celsius`.

    Range 0..40 °P and -5..105 °C, else ValueError. About 3 % uncertain; beer lies between its apparent and
    its original gravity. Source, from memory: the ICUMSA formula in Bubník et al., Sugar Technologists Manual.
    """
    if not 0.0 <= plato <= 40.0:
        raise ValueError(f"wort strength is 0 to 40 degrees Plato, not {plato}")
    if not -5.0 <= celsius <= 105.0:
        raise ValueError(f"wort temperature is -5 C to 105 C, not {celsius} C")
    return 4186.8 * (1.0 - (0.6 - 0.0018 * celsius) * plato / 100.0)
