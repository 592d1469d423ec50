"""The panels of the chart page: one per vessel, one for bath and room. Each is HTML plus the data for its read-out."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from html import escape
from typing import Any, NamedTuple

from controller.hmi.recorder import Mark, Point, Surroundings, Trace, merged
from controller.hmi.scale import WIDTH, Axis, Clock, axis, bars, day_stride, line, ribbon
from controller.hmi.words import number, printable, shown

_TALL, _BATH_TALL, _STRIP_TALL = 200.0, 110.0, 22.0
_MOST_BARS = 336
_SIGNS = {"alarm": "!", "action": "✓", "state": "•"}
_NEAR = 0.012  # marks nearer than this share of the width share one sign


class Frame(NamedTuple):
    """What all panels have in common: the time axis, the units, and the local time at its beginning."""

    clock: Clock
    units: str
    start: datetime | None


class Panel(NamedTuple):
    """One panel and what the script reads out of it."""

    html: str
    data: dict[str, Any]


def plain(text: str) -> str:
    """Free text, made harmless for HTML and for the eye."""
    return escape(printable(text))


def vessel_panel(trace: Trace, frame: Frame, index: int, details: str) -> Panel:
    """A vessel: steps, wort against setpoint, gravities, cooler and heater, marks, days."""
    clock, units, points = frame.clock, frame.units, trace.points
    seen_c = [c for p in points for c in (p.coldest_c, p.warmest_c, p.low_c, p.high_c) if c is not None]
    scale = axis([shown(c, units) for c in seen_c], 3.0)
    hours = _duties(points, clock)
    rows = [
        _row("steps", "", _spans(trace, clock), "lane steps"),
        _row(f"°{units}", _ticks(scale), _wort(trace, scale, frame, index), "plot"),
    ]
    if trace.gravities:
        rows.append(_row("gravity", "", _gravities(trace.gravities, clock), "lane gravity"))
    for name, at in (("cooler", 2), ("heater", 3)):
        if any(hour[at] for hour in hours):
            path = bars([(hour[0], hour[1], hour[at]) for hour in hours], _STRIP_TALL)
            rows.append(_row(name, "", _svg(f'<path class="{name}" d="{path}"/>', _STRIP_TALL), "lane strip"))
        else:
            rows.append(_row(name, "", "<p>never on</p>", "lane strip"))
    if trace.marks:
        rows.append(_row("events", "", _signs(trace.marks, clock), "lane marks"))
    rows.append(_row("", "", _days(frame), "days"))
    batch = f" <span>{plain(trace.batch)}</span>" if trace.batch else " <span>no batch</span>"
    html = _figure(index, f"{plain(trace.vessel)}{batch}", _KEY, rows, _list(trace.marks, clock) + details)
    return Panel(html, _vessel_data(points, units))


def surroundings_panel(rows: Sequence[Surroundings], marks: Sequence[Mark], frame: Frame, index: int) -> Panel:
    """Bath and room, apart from the vessels: they move on another scale."""
    clock, units = frame.clock, frame.units
    scale = axis([shown(c, units) for row in rows for c in (row.bath_c, row.room_c) if c is not None], 5.0, 4)
    bath = line([(clock.across(row.at_s), _down(row.bath_c, scale, _BATH_TALL, units)) for row in rows])
    room = line([(clock.across(row.at_s), _down(row.room_c, scale, _BATH_TALL, units)) for row in rows])
    paths = f'<path class="bath" d="{bath}"/><path class="room" d="{room}"/>'
    drawing = _svg(_grid(scale, frame, _BATH_TALL) + paths, _BATH_TALL, index, "Bath and room temperature over time.")
    html_rows = [_row(f"°{units}", _ticks(scale), drawing, "plot low")]
    if marks:
        html_rows.append(_row("events", "", _signs(marks, clock), "lane marks"))
    html_rows.append(_row("", "", _days(frame), "days"))
    key = '<span class="key"><i class="bath"></i>bath</span><span class="key"><i class="room"></i>room</span>'
    data = {
        "at": [round(row.at_s) for row in rows],
        "bath": [_shown(row.bath_c, units) for row in rows],
        "room": [_shown(row.room_c, units) for row in rows],
    }
    return Panel(_figure(index, "bath and room", key, html_rows, _list(marks, clock)), data)


_KEY = '<span class="key"><i class="wort"></i>wort</span><span class="key"><i class="set"></i>setpoint</span>'


def _figure(index: int, heading: str, key: str, rows: Sequence[str], after: str) -> str:
    return (
        f'<section class="panel" data-panel="{index}"><div class="head"><h2>{heading}</h2><p class="keys">{key}</p>'
        f'<p class="read" role="status"></p></div><div class="rows" tabindex="0" '
        f'aria-label="Chart; left and right arrow keys move the read-out">{"".join(rows)}'
        f'<div class="hairbox" aria-hidden="true"><div class="hair"></div></div></div>{after}</section>\n'
    )


def _row(label: str, ticks: str, field: str, kind: str) -> str:
    gutter = f'<div class="gutter"><span>{label}</span>{ticks}</div>'
    return f'<div class="row {kind}">{gutter}<div class="field">{field}</div></div>'


def _svg(inner: str, height: float, index: int | None = None, what: str = "") -> str:
    head = f'<svg viewBox="0 0 {WIDTH:.0f} {height:.0f}" preserveAspectRatio="none"'
    if index is None:
        return f'{head} aria-hidden="true">{inner}</svg>'
    title, description = f"t{index}", f"d{index}"
    return (
        f'{head} role="img" aria-labelledby="{title} {description}"><title id="{title}">Temperature</title>'
        f'<desc id="{description}">{what}</desc>{inner}</svg>'
    )


def _wort(trace: Trace, scale: Axis, frame: Frame, index: int) -> str:
    clock, units = frame.clock, frame.units
    band, wort, middle, low, high = [], [], [], [], []
    for point in trace.points:
        left, right = clock.across(point.at_s), clock.across(point.at_s + point.for_s)
        centre = (left + right) / 2
        coldest, warmest = _down(point.coldest_c, scale, _TALL, units), _down(point.warmest_c, scale, _TALL, units)
        bottom, top = _down(point.low_c, scale, _TALL, units), _down(point.high_c, scale, _TALL, units)
        wort.append((centre, warmest, coldest))
        middle.append((centre, None if coldest is None or warmest is None else (coldest + warmest) / 2))
        for across in (left, right):
            band.append((across, top, bottom))
            low.append((across, bottom))
            high.append((across, top))
    inner = (
        f'{_grid(scale, frame, _TALL, trace)}<path class="band" d="{ribbon(band)}"/>'
        f'<path class="set" d="{line(low)}"/><path class="set" d="{line(high)}"/>'
        f'<path class="spread" d="{ribbon(wort)}"/><path class="wort" d="{line(middle)}"/>'
    )
    what = f"Wort of {plain(trace.vessel)} against its setpoint over {_days_long(clock):.1f} days."
    return _svg(inner, _TALL, index, what)


def _grid(scale: Axis, frame: Frame, height: float, trace: Trace | None = None) -> str:
    across = "".join(f"M0 {scale.down(tick, height):.1f}H{WIDTH:.0f}" for tick in scale.ticks)
    down = "".join(f"M{x * WIDTH:.1f} 0V{height:.0f}" for x, _ in _day_ticks(frame))
    turns = trace.spans[1:] if trace else []
    steps = "".join(f"M{frame.clock.across(span.from_s):.1f} 0V{height:.0f}" for span in turns)
    return f'<path class="grid" d="{across}{down}"/><path class="turn" d="{steps}"/>'


def _ticks(scale: Axis) -> str:
    return "".join(
        f'<b style="top:{100 * scale.down(tick, 1.0):.2f}%">{tick:g}</b>'
        for tick in scale.ticks
        if 0.02 < scale.down(tick, 1.0) < 0.99
    )


def _spans(trace: Trace, clock: Clock) -> str:
    parts = []
    for span in trace.spans:
        left, right = clock.across(span.from_s) / 10, clock.across(span.to_s) / 10
        name = plain(span.name)
        parts.append(f'<span style="left:{left:.2f}%;width:{right - left:.2f}%" title="{name}">{name}</span>')
    return "".join(parts)


def _gravities(gravities: Sequence[tuple[float, float]], clock: Clock) -> str:
    scale = axis([gravity for _, gravity in gravities], 0.02)
    dots, last = [], -1.0
    for at_s, gravity in gravities:
        left, top = clock.across(at_s) / WIDTH, scale.down(gravity, 1.0)
        named = left - last > 0.055
        last = left if named else last
        side = ' class="left"' if left > 0.93 else ""
        text = f"<em{side}>{gravity:.3f}</em>" if named else ""
        place = f"left:{left * 100:.2f}%;top:{top * 70 + 15:.1f}%"
        dots.append(f'<span style="{place}" title="gravity {gravity:.3f}">{text}</span>')
    return "".join(dots)


def _duties(points: Sequence[Point], clock: Clock) -> list[tuple[float, float, float, float]]:
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


def _signs(marks: Sequence[Mark], clock: Clock) -> str:
    """A sign with the numbers of the events it stands for; near ones share a sign."""
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
        told = f"{numbers[0]}–{numbers[-1]}" if len(numbers) > 1 else f"{numbers[0]}"
        words = plain("; ".join(ordered[each - 1].text for each in numbers))
        sign = f"{_SIGNS[worst]}<sub>{told}</sub>"
        parts.append(f'<span class="{worst}" style="left:{left * 100:.2f}%" title="{words}">{sign}</span>')
    return "".join(parts)


def _list(marks: Iterable[Mark], clock: Clock) -> str:
    items = "".join(
        f"<li><b>day {(mark.at_s - clock.from_s) / 86400:.1f}</b> "
        f'<span class="{mark.kind}">{_SIGNS[mark.kind]}</span> {plain(mark.text)}</li>'
        for mark in sorted(marks)
    )
    return f"<details><summary>Events</summary><ol>{items}</ol></details>" if items else ""


def _day_ticks(frame: Frame) -> list[tuple[float, str]]:
    """Where the days begin, as share 0..1 of the width, and what to write there."""
    days, stride = _days_long(frame.clock), day_stride(_days_long(frame.clock))
    offset = 0.0
    if frame.start is not None:
        midnight = frame.start.replace(hour=0, minute=0, second=0, microsecond=0)
        offset = (midnight - frame.start).total_seconds() / 86400  # local midnights, not 24 h after the start
    ticks = []
    for index in range(int((days - offset) / stride) + 1):
        day = offset + index * stride
        if 0 <= day <= days:
            ticks.append((day / days, _day_label(day, stride, frame.start)))
    return ticks


def _day_label(day: float, stride: float, start: datetime | None) -> str:
    if start is None:
        return f"day {day:g}"
    when = start + timedelta(days=day)
    return f"{when:%a} {when.day}" if stride >= 1 or when.hour == 0 else f"{when:%H:%M}"


def _days(frame: Frame) -> str:
    return "".join(f'<span style="left:{x * 100:.2f}%">{label}</span>' for x, label in _day_ticks(frame) if x < 0.97)


def _days_long(clock: Clock) -> float:
    return (clock.to_s - clock.from_s) / 86400


def _down(celsius: float | None, scale: Axis, height: float, units: str) -> float | None:
    return None if celsius is None else scale.down(shown(celsius, units), height)


def _shown(celsius: float | None, units: str) -> float | None:
    return None if celsius is None else number(shown(celsius, units), 2)


def _vessel_data(points: Sequence[Point], units: str) -> dict[str, Any]:
    return {
        "at": [round(point.at_s) for point in points],
        "coldest": [_shown(point.coldest_c, units) for point in points],
        "warmest": [_shown(point.warmest_c, units) for point in points],
        "low": [_shown(point.low_c, units) for point in points],
        "high": [_shown(point.high_c, units) for point in points],
        "cool": [round(point.cool * 100) for point in points],
        "heat": [round(point.heat * 100) for point in points],
    }
