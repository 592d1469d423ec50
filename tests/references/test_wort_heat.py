"""Heat capacity of wort and heat of fermentation, held against CoolProp and tables."""

import pytest
from CoolProp.CoolProp import PropsSI

from controller.control.fluids import wort_heat_capacity
from controller.plant.yeast import HEAT_J_PER_KG


@pytest.mark.parametrize("celsius", [2.0, 10.0, 20.0, 40.0, 80.0])
def test_wort_without_extract_warms_like_water(celsius: float) -> None:
    # Source: CoolProp, Water (IAPWS-95), 101.325 kPa.
    water = PropsSI("C", "T", celsius + 273.15, "P", 101325, "Water")
    assert wort_heat_capacity(0.0, celsius) == pytest.approx(water, rel=0.007)


@pytest.mark.parametrize("plato", [5.0, 10.0, 12.0, 15.0, 20.0, 25.0])
@pytest.mark.parametrize("celsius", [2.0, 20.0, 40.0])
def test_wort_agrees_with_the_sugar_technologists_formula_for_pure_juice(plato: float, celsius: float) -> None:
    # Source, from memory: Bubník et al., Sugar Technologists Manual, at 100 % purity.
    manual = 4186.8 - plato * (29.7 - 0.046 * 100) + 0.075 * plato * celsius
    assert wort_heat_capacity(plato, celsius) == pytest.approx(manual, rel=0.001)


def test_wort_is_within_three_percent_of_the_engineers_reference_sheet() -> None:
    # Source: myengineeringtools.com, "Specific heat prediction for sugar solutions": about 3.79 kJ/(kg K) at 12 °Bx.
    assert wort_heat_capacity(12.0, 20.0) == pytest.approx(3790, rel=0.035)


def test_a_kilogram_of_extract_gives_the_heat_that_the_enthalpies_of_formation_allow() -> None:
    # Source: CRC Handbook, enthalpies of formation in kJ/mol: glucose(s) -1273.3, ethanol(l) -277.6, CO2(g) -393.5;
    # from memory, NBS tables 1982: dissolving glucose +11, mixing ethanol into water -10.1.
    dissolved = 2 * (-277.6 - 10.1) + 2 * -393.5 - (-1273.3 + 11.0)
    assert pytest.approx(-dissolved / 0.18016 * 1000, rel=0.02) == HEAT_J_PER_KG


@pytest.mark.parametrize(("plato", "celsius"), [(-0.1, 20.0), (41.0, 20.0), (12.0, -6.0), (12.0, 110.0)])
def test_wort_that_cannot_be_is_refused(plato: float, celsius: float) -> None:
    with pytest.raises(ValueError, match="wort"):
        wort_heat_capacity(plato, celsius)
