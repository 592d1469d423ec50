"""What the truth of a run says: landings, holds, hours of heat. All figures are of the wort as it really is.

A hold is looked at from 6 h after it was begun, and not before 3 h after the wort came within 0.3 K, to its end. Where
layers make the well differ from the whole wort for long, its mean difference in the hold is taken off: no control can
see it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from tests.bench.control.believed import COIL, LOSS
from tests.bench.control.courses import Leg
from tests.bench.control.floor import floor_rms_k, half_tooth_k, smoothing
from tests.bench.control.knowable import AFTER_H, coil_sd, loss_sd
from tests.bench.control.least import NO_PULSES, Pulses
from tests.bench.control.opposed import Opposed, opposed
from tests.bench.control.truth import GLYCOL_J_PER_L_K, SAMPLE_S, SHORTEST_ON_S, Trace
from tests.simulation.plant_vessel import SLACK_COIL

HOUR_S, DAY_S = 3600.0, 86400.0
PER_HOUR = int(HOUR_S / SAMPLE_S)
NEAR_K = 0.3
SETTLING, AFTER_NEAR = 6 * PER_HOUR, 3 * PER_HOUR
LANDING = 8 * PER_HOUR  # past the target within this after it was reached
SHORTEST_HOLD = 18 * PER_HOUR
LOAD_MINUTES = 10  # the load is told in steps of so many samples
SIX_HOURS = 6 * PER_HOUR
STEADY_DAY = 1.5  # times its hour of least load: no more has the hour of most load of a steady day; common practice
CHANGES_SIGN = 0.05  # of all load, from where on a load changes sign


class Span(NamedTuple):
    """A leg and its samples."""

    leg: Leg
    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class Hold:
    """One hold. `floor_k` is for the starts really used, those of both outputs together in `starts_per_day`; `mean_k`
    is the mean deviation, `busiest` the most starts of either output on a day of steady load, None without one."""

    where: str
    target_c: float
    hours: float
    rms_k: float
    mean_k: float
    floor_k: float
    starts_per_day: float
    busiest: int | None
    half_tooth_k: float
    load_w: float
    duty: float
    changes_sign: bool
    pulses: Pulses
    steady: float = 1.0  # share of the time whose load keeps its sign for six hours before and after
    steady_rms_k: float = math.inf  # of that time alone, ...
    steady_floor_k: float = 0.0  # ... its floor, ...
    steady_pulses: Pulses = NO_PULSES  # ... and its load
    daily_k: float = math.inf  # what both outputs have to move the wort by in a day


@dataclass(frozen=True, slots=True)
class Landing:
    """How a pull-down, ramp or crash ended: `past_k` beyond the target, None where it was never reached."""

    where: str
    kind: str
    past_k: float | None
    half_tooth_k: float
    hours: float  # until within 0.1 K of the target
    shortest_k: float = 0.0  # by how much the cooler's shortest pulse moves the wort there


@dataclass(frozen=True, slots=True)
class Heat:
    """Hours of a heater, and how many the energy balance asks for."""

    where: str
    used_h: float
    needed_h: float


@dataclass(frozen=True, slots=True)
class Believed:
    """The service's own: rms of its wort estimate against the truth, None for who makes none; learned / true ratios;
    the standard deviations to which loss and coil can be known at all (`knowable`), as shares; rms of its wort estimate
    against what an ideal probe in the well would show."""

    where: str
    rms_k: float | None
    ratios: dict[str, float]
    loss_sd: float = 0.0
    coil_sd: float = 0.0
    felt_rms_k: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """All that one trace says."""

    seed: int  # of the plant
    believed: Believed
    holds: tuple[Hold, ...]
    landings: tuple[Landing, ...]
    heat: Heat
    opposed: Opposed


def judge(trace: Trace, where: str, seed: int) -> Verdict:
    """Look at the whole trace."""
    spans = _spans(trace)
    holds, landings = [], []
    for number, (leg, begin, end) in enumerate(spans):
        before_c = trace.mean_c[begin] if number == 0 else spans[number - 1].leg.target_c
        name = f"{where} {trace.spec.name} {leg.kind} at {leg.target_c:.1f} °C".strip()
        span_k = before_c - leg.target_c
        lands = (number == 0 or leg.kind == "crash" or (leg.kind == "hold" and span_k != 0.0)) and abs(span_k) > NEAR_K
        hold = None
        if leg.kind == "hold":
            came = _came(trace, leg.target_c, begin, end)
            since = max(begin + SETTLING, (came if came is not None else end) + AFTER_NEAR)
            if end - since >= SHORTEST_HOLD:
                hold = hold_of(trace, name, leg.target_c, since, end)
                holds.append(hold)
        following = hold or _following(trace, spans, number, name)
        bias_k = _bias_k(trace, end - min(end - begin, SHORTEST_HOLD), end)
        if lands or leg.kind == "ramp":
            last = end if leg.kind == "hold" or number + 1 == len(spans) else spans[number + 1].end
            landings.append(_landing(trace, name, leg.kind if leg.kind != "hold" else "pull-down", leg.target_c, begin,
                                     last, bias_k, following.half_tooth_k if following else 0.0))  # fmt: skip
    name = f"{where} {trace.spec.name}".strip()
    loss = loss_sd(trace, AFTER_H) if LOSS in trace.ratios else 0.0
    coil = coil_sd(trace, AFTER_H) if COIL in trace.ratios else 0.0
    rms_k, felt_k = estimate_rms_k(trace, trace.mean_c), estimate_rms_k(trace, trace.felt_c)
    believed = Believed(name, rms_k, trace.ratios, loss, coil, felt_k)
    return Verdict(seed, believed, tuple(holds), tuple(landings), heat_of(trace, name), opposed(trace, name))


def hold_of(trace: Trace, name: str, target_c: float, since: int, until: int) -> Hold:
    """What a hold leaves, against its floor."""
    bias_k = _bias_k(trace, since, until)
    away_k = [celsius - bias_k - target_c for celsius in trace.mean_c[since:until]]
    lasts_s = (until - since) * SAMPLE_S
    loads_w = [trace.load_w(number, target_c) for number in range(since, until)]
    parts = []
    for sign, on_s, starts in _outputs(trace):
        total_j = sum(max(sign * load_w, 0.0) for load_w in loads_w) * SAMPLE_S
        made, lasted_s = starts[until - 1] - starts[since], on_s[until - 1] - on_s[since]
        parts.append((total_j, made, lasted_s / lasts_s))
    total_j, made, duty = max(parts)
    mean_w = total_j / lasts_s
    spells = _steady(loads_w)
    pulses = _pulses(trace, loads_w, since, until)
    steady = [number for spell in spells for number in spell]
    return Hold(
        where=name,
        target_c=target_c,
        hours=lasts_s / HOUR_S,
        rms_k=_rms_k(away_k),
        mean_k=sum(away_k) / len(away_k),
        floor_k=_floor_k(trace, loads_w, since, range(len(loads_w))),
        starts_per_day=sum(part[1] for part in parts) * DAY_S / lasts_s,
        busiest=_busiest(trace, loads_w, since),
        half_tooth_k=half_tooth_k(mean_w, max(made, 1) / lasts_s, duty, trace.heat_capacity_j_per_k),
        load_w=mean_w if parts[0][0] == total_j else -mean_w,
        duty=duty,
        changes_sign=min(parts)[0] > CHANGES_SIGN * total_j,
        pulses=pulses,
        steady=len(steady) / len(loads_w),
        steady_pulses=pulses._replace(spells_k=_moves_k(trace, loads_w, spells)),
        steady_rms_k=_rms_k([away_k[number] for number in steady]),
        steady_floor_k=_floor_k(trace, loads_w, since, steady),
        daily_k=sum(map(abs, loads_w)) / len(loads_w) * DAY_S / trace.heat_capacity_j_per_k,
    )


def _outputs(trace: Trace) -> tuple[tuple[float, list[float], list[int]], ...]:
    """Cooler and heater: the sign of the load that asks for it, seconds on, starts."""
    return (1.0, trace.cooled_s, trace.cooler_starts), (-1.0, trace.heated_s, trace.heater_starts)


def _rms_k(away_k: Sequence[float]) -> float:
    return math.sqrt(sum(k * k for k in away_k) / len(away_k)) if away_k else 0.0


def _floor_k(trace: Trace, loads_w: Sequence[float], since: int, of: Sequence[int]) -> float:
    """The floor of these samples of a hold that began at `since`, with the starts that were made in them."""
    square = 0.0
    for sign, on_s, starts in _outputs(trace):
        own_w = [max(sign * loads_w[number], 0.0) for number in of]
        if not any(own_w):
            continue
        last = len(loads_w) - 1
        after = [min(number + 1, last) for number in of]
        made = sum(starts[since + ahead] - starts[since + number] for number, ahead in zip(of, after, strict=True))
        lasted_s = sum(on_s[since + ahead] - on_s[since + number] for number, ahead in zip(of, after, strict=True))
        power_w = max(sum(own_w) * SAMPLE_S / lasted_s if lasted_s else math.inf, max(own_w))
        lag_s = _coil_lag_s(trace) if sign > 0.0 else trace.spec.wrap_lag_s
        square += floor_rms_k(own_w, SAMPLE_S, made, power_w, trace.heat_capacity_j_per_k, lag_s) ** 2
    return math.sqrt(square)


def _moves_k(trace: Trace, loads_w: Sequence[float], spells: Sequence[range]) -> tuple[tuple[float, ...], ...]:
    """By how much the load moves the wort in these spells, step by step."""
    capacity, step = trace.heat_capacity_j_per_k, LOAD_MINUTES
    return tuple(
        tuple(sum(loads_w[n : n + step]) * SAMPLE_S / capacity for n in spell[::step] if n + step <= spell.stop)
        for spell in spells
    )


def _pulses(trace: Trace, loads_w: Sequence[float], since: int, until: int) -> Pulses:
    """The hold's load, and the least that pulses of the shortest length do: a cooler's out of what its pulses did in
    the mean, by the plant's own figures of coil and what is left in it."""
    capacity = trace.heat_capacity_j_per_k
    spells_k = _moves_k(trace, loads_w, [range(len(loads_w))])
    heat_k_per_s = trace.useful_heater_w / capacity
    cooled_s, heated_s = (on_s[until - 1] - on_s[since] for on_s in (trace.cooled_s, trace.heated_s))
    starts = trace.cooler_starts[until - 1] - trace.cooler_starts[since]
    gained_k = sum(trace.load_w(n, trace.mean_c[n]) for n in range(since, until)) * SAMPLE_S / capacity
    taken_k = gained_k + heated_s * heat_k_per_s - (trace.mean_c[until - 1] - trace.mean_c[since])
    cold_k = trace.pulse_k(since, SHORTEST_ON_S)
    if starts:
        cold_k = max(taken_k / starts * cold_k / trace.pulse_k(since, cooled_s / starts), 0.0)
    period_s = (until - since) * SAMPLE_S / max(starts, 1)
    smooth = smoothing(period_s, cooled_s / max(starts, 1) / period_s, _coil_lag_s(trace) / SLACK_COIL)
    return Pulses(spells_k, cold_k, heat_k_per_s * SHORTEST_ON_S if heat_k_per_s else math.inf, smooth)


