"""The narrow lanes of a chart panel: steps, deviation, gravities, duties, events, days. Each gives HTML as text."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from html import escape
from typing import NamedTuple

from controller.display import Display
from controller.hmi.recorder import Mark, Point, Trace, merged
from controller.hmi.scale import WIDTH, Clock, axis, bars, day_stride, ribbon
from controller.hmi.tally import BAND_K
from controller.hmi.words import printable, share_text, told

_OFF_TALL, _OFF_K = 40.0, 1.0
_STRIP_TALL = 22.0
_MOST_BARS = 336
_SIGNS = {"alarm": "!", "action": "✓", "state": "•"}
_NEAR = 0.04  # marks nearer than this share of the width share one sign


class Frame(NamedTuple):
    """What all panels have in common: the time axis, how people want to see figures, and UTC at its beginning."""

    clock: Clock
    display: Display
    start_utc_s: float | None

    def local(self, at_s: float) -> datetime | None:
        """The site's time of day at a moment of the time axis; None where UTC is not known."""
        return None if self.start_utc_s is None else self.display.local(self.start_utc_s + at_s - self.clock.from_s)


def plain(text: str) -> str:
    """Free text, made harmless for HTML and for the eye."""
    return escape(printable(text))


def row(label: str, ticks: str, field: str, kind: str) -> str:
    """One lane: `label` and `ticks` in the gutter, `field` beside them; `kind` names its classes in the style sheet."""
    gutter = f'<div class="gutter"><span>{label}</span>{ticks}</div>'
    return f'<div class="row {kind}">{gutter}<div class="field">{field}</div></div>'


def drawing(inner: str, height: float, index: int | None = None, what: str = "") -> str:
    """An SVG picture that stretches with its field; with an `index` it has a title and description."""
    head = f'<svg viewBox="0 0 {WIDTH:.0f} {height:.0f}" preserveAspectRatio="none"'
    if index is None:
        return f'{head} aria-hidden="true">{inner}</svg>'
    title, description = f"t{index}", f"d{index}"
    return (
        f'{head} role="img" aria-labelledby="{title} {description}"><title id="{title}">Temperature</title>'
        f'<desc id="{description}">{what}</desc>{inner}</svg>'
    )


def off_ticks(display: Display) -> str:
    """Labels for the edges of the good band in a deviation lane."""
    above, below = display.difference_text(BAND_K), display.difference_text(-BAND_K)
    return f'<b style="top:25%">{above}</b><b style="top:75%">{below}</b>'


def off_lane(points: Sequence[Point], frame: Frame) -> str:
    """The wort's deviation on a scale of its own, where tenths of a kelvin can be seen; beyond it is cut off."""
    edges: list[tuple[float, float | None, float | None]] = []
    for point in points:
        across = frame.clock.across(point.at_s + point.for_s / 2)
        if point.coldest_c is None or point.warmest_c is None or point.low_c is None or point.high_c is None:
            edges.append((across, None, None))
            continue
        upper_k = max(point.warmest_c - point.high_c, min(point.warmest_c - point.low_c, 0.0))
        lower_k = min(point.coldest_c - point.low_c, max(point.coldest_c - point.high_c, 0.0))
        # Never thinner than a line can be seen.
        edges.append((across, _off_down(upper_k) - 0.4, _off_down(lower_k) + 0.4))
    middle, top, bottom = _off_down(0.0), _off_down(BAND_K), _off_down(-BAND_K)
    inner = (
        f'<path class="good" d="M0 {top:.1f}H{WIDTH:.0f}V{bottom:.1f}H0Z"/>'
        f'<path class="grid" d="M0 {middle:.1f}H{WIDTH:.0f}"/>'
        f'<path class="spread" d="{ribbon(edges)}"/>'
    )
    return drawing(inner, _OFF_TALL)


def _off_down(off_k: float) -> float:
    return _OFF_TALL * (0.5 - min(max(off_k / _OFF_K, -1.0), 1.0) / 2)


def duty_lane(name: str, duties: Sequence[tuple[float, float, float]]) -> str:
    """An output as bars of duty 0..1, scaled to the least full share that holds them; (from, to, duty) each."""
    most = max((duty for _, _, duty in duties), default=0.0)
    if most <= 0.0:
        return row(name, "", "<p>never on</p>", "lane strip")
    full = next(share for share in (0.05, 0.1, 0.25, 0.5, 1.0) if most <= share)
    path = bars([(left, right, duty / full) for left, right, duty in duties], _STRIP_TALL)
    picture = drawing(f'<path class="{name}" d="{path}"/>', _STRIP_TALL)
    return row(f"{name}<br>to {share_text(full)}", "", picture, "lane strip")


def steps_lane(trace: Trace, clock: Clock) -> str:
    """The steps as labelled spans."""
    parts = []
    for span in trace.spans:
        left, right = clock.across(span.from_s) / 10, clock.across(span.to_s) / 10
        name = plain(span.name)
        parts.append(f'<span style="left:{left:.2f}%;width:{right - left:.2f}%" title="{name}"><i>{name}</i></span>')
    return "".join(parts)


