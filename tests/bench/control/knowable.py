"""What can be known of a vessel's loss to the room at all: the standard deviation of the best filter, which knows all
of the plant but the yeast.

The room's mean cannot be told from the yeast's heat, only its swings can; and the yeast changes meanwhile. The filter
has three states: the wort T (K), what warms it by itself r (K/h, a random walk as strong as the yeast's own changes of
the run), the loss L (1/h); T' = r + L (room - T). What cooler and heater do is known to it. Only variances are needed,
which do not depend on what is measured (R. E. Kalman, J. Basic Engineering 82 (1960) 35-45). A real controller knows
less: coil and heater are learned beside it.
"""

import math

import numpy as np

from tests.bench.control.truth import SAMPLE_S, Trace

HOUR_S = 3600.0
AFTER_H = 72.0  # ratios are to be learned by then
PER_HOUR = int(HOUR_S / SAMPLE_S)
PROBE_SD_K = 0.015  # of a minute's mean of six readings: noise of 0.03 K, steps of 1/16 K
FIRST_REST_SD_K_PER_H, FIRST_LOSS_SD = 0.6, 0.5  # before anything was seen; of the loss as a share of it
FILTER_S = 600.0  # one step of the filter; nothing here is faster


def loss_sd(trace: Trace, hours: float) -> float:
    """Standard deviation of loss/C after so many hours, as a share of the true one."""
    true_per_h = trace.loss_w_per_k / trace.heat_capacity_j_per_k * HOUR_S
    stride = int(FILTER_S / SAMPLE_S)
    count = min(int(hours * PER_HOUR), len(trace.mean_c))
    restless = _changes_k_per_h(trace, count)
    h = FILTER_S / HOUR_S
    noise = PROBE_SD_K**2 / stride
    p = np.diag([PROBE_SD_K**2, FIRST_REST_SD_K_PER_H**2, (FIRST_LOSS_SD * true_per_h) ** 2])
    for number in range(0, count - stride, stride):
        apart_k = trace.room_c[number] - trace.mean_c[number]
        f = np.array([[1.0, h, h * apart_k], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
        p = f @ p @ f.T
        p[1, 1] += restless**2 * h
        gain = p[:, 0] / (p[0, 0] + noise)
        p = p - np.outer(gain, p[0])
    return float(math.sqrt(p[2, 2]) / true_per_h)


def _changes_k_per_h(trace: Trace, count: int) -> float:
    """By how much the yeast's heat changes in an hour, K/h: root of the mean square."""
    rates = np.array(trace.yeast_w[:count]) / trace.heat_capacity_j_per_k * HOUR_S
    changes = rates[PER_HOUR:] - rates[:-PER_HOUR]
    return float(math.sqrt(np.mean(changes**2))) if changes.size else 0.0
