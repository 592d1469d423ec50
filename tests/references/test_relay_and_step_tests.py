"""What a step test and a relay test show of a process that is known, and what our fit makes of it.

Sources: the step response of a first-order process with dead time, K (1 - exp(-(t - theta) / tau)), and the exact limit
cycle of an ideal relay of height d on it, a = K d (1 - exp(-theta / tau)) and P = 2 (theta + tau ln(2 - exp(-theta /
tau))), derived: the output goes on for theta after each switch. The describing function's 4 d / (pi a) is Åström's and
Hägglund's (from memory); it is not the true ultimate gain, by 11 to 18 % here.
"""

from itertools import pairwise
from math import exp, inf, log, pi

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controller.control.identification import Turn
from controller.control.identify_result import swing
from controller.control.process_fit import Fit, Sample, fitted, halved, least_squares
from controller.control.simc import FirstOrder, ultimate
from tests.references.test_pid_and_step_response import Fopdt

RELAYS = [
    # K, tau, theta, d -> a, P, 4d/(pi a), true Ku
    pytest.param(1.0, 1.0, 1.0, 1.0, 0.632121, 2.979760, 2.014235, 2.261826, id="lag as long as the dead time"),
    pytest.param(1.0, 10.0, 1.0, 1.0, 0.095163, 3.818057, 13.379624, 16.350554, id="lag ten times the dead time"),
    pytest.param(2.0, 20.0, 2.0, 0.5, 0.095163, 7.636113, 6.689812, 8.175277, id="twice as slow, half the relay"),
    pytest.param(0.5, 100.0, 20.0, 1.0, 0.090635, 73.317899, 14.048048, 17.004850, id="a slow one"),
]


def relay_test(
    k: float, tau_s: float, theta_s: float, d: float, swings: int = 8
) -> tuple[list[Turn], list[Sample], float]:
    """Turns and samples of an ideal relay on the process, in steps of a thousandth of the dead time."""
    step_s = theta_s / 1000.0
    process, turns, samples = Fopdt(k, tau_s, theta_s, step_s), [], []
    u, y, furthest, total_y, total_u, count = d, 0.0, 0.0, 0.0, 0.0, 0
    at_s, interval = 0.0, 100
    while len(turns) < 2 * swings:
        y = process.after(u)
        at_s += step_s
        furthest = min(furthest, y) if u > 0.0 else max(furthest, y)
        total_y, total_u, count = total_y + y, total_u + u, count + 1
        if count == interval:
            samples.append(Sample(total_y / count, total_u / count))
            total_y, total_u, count = 0.0, 0.0, 0
        if y * u > 0.0:
            turns.append(Turn(at_s, furthest))
            u, furthest = -u, y
    return turns, samples, interval * step_s


def true_process(fit: Fit | None, tau_s: float) -> tuple[float, float]:
    """Slope and dead time with the short lag in it."""
    assert fit is not None
    return fit.slope_k_per_j, fit.dead_time_s + fit.lag_s


@pytest.mark.parametrize(("k", "tau_s", "theta_s", "d", "a", "period_s", "described", "ku"), RELAYS)
def test_a_relay_swings_as_the_exact_solution_says_and_not_at_the_ultimate_gain(
    k: float, tau_s: float, theta_s: float, d: float, a: float, period_s: float, described: float, ku: float
) -> None:
    assert k * d * (1.0 - exp(-theta_s / tau_s)) == pytest.approx(a, rel=1e-5)
    assert 2.0 * (theta_s + tau_s * log(2.0 - exp(-theta_s / tau_s))) == pytest.approx(period_s, rel=1e-6)
    turns, _, _ = relay_test(k, tau_s, theta_s, d)
    found = swing(tuple(turns[4:]))  # the first swings are not like the others
    assert found is not None
    assert found.half_k == pytest.approx(a, rel=0.01)
    assert found.period_s == pytest.approx(period_s, rel=0.01)
    assert found.spread_k < 0.01 * a
    by_describing_function = 4.0 * d / (pi * found.half_k)
    assert by_describing_function == pytest.approx(described, rel=0.01)
    assert by_describing_function < 0.9 * ku


@pytest.mark.parametrize(("k", "tau_s", "theta_s", "d", "a", "period_s", "described", "ku"), RELAYS)
def test_our_fit_finds_the_true_process_behind_the_relays_swing(
    k: float, tau_s: float, theta_s: float, d: float, a: float, period_s: float, described: float, ku: float
) -> None:
    _, samples, interval_s = relay_test(k, tau_s, theta_s, d)
    fit = fitted(samples, interval_s)
    slope, delay_s = true_process(fit, tau_s)
    assert slope == pytest.approx(k / tau_s, rel=0.05)
    assert delay_s == pytest.approx(theta_s, rel=0.08)
    assert fit is not None
    found = ultimate(FirstOrder(slope, inf if fit.settles_s is None else fit.settles_s, delay_s))
    assert found.gain == pytest.approx(ku, rel=0.08)  # nearer than the describing function


def test_a_step_test_shows_gain_lag_and_dead_time() -> None:
    # y(t) = K (1 - exp(-(t - theta) / tau)), K = 2, tau = 10 s, theta = 3 s; the step comes at 2 s
    def mean(from_s: float) -> float:
        times = np.linspace(from_s, from_s + 0.5, 21) - 5.0
        return float(np.where(times < 0.0, 0.0, 2.0 * (1.0 - np.exp(-times / 10.0))).mean())

    samples = [Sample(mean(0.5 * i), 1.0 if i >= 4 else 0.0) for i in range(120)]
    fit = fitted(samples, 0.5)
    assert fit is not None
    assert fit.settles_s is not None
    assert fit.settles_s == pytest.approx(10.0, rel=0.02)
    assert fit.slope_k_per_j * fit.settles_s == pytest.approx(2.0, rel=0.02)
    assert fit.dead_time_s + fit.lag_s == pytest.approx(3.0, abs=0.1)
    # the two-point method on the same course: t28 = theta + tau / 3, t63 = theta + tau
    assert mean(6.326794 + 2.0 - 0.25) == pytest.approx(2.0 * 0.283, abs=0.002)


