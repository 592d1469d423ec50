"""The floor of on/off control: the least that any controller can leave in the wort with so many starts.

At load L (W), heat capacity C (J/K) and duty d a start leaves a tooth of A = L P (1 - d) / C from peak to peak, where P
is its period; its rms is A / sqrt(12), whatever the duty. With n starts in a time it is least when they are spread as
L^(2/3) (from the Lagrangian of the mean square under a fixed number of starts). The coil's own hold-up smooths it like
a first-order lag of tau = heat capacity of the coil / its conductance."""

import math
from collections.abc import Sequence

HARMONICS = 40


def tooth_k(load_w: float, period_s: float, duty: float, heat_capacity_j_per_k: float) -> float:
    """Peak to peak of one tooth, K."""
    return abs(load_w) * period_s * (1.0 - duty) / heat_capacity_j_per_k


def smoothing(period_s: float, duty: float, lag_s: float) -> float:
    """By how much a first-order lag shrinks the rms of a saw-tooth of this period and duty, 0..1.

    The tooth is a triangle that falls during `duty` of its period and rises during the rest. Its harmonics are
    sin(pi k d) / k^2 by Fourier; each is passed on by 1 / sqrt(1 + (2 pi k tau / P)^2)."""
    duty = min(max(duty, 0.01), 0.99)
    whole = passed = 0.0
    for k in range(1, HARMONICS + 1):
        power = (math.sin(math.pi * k * duty) / (k * k)) ** 2
        whole += power
        passed += power / (1.0 + (math.tau * k * lag_s / period_s) ** 2)
    return math.sqrt(passed / whole)


def floor_rms_k(
    loads_w: Sequence[float], dt_s: float, starts: int, power_w: float, heat_capacity_j_per_k: float, lag_s: float
) -> float:
    """The least rms in K that `starts` leave against `loads_w` (W, one for each `dt_s`, all >= 0). `power_w` is what
    the output moves when on. Zero or one start counts as one."""
    shares = [load_w ** (2.0 / 3.0) for load_w in loads_w]
    whole = sum(shares) * dt_s
    if whole <= 0.0:
        return 0.0
    square = 0.0
    for load_w, share in zip(loads_w, shares, strict=True):
        if load_w > 0.0:
            period_s = min(whole / share / max(starts, 1), dt_s * len(loads_w))
            duty = min(load_w / power_w, 1.0) if power_w > 0.0 else 0.0
            rms_k = tooth_k(load_w, period_s, duty, heat_capacity_j_per_k) / math.sqrt(12.0)
            square += (rms_k * smoothing(period_s, duty, lag_s)) ** 2
    return math.sqrt(square / len(loads_w))


def half_tooth_k(mean_load_w: float, starts_per_s: float, duty: float, heat_capacity_j_per_k: float) -> float:
    """Half a tooth at a hold's mean load and the starts really used, K."""
    if starts_per_s <= 0.0:
        return 0.0
    return 0.5 * tooth_k(mean_load_w, 1.0 / starts_per_s, duty, heat_capacity_j_per_k)
