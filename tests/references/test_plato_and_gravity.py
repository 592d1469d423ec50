"""Degrees Plato and specific gravity, held against published tables and fits other than our own."""

import pytest

from controller.control.beer import gravity_from_plato, plato_from_gravity

# Percent sucrose and 1000 x specific gravity 20/20 °C. Source: M. Asadi, Beet-Sugar Handbook (2006), Table A.1.
# Its row for 5 % is left out: it prints the density 20/4 there. The table is true gravity (in vacuo), a hydrometer's
# is apparent (in air): they part by 0.0001 at 20 %.
BEET_SUGAR_HANDBOOK = [
    (0, 1000.00),
    (1, 1003.89),
    (4, 1015.67),
    (6, 1023.66),
    (10, 1039.98),
    (12, 1048.31),
    (15, 1061.04),
    (20, 1082.87),
]


@pytest.mark.parametrize(("plato", "thousandfold"), BEET_SUGAR_HANDBOOK)
def test_sugar_of_known_strength_has_the_gravity_of_the_sugar_handbook(plato: float, thousandfold: float) -> None:
    assert gravity_from_plato(plato) == pytest.approx(thousandfold / 1000, abs=0.00012)


@pytest.mark.parametrize("gravity", [1.0, 1.01, 1.03, 1.05, 1.07, 1.09, 1.11, 1.13])
def test_plato_agrees_with_the_fit_of_the_bureau_of_standards(gravity: float) -> None:
    # Source: the NBS polynomial for Brix, printed in the encyclopedia article "Brix", section Tables.
    nbs = ((182.4601 * gravity - 775.6821) * gravity + 1262.7794) * gravity - 669.5622
    assert plato_from_gravity(gravity) == pytest.approx(nbs, abs=0.03)


def test_the_hydrometer_makers_example() -> None:
    # Source: a hydrometer maker's page on degrees Plato, its worked example: 1.048 is 11.9 °P.
    assert plato_from_gravity(1.048) == pytest.approx(11.9, abs=0.05)


@pytest.mark.parametrize("plato", [2.5, 5.0, 10.0, 12.0, 15.0, 20.0, 25.0])
def test_gravity_agrees_with_the_suppliers_ratio(plato: float) -> None:
    # Source: a malt supplier's catalogue, "Brewing calculations & conversions": S = 1 + P / (258.6 - 227.1 P / 258.2).
    assert gravity_from_plato(plato) == pytest.approx(1 + plato / (258.6 - 227.1 * plato / 258.2), abs=0.00002)


@pytest.mark.parametrize("gravity", [0.98, 0.995, 1.0, 1.0004, 1.012, 1.048, 1.1, 1.18])
def test_there_and_back_is_the_same_gravity(gravity: float) -> None:
    assert gravity_from_plato(plato_from_gravity(gravity)) == pytest.approx(gravity, abs=1e-9)


@pytest.mark.parametrize("gravity", [0.9, 0.979, 1.181, 10.48, 1048.0, float("nan")])
def test_a_gravity_that_no_beer_has_is_refused(gravity: float) -> None:
    with pytest.raises(ValueError, match="gravity lies between"):
        plato_from_gravity(gravity)


@pytest.mark.parametrize("plato", [-10.0, 45.0, float("nan")])
def test_degrees_plato_that_no_beer_has_are_refused(plato: float) -> None:
    with pytest.raises(ValueError, match="Plato lie between"):
        gravity_from_plato(plato)