@pytest.mark.parametrize(("capacity_j_per_k", "loss_w_per_k"), [(98e3, 0.5), (20e3, 0.5), (8e6, 8.0)])
@pytest.mark.parametrize("step_k", [0.0, 1.0 / 16.0])
def test_the_pulse_response_of_a_slowly_cooled_vessel(
    capacity_j_per_k: float, loss_w_per_k: float, step_k: float
) -> None:
    """Reference: scipy's ODE solver on wort, coil (300 s) and room; dead time 200 s; pulses of 0.3 and 0.6 K."""
    power_w, theta_s, lag_s, room_c = capacity_j_per_k / 700.0, 200.0, 300.0, 20.0
    pulses = ((1800.0, 2000.0), (5400.0, 5820.0))

    def given(t_s: float) -> float:
        return -power_w if any(begin <= t_s < end for begin, end in pulses) else 0.0

    def slope(t_s: float, state: np.ndarray) -> list[float]:
        wort_c, coil_w = state
        lost_w = loss_w_per_k * (wort_c - room_c)
        return [(coil_w - lost_w) / capacity_j_per_k, (given(t_s - theta_s) - coil_w) / lag_s]

    times = np.arange(0.0, 10000.0, 10.0)
    wort = solve_ivp(slope, (0.0, 10000.0), [18.0, 0.0], t_eval=times, max_step=10.0, rtol=1e-8, atol=1e-9).y[0]
    shown = np.round(wort / step_k) * step_k if step_k else wort
    samples = [
        Sample(float(shown[i : i + 6].mean()), float(np.mean([given(t) for t in times[i : i + 6]])))
        for i in range(0, len(times) - 6, 6)
    ]
    fit = fitted(samples, 60.0)
    assert fit is not None
    exact = step_k == 0.0
    assert fit.slope_k_per_j == pytest.approx(1.0 / capacity_j_per_k, rel=0.03 if exact else 0.12)
    # dead time and lag can stand for each other; what the half rule makes of them cannot
    assert fit.dead_time_s + fit.lag_s / 2.0 == pytest.approx(theta_s + lag_s / 2.0, abs=15.0 if exact else 90.0)
    assert abs(fit.slope_k_per_j * capacity_j_per_k - 1.0) < max(4.0 * fit.slope_sd, 0.03)  # it says how sure it is


@pytest.mark.parametrize(
    "samples",
    [
        [],
        [Sample(20.0, -100.0)] * 100,
        [Sample(20.0, 0.0)] * 100,
        [Sample(20.0 + 0.01 * i, -100.0 if i > 50 else 0.0) for i in range(15)],
        [Sample(20.0 + (0.01 * (i - 50) if i > 50 else 0.0), -100.0 if i > 50 else 0.0) for i in range(100)],
    ],
    ids=["nothing", "no change of the output", "no output", "too few", "warms while it is cooled"],
)
def test_where_nothing_can_be_told_nothing_is(samples: list[Sample]) -> None:
    assert fitted(samples, 30.0) is None


def test_pairs_of_samples_keep_the_means() -> None:
    samples = [Sample(float(i), -float(i)) for i in range(7)]
    assert halved(samples) == (Sample(0.5, -0.5), Sample(2.5, -2.5), Sample(4.5, -4.5))


def test_our_least_squares_agree_with_numpy() -> None:
    rows = np.random.default_rng(1).normal(size=(40, 3))
    seen = rows @ np.array([2.0, -0.5, 1e-3]) + np.random.default_rng(2).normal(size=40)
    factors, left, *_ = np.linalg.lstsq(rows, seen, rcond=None)
    ours = least_squares([list(column) for column in rows.T], list(seen))
    assert ours is not None
    assert ours.factors == pytest.approx(list(factors), rel=1e-9)
    assert ours.misfit == pytest.approx(float(left[0]), rel=1e-9)
    assert ours.spread == pytest.approx(list(np.diag(np.linalg.inv(rows.T @ rows))), rel=1e-9)
    assert least_squares([[1.0, 1.0], [2.0, 2.0]], [1.0, 2.0]) is None


def test_the_delays_that_come_out_are_never_below_zero() -> None:
    for seed in range(20):
        chance = np.random.default_rng(seed)
        heat = np.repeat(chance.choice([-300.0, 0.0, 80.0], size=15), 4)
        samples = [Sample(20.0 + float(chance.normal(0.0, 0.3)), float(watts)) for watts in heat]
        fit = fitted(samples, 30.0)
        assert fit is None or min(fit.dead_time_s, fit.lag_s, fit.slope_sd, fit.delay_sd_s) >= 0.0


def test_turns_make_a_swing() -> None:
    turns = [Turn(600.0 * i, 19.0 + (0.3 if i % 2 else -0.2)) for i in range(7)]
    found = swing(tuple(turns))
    assert found is not None
    assert (found.half_k, found.period_s, found.seen) == (pytest.approx(0.25), 1200.0, 3)
    assert [after.at_s - before.at_s for before, after in pairwise(turns)] == [600.0] * 6
    assert swing(tuple(turns[:4])) is None
