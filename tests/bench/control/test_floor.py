"""The floor of on/off control against independent solvers: scipy's ODE solver, its optimiser, its linear systems."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import minimize
from scipy.signal import TransferFunction, lsim

from tests.bench.control.floor import floor_rms_k, half_tooth_k, smoothing, tooth_k

CAPACITY = 90_000.0  # J/K: 20 L of wort and its vessel
DAY_S = 86400.0


def saw_tooth(load_w: float, power_w: float, period_s: float, periods: int) -> tuple[np.ndarray, np.ndarray]:
    """Wort under a steady load, cooled once a period for as long as the load asks for, solved piece by piece."""
    on_s, wort, times, values = load_w / power_w * period_s, 0.0, [], []
    for number in range(periods):
        for watts, lasts_s, begin_s in ((load_w - power_w, on_s, 0.0), (load_w, period_s - on_s, on_s)):
            slope = watts / CAPACITY
            solved = solve_ivp(lambda t, y, k=slope: [k], (0.0, lasts_s), [wort], t_eval=np.linspace(0.0, lasts_s, 200))
            times.append(solved.t[:-1] + number * period_s + begin_s)
            values.append(solved.y[0][:-1])
            wort = solved.y[0][-1]
    return np.concatenate(times), np.concatenate(values)


def rms_about_mean(times: np.ndarray, values: np.ndarray) -> float:
    even = np.interp(np.linspace(times[0], times[-1], 20_000), times, values)
    return float(np.std(even))


@pytest.mark.parametrize(("load_w", "power_w"), [(12.0, 150.0), (60.0, 150.0), (120.0, 150.0)])
def test_a_steady_load_leaves_the_saw_tooth_that_a_solver_finds(load_w: float, power_w: float) -> None:
    times, values = saw_tooth(load_w, power_w, 1800.0, 6)
    found = tooth_k(load_w, 1800.0, load_w / power_w, CAPACITY)
    assert values.max() - values.min() == pytest.approx(found, rel=1e-3)
    assert rms_about_mean(times, values) == pytest.approx(found / math.sqrt(12.0), rel=0.02)


def test_the_floor_of_a_steady_load_is_a_tooth_over_root_12() -> None:
    loads = [30.0] * 1440
    found = floor_rms_k(loads, 60.0, 48, 150.0, CAPACITY, lag_s=0.0)
    assert found == pytest.approx(30.0 * 1800.0 * 0.8 / CAPACITY / math.sqrt(12.0), rel=1e-9)


@pytest.mark.parametrize(("duty", "lag_s"), [(0.1, 200.0), (0.5, 600.0), (0.8, 60.0)])
def test_a_lag_smooths_the_tooth_as_a_linear_system_does(duty: float, lag_s: float) -> None:
    period_s, load_w = 1800.0, 100.0
    times, values = saw_tooth(load_w, load_w / duty, period_s, 12)
    even = np.linspace(0.0, times[-1], 40_000)
    plain = np.interp(even, times, values)
    _, passed, _ = lsim(TransferFunction([1.0], [lag_s, 1.0]), plain - plain.mean(), even)
    late = even > 6 * period_s  # the lag has settled by then
    ratio = np.std(passed[late]) / np.std(plain[late])
    assert smoothing(period_s, duty, lag_s) == pytest.approx(ratio, rel=0.02)


def test_starts_are_spread_as_an_optimiser_would_spread_them() -> None:
    """Small duties: then the least is at L^(2/3)."""
    loads, hour_s, starts = [5.0, 10.0, 40.0, 80.0], 6 * 3600.0, 40
    found = floor_rms_k(loads, hour_s, starts, 1e6, CAPACITY, lag_s=0.0)

    def mean_square(spread: np.ndarray) -> float:
        share = np.exp(spread) / np.exp(spread).sum()
        periods = hour_s / (share * starts)
        return float(np.mean((np.array(loads) * periods / CAPACITY) ** 2) / 12.0)

    best = minimize(mean_square, np.zeros(len(loads)), method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-12})
    assert found == pytest.approx(math.sqrt(best.fun), rel=1e-3)
    assert found < math.sqrt(mean_square(np.zeros(len(loads)))) * 0.95  # evenly spread starts leave more


def test_hours_without_load_ask_for_no_starts() -> None:
    busy = floor_rms_k([40.0] * 12, 3600.0, 24, 150.0, CAPACITY, 0.0)
    half = floor_rms_k([40.0] * 12 + [0.0] * 12, 3600.0, 24, 150.0, CAPACITY, 0.0)
    assert half == pytest.approx(busy / math.sqrt(2.0))
    assert floor_rms_k([0.0] * 24, 3600.0, 24, 150.0, CAPACITY, 0.0) == 0.0


def test_half_a_tooth() -> None:
    assert half_tooth_k(30.0, 48.0 / DAY_S, 0.2, CAPACITY) == pytest.approx(0.5 * 30.0 * 1800.0 * 0.8 / CAPACITY)
    assert half_tooth_k(30.0, 0.0, 0.2, CAPACITY) == 0.0
