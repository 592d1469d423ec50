"""What can be known of a vessel at all. Of its loss to the room: the standard deviation of the best filter, which knows
all of the plant but its yeast and how strong its outputs are. Of its coil: that of the best fit to what each pulse took
out in all.

A pulse of t seconds takes out about c x (t + d): c is the coil's strength, d its hold-up, x by how much the wort is
warmer than the bath. Pulses of one length tell c (t + d) and nothing more; the information matrix of ln c and d says
what their variety adds (the Cramér-Rao bound). How well one pulse is known follows from the plant's own flow, which
wanders, from the probe, and from the yeast. Only the last day counts: a coil in a wort that ferments gives more than in
a calm one. How the wort falls within a pulse is not counted: there the layers of the wort do what the hold-up does.

The room's mean cannot be told from the yeast's heat, only its swings can; and the yeast changes meanwhile, while cooler
and heater move the wort by what is not known either. The filter has six states: the wort T (K), what warms it by itself
r (K/h, a random walk as strong as the yeast's own changes of the run), the loss L (1/h), how strong cooler and heater
are beside their figures, and the flow's wandering, which forgets itself; T' = r + L (room - T) - cold + heat. Only
variances are needed, which do not depend on what is measured (R. E. Kalman, J. Basic Engineering 82 (1960) 35-45). A
real controller knows less: the hold-up, the lags and how fast all that changes.
"""

import math

import numpy as np

from tests.bench.control.truth import GLYCOL_J_PER_L_K, SAMPLE_S, Trace
from tests.simulation.plant import WANDER_S
from tests.simulation.plant_vessel import FLOW_POWER

HOUR_S = 3600.0
AFTER_H = 72.0  # ratios are to be learned by then
PER_HOUR = int(HOUR_S / SAMPLE_S)
PROBE_SD_K = 0.015  # of a minute's mean of six readings: noise of 0.03 K, steps of 1/16 K
FIRST_REST_SD_K_PER_H, FIRST_LOSS_SD = 0.6, 0.5  # before anything was seen; of the loss as a share of it
FIGURE_SD = 0.3  # of what a site file says of cooler and heater
FILTER_S = 600.0  # one step of the filter; nothing here is faster
FIRST_HOLD_SD = 0.6  # of the hold-up before anything was seen, as a share of it
LOOKS, LOOK_H = 10.0, 0.5  # minutes looked at before and after a pulse; for how long the yeast changes meanwhile
DAY = int(24.0 * PER_HOUR)
YEAST_H = 12.0  # the room swings by the day: what must be told from it is what the yeast does in half a day


def loss_sd(trace: Trace, hours: float) -> float:
    """Standard deviation of loss/C after so many hours, as a share of the true one."""
    spec, capacity = trace.spec, trace.heat_capacity_j_per_k
    true_per_h = trace.loss_w_per_k / capacity * HOUR_S
    stride = int(FILTER_S / SAMPLE_S)
    count = min(int(hours * PER_HOUR), len(trace.mean_c))
    restless = _changes_k_per_h(trace, count, YEAST_H)
    h, kept = FILTER_S / HOUR_S, math.exp(-FILTER_S / WANDER_S)
    noise = PROBE_SD_K**2 / stride
    flow_w = spec.flow_l_per_s * GLYCOL_J_PER_L_K
    x = spec.coil_w_per_k / flow_w
    cold_per_s = flow_w * (1.0 - math.exp(-x)) / capacity
    wanders = spec.flow_wander * (1.0 - (1.0 - FLOW_POWER) * x / math.expm1(x))
    heat_k_per_s = trace.useful_heater_w / capacity
    p = np.diag([
        PROBE_SD_K**2, FIRST_REST_SD_K_PER_H**2, (FIRST_LOSS_SD * true_per_h) ** 2, FIGURE_SD**2, FIGURE_SD**2,
        wanders**2,
    ])  # fmt: skip
    for number in range(0, count - stride, stride):
        ahead = number + stride
        cold_k = cold_per_s * (trace.cooled_s[ahead] - trace.cooled_s[number])
        cold_k *= max(trace.mean_c[number] - trace.bath_c[number], 0.0)
        heat_k = heat_k_per_s * (trace.heated_s[ahead] - trace.heated_s[number])
        f = np.eye(6)
        f[0, 1:] = h, h * (trace.room_c[number] - trace.mean_c[number]), -cold_k, heat_k, -cold_k
        f[5, 5] = kept
        p = f @ p @ f.T
        p[1, 1] += restless**2 * h
        p[5, 5] += (1.0 - kept**2) * wanders**2
        gain = p[:, 0] / (p[0, 0] + noise)
        p = p - np.outer(gain, p[0])
    return float(math.sqrt(p[2, 2]) / true_per_h)


def coil_sd(trace: Trace, hours: float) -> float:
    """Standard deviation of coil/C after so many hours, as a share of the true one, out of the pulses of the last day;
    infinite without any."""
    spec, count = trace.spec, min(int(hours * PER_HOUR), len(trace.mean_c))
    hold_s = spec.coil_l * GLYCOL_J_PER_L_K / spec.coil_w_per_k
    yeast_k = _changes_k_per_h(trace, count, 1.0) * LOOK_H**1.5
    seen_k = math.sqrt(2.0 * PROBE_SD_K**2 / LOOKS + yeast_k**2)
    strength = strength_by_hold = 0.0
    by_hold = 1.0 / (FIRST_HOLD_SD * hold_s) ** 2
    for begin, on_s in _pulses(trace, max(0, count - DAY), count):
        weight = 1.0 / (spec.flow_wander**2 + (seen_k / trace.pulse_k(begin, on_s)) ** 2)
        strength += weight
        strength_by_hold += weight / (on_s + hold_s)
        by_hold += weight / (on_s + hold_s) ** 2
    left = strength - strength_by_hold**2 / by_hold
    return 1.0 / math.sqrt(left) if left > 0.0 else math.inf


def _pulses(trace: Trace, since: int, until: int) -> list[tuple[int, float]]:
    """When each of the cooler's pulses began (its sample), and for how long it was on, s."""
    begins = [n for n in range(since + 1, until) if trace.cooler_starts[n] > trace.cooler_starts[n - 1]]
    ends = [*begins[1:], until] if begins else []
    return [(n, trace.cooled_s[end - 1] - trace.cooled_s[n - 1]) for n, end in zip(begins, ends, strict=True)]


def _changes_k_per_h(trace: Trace, count: int, over_h: float) -> float:
    """How fast the yeast's heat changes, as the random walk that goes as far in so many hours, K/h after an hour."""
    rates = np.array(trace.yeast_w[:count]) / trace.heat_capacity_j_per_k * HOUR_S
    apart = int(over_h * PER_HOUR)
    changes = rates[apart:] - rates[:-apart]
    return float(math.sqrt(np.mean(changes**2) / over_h)) if changes.size else 0.0
