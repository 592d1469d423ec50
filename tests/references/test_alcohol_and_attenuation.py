"""Attenuation and alcohol from two gravities, held against Balling's balance, laboratory means and CoolProp."""

import pytest
from CoolProp.CoolProp import PropsSI

from controller.control.beer import (
    alcohol_by_volume,
    alcohol_by_weight,
    apparent_attenuation,
    gravity_from_plato,
    real_degree_of_fermentation,
    real_extract,
)

BREWS = [(10.0, 2.0), (12.0, 2.5), (15.0, 3.5), (20.0, 5.0)]  # original and apparent extract in °P, invented


def test_532_brews_of_a_laboratory_have_the_alcohol_and_extract_that_two_gravities_tell() -> None:
    # Source: Cutaia, Reid and Speers, J. Inst. Brew. 115 (2009) 318-327, means of data set RPB-I:
    # OE 14.08, AE 3.11, A 4.72 % w/w, RE 5.28. Balling's formula is known to miss by about this much.
    og, fg = gravity_from_plato(14.08), gravity_from_plato(3.11)
    assert alcohol_by_weight(og, fg) == pytest.approx(4.72, abs=0.15)
    assert real_extract(og, fg) == pytest.approx(5.28, abs=0.15)


@pytest.mark.parametrize(("original", "apparent"), BREWS)
def test_alcohol_and_real_extract_give_the_original_extract_back(original: float, apparent: float) -> None:
    # Source: Balling's formula as printed by Nielsen et al., "Balling's Formula", Scandinavian School of Brewing.
    og, fg = gravity_from_plato(original), gravity_from_plato(apparent)
    alcohol, extract = alcohol_by_weight(og, fg), real_extract(og, fg)
    assert 100 * (2.0665 * alcohol + extract) / (100 + 1.0665 * alcohol) == pytest.approx(original, abs=1e-6)


@pytest.mark.parametrize(("original", "apparent"), BREWS)
def test_real_extract_is_close_to_the_common_straight_line_and_never_promises_more_alcohol(
    original: float, apparent: float
) -> None:
    # Source, from memory: RE = 0.1808 OE + 0.8192 AE. The lower alcohol protects from freezing.
    og, fg = gravity_from_plato(original), gravity_from_plato(apparent)
    line = 0.1808 * original + 0.8192 * apparent
    assert real_extract(og, fg) == pytest.approx(line, abs=0.35)
    assert alcohol_by_weight(og, fg) <= (original - line) / (2.0665 - 0.010665 * original)


@pytest.mark.parametrize(("original", "apparent"), BREWS)
def test_alcohol_by_volume_follows_from_the_density_of_ethanol(original: float, apparent: float) -> None:
    # Source: CoolProp, Ethanol and Water at 20 °C and 101.325 kPa.
    og, fg = gravity_from_plato(original), gravity_from_plato(apparent)
    ethanol, water = (PropsSI("D", "T", 293.15, "P", 101325, name) for name in ("Ethanol", "Water"))
    expected = alcohol_by_weight(og, fg) * fg / (ethanol / water)
    assert alcohol_by_volume(og, fg) == pytest.approx(expected, rel=0.001)


def test_alcohol_by_volume_agrees_with_the_homebrewers_rule_of_thumb_for_an_ordinary_beer() -> None:
    # Common practice, no source: ABV = 131.25 (OG - FG).
    assert alcohol_by_volume(1.048, 1.010) == pytest.approx(131.25 * 0.038, abs=0.15)


@pytest.mark.parametrize(("original", "apparent"), BREWS)
def test_the_real_degree_of_fermentation_is_that_of_the_asbc(original: float, apparent: float) -> None:
    # Source, from memory: ASBC Methods of Analysis, Beer-6: RDF = 100 (OE - RE) / OE / (1 - 0.005161 RE).
    og, fg = gravity_from_plato(original), gravity_from_plato(apparent)
    extract = real_extract(og, fg)
    asbc = (original - extract) / original / (1 - 0.005161 * extract)
    assert real_degree_of_fermentation(og, fg) == pytest.approx(asbc, rel=0.002)


def test_apparent_attenuation_is_the_share_of_the_extract_that_seems_gone() -> None:
    # Source: the definition, (OE - AE) / OE; 12 °P to 2.5 °P.
    assert apparent_attenuation(gravity_from_plato(12.0), gravity_from_plato(2.5)) == pytest.approx(9.5 / 12.0)


def test_a_dry_beer_that_reads_below_water_is_attenuated_by_more_than_its_extract() -> None:
    # Source: Fermentis, Tips and Tricks, p. 33, lists strains up to 102 % apparent degree of fermentation.
    assert 1.0 < apparent_attenuation(1.050, 0.999) < 1.03


@pytest.mark.parametrize("gravity", [1.050, 1.051, 1.060])
def test_wort_that_has_not_fermented_holds_no_alcohol(gravity: float) -> None:
    assert apparent_attenuation(1.050, gravity) == 0.0
    assert alcohol_by_weight(1.050, gravity) == pytest.approx(0.0, abs=1e-12)
    assert alcohol_by_volume(1.050, gravity) == pytest.approx(0.0, abs=1e-12)
    assert real_degree_of_fermentation(1.050, gravity) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("og", [1.0, 0.99, 1.3, float("nan")])
def test_an_original_gravity_that_is_no_wort_is_refused(og: float) -> None:
    with pytest.raises(ValueError, match="original gravity"):
        alcohol_by_weight(og, 1.010)
