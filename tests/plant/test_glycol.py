"""The glycol bath, its chiller and the lines to the coils."""

import math
from itertools import pairwise

import CoolProp.CoolProp as coolprop
import pytest

from controller.control.values import Command
from controller.plant.cellar import demo_cellar
from controller.plant.demo import BATH, DEMO_BEERS
from controller.plant.glycol import GlycolBath
from controller.plant.line import Line
from controller.plant.specs import GLYCOL_30, GLYCOL_35


@pytest.mark.parametrize("glycol", [GLYCOL_30, GLYCOL_35])
def test_the_glycol_has_the_figures_of_melinders_tables(glycol):
    """CoolProp INCOMP::MPG (Melinder, Properties of Secondary Working Fluids, IIR 2010) at -2.5 °C: 0.1 %;
    its freezing point 0.02 K."""
    fluid = f"INCOMP::MPG[{glycol.mass_share}]"
    at = ("T", 270.65, "P", 101325, fluid)
    assert glycol.density_kg_m3 == pytest.approx(coolprop.PropsSI("D", *at), rel=1e-3)
    assert glycol.cp_j_per_kg_k == pytest.approx(coolprop.PropsSI("C", *at), rel=1e-3)
    assert glycol.freeze_c == pytest.approx(coolprop.PropsSI("T_freeze", *at) - 273.15, abs=0.02)


def test_the_chiller_keeps_its_bath_and_rests_three_minutes_between_runs():
    """3 to 5 minutes off time protect a small compressor: common practice; 180 s in the demo."""
    bath = GlycolBath(BATH)
    changes = []
    for second in range(0, 4 * 3600, 5):
        before = bath.chiller_on
        bath.step(float(second), 5.0, 20.0, 5.0 * 600.0)
        if bath.chiller_on != before:
            changes.append((second, bath.chiller_on))
        assert -3.2 < bath.bath_c < -1.0
    pauses = [on - off for (off, was_on), (on, _) in pairwise(changes) if not was_on]
    assert len(pauses) > 5
    assert min(pauses) >= 180


def test_a_pause_after_a_short_pull_of_the_plug_is_kept_too():
    """The compressor's pause counts from the moment it stopped, however it stopped: common practice."""
    bath = GlycolBath(BATH)
    bath.bath_c = 5.0
    bath.step(0.0, 5.0, 20.0, 0.0)
    bath.chiller_plugged = False
    bath.step(5.0, 5.0, 20.0, 0.0)
    bath.chiller_plugged = True
    bath.step(100.0, 5.0, 20.0, 0.0)
    assert not bath.chiller_on
    bath.step(185.0, 5.0, 20.0, 0.0)
    assert bath.chiller_on


def test_a_chiller_does_less_in_a_warm_room_and_with_a_cold_bath():
    """Compressor data sheets agree on the direction: common practice, no source for the size."""
    bath = GlycolBath(BATH)
    bath.bath_c = BATH.rated_bath_c
    assert bath.chiller_w(BATH.rated_room_c) == BATH.chiller_w
    assert bath.chiller_w(32.0) < bath.chiller_w(20.0) < bath.chiller_w(12.0)
    bath.bath_c -= 3.0
    assert bath.chiller_w(20.0) < BATH.chiller_w


def test_an_unplugged_bath_warms_by_newtons_law():
    """T = room + (T0 - room) exp(-G t / C); 0.02 K, the error of one-minute steps."""
    cellar = demo_cellar(room_c=lambda t: 20.0)
    cellar.plug_chiller(False)
    cellar.advance(24 * 3600.0)
    capacity = BATH.volume_l * BATH.glycol.j_per_l_k
    expected_c = 20.0 - 22.5 * math.exp(-BATH.gain_w_per_k * 86400.0 / capacity)
    assert cellar.bath.bath_c == pytest.approx(expected_c, abs=0.02)


def test_three_crashes_at_once_overtax_the_chiller_and_the_bath_warms():
    """A warm brewing day: three worts at 28 °C in a room at 30 °C ask for more than 1 kW (common practice)."""
    cellar = demo_cellar(room_c=lambda t: 30.0)
    for name, beer in DEMO_BEERS.items():
        cellar.pitch(name, beer.og, 0.0, beer.volume_l, 28.0)
        cellar.weld(f"{name}/cooler", True)
    cellar.advance(2 * 3600.0)
    assert cellar.bath.bath_c > BATH.setpoint_c + 2.0
    assert cellar.bath.chiller_on
    assert cellar.bath.starts == 1, "the chiller runs through"


def test_cold_arrives_at_the_coil_after_the_line_has_been_swept():
    """Plug flow: dead time = volume / flow (textbook)."""
    line = Line(litres=0.7, lag_s=1200.0, glycol=GLYCOL_35, start_c=20.0)
    arrived = [line.push(0.045, -2.5) for _ in range(20)]
    assert arrived[:15] == pytest.approx([20.0] * 15)
    assert -2.5 < arrived[15] < 20.0
    assert arrived[16:] == pytest.approx([-2.5] * 4)


def test_glycol_that_stands_in_the_line_warms_to_the_room():
    """First-order lag: 63.2 % after one time constant (definition)."""
    line = Line(litres=0.7, lag_s=1200.0, glycol=GLYCOL_35, start_c=20.0)
    line.push(0.7, 0.0)
    for _ in range(20):
        line.stand(60.0, 20.0)
    assert line.still_c == pytest.approx(20.0 * (1.0 - math.exp(-1.0)))
    assert line.push(0.1, 0.0) == pytest.approx(line.still_c)


def test_one_long_step_through_a_short_line_mixes_old_and_new():
    """Conservation: 1.4 L pushed through 0.7 L at 20 °C brings half old, half new."""
    line = Line(litres=0.7, lag_s=1200.0, glycol=GLYCOL_35, start_c=20.0)
    assert line.push(1.4, 0.0) == pytest.approx(10.0)
    assert line.push(1.4, 4.0) == pytest.approx(2.0)


def test_a_running_pump_warms_the_bath():
    """First law: the pump's shaft power ends in the glycol."""
    cellar = demo_cellar(room_c=lambda t: 10.0)
    cellar.obey([Command("gold/cooler", True, 3600.0, "test", 1, 1)])
    cellar.advance(600.0)
    assert cellar.energy().pump_j == pytest.approx(BATH.pump_w * 600.0)
