"""Freezing point of propylene glycol: never colder than any of the published tables, by mass or by volume."""

import math

import pytest
from CoolProp.CoolProp import PropsSI

from controller.control.fluids import glycol_freezing_c

# Mass percent, volume percent, °C. Source: ASHRAE's table of aqueous propylene glycol, as carried in the data of
# the CoolProp project (SecCool, "ASHRAE, Propylene Glycol").
ASHRAE = [
    (5, 4.8, -1.6),
    (10, 9.6, -3.3),
    (15, 14.5, -5.1),
    (20, 19.4, -7.1),
    (25, 24.4, -9.6),
    (30, 29.4, -12.7),
    (35, 34.4, -16.4),
    (40, 39.6, -21.1),
    (45, 44.7, -26.7),
    (50, 49.9, -33.5),
]

# Volume percent, °C. Source: Lange's Handbook of Chemistry, 15th edition, Table 5.13.
LANGE = [
    (5, -1.1),
    (10, -2.2),
    (15, -3.9),
    (20, -6.7),
    (25, -8.9),
    (30, -12.8),
    (35, -16.1),
    (40, -20.6),
    (45, -26.7),
    (50, -33.3),
]


def coolprop_c(fluid: str, percent: float) -> float:
    """Freezing point in °C by CoolProp: MPG by mass (Melinder, IIR 2010), APG by volume (ASHRAE 2001)."""
    return float(PropsSI("T_freeze", "T", 300.0, "P", 101325.0, f"INCOMP::{fluid}[{percent / 100}]")) - 273.15


@pytest.mark.parametrize(("mass", "volume", "celsius"), ASHRAE)
def test_the_bath_is_kept_above_the_ashrae_freezing_point(mass: float, volume: float, celsius: float) -> None:
    assert glycol_freezing_c(mass, "mass") >= celsius
    assert glycol_freezing_c(volume, "volume") >= celsius


@pytest.mark.parametrize(("volume", "celsius"), LANGE)
def test_the_bath_is_kept_above_langes_freezing_point(volume: float, celsius: float) -> None:
    assert glycol_freezing_c(volume, "volume") >= celsius


def test_the_bath_is_kept_above_coolprops_freezing_points_at_every_tenth_of_a_percent() -> None:
    for tenths in range(501):
        assert glycol_freezing_c(tenths / 10, "mass") >= coolprop_c("MPG", tenths / 10), f"{tenths / 10} % by mass"
    for tenths in range(100, 501):  # APG begins at 10 %
        assert glycol_freezing_c(tenths / 10, "volume") >= coolprop_c("APG", tenths / 10), f"{tenths / 10} % by volume"


@pytest.mark.parametrize(("mass", "volume", "celsius"), ASHRAE)
def test_the_caution_costs_less_than_two_kelvin(mass: float, volume: float, celsius: float) -> None:
    # The published tables themselves lie up to 1.4 K apart.
    assert glycol_freezing_c(mass, "mass") < celsius + 2.0
    assert glycol_freezing_c(volume, "volume") < celsius + 2.0


def test_thirty_percent_by_volume_protects_more_than_thirty_percent_by_mass() -> None:
    # Source: the two columns of ASHRAE's table; 29.4 % by volume is 30 % by mass.
    assert glycol_freezing_c(30, "volume") < glycol_freezing_c(30, "mass")
    assert glycol_freezing_c(29.4, "volume") == pytest.approx(glycol_freezing_c(30, "mass"), abs=0.01)


def test_plain_water_freezes_at_zero() -> None:
    assert glycol_freezing_c(0, "mass") == glycol_freezing_c(0, "volume") == 0.0


@pytest.mark.parametrize("percent", [-1.0, 50.1, 100.0, math.nan])
def test_a_strength_outside_the_tables_is_refused(percent: float) -> None:
    with pytest.raises(ValueError, match="0 % to 50 %"):
        glycol_freezing_c(percent, "mass")


def test_a_strength_without_its_basis_is_refused() -> None:
    with pytest.raises(ValueError, match='"mass" or by "volume"'):
        glycol_freezing_c(30, "weight")