def _steady(loads_w: Sequence[float]) -> list[range]:
    """The spells, in samples, whose load keeps its sign for six hours before and after."""
    turns = [-SIX_HOURS, *(n for n in range(1, len(loads_w)) if loads_w[n] * loads_w[n - 1] < 0.0)]
    turns.append(len(loads_w) + SIX_HOURS)
    spells = [range(before + SIX_HOURS, later - SIX_HOURS) for before, later in pairwise(turns)]
    return [spell for spell in spells if spell]


def heat_of(trace: Trace, where: str) -> Heat:
    """The energy balance: heat is needed where the setpoint's rise and the loss to the room exceed the yeast's heat,
    and not while the wort is still above its setpoint by more than 0.3 K."""
    needed_j = 0.0
    for number, (now_c, next_c) in enumerate(pairwise(trace.setpoints_c)):
        if trace.mean_c[number] > now_c + NEAR_K:
            continue
        rise_j = (next_c - now_c) * trace.heat_capacity_j_per_k
        needed_j += max(0.0, rise_j - trace.load_w(number, now_c) * SAMPLE_S)
    useful_w = trace.useful_heater_w
    used_h = trace.heated_s[-1] / HOUR_S
    return Heat(where, used_h, needed_j / useful_w / HOUR_S if useful_w else 0.0)


