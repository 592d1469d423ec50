"""What process gives these temperatures for that heat: gain, lags and dead time by least squares.

The model: heat u arrives after a dead time, through one short lag (coil, wrap, thermowell), at a wort that gains or
loses heat by itself at a steady rate, and may settle by itself with a long lag. A slowly cooled vessel is nearly
integrating: then only the slope k' in K/s per W, which is the gain over the long lag, can be seen, and the long lag is
infinite. For a given dead time and lags the rest is linear, so that only those three are searched for.
"""

from collections.abc import Iterator, Sequence
from itertools import product
from math import exp, inf, isfinite, log, sqrt
from operator import mul
from typing import NamedTuple

LEAST_SAMPLES, MOST_SAMPLES = 20, 160  # more tell little that is new, and the search takes their time
# Total delays to begin the search at, and long lags to be tried, as shares of the record's length; and how the total is
# divided between lag and dead time. Our choice.
DELAYS = (0.004, 0.01, 0.02, 0.04, 0.07, 0.12, 0.2, 0.3)
LAG_SHARES = (0.0, 0.5)
LONG_LAGS = (0.06, 0.2, 0.6, 2.0)
FINEST = 0.02  # of an interval, to which the delays are sought
LONGEST_SEARCH = 40  # rounds
# A finite long lag is believed when it explains the record better by so much (Schwarz's criterion, Annals of Statistics
# 6 (1978) 461-464, asks for ln n; this is somewhat stricter).
BETTER = 10.0


class Sample(NamedTuple):
    """Means over one interval: the wort, and the heat that the outputs gave by the site file's figures."""

    celsius: float
    heat_w: float


class Fit(NamedTuple):
    """The process that explains the record best. `slope_k_per_j` is k' in K/s per W; `settles_s` the long lag, None
    where the vessel integrates; `lag_s` the short one. `slope_sd` (a share) and `delay_sd_s` (of the dead time) are
    standard deviations by the residuals, which are `off_k` rms; `moved_k` is what the heat did, from end to end;
    `drift_k_per_s` what the wort did by itself at the beginning."""

    slope_k_per_j: float
    settles_s: float | None
    lag_s: float
    dead_time_s: float
    slope_sd: float
    delay_sd_s: float
    off_k: float
    moved_k: float
    drift_k_per_s: float


def fitted(samples: Sequence[Sample], interval_s: float) -> Fit | None:
    """The best process for samples that begin with the plant at rest; None where nothing can be told from them."""
    if len(samples) < LEAST_SAMPLES or len({sample.heat_w for sample in samples}) < 2:
        return None
    while len(samples) > MOST_SAMPLES:
        samples, interval_s = halved(samples), 2.0 * interval_s
    search = _Search(samples, interval_s)
    best, better = (
        search.refined(min((search.tried(*each) for each in search.grid(long)), key=_misfit))
        for long in ((inf,), LONG_LAGS)
    )
    if better.misfit < best.misfit and search.certainty(best) * log(best.misfit / max(better.misfit, 1e-300)) > BETTER:
        best = better
    return search.told(best)


def halved(samples: Sequence[Sample]) -> tuple[Sample, ...]:
    """The record with intervals twice as long; an odd one at its end is left out."""
    pairs = zip(samples[::2], samples[1::2], strict=False)
    return tuple(Sample(0.5 * (a.celsius + b.celsius), 0.5 * (a.heat_w + b.heat_w)) for a, b in pairs)


class _Trial(NamedTuple):
    """One candidate: its delays in s, the sum of squares that it leaves."""

    dead_time_s: float
    lag_s: float
    settles_s: float
    misfit: float


def _misfit(trial: _Trial) -> float:
    return trial.misfit


