"""Fermentation heat and gravity against brewing chemistry."""

import pytest

from controller.plant.cellar import Cellar
from controller.plant.demo import BATH, GOLD
from controller.plant.specs import ALE, LAGER, CellarSpec, VesselSpec
from controller.plant.yeast import Brew, gravity, plato

HOUR_S = 3600.0


def ferment(brew, celsius, days):
    for _ in range(int(days * 1440)):
        brew.advance(60.0, celsius)
    return brew


def days_until(yeast, og, limit, celsius, points_left):
    brew = Brew(yeast, og, limit, 25.0)
    final = ferment(Brew(yeast, og, limit, 25.0), celsius, 60).apparent_gravity()
    days = 0.0
    while brew.apparent_gravity() > final + points_left:
        ferment(brew, celsius, 1 / 24)
        days += 1 / 24
        assert days < 60
    return days


def test_gravity_and_plato_follow_the_asbc_table():
    """ASBC polynomial, °P = 135.997 S³ - 630.272 S² + 1111.14 S - 616.868; tolerance 0.005 °P up to 20 °P."""
    for degrees in (0.0, 2.5, 5.0, 10.0, 12.0, 15.0, 20.0):
        s = gravity(degrees)
        assert ((135.997 * s - 630.272) * s + 1111.14) * s - 616.868 == pytest.approx(degrees, abs=0.005)
        assert plato(s) == pytest.approx(degrees, abs=1e-9)


def test_the_end_of_fermentation_is_the_attenuation_limit():
    """Apparent attenuation = 1 - AE/OE (ASBC definition)."""
    brew = ferment(Brew(ALE, 1.048, 0.79, 25.0), 19.0, 30)
    assert 1.0 - plato(brew.apparent_gravity()) / plato(1.048) == pytest.approx(0.79, abs=0.002)


def test_fermented_extract_and_alcohol_give_the_original_extract_back():
    """Balling: OE = 100 (2.0665 A + RE) / (100 + 1.0665 A), as in Nielsen et al., "Balling's Formula - scrutiny
    of a brewing dogma". 12 °P down to 2.5 °P apparent: RE 4.218 % and A 4.015 % by mass, tolerance 0.005."""
    brew = ferment(Brew(ALE, gravity(12.0), 1.0 - 2.5 / 12.0, 25.0), 19.0, 60)
    beer = 100.0 - (0.9565 + 0.11) / 2.0665 * brew.fermented
    alcohol = 100.0 * brew.fermented / 2.0665 / beer
    real = 100.0 * (12.0 - brew.fermented) / beer
    assert real == pytest.approx(4.218, abs=0.005)
    assert alcohol == pytest.approx(4.015, abs=0.005)
    assert 100.0 * (2.0665 * alcohol + real) / (100.0 + 1.0665 * alcohol) == pytest.approx(12.0, abs=1e-6)


def test_all_heat_together_is_560_kj_per_kg_of_real_extract():
    """Farber & Barth, Mastering Brewing Science (2019), p. 286; band of the literature 540 to 660 kJ/kg."""
    brew = Brew(LAGER, 1.049, 0.81, 120.0)
    heat_j = 0.0
    for _ in range(30 * 1440):
        heat_j += brew.heat_w * 60.0
        brew.advance(60.0, 11.0)
    assert heat_j / (brew.mass_kg * brew.fermented / 100.0) == pytest.approx(560e3, rel=1e-3)


def test_one_degree_plato_warms_lonely_wort_by_1_44_k():
    """560 kJ/kg x 0.01 / 3.9 kJ/(kg K) = 1.436 K per °P of real extract; tolerance 0.01 K. No coil, no losses."""
    tight = VesselSpec(
        **{f: getattr(GOLD, f) for f in ("volume_l", "flow_l_per_s", "line_l", "heater_w", "yeast")},
        name="tight",
        wall_j_per_k=1.0,
        film_w_per_k=100.0,
        loss_w_per_k=0.0,
        coil_l=0.01,
        coil_w_per_k=1.0,
    )
    cellar = Cellar(CellarSpec((tight,), BATH), room_c=lambda t: 10.0)
    cellar.pitch("tight", og=1.050, attenuation_limit=0.8, wort_c=10.0)
    brew = cellar.vessels["tight"].brew
    while brew.fermented < 1.0:
        cellar.advance(60.0)
    rise_k = cellar.wort_c("tight") - 10.0
    assert rise_k / brew.fermented == pytest.approx(1.44, abs=0.01)


def test_ale_takes_four_to_seven_days_and_lager_eight_to_twelve():
    """Common practice, no source: until within 0.001 of the final gravity, at the usual temperatures."""
    assert 4.0 <= days_until(ALE, 1.048, 0.79, 19.0, 0.001) <= 7.0
    assert 4.0 <= days_until(ALE, 1.078, 0.76, 19.0, 0.001) <= 7.0
    assert 8.0 <= days_until(LAGER, 1.049, 0.81, 11.0, 0.001) <= 12.0


def test_ten_kelvin_more_make_yeast_two_to_three_times_faster():
    """Q10 of enzymes and yeast growth, 2 to 3: common textbook range, from memory."""
    slow, fast = (ferment(Brew(ALE, 1.048, 0.79, 25.0), c, 1.5).pace_p_per_day for c in (14.0, 24.0))
    assert fast > 2.0 * slow > 0.0
    assert 2.0 < days_until(ALE, 1.048, 0.79, 14.0, 0.001) / days_until(ALE, 1.048, 0.79, 24.0, 0.001) < 3.0


def test_a_crash_puts_ale_yeast_to_rest_and_heat_kills_it():
    """Common practice, no source: ale yeast stops near freezing; brewing yeast does not survive 45 °C."""
    for celsius in (2.0, 45.0):
        brew = ferment(Brew(ALE, 1.048, 0.79, 25.0), 19.0, 2)
        before = brew.apparent_gravity()
        brew.advance(60.0, celsius)
        assert brew.heat_w == 0.0
        assert ferment(brew, celsius, 5).apparent_gravity() == pytest.approx(before, abs=1e-4)


def test_wort_that_cannot_ferment_makes_no_heat():
    """Attenuation limit 0: nothing fermentable (definition)."""
    brew = ferment(Brew(ALE, 1.048, 0.0, 25.0), 19.0, 10)
    assert brew.heat_w == 0.0
    assert brew.apparent_gravity() == pytest.approx(1.048, abs=1e-6)