def estimate_rms_k(trace: Trace, true_c: Sequence[float]) -> float | None:
    """Of the service's wort estimate against `true_c` (the whole wort, or what the well feels), from 6 h on; in each
    leg the mean difference between the two is taken off."""
    square, count = 0.0, 0
    for _, begin, end in _spans(trace):
        begin = max(begin, SETTLING)
        bias_k = _bias_k(trace, begin, end, true_c)
        for number in range(begin, end):
            estimate_c = trace.estimate_c[number]
            if estimate_c is not None:
                square += (estimate_c - true_c[number] + bias_k) ** 2
                count += 1
    return math.sqrt(square / count) if count else None


def _spans(trace: Trace) -> list[Span]:
    starts = [int(at_s / SAMPLE_S) for at_s in trace.course.starts_s()]
    last = len(trace.mean_c)
    ends = [*starts[1:], int(trace.course.hours * PER_HOUR)]
    return [
        Span(leg, begin, min(end, last))
        for leg, begin, end in zip(trace.course.legs, starts, ends, strict=True)
        if min(end, last) - begin > 1
    ]


def _came(trace: Trace, target_c: float, begin: int, end: int) -> int | None:
    bias_k = _bias_k(trace, begin, end)
    return next((n for n in range(begin, end) if abs(trace.mean_c[n] - bias_k - target_c) <= NEAR_K), None)


