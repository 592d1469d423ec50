"""The panels of the chart page: one per vessel, one for bath and room. Each is HTML plus the data for its read-out."""

from collections.abc import Sequence
from typing import Any, NamedTuple

from controller.display import Display
from controller.hmi.lanes import (
    Frame,
    day_ticks,
    days_lane,
    days_long,
    drawing,
    duty_lane,
    gravity_lane,
    hourly_duties,
    marks_lane,
    marks_list,
    off_lane,
    off_ticks,
    plain,
    row,
    steps_lane,
)
from controller.hmi.recorder import Mark, Point, Surroundings, Trace
from controller.hmi.scale import WIDTH, Axis, axis, line, ribbon
from controller.hmi.words import number

_TALL, _BATH_TALL = 200.0, 110.0


class Panel(NamedTuple):
    """One panel and what the script reads out of it."""

    html: str
    data: dict[str, Any]


def vessel_panel(trace: Trace, frame: Frame, index: int, details: str) -> Panel:
    """A vessel: steps, wort against setpoint, gravities, cooler and heater, marks, days."""
    clock, display, points = frame.clock, frame.display, trace.points
    seen_c = [c for p in points for c in (p.coldest_c, p.warmest_c, p.low_c, p.high_c) if c is not None]
    scale = axis([display.in_temperature(c) for c in seen_c], 3.0)
    hours = hourly_duties(points, clock)
    rows = [
        row("steps", "", steps_lane(trace, clock), "lane steps"),
        row(f"°{display.temperature}", _ticks(scale), _wort(trace, scale, frame, index), "plot"),
        row("off by", off_ticks(display), off_lane(points, frame), "lane off"),
    ]
    if trace.gravities:
        rows.append(row("gravity", "", gravity_lane(trace.gravities, frame), "lane gravity"))
    for name, at in (("cooler", 2), ("heater", 3)):
        rows.append(duty_lane(name, [(hour[0], hour[1], hour[at]) for hour in hours]))
    if trace.marks:
        rows.append(row("events", "", marks_lane(trace.marks, frame), "lane marks"))
    rows.append(row("", "", days_lane(frame), "days"))
    batch = f" <span>{plain(trace.batch)}</span>" if trace.batch else " <span>no batch</span>"
    heading = f"{plain(trace.vessel)}{batch}"
    html = _figure(index, heading, _KEY, rows, details + marks_list(trace.marks, frame))
    return Panel(html, _vessel_data(points, display))


def surroundings_panel(rows: Sequence[Surroundings], marks: Sequence[Mark], frame: Frame, index: int) -> Panel:
    """Bath and room, apart from the vessels: they move on another scale."""
    clock, display = frame.clock, frame.display
    scale = axis(
        [display.in_temperature(c) for each in rows for c in (each.bath_c, each.room_c) if c is not None], 5.0, 4
    )
    bath = line([(clock.across(each.at_s), _down(each.bath_c, scale, _BATH_TALL, display)) for each in rows])
    room = line([(clock.across(each.at_s), _down(each.room_c, scale, _BATH_TALL, display)) for each in rows])
    paths = f'<path class="bath" d="{bath}"/><path class="room" d="{room}"/>'
    paths = _grid(scale, frame, _BATH_TALL) + paths
    picture = drawing(paths, _BATH_TALL, index, "Bath and room temperature over time.")
    html_rows = [row(f"°{display.temperature}", _ticks(scale), picture, "plot low")]
    if marks:
        html_rows.append(row("events", "", marks_lane(marks, frame), "lane marks"))
    html_rows.append(row("", "", days_lane(frame), "days"))
    key = '<span class="key"><i class="bath"></i>bath</span><span class="key"><i class="room"></i>room</span>'
    data = {
        "at": [round(each.at_s) for each in rows],
        "bath": [_shown(each.bath_c, display) for each in rows],
        "room": [_shown(each.room_c, display) for each in rows],
    }
    return Panel(_figure(index, "bath and room", key, html_rows, marks_list(marks, frame)), data)


_KEY = '<span class="key"><i class="wort"></i>wort</span><span class="key"><i class="set"></i>setpoint</span>'


def _figure(index: int, heading: str, key: str, rows: Sequence[str], after: str) -> str:
    return (
        f'<section class="panel" data-panel="{index}"><div class="head"><h2>{heading}</h2><p class="keys">{key}</p>'
        f'<p class="read" role="status"></p></div><div class="rows" tabindex="0" '
        f'aria-label="Chart; left and right arrow keys move the read-out">{"".join(rows)}'
        f'<div class="hairbox" aria-hidden="true"><div class="hair"></div></div></div>'
        f'<div class="more">{after}</div></section>\n'
    )


def _wort(trace: Trace, scale: Axis, frame: Frame, index: int) -> str:
    clock, display = frame.clock, frame.display
    band, wort, middle, low, high = [], [], [], [], []
    for point in trace.points:
        left, right = clock.across(point.at_s), clock.across(point.at_s + point.for_s)
        centre = (left + right) / 2
        coldest, warmest = _down(point.coldest_c, scale, _TALL, display), _down(point.warmest_c, scale, _TALL, display)
        bottom, top = _down(point.low_c, scale, _TALL, display), _down(point.high_c, scale, _TALL, display)
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
    what = f"Wort of {plain(trace.vessel)} against its setpoint over {days_long(clock):.1f} days."
    return drawing(inner, _TALL, index, what)


def _grid(scale: Axis, frame: Frame, height: float, trace: Trace | None = None) -> str:
    across = "".join(f"M0 {scale.down(tick, height):.1f}H{WIDTH:.0f}" for tick in scale.ticks)
    down = "".join(f"M{x * WIDTH:.1f} 0V{height:.0f}" for x, _ in day_ticks(frame))
    turns = trace.spans[1:] if trace else []
    steps = "".join(f"M{frame.clock.across(span.from_s):.1f} 0V{height:.0f}" for span in turns)
    return f'<path class="grid" d="{across}{down}"/><path class="turn" d="{steps}"/>'


def _ticks(scale: Axis) -> str:
    return "".join(
        f'<b style="top:{100 * scale.down(tick, 1.0):.2f}%">{tick:g}</b>'
        for tick in scale.ticks
        if 0.02 < scale.down(tick, 1.0) < 0.99
    )


def _down(celsius: float | None, scale: Axis, height: float, display: Display) -> float | None:
    return None if celsius is None else scale.down(display.in_temperature(celsius), height)


def _shown(celsius: float | None, display: Display) -> float | None:
    return None if celsius is None else number(display.in_temperature(celsius), 2)


def _vessel_data(points: Sequence[Point], display: Display) -> dict[str, Any]:
    return {
        "at": [round(point.at_s) for point in points],
        "coldest": [_shown(point.coldest_c, display) for point in points],
        "warmest": [_shown(point.warmest_c, display) for point in points],
        "low": [_shown(point.low_c, display) for point in points],
        "high": [_shown(point.high_c, display) for point in points],
        "cool": [round(point.cool * 100) for point in points],
        "heat": [round(point.heat * 100) for point in points],
    }
