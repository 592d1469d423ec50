"""Settings of a PI controller from what is known of the process, by the SIMC rules.

Source: S. Skogestad, "Simple analytic rules for model reduction and PID controller tuning", J. Process Control 13
(2003) 291-309. Times in s; gains in the process's units of output over input, so that a controller gets their inverse.
"""

from collections.abc import Sequence
from math import atan, hypot, inf, pi
from typing import NamedTuple

HALVINGS = 60  # of an interval: to the last bits of a float


class FirstOrder(NamedTuple):
    """k' exp(-theta s) / (s + 1/tau): the output moves by `slope` per second and unit of input at first, answers after
    `dead_time_s`, and settles with `lag_s`. An integrating process has an infinite lag."""

    slope: float
    lag_s: float
    dead_time_s: float


class Settings(NamedTuple):
    """A PI controller: `gain` in units of input over output, and its integral time."""

    gain: float
    integral_s: float


class Ultimate(NamedTuple):
    """The gain of a proportional controller at which the loop swings without end, and the period of that swing."""

    gain: float
    period_s: float


def pi_settings(process: FirstOrder, closed_loop_s: float) -> Settings:
    """Kc = 1 / (k' (tau_c + theta)), Ti = min(tau, 4 (tau_c + theta)). `closed_loop_s` is tau_c; as long as the dead
    time is the paper's tight choice. For a process of static gain k, k' is k / tau.

    Raises:
        ValueError: a slope of 0, or no time at all in which the loop could answer.
    """
    response_s = closed_loop_s + process.dead_time_s
    if process.slope == 0.0 or not response_s > 0.0:
        raise ValueError("a process that does not move, or answers at once, has no settings")
    return Settings(1.0 / (process.slope * response_s), min(process.lag_s, 4.0 * response_s))


def half_rule(slope: float, lags_s: Sequence[float], dead_time_s: float, zeros_s: Sequence[float] = ()) -> FirstOrder:
    """A process of many lags as one of first order: the largest lag that is left out goes half to the one that is
    kept and half to the dead time, all smaller ones go to the dead time, and so does an inverse response.

    `slope` is k over the largest lag; `lags_s` has an infinite one where the process integrates; `zeros_s` are the T of
    factors (T s + 1) above the line, below 0 for an inverse response. The static gain of the process is kept.
    """
    kept_s, *others_s = sorted(lags_s, reverse=True)
    half_s = others_s[0] / 2.0 if others_s else 0.0
    lag_s = kept_s + half_s
    theta_s = dead_time_s + half_s + sum(others_s[1:]) - sum(zeros_s)
    return FirstOrder(slope if lag_s == inf else slope * kept_s / lag_s, lag_s, theta_s)


def ultimate(process: FirstOrder) -> Ultimate:
    """Where the phase turns by half a circle: atan(w tau) + w theta = pi; Ku = sqrt(1 + (w tau)²) / k, Pu = 2 pi / w.
    For an integrating process Ku = pi / (2 k' theta), Pu = 4 theta. Closed forms of the definition.

    Raises:
        ValueError: without dead time, or without a slope, no gain makes it swing.
    """
    slope, lag_s, theta_s = process
    if slope == 0.0 or not theta_s > 0.0:
        raise ValueError("a process without dead time does not swing without end")
    if lag_s == inf:
        return Ultimate(pi / (2.0 * slope * theta_s), 4.0 * theta_s)
    low, high = 0.0, pi / theta_s
    for _ in range(HALVINGS):
        w = 0.5 * (low + high)
        low, high = (w, high) if atan(w * lag_s) + w * theta_s < pi else (low, w)
    return Ultimate(hypot(1.0, low * lag_s) / (slope * lag_s), 2.0 * pi / low)
