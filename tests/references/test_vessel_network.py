"""The controller's thermal network held against scipy: its exact discretisation, and an independent simulation."""

from math import exp

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import cont2discrete

from controller.control.fluids import wort_heat_capacity
from controller.control.vessel_model import (
    HOLD_S,
    PROBE_S,
    RISES_S,
    SLACK,
    WRAP_S,
    Nodes,
    Rates,
    Shares,
    advanced,
)

RATE, SHARE = Rates(0.30, 2.5, 0.05), Shares(1.2, 0.9, 1.4, 0.8, 1.3)
LAG_S = SHARE.wrap * WRAP_S
H = 3600.0


def exact(a: list[list[float]], b: list[list[float]], dt_s: float) -> tuple[np.ndarray, np.ndarray]:
    matrices = cont2discrete((np.array(a), np.array(b), np.eye(len(a)), np.zeros((len(a), len(b[0])))), dt_s, "zoh")
    return matrices[0], matrices[1]


@pytest.mark.parametrize("dt_s", [1.0, 5.0, 30.0, 60.0])
@pytest.mark.parametrize("coil_k", [0.0, 5.0, 25.0])
def test_wort_and_coil_go_as_the_exact_discretisation_says_while_the_pump_runs(dt_s: float, coil_k: float) -> None:
    # scipy.signal.cont2discrete, zero-order hold; states: wort, cold in the coil; inputs: its reach, rest in K/s.
    per_s = RATE.coil_per_h * SHARE.cooler / H
    ad, bd = exact([[0.0, -per_s], [0.0, -1.0 / RISES_S]], [[0.0, 1.0], [1.0 / RISES_S, 0.0]], dt_s)
    room_k = RATE.loss_per_h * SHARE.loss / H * (18.0 - 19.0)
    should_c, should_k = ad @ [19.0, coil_k] + bd @ [19.0 + 3.0, 0.4 / H + room_k]
    after, _ = advanced(Nodes(19.0, 19.0, coil_k), RATE, SHARE, 0.4, True, False, -3.0, 18.0, dt_s)
    assert after.wort_c == pytest.approx(should_c, abs=1e-12)
    assert after.coil_k == pytest.approx(should_k, abs=1e-12)


@pytest.mark.parametrize("dt_s", [1.0, 5.0, 30.0, 60.0])
def test_and_while_it_stands_and_the_wrap_warms(dt_s: float) -> None:
    per_s, tail_s = RATE.coil_per_h * SHARE.cooler * SLACK / H, SHARE.hold * HOLD_S / SLACK
    heat_s = RATE.heater_k_per_h * SHARE.heater / H
    a = [[0.0, -per_s, heat_s], [0.0, -1.0 / tail_s, 0.0], [0.0, 0.0, -1.0 / LAG_S]]
    ad, bd = exact(a, [[0.0, 1.0], [0.0, 0.0], [1.0 / LAG_S, 0.0]], dt_s)
    room_k = RATE.loss_per_h * SHARE.loss / H * (25.0 - 19.0)
    should = ad @ [19.0, 12.0, 0.3] + bd @ [1.0, -0.2 / H + room_k]
    after, moved = advanced(Nodes(19.0, 19.0, 12.0, 0.3), RATE, SHARE, -0.2, False, True, -3.0, 25.0, dt_s)
    assert (after.wort_c, after.coil_k, after.wrap) == pytest.approx(tuple(should), abs=1e-12)
    sums = -0.2 * dt_s / H - moved.cooled_k + moved.heated_k + moved.lost_k
    assert after.wort_c - 19.0 == pytest.approx(sums, abs=1e-12)


def test_a_whole_pull_down_agrees_with_an_independent_solver() -> None:
    """All lines coupled, scans of 5 s against scipy's LSODA: what holding the wort over a scan leaves out is small."""
    per_s, tail_s = RATE.coil_per_h * SHARE.cooler / H, SHARE.hold * HOLD_S / SLACK
    loss_s, heat_s = RATE.loss_per_h * SHARE.loss / H, RATE.heater_k_per_h * SHARE.heater / H

    def slopes(on: bool, heat: float):  # type: ignore[no-untyped-def]
        def of(_: float, x: np.ndarray) -> list[float]:
            wort, shown, coil, wrap = x
            cooled = per_s * coil if on else per_s * SLACK * coil
            return [
                0.3 / H + loss_s * (16.0 - wort) - cooled + heat_s * wrap,
                (wort - shown) / PROBE_S,
                (wort + 3.0 - coil) / RISES_S if on else -coil / tail_s,
                (heat - wrap) / LAG_S,
            ]

        return of

    true, nodes = np.array([22.0, 22.0, 0.0, 0.0]), Nodes(22.0, 22.0)
    for on, heat, lasts_s in ((True, 0.0, 3600.0), (False, 0.0, 1800.0), (False, 1.0, 2400.0), (True, 0.0, 300.0)):
        true = solve_ivp(slopes(on, heat), (0.0, lasts_s), true, method="LSODA", rtol=1e-9, atol=1e-9).y[:, -1]
        for _ in range(int(lasts_s / 5.0)):
            nodes, _ = advanced(nodes, RATE, SHARE, 0.3, on, heat > 0.0, -3.0, 16.0, 5.0)
        assert nodes.wort_c == pytest.approx(true[0], abs=0.005)
        assert nodes.shown_c == pytest.approx(true[1], abs=0.01)
        assert nodes.coil_k == pytest.approx(true[2], abs=0.05)


