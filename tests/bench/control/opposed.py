"""Heat and cold given against each other: what heater and cooler both did within six hours, and what the energy balance
asks of both."""

from dataclasses import dataclass
from itertools import accumulate, pairwise

from tests.bench.control.courses import HOUR_S
from tests.bench.control.truth import SAMPLE_S, SHORTEST_ON_S, Trace

WINDOW, STEP = int(6 * HOUR_S / SAMPLE_S), int(HOUR_S / 2 / SAMPLE_S)


@dataclass(frozen=True, slots=True)
class Opposed:
    """The worst six hours: by how much heater and cooler moved the wort against each other, K, and by how much the
    balance asks for it; and by how much the cooler's shortest pulse moves it then."""

    where: str
    hour: float  # when they began
    both_k: float
    asked_k: float
    shortest_k: float = 0.0


def opposed(trace: Trace, where: str) -> Opposed:
    """The six hours in which heat and cold exceed most what the balance asks for. It asks for cold where what the wort
    gains at its setpoint exceeds the setpoint's rise, or the wort is above it when they begin; for heat likewise."""
    capacity = trace.heat_capacity_j_per_k
    gains_k, cold_k, heat_k = [0.0], [0.0], [0.0]
    for number, (now_c, next_c) in enumerate(pairwise(trace.setpoints_c)):
        gains_k.append(trace.load_w(number, trace.mean_c[number]) * SAMPLE_S / capacity)
        asks_k = trace.load_w(number, now_c) * SAMPLE_S / capacity - (next_c - now_c)
        cold_k.append(max(asks_k, 0.0))
        heat_k.append(max(-asks_k, 0.0))
    gained, cold, heat = (list(accumulate(each)) for each in (gains_k, cold_k, heat_k))
    worst = Opposed(where, 0.0, 0.0, 0.0)
    for begin in range(0, len(gained) - WINDOW, STEP):
        end = begin + WINDOW
        heated_k = (trace.heated_s[end] - trace.heated_s[begin]) * trace.useful_heater_w / capacity
        cooled_k = gained[end] - gained[begin] + heated_k - (trace.mean_c[end] - trace.mean_c[begin])
        if trace.cooled_s[end] == trace.cooled_s[begin]:
            cooled_k = 0.0
        away_k = trace.mean_c[begin] - trace.setpoints_c[begin]
        asked_k = min(cold[end] - cold[begin] + max(away_k, 0.0), heat[end] - heat[begin] + max(-away_k, 0.0))
        both_k = min(heated_k, max(cooled_k, 0.0))
        if both_k - asked_k > worst.both_k - worst.asked_k:
            worst = Opposed(where, begin * SAMPLE_S / HOUR_S, both_k, asked_k, trace.pulse_k(begin, SHORTEST_ON_S))
    return worst