class _Search:
    """The record, and what candidates make of it."""

    def __init__(self, samples: Sequence[Sample], interval_s: float) -> None:
        self.interval_s, self.count = interval_s, len(samples)
        self.length_s = interval_s * self.count
        self.first_c = samples[0].celsius
        self.seen = [sample.celsius - self.first_c for sample in samples]
        self.given_j = [0.0]  # by the beginning of each interval
        for sample in samples:
            self.given_j.append(self.given_j[-1] + sample.heat_w * interval_s)

    def tried(self, dead_time_s: float, lag_s: float, settles_s: float) -> _Trial:
        """A candidate, judged."""
        columns = self.columns(dead_time_s, lag_s, settles_s)
        solved = least_squares(columns, self.seen)
        return _Trial(dead_time_s, lag_s, settles_s, solved.misfit if solved else inf)

    def grid(self, long: Sequence[float]) -> Iterator[tuple[float, float, float]]:
        """Where to begin."""
        for total, share, settles in product(DELAYS, LAG_SHARES, long):
            if share * total <= settles:
                yield (
                    total * (1.0 - share) * self.length_s,
                    total * share * self.length_s,
                    settles * self.length_s,
                )

    def refined(self, best: _Trial) -> _Trial:
        """The best candidate around this one, by steps along one figure or two at a time."""
        step_s = 0.25 * max(best.dead_time_s + best.lag_s, self.interval_s)
        factor = 1.5
        for _ in range(LONGEST_SEARCH):
            theta_s, lag_s, settles_s = best.dead_time_s, best.lag_s, best.settles_s
            around = [
                (theta_s + a * step_s, lag_s + b * step_s, settles_s)
                for a, b in ((1, 0), (-1, 0), (0, 1), (0, -1), (1, -1), (-1, 1))
                if theta_s + a * step_s >= 0.0 and lag_s + b * step_s >= 0.0
            ]
            if settles_s < inf:
                around += [(theta_s, lag_s, settles_s * factor)]
                around += [(theta_s, lag_s, settles_s / factor)] if settles_s / factor >= lag_s else []
            found = min((self.tried(*each) for each in around), key=_misfit)
            if found.misfit < best.misfit:
                best = found
                continue
            step_s, factor = 0.5 * step_s, sqrt(factor)
            if step_s < FINEST * self.interval_s:
                break
        return best

    def columns(self, dead_time_s: float, lag_s: float, settles_s: float) -> list[list[float]]:
        """Of the linear part: where the wort began, its own drift, what a watt did."""
        middles = [(i + 0.5) * self.interval_s for i in range(self.count)]
        drift = middles if settles_s == inf else [settles_s * (1.0 - exp(-at_s / settles_s)) for at_s in middles]
        return [[1.0] * self.count, drift, self.answer(dead_time_s, lag_s, settles_s)]

    def answer(self, dead_time_s: float, lag_s: float, settles_s: float) -> list[float]:
        """The mean of each interval of y, with y' = z - y / settles, and z the heat after dead time and lag."""
        dt_s, given_j = self.interval_s, self.given_j
        whole, part = divmod(dead_time_s / dt_s, 1.0)
        back = int(whole)
        stays = exp(-dt_s / lag_s) if lag_s > 0.0 else 0.0
        mean_share = lag_s / dt_s * (1.0 - stays) if lag_s > 0.0 else 0.0
        kept = 1.0 if settles_s == inf else exp(-dt_s / settles_s)
        through_s = dt_s if settles_s == inf else settles_s * (1.0 - kept)
        y = z = before_j = 0.0
        found = []
        for i in range(1, self.count + 1):
            at = i - back
            now_j = given_j[at] - part * (given_j[at] - given_j[at - 1]) if at > 0 else 0.0
            u = (now_j - before_j) / dt_s
            before_j = now_j
            after = kept * y + through_s * (u + (z - u) * mean_share)
            z = u + (z - u) * stays
            found.append(0.5 * (y + after))
            y = after
        return found

    def certainty(self, trial: _Trial) -> float:
        """How many independent samples the record is worth: residuals that follow each other count for less."""
        solved = least_squares(self.columns(*trial[:3]), self.seen)
        return self._worth(solved.residuals) if solved else 0.0

    def _worth(self, residuals: list[float]) -> float:
        square = sum(map(mul, residuals, residuals))
        alike = sum(map(mul, residuals, residuals[1:])) / square if square > 0.0 else 0.0
        alike = min(max(alike, 0.0), 0.98)
        return self.count * (1.0 - alike) / (1.0 + alike)

    def told(self, trial: _Trial) -> Fit | None:
        """The candidate as a result, with how sure it is."""
        theta_s, lag_s, settles_s, _ = trial
        columns = self.columns(theta_s, lag_s, settles_s)
        solved = least_squares(columns, self.seen)
        if solved is None or not solved.factors[2] > 0.0:
            return None  # a wort that goes against the heat that it gets
        slope, drift = solved.factors[2], solved.factors[1]
        h_s = 0.5 * self.interval_s
        later = self.answer(theta_s + h_s, lag_s, settles_s)
        by_delay = [slope * (after - now) / h_s for after, now in zip(later, columns[2], strict=True)]
        wider = least_squares([*columns, by_delay], self.seen)
        if wider is None:
            return None
        worth = max(self._worth(solved.residuals), 1.0)
        variance = solved.misfit / worth
        off_k = sqrt(solved.misfit / self.count)
        moved_k = slope * (max(columns[2]) - min(columns[2]))
        fit = Fit(
            slope, None if settles_s == inf else settles_s, lag_s, theta_s,
            sqrt(variance * wider.spread[2]) / slope, sqrt(variance * wider.spread[3]), off_k, moved_k, drift,
        )  # fmt: skip
        return fit if all(isfinite(figure) for figure in fit if figure is not None) else None


class Solved(NamedTuple):
    """Of a linear least-squares problem: the factors, the diagonal of the inverse normal matrix, what is left."""

    factors: list[float]
    spread: list[float]
    residuals: list[float]
    misfit: float


def least_squares(columns: Sequence[Sequence[float]], seen: Sequence[float]) -> Solved | None:
    """Factors of the columns whose sum comes nearest to `seen`; None where two columns are the same."""
    n = len(columns)
    scales = [sqrt(sum(map(mul, column, column))) for column in columns]
    if not all(scale > 0.0 and isfinite(scale) for scale in scales):
        return None
    rows = [
        [sum(map(mul, columns[i], columns[j])) / (scales[i] * scales[j]) for j in range(n)]
        + [sum(map(mul, columns[i], seen)) / scales[i]]
        + [1.0 if i == j else 0.0 for j in range(n)]
        for i in range(n)
    ]
    for i in range(n):  # Gauss and Jordan, with the largest pivot
        pivot = max(range(i, n), key=lambda row: abs(rows[row][i]))
        if abs(rows[pivot][i]) < 1e-11:
            return None
        rows[i], rows[pivot] = rows[pivot], rows[i]
        rows[i] = [figure / rows[i][i] for figure in rows[i]]
        for j in range(n):
            if j != i and rows[j][i]:
                by = rows[j][i]
                rows[j] = [figure - by * other for figure, other in zip(rows[j], rows[i], strict=True)]
    factors = [rows[i][n] / scales[i] for i in range(n)]
    spread = [max(rows[i][n + 1 + i], 0.0) / scales[i] ** 2 for i in range(n)]
    residuals = list(seen)
    for factor, column in zip(factors, columns, strict=True):
        residuals = [left - factor * figure for left, figure in zip(residuals, column, strict=True)]
    return Solved(factors, spread, residuals, sum(map(mul, residuals, residuals)))
