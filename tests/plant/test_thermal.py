"""The vessel's network against scipy's solvers. Tolerances are stated at each check."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm
from scipy.signal import cont2discrete

from controller.plant.demo import AMBER, GOLD
from controller.plant.linear import exponential, held_input_step
from controller.plant.specs import GLYCOL_35
from controller.plant.thermal import COIL, WALL, VesselHeat

STEPS = [(1.0, True, 0), (5.0, True, 8), (30.0, False, 3), (60.0, True, -1), (600.0, False, -9)]


def full_vessel(spec=GOLD, wort_c=20.0):
    heat = VesselHeat(spec, GLYCOL_35, start_c=15.0)
    heat.fill(spec.volume_l * 1.05, wort_c)
    return heat


def state(heat):
    return np.array([heat.upper_c, heat.lower_c, heat.wall_c, heat.coil_c, heat.well_c])


@pytest.mark.parametrize("scale", [1e-4, 0.3, 5.0, 40.0])
def test_the_matrix_exponential_is_that_of_scipy(scale):
    """Against scipy.linalg.expm (Padé; Al-Mohy & Higham 2009), relative 1e-11."""
    matrix = np.random.default_rng(3).normal(size=(7, 7)) * scale / 7.0
    ours = np.array(exponential(matrix.tolist()))
    expected = expm(matrix)
    assert np.abs(ours - expected).max() <= 1e-11 * np.abs(expected).max()


@pytest.mark.parametrize(("dt_s", "flowing", "level"), STEPS)
def test_a_step_is_the_exact_discretisation_of_the_network(dt_s, flowing, level):
    """Against scipy.signal.cont2discrete, zero-order hold, absolute 1e-11."""
    a, b = full_vessel().network(flowing, level)
    ad, bd, *_ = cont2discrete((np.array(a), np.array(b), np.eye(5), np.zeros((5, 4))), dt_s, "zoh")
    rows = np.array(held_input_step(a, b, dt_s, (WALL, COIL))[:5])
    assert rows == pytest.approx(np.hstack([ad, bd]), abs=1e-11)


def test_six_hours_of_pump_pulses_follow_an_ordinary_solver():
    """Against scipy.integrate.solve_ivp (LSODA, rtol 1e-9) restarted at each change, 1e-5 K."""
    heat = full_vessel()
    x = state(heat)
    for minute in range(360):
        flowing, heater_w, yeast_w = minute % 9 < 3, 50.0 * (minute % 7 == 5), 20.0
        inputs = np.array([-2.5 if flowing else 0.0, 17.0, heater_w, yeast_w])
        heavy_on_top = abs(x[0] - 3.0) < abs(x[1] - 3.0)
        a, b = (np.array(m) for m in heat.network(flowing, -1 if heavy_on_top else 0))
        forced = b @ inputs
        x = solve_ivp(lambda _, y, a=a, f=forced: a @ y + f, (0, 60), x, method="LSODA", rtol=1e-9, atol=1e-9).y[:, -1]
        heat.step(60.0, flowing, inputs[0], 17.0, heater_w, yeast_w)
    assert state(heat) == pytest.approx(x, abs=1e-5)


def test_heat_from_room_and_glycol_is_integrated_not_guessed():
    """Against the integrals of scipy.integrate.solve_ivp with two more states, relative 1e-7."""
    heat = full_vessel()
    a, b = (np.array(m) for m in heat.network(True, 0))
    forced = b @ np.array([-2.0, 25.0, 0.0, 0.0])
    start = np.concatenate([state(heat), [0.0, 0.0]])

    def slope(_, y):
        return np.concatenate([a @ y[:5] + forced, [GOLD.loss_w_per_k * (25.0 - y[WALL])], [y[COIL]]])

    end = solve_ivp(slope, (0, 300), start, method="LSODA", rtol=1e-11, atol=1e-9).y[:, -1]
    heat.step(300.0, True, -2.0, 25.0, 0.0, 0.0)
    flow = GOLD.flow_l_per_s * GLYCOL_35.j_per_l_k
    assert heat.room_j == pytest.approx(end[5], rel=1e-7)
    assert heat.glycol_j == pytest.approx(flow * (-2.0 * 300.0 - end[6]), rel=1e-7)


def test_one_long_step_equals_many_short_ones():
    """The semigroup property of exp(At): exact but for rounding (1e-9 K), while neither pump nor mixing changes."""
    long, short = full_vessel(AMBER), full_vessel(AMBER)
    long.step(60.0, True, -2.0, 18.0, 0.0, 8.0)
    for _ in range(12):
        short.step(5.0, True, -2.0, 18.0, 0.0, 8.0)
    assert state(short) == pytest.approx(state(long), abs=1e-9)


def test_a_vessel_left_alone_cools_like_a_heated_house():
    """Newton's law: one time constant C/G after the wall has settled; series resistances 1/G = 1/film + 1/loss.
    Tolerance 1 % (the wall's own heat capacity is not in the formula's G)."""
    heat = full_vessel(replace(GOLD, wall_j_per_k=1.0))
    conductance = 1.0 / (1.0 / GOLD.film_w_per_k + 1.0 / GOLD.loss_w_per_k)
    lag_s = heat.capacity_j_per_k / conductance
    for _ in range(int(lag_s / 600.0)):
        heat.step(600.0, False, 0.0, 0.0, 0.0, 0.0)
    assert heat.wort_c() == pytest.approx(20.0 * np.exp(-600.0 * int(lag_s / 600.0) / lag_s), rel=0.01)


def test_a_quiet_vessel_settles_in_layers_and_gas_stirs_it():
    """Common practice, no source: beer cooled from inside layers when quiet, and does not at high kräusen."""
    quiet, lively = full_vessel(), full_vessel()
    lively.stir(4.0)
    for heat in (quiet, lively):
        for _ in range(120):
            heat.step(60.0, True, -2.0, 18.0, 0.0, 0.0)
    assert quiet.upper_c - quiet.lower_c > 0.4
    assert abs(lively.upper_c - lively.lower_c) < 0.05


def test_below_the_temperature_of_greatest_density_the_cold_does_not_stay_below():
    """Water is densest at 3.98 °C (IAPWS-95), beer a little lower: colder wort below warmer then tumbles."""
    heat = full_vessel(wort_c=2.0)
    heat.upper_c, heat.lower_c = 2.5, 0.5
    for _ in range(20):
        heat.step(60.0, False, 0.0, 1.5, 0.0, 0.0)
    assert abs(heat.upper_c - heat.lower_c) < 0.2
