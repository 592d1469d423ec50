"""Figures as a person wants to see them."""

import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from controller.display import Display, age_text

AMERICAN = Display("F", "gal", "P", ZoneInfo("America/Chicago"))


@pytest.mark.parametrize(("celsius", "fahrenheit"), [(0.0, 32.0), (100.0, 212.0), (-40.0, -40.0), (20.0, 68.0)])
def test_a_temperature_in_fahrenheit(celsius: float, fahrenheit: float) -> None:
    """NIST SP 811 (2008), Appendix B.8: t/°F = 1.8 t/°C + 32; the fixed points are from memory."""
    assert AMERICAN.in_temperature(celsius) == pytest.approx(fahrenheit)


def test_a_difference_is_never_converted_as_a_temperature() -> None:
    """NIST SP 811 (2008), Appendix B.8: a temperature interval of 1 K is 1.8 °F."""
    assert AMERICAN.difference_text(1.0) == "+1.8 °F"
    assert Display().difference_text(-0.5) == "-0.5 K"


def test_gallons() -> None:
    """NIST SP 811 (2008), Appendix B.8: 1 US gallon is 3.785412 L."""
    assert AMERICAN.in_volume(3.785412) == pytest.approx(1.0, abs=1e-6)
    assert AMERICAN.volume_text(60.0) == "15.9 gal"
    assert Display().volume_text(60.0) == "60 L"


def test_degrees_plato() -> None:
    """ASBC table as quoted by the polynomial of tests/references: 1.0484 is 12 °P."""
    assert AMERICAN.gravity_text(1.0484) == "12.0 °P"
    assert Display().gravity_text(1.0484) == "1.048"


def test_the_hour_that_occurs_twice_is_told_apart_by_the_name_of_the_zone() -> None:
    """Directive 2000/84/EC: summer time ends at 01:00 UTC on the last Sunday of October, in 2026 the 25th."""
    vienna = Display(zone=ZoneInfo("Europe/Vienna"))
    end_s = datetime(2026, 10, 25, 1, 0, tzinfo=UTC).timestamp()
    assert vienna.time_text(end_s - 1800.0, 0.0) == "2026-10-25 02:30:00 CEST"
    assert vienna.time_text(end_s + 1800.0, 0.0) == "2026-10-25 02:30:00 CET"


def test_without_a_trusted_clock_the_service_time_is_shown() -> None:
    assert Display().time_text(None, 273_906.0) == "service time 3d 04:05:06"
    assert age_text(-1.0) == "0d 00:00:00"


@pytest.mark.parametrize("unknown", [None, math.nan, math.inf, -math.inf])
def test_what_is_not_known_is_a_dash_and_no_number(unknown: float | None) -> None:
    for display in (Display(), AMERICAN):
        assert display.temperature_text(unknown) == "–"
        assert display.difference_text(unknown) == "–"
        assert display.volume_text(unknown) == "–"
        assert display.gravity_text(unknown) == "–"
    assert Display().time_text(None, math.nan) == "service time –"


def test_nothing_is_minus_zero() -> None:
    assert Display().temperature_text(-0.04) == "0.0 °C"
    assert Display().difference_text(-0.04) == "+0.0 K"
    assert AMERICAN.temperature_text(-17.78) == "0.0 °F"


def test_a_gravity_beyond_the_table_of_degrees_plato_stays_a_specific_gravity() -> None:
    assert AMERICAN.gravity_text(0.97) == "0.970"
