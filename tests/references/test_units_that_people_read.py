"""Figures in the person's units, held against published conversions; a difference is never shifted by 32."""

import math

import pytest

from controller.display import Display
from controller.hmi.words import (
    band_text,
    told,
)

AMERICAN = Display("F", "gal", "SG")
EUROPEAN = Display("C", "L", "P")

# NIST Special Publication 811 (2008), Appendix B.8: t/°F = 1.8 t/°C + 32; 1 gallon (U.S.) = 3.785412 E-03 m3.
# The fixed points are those of water at 1 atm and the point at which both scales agree.
FIXED_POINTS = [(-40.0, "-40.0 °F"), (0.0, "32.0 °F"), (100.0, "212.0 °F"), (37.0, "98.6 °F")]


@pytest.mark.parametrize(("celsius", "words"), FIXED_POINTS)
def test_the_fixed_points_of_both_scales(celsius: float, words: str) -> None:
    assert AMERICAN.temperature_text(celsius) == words
    assert EUROPEAN.temperature_text(celsius) == f"{celsius:.1f} °C"


def test_a_difference_of_one_kelvin_is_one_point_eight_degrees_fahrenheit() -> None:
    # NIST SP 811, B.8: an interval of 1 degree Fahrenheit is 5/9 kelvin.
    assert AMERICAN.difference_text(1.0) == "+1.8 °F"
    assert AMERICAN.difference_text(-5.0) == "-9.0 °F"
    assert AMERICAN.difference_text(0.0) == "+0.0 °F"
    assert EUROPEAN.difference_text(-0.01) == "+0.0 K"


def test_a_gallon_is_that_of_nist() -> None:
    assert AMERICAN.in_volume(3.785412) == pytest.approx(1.0, abs=1e-6)
    assert AMERICAN.volume_text(18.927) == "5 gal"
    assert (
        AMERICAN.volume_text(117.348) == "31 gal"
    )  # a barrel of beer: 31 gal (27 CFR 25.11), 1.17348 hL (from memory)
    assert EUROPEAN.volume_text(60.0) == "60 L"


@pytest.mark.parametrize(
    ("specific", "plato"),
    # Source: M. Asadi, Beet-Sugar Handbook (2006), Table A.1: % sucrose and specific gravity 20/20 °C.
    [(1.03998, "10.0 °P"), (1.04831, "12.0 °P"), (1.06104, "15.0 °P"), (1.08287, "20.0 °P")],
)
def test_degrees_plato_are_those_of_the_sugar_handbook(specific: float, plato: str) -> None:
    assert EUROPEAN.gravity_text(specific) == plato
    assert AMERICAN.gravity_text(specific) == f"{specific:.3f}"


def test_a_free_rise_has_both_ends_in_the_persons_unit() -> None:
    assert band_text(18.0, 22.0, AMERICAN) == "64.4 to 71.6 °F"
    assert band_text(19.0, 19.0, AMERICAN) == "66.2 °F"


@pytest.mark.parametrize("unknown", [None, math.nan, math.inf])
def test_what_is_not_known_is_a_dash_in_every_unit(unknown: float | None) -> None:
    for display in (AMERICAN, EUROPEAN):
        assert display.temperature_text(unknown) == "–"
        assert display.difference_text(unknown) == "–"
        assert display.volume_text(unknown) == "–"
        assert display.gravity_text(unknown) == "–"
        assert band_text(unknown, 20.0, display) == "–"


@pytest.mark.parametrize(
    ("core", "american"),
    [
        ("+1.9 K from the setpoint", "+3.4 °F from the setpoint"),
        ("0.2 K above the setpoint", "0.4 °F above the setpoint"),
        ("32.0 °C is above 28.0 °C", "89.6 °F is above 82.4 °F"),
        ("bath at -2.5 °C", "bath at 27.5 °F"),
        ("hard limits of 1.0 to 32.0 °C", "hard limits of 33.8 to 89.6 °F"),
        ("no cooling above 40 °C", "no cooling above 104.0 °F"),
        ("two probes differ by more than 1 K", "two probes differ by more than 1.8 °F"),
        ("18.9 L do not fit", "5 gal do not fit"),
    ],
)
def test_the_cores_sentences_are_told_in_the_persons_units(core: str, american: str) -> None:
    assert told(core, AMERICAN) == american
    assert told(core, EUROPEAN) == core


@pytest.mark.parametrize("text", ["9 kJ/K", "gain 140 W/K", "Kettle 3 K7", "1.050", "5 °Cologne", "batch 12 Lager"])
def test_what_only_looks_like_a_figure_is_left_alone(text: str) -> None:
    assert told(text, AMERICAN) == text
    assert told(text, EUROPEAN) == text


def test_gravities_in_sentences_follow_the_persons_unit() -> None:
    assert told("a gravity of 1.061 is above the OG of 1.048", EUROPEAN) == (
        "a gravity of 15.0 °P is above the OG of 11.9 °P"
    )
    assert told("gravity 1.012", AMERICAN) == "gravity 1.012"