def test_a_coil_gives_back_what_its_hold_up_says() -> None:
    """A full coil that stands gives as much as full cooling in its hold-up."""
    nodes, cooled_k = Nodes(19.0, 19.0, 22.0), 0.0
    for _ in range(5000):
        nodes, moved = advanced(nodes, RATE, SHARE, 0.0, False, False, -3.0, 19.0, 5.0)
        cooled_k += moved.cooled_k
    assert cooled_k == pytest.approx(RATE.coil_per_h * SHARE.cooler * 22.0 * SHARE.hold * HOLD_S / H, rel=0.001)


def test_the_sensitivity_to_the_hold_up_is_the_difference_quotient() -> None:
    def cooled_k(hold: float) -> float:
        nodes, total = Nodes(19.0, 19.0), 0.0
        for k in range(400):
            nodes, moved = advanced(nodes, RATE, SHARE._replace(hold=hold), 0.0, k < 60, False, -3.0, 19.0, 5.0)
            total += moved.cooled_k
        return total

    nodes, by_hold = Nodes(19.0, 19.0), 0.0
    for k in range(400):
        nodes, moved = advanced(nodes, RATE, SHARE, 0.0, k < 60, False, -3.0, 19.0, 5.0)
        by_hold += moved.by_hold_k
    assert -by_hold == pytest.approx((cooled_k(1.41) - cooled_k(1.39)) / 0.02, rel=0.02)


def test_and_that_to_the_lag_of_the_wrap() -> None:
    def heated_k(lag: float) -> tuple[float, float]:
        nodes, total, by_lag = Nodes(19.0, 19.0), 0.0, 0.0
        for k in range(100):
            nodes, moved = advanced(nodes, RATE, SHARE._replace(wrap=lag), 0.0, False, k < 60, -3.0, 19.0, 5.0)
            total, by_lag = total + moved.heated_k, by_lag + moved.by_lag_k
        return total, by_lag

    assert heated_k(1.3)[1] == pytest.approx((heated_k(1.31)[0] - heated_k(1.29)[0]) / 0.02, rel=0.02)


@pytest.mark.parametrize(("t_s", "y"), [(5.0, 0.362538), (13.0, 1.264241), (33.0, 1.900426), (53.0, 1.986524)])
def test_the_probe_answers_as_a_first_order_lag(t_s: float, y: float) -> None:
    # First-order-plus-dead-time process K = 2, tau = 10, theta = 3: y = K (1 - exp(-(t - theta) / tau)).
    wort_c, passed_s = 2.0, (t_s - 3.0) * PROBE_S / 10.0
    still = Rates(0.0, 0.0, 0.0)
    after, _ = advanced(Nodes(wort_c, 0.0), still, Shares(), 0.0, False, False, 0.0, wort_c, passed_s)
    assert after.shown_c == pytest.approx(y, abs=1e-6)
    assert y == pytest.approx(2.0 * (1.0 - exp(-(t_s - 3.0) / 10.0)), abs=1e-6)


def test_a_degree_plato_warms_a_wort_that_loses_nothing_as_published() -> None:
    # 560 kJ per kg of extract (Farber & Barth, Mastering Brewing Science, 2019, p. 286): 1.44 K per real °P at
    # 3.9 kJ/(kg K). The network turns watts per kelvin into that rise.
    capacity_j_per_kg = wort_heat_capacity(12.0, 20.0)
    rise_k = 560e3 * 0.01 / capacity_j_per_kg
    nodes = Nodes(12.0, 12.0)
    for _ in range(24 * 60):
        nodes, _ = advanced(nodes, Rates(0.0, 0.0, 0.0), Shares(), rise_k / 24.0, False, False, 0.0, 12.0, 60.0)
    assert nodes.wort_c - 12.0 == pytest.approx(1.44, rel=0.02)
