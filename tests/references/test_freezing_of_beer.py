"""The freezing point of beer by its alcohol: never colder than any published value of ethanol and water."""

import itertools
import math

import pytest
from CoolProp.CoolProp import PropsSI

from controller.control.beer import alcohol_by_weight, freezing_point_c

# Percent by weight of ethanol in water and freezing point in °C. Source: Lange's Handbook of Chemistry,
# 15th edition, Table 5.13.
LANGE = [(2.5, -1.0), (4.8, -2.0), (6.8, -3.0), (11.3, -5.0), (13.8, -6.1), (16.4, -7.5)]

# Percent by weight (10 and 20 % by volume) and °C. Source: Engineering ToolBox, ethanol freezing point, coarse.
ENGINEERING_TOOLBOX = [(8.0, -4.0), (16.2, -9.0)]


def melinder_c(percent: float) -> float:
    """Source: Å. Melinder, Properties of Secondary Working Fluids, IIR 2010, by CoolProp INCOMP::MEA."""
    return float(PropsSI("T_freeze", "T", 300.0, "P", 101325.0, f"INCOMP::MEA[{percent / 100}]")) - 273.15


@pytest.mark.parametrize(("percent", "celsius"), LANGE + ENGINEERING_TOOLBOX)
def test_beer_is_kept_above_the_handbook_freezing_points(percent: float, celsius: float) -> None:
    assert freezing_point_c(percent) >= celsius


def test_beer_is_kept_above_melinders_freezing_points_at_every_tenth_of_a_percent() -> None:
    for tenths in range(201):
        assert freezing_point_c(tenths / 10) >= melinder_c(tenths / 10), f"{tenths / 10} %"


def test_the_caution_costs_a_quarter_of_a_kelvin_at_most_up_to_strong_beer() -> None:
    for tenths in range(121):
        assert freezing_point_c(tenths / 10) <= melinder_c(tenths / 10) + 0.25, f"{tenths / 10} %"


@pytest.mark.parametrize("percent", [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0])
def test_beer_freezes_no_lower_than_the_cryoscopic_law_says(percent: float) -> None:
    # Source: cryoscopic constant of water 1.86 K kg/mol (CRC Handbook, from memory); ethanol 46.07 g/mol.
    molality = percent / (100 - percent) / 0.04607
    assert freezing_point_c(percent) >= -1.86 * molality
    assert freezing_point_c(percent) == pytest.approx(-1.86 * molality, rel=0.08)


def test_unfermented_wort_counts_as_water() -> None:
    assert freezing_point_c(0.0) == 0.0
    assert freezing_point_c(alcohol_by_weight(1.050, 1.050)) == 0.0


def test_more_alcohol_never_freezes_warmer() -> None:
    points = [freezing_point_c(tenths / 10) for tenths in range(301)]
    assert all(later <= earlier for earlier, later in itertools.pairwise(points))


def test_beyond_the_strongest_beer_the_strongest_beers_value_protects() -> None:
    assert freezing_point_c(35.0) == freezing_point_c(20.0) > melinder_c(35.0)


@pytest.mark.parametrize("percent", [-0.1, math.nan])
def test_an_impossible_strength_is_refused(percent: float) -> None:
    with pytest.raises(ValueError, match="0 % by weight or more"):
        freezing_point_c(percent)