def _following(trace: Trace, spans: Sequence[Span], number: int, name: str) -> Hold | None:
    """The hold at a leg's target that follows it."""
    if number + 1 == len(spans):
        return None
    leg, begin, end = spans[number + 1]
    begin += min(SETTLING, (end - begin) // 2)
    return hold_of(trace, name, leg.target_c, begin, end) if end - begin > PER_HOUR else None


def _landing(
    trace: Trace, name: str, kind: str, target_c: float, begin: int, end: int, bias_k: float, half_k: float
) -> Landing:
    falls = trace.mean_c[begin] > target_c
    reached, past_k = None, 0.0
    for number in range(begin, end):
        left_k = trace.mean_c[number] - bias_k - target_c
        left_k = left_k if falls else -left_k
        if reached is None and left_k <= 0.1:
            reached = number
        if reached is not None:
            if number > reached + LANDING:
                break
            past_k = max(past_k, -left_k)
    hours = ((reached if reached is not None else end) - begin) * SAMPLE_S / HOUR_S
    shortest_k = trace.pulse_k(begin if reached is None else reached, SHORTEST_ON_S)
    return Landing(name, kind, None if reached is None else past_k, half_k, hours, shortest_k)


def _bias_k(trace: Trace, since: int, until: int, true_c: Sequence[float] | None = None) -> float:
    true_c = trace.mean_c if true_c is None else true_c
    differences = [m - f for m, f in zip(true_c[since:until], trace.felt_c[since:until], strict=True)]
    return sum(differences) / len(differences) if differences else 0.0


def _busiest(trace: Trace, loads_w: Sequence[float], since: int) -> int | None:
    day, most = int(DAY_S / SAMPLE_S), None
    for begin in range(0, len(loads_w) - day + 1, day):
        hours_w = [sum(loads_w[n : n + PER_HOUR]) for n in range(begin, begin + day, PER_HOUR)]
        least_w, most_w = sorted((min(hours_w), max(hours_w)), key=abs)
        if least_w * most_w <= 0.0 or abs(most_w) > STEADY_DAY * abs(least_w):
            continue
        last = since + min(begin + day, len(loads_w) - 1)
        for counts in (trace.cooler_starts, trace.heater_starts):
            most = max(most or 0, counts[last] - counts[since + begin])
    return most


def _coil_lag_s(trace: Trace) -> float:
    spec = trace.spec
    return spec.coil_l * GLYCOL_J_PER_L_K / spec.coil_w_per_k
