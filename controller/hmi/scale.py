"""Axes and paths for charts: time runs across 0..1000, values run down 0..height of an SVG view box."""

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

WIDTH = 1000.0


class Axis(NamedTuple):
    """A linear axis from `low` to `high` with labelled `ticks` between them, all in the units of the data."""

    low: float
    high: float
    ticks: tuple[float, ...]

    def down(self, value: float, height: float) -> float:
        """How far below the top of `height` a value lies."""
        return height * (self.high - value) / (self.high - self.low)


class Clock(NamedTuple):
    """The time axis in s."""

    from_s: float
    to_s: float

    def across(self, at_s: float) -> float:
        """Position of a time, 0..1000, kept inside."""
        return WIDTH * min(max((at_s - self.from_s) / (self.to_s - self.from_s), 0.0), 1.0)


def axis(values: Iterable[float], least: float, most_ticks: int = 5) -> Axis:
    """An axis around finite `values`, at least `least` long, with ticks at 1, 2 or 5 times a power of ten."""
    known = [value for value in values if math.isfinite(value)]
    low, high = (min(known), max(known)) if known else (0.0, least)
    spare = max(least - (high - low), 0.08 * (high - low)) / 2
    low, high = low - spare, high + spare
    rough = (high - low) / most_ticks
    power = 10.0 ** math.floor(math.log10(rough))
    stride = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough * 0.999)
    first, last = math.ceil(low / stride - 1e-9), math.floor(high / stride + 1e-9)
    return Axis(low, high, tuple(round(stride * index, 6) for index in range(first, last + 1)))


def day_stride(days: float) -> float:
    """Days between labels of the time axis: at most about fifteen labels."""
    return next((s for s in (0.125, 0.25, 0.5, 1.0, 2.0, 7.0, 14.0) if days / s <= 15), 28.0)


def line(points: Sequence[tuple[float, float | None]]) -> str:
    """Path data through (across, down); a None breaks the line."""
    parts: list[str] = []
    pen = "M"
    for across, down in points:
        if down is None:
            pen = "M"
            continue
        parts.append(f"{pen}{_short(across)} {_short(down)}")
        pen = "L"
    return "".join(parts)


def ribbon(points: Sequence[tuple[float, float | None, float | None]]) -> str:
    """Path data of the areas between two edges (across, upper, lower); a None ends one area and begins the next."""
    parts: list[str] = []
    run: list[tuple[float, float, float]] = []
    for across, upper, lower in (*points, (0.0, None, None)):
        if upper is not None and lower is not None:
            run.append((across, upper, lower))
            continue
        if run:
            there = "L".join(f"{_short(x)} {_short(y)}" for x, y, _ in run)
            back = "L".join(f"{_short(x)} {_short(y)}" for x, _, y in reversed(run))
            parts.append(f"M{there}L{back}Z")
        run = []
    return "".join(parts)


def bars(shares: Sequence[tuple[float, float, float]], height: float) -> str:
    """Path data of bars (from across, to across, share 0..1) standing on the bottom of `height`."""
    return "".join(
        f"M{_short(left)} {_short(height)}V{_short(height * (1 - share))}H{_short(right)}V{_short(height)}Z"
        for left, right, share in shares
        if share > 0.004
    )


def _short(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