def gravity_lane(gravities: Sequence[tuple[float, float]], frame: Frame) -> str:
    """Dots; a number at those that tell something new, where there is room for it."""
    clock = frame.clock
    scale = axis([gravity for _, gravity in gravities], 0.02)
    dots, named_at, named = [], -1.0, 0.0
    for at_s, gravity in gravities:
        left, top = clock.across(at_s) / WIDTH, scale.down(gravity, 1.0)
        new = abs(gravity - named) >= 0.0015 or (at_s, gravity) == gravities[-1]
        tells = new and left - named_at > 0.055
        if tells:
            named_at, named = left, gravity
        side = ' class="left"' if left > 0.95 else ""
        shown = frame.display.gravity_text(gravity)
        text = f"<em{side}>{shown}</em>" if tells else ""
        place = f"left:{left * 100:.2f}%;top:{top * 50 + 40:.1f}%"
        dots.append(f'<span style="{place}" title="gravity {shown}">{text}</span>')
    return "".join(dots)


def hourly_duties(points: Sequence[Point], clock: Clock) -> list[tuple[float, float, float, float]]:
    """(from, to, cooler, heater) of about an hour each, longer for long runs."""
    width_s = max(3600.0, (clock.to_s - clock.from_s) / _MOST_BARS)
    hours: dict[int, list[Point]] = {}
    for point in points:
        hours.setdefault(int((point.at_s - clock.from_s) / width_s), []).append(point)
    found = []
    for hour, group in sorted(hours.items()):
        whole, begin_s = merged(group), clock.from_s + hour * width_s
        found.append((clock.across(begin_s), clock.across(begin_s + width_s), whole.cool, whole.heat))
    return found


def marks_lane(marks: Sequence[Mark], frame: Frame) -> str:
    """A sign with the numbers of the events it stands for; near ones share a sign."""
    clock = frame.clock
    groups: list[tuple[float, list[int]]] = []
    ordered = sorted(marks)
    for number_of, mark in enumerate(ordered, 1):
        left = clock.across(mark.at_s) / WIDTH
        if groups and left - groups[-1][0] < _NEAR:
            groups[-1][1].append(number_of)
        else:
            groups.append((left, [number_of]))
    parts = []
    for left, numbers in groups:
        kinds = {ordered[each - 1].kind for each in numbers}
        worst = next(kind for kind in _SIGNS if kind in kinds)
        span = f"{numbers[0]}–{numbers[-1]}" if len(numbers) > 1 else f"{numbers[0]}"
        words = plain(told("; ".join(ordered[each - 1].text for each in numbers), frame.display))
        sign = f"{_SIGNS[worst]}<sub>{span}</sub>"
        parts.append(f'<span class="{worst}" style="left:{left * 100:.2f}%" title="{words}">{sign}</span>')
    return "".join(parts)


def marks_list(marks: Iterable[Mark], frame: Frame) -> str:
    """All marks in words, numbered as their signs are."""
    items = "".join(
        f"<li><b>{_when(mark.at_s, frame)}</b> "
        f'<span class="{mark.kind}">{_SIGNS[mark.kind]}</span> {plain(told(mark.text, frame.display))}</li>'
        for mark in sorted(marks)
    )
    return f"<details><summary>Events</summary><ol>{items}</ol></details>" if items else ""


def _when(at_s: float, frame: Frame) -> str:
    local = frame.local(at_s)
    clock = "" if local is None else f", {local:%a} {local.day} {local:%b %H:%M}"
    return f"day {(at_s - frame.clock.from_s) / 86400:.1f}{clock}"


def day_ticks(frame: Frame) -> list[tuple[float, str]]:
    """Where the days begin, as share 0..1 of the width, and what to write there. Days are those of the site's
    calendar where UTC is known: one of 23 or 25 hours is that long on the axis too."""
    days, stride = days_long(frame.clock), day_stride(days_long(frame.clock))
    start = frame.local(frame.clock.from_s)
    ticks = []
    if start is None or frame.start_utc_s is None:
        return [(i * stride / days, f"day {i * stride:g}") for i in range(int(days / stride) + 1)]
    midnight = start.replace(hour=0, minute=0, second=0)
    for index in range(int((days + 2) / stride) + 1):
        moment = midnight + timedelta(days=index * stride)  # by the calendar and the clock on the wall
        share = (moment.timestamp() - frame.start_utc_s) / 86400 / days
        if 0 <= share <= 1:
            whole = stride >= 1 or moment.hour == 0
            ticks.append((share, f"{moment:%a} {moment.day}" if whole else f"{moment:%H:%M}"))
    return ticks


def clock_changes(frame: Frame) -> list[tuple[float, float]]:
    """From when on (s on the time axis) how many seconds the site's clock is ahead of UTC, for the read-out."""
    found: list[tuple[float, float]] = []
    at_s = frame.clock.from_s
    while frame.start_utc_s is not None and at_s < frame.clock.to_s:
        utc_s = frame.start_utc_s + at_s - frame.clock.from_s
        ahead = frame.display.local(utc_s).utcoffset() or timedelta()
        if not found or found[-1][1] != ahead.total_seconds():
            found.append((at_s, ahead.total_seconds()))
        at_s += 900.0 - utc_s % 900.0  # clocks change on a quarter of an hour
    return found


def days_lane(frame: Frame) -> str:
    """The labels of the time axis."""
    return "".join(f'<span style="left:{x * 100:.2f}%">{label}</span>' for x, label in day_ticks(frame) if x < 0.97)


def days_long(clock: Clock) -> float:
    """Length of the time axis in days."""
    return (clock.to_s - clock.from_s) / 86400
