"""What a brewer writes, and what the code makes of it."""

import pytest

from controller import quantities as q
from controller.faults import Wrong


@pytest.mark.parametrize(
    ("text", "celsius"),
    # Fixed points: NIST SP 811, Appendix B.8, t/C = (t/F - 32)/1.8
    [("32 F", 0.0), ("212 F", 100.0), ("-40 F", -40.0), ("68 F", 20.0), ("19 C", 19.0), ("19.5 °C", 19.5), ("4C", 4.0)],
)
def test_a_temperature_carries_its_unit(text: str, celsius: float) -> None:
    assert q.temperature_c(text, "C") == pytest.approx(celsius, abs=1e-9)
    assert q.temperature_c(text, "F") == pytest.approx(celsius, abs=1e-9)


def test_a_bare_number_follows_the_units_of_its_file() -> None:
    assert q.temperature_c(68, "F") == pytest.approx(20.0)
    assert q.temperature_c(68, "C") == 68.0
    assert q.temperature_c("68", "F") == pytest.approx(20.0)
    with pytest.raises(Wrong, match="units"):
        q.temperature_c(68, None)


@pytest.mark.parametrize(
    ("text", "kelvin"),
    # NIST SP 811, Appendix B.9: an interval of 1 degree Fahrenheit is 5/9 K
    [("0.5 K", 0.5), ("0.5 C diff", 0.5), ("1.8 F diff", 1.0), ("9 F diff", 5.0), ("1 °F diff", 5 / 9)],
)
def test_a_difference_is_never_converted_as_a_temperature(text: str, kelvin: float) -> None:
    assert q.difference_k(text) == pytest.approx(kelvin, abs=1e-12)


@pytest.mark.parametrize("text", ["0.5 C", "1 F", "0.5 °C"])
def test_a_difference_that_reads_as_a_temperature_is_refused_with_the_reason(text: str) -> None:
    with pytest.raises(Wrong, match=r"reads as a temperature.*(K|F diff)"):
        q.difference_k(text)


def test_a_bare_number_is_no_difference() -> None:
    with pytest.raises(Wrong, match="a unit is needed"):
        q.difference_k(0.5)


@pytest.mark.parametrize("text", ["292 K", "0.5 C diff", "1 F diff"])
def test_a_difference_is_no_temperature(text: str) -> None:
    with pytest.raises(Wrong, match="difference"):
        q.temperature_c(text, "C")


@pytest.mark.parametrize(
    ("text", "seconds"),
    # ISO 8601-1:2019 §5.5.2 for the forms that begin with P
    [
        ("90 s", 90), ("10 min", 600), ("36 h", 129_600), ("4 d", 345_600), ("1.5 h", 5400), ("PT36H", 129_600),
        ("P4D", 345_600), ("P1DT12H", 129_600), ("PT1H30M", 5400), ("PT90S", 90), ("P2W", 1_209_600), ("PT0.5H", 1800),
    ],
)  # fmt: skip
def test_a_duration_in_trade_words_or_by_iso_8601(text: str, seconds: float) -> None:
    assert q.duration_s(text) == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["36:00", "P1Y", "P1M", "P", "PT", "P1DT", 36, "3 weeks", "1 H", "5 m", "", None])
def test_what_is_no_duration_of_fixed_length_is_refused(text: object) -> None:
    with pytest.raises(Wrong, match="PT36H"):
        q.duration_s(text)


def test_a_gallon_is_the_us_gallon_and_the_error_says_so() -> None:
    # NIST Handbook 44, Appendix C: 1 gallon = 3.785 411 784 litres
    assert q.volume_l("15 gal") == pytest.approx(56.78117676, abs=1e-8)
    assert q.volume_l("60 L") == 60.0
    assert q.volume_l("2 hL") == 200.0
    with pytest.raises(Wrong, match="US gallons"):
        q.volume_l("60")


def test_power_heat_capacity_gain_and_percent() -> None:
    assert q.power_w("200 W") == 200.0
    assert q.power_w("1.5 kW") == 1500.0
    assert q.heat_capacity_j_per_k("9 kJ/K") == 9000.0
    assert q.gain_w_per_k("140 W/K") == 140.0
    assert q.percent("75 %") == 75.0
    assert q.percent("75%") == 75.0
    for wrong in ("101 %", "-1 %", 0.75, "75"):
        with pytest.raises(Wrong):
            q.percent(wrong)


@pytest.mark.parametrize(
    ("text", "kelvin_per_day"), [("1 K/d", 1.0), ("0.5 K/h", 12.0), ("1.8 F diff/d", 1.0), ("1 C diff / d", 1.0)]
)
def test_a_rate_is_a_difference_per_time(text: str, kelvin_per_day: float) -> None:
    assert q.rate_k_per_s(text) * 86_400 == pytest.approx(kelvin_per_day)


@pytest.mark.parametrize("text", ["2 F/d", "1 C/h", "1 K", "1 K/week", "1 /d", 1])
def test_a_rate_of_temperatures_is_refused(text: object) -> None:
    with pytest.raises(Wrong, match="2 F diff/d"):
        q.rate_k_per_s(text)


def test_gravity_as_specific_gravity_or_degrees_plato() -> None:
    assert q.gravity(1.05) == 1.05
    assert q.gravity("1.050") == 1.05
    # ASBC sucrose tables: 12 P is 1.0484 at 20/20 C, 10 P is 1.0400
    assert q.gravity("12 P") == pytest.approx(1.0484, abs=1e-4)
    assert q.gravity("10 °P") == pytest.approx(1.0400, abs=1e-4)
    for wrong in (1050, "50", "12.4 B", "60 P", "-20 P", True):
        with pytest.raises(Wrong):
            q.gravity(wrong)


@pytest.mark.parametrize(
    "value",
    [float("nan"), float("inf"), 1e300, "nan C", "1e3 C", "19,5 C", "٣ C", "C 19", True, None, [], {}, "1" * 50 + " C"],
)
def test_nothing_but_a_plain_finite_number_is_a_quantity(value: object) -> None:
    for parse in (q.difference_k, q.duration_s, q.volume_l, q.power_w, q.percent, q.rate_k_per_s, q.gravity):
        with pytest.raises(Wrong):
            parse(value)
    with pytest.raises(Wrong):
        q.temperature_c(value, "C")


def test_a_decimal_comma_is_explained() -> None:
    with pytest.raises(Wrong, match="with a point"):
        q.temperature_c("19,5 C", "C")
