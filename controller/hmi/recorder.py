"""What a chart needs of a run, kept small: per vessel the coldest and warmest wort of every few minutes.

Fed every scan like the tally. Merging keeps extremes, so a spike of one scan is still seen after a month.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.control.site import Site
from controller.control.state import AlarmPhase, OutputState, SiteState, VesselState
from controller.control.values import Drive, Record, RecordKind
from controller.hmi.waits import step_of
from controller.hmi.words import trusted_c


class Point(NamedTuple):
    """One stretch of time of one vessel, from `at_s` for `for_s`. Wort and setpoint in °C (None: not known),
    `cool` and `heat` as the share 0..1 of the stretch in which the output was on."""

    at_s: float
    for_s: float
    coldest_c: float | None
    warmest_c: float | None
    low_c: float | None
    high_c: float | None
    cool: float
    heat: float


class Surroundings(NamedTuple):
    """Bath and room, in °C, at `at_s`."""

    at_s: float
    bath_c: float | None
    room_c: float | None


class Span(NamedTuple):
    """A step's stay on the time axis."""

    name: str
    from_s: float
    to_s: float


class Mark(NamedTuple):
    """Something that happened: `kind` is "alarm", "action" or "state"."""

    at_s: float
    kind: str
    text: str


@dataclass(slots=True)
class Trace:
    """One vessel over time. `gravities` are (at_s, specific gravity)."""

    vessel: str
    batch: str = ""
    points: list[Point] = field(default_factory=list)
    spans: list[Span] = field(default_factory=list)
    gravities: list[tuple[float, float]] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)


_STRETCH_S = 300.0
_JUMP_K = 0.2


class Recorder:
    """Keeps a `Trace` per vessel, `surroundings`, and `marks` of the site itself."""

    def __init__(self) -> None:
        self.traces: dict[str, Trace] = {}
        self.surroundings: list[Surroundings] = []
        self.marks: list[Mark] = []

    def add(self, site: Site, state: SiteState, dt_s: float, records: Iterable[Record] = ()) -> None:
        """Note one scan: `dt_s` is the time that `state` stands for, in s."""
        begin_s = state.now_s - dt_s
        for vessel in site.vessels:
            trace = self.traces.get(vessel.name)
            if trace is None:
                trace = self.traces[vessel.name] = Trace(vessel.name)
            now = state.vessels[vessel.name]
            _extend(trace.points, now, begin_s, dt_s)
            _note_batch(trace, now, begin_s, state.now_s)
        if not self.surroundings or begin_s - self.surroundings[-1].at_s >= _STRETCH_S:
            bath_c = trusted_c(state.signals, site.bath.probes) if site.bath else None
            room_c = trusted_c(state.signals, (site.room,)) if site.room else None
            self.surroundings.append(Surroundings(begin_s, bath_c, room_c))
        for record in records:
            mark = _mark(record)
            if mark is not None:
                (self.traces[record.vessel].marks if record.vessel in self.traces else self.marks).append(mark)


def merged(points: Sequence[Point]) -> Point:
    """One point that stands for several: coldest, warmest and the widest setpoint are kept, duties averaged by time."""
    for_s = sum(point.for_s for point in points)
    weight = for_s or 1.0
    return Point(
        points[0].at_s,
        for_s,
        min((p.coldest_c for p in points if p.coldest_c is not None), default=None),
        max((p.warmest_c for p in points if p.warmest_c is not None), default=None),
        min((p.low_c for p in points if p.low_c is not None), default=None),
        max((p.high_c for p in points if p.high_c is not None), default=None),
        sum(p.cool * p.for_s for p in points) / weight,
        sum(p.heat * p.for_s for p in points) / weight,
    )


def thinned(points: Sequence[Point], most: int) -> list[Point]:
    """At most `most` points over the same time; no extreme is lost."""
    size = math.ceil(len(points) / most) if most > 0 else 1
    if size <= 1:
        return list(points)
    return [merged(points[start : start + size]) for start in range(0, len(points), size)]


def _on(output: OutputState | None) -> float:
    return 1.0 if output is not None and output.on else 0.0


def _extend(points: list[Point], now: VesselState, begin_s: float, dt_s: float) -> None:
    """Add one scan to the newest point, or begin another."""
    wort = now.estimate
    wort_c = wort.celsius if wort.drive is not Drive.NOTHING else None
    low_c, high_c = now.setpoint if now.setpoint is not None else (None, None)
    cool, heat = _on(now.cooler), _on(now.heater)
    last = points[-1] if points else None
    if last is None or last.for_s + dt_s > _STRETCH_S or not _alike(last, wort_c, low_c, high_c):
        points.append(Point(begin_s, dt_s, wort_c, wort_c, low_c, high_c, cool, heat))
        return
    coldest_c, warmest_c = last.coldest_c, last.warmest_c
    if wort_c is not None and coldest_c is not None and warmest_c is not None:
        coldest_c, warmest_c = min(coldest_c, wort_c), max(warmest_c, wort_c)
    for_s = last.for_s + dt_s
    share = dt_s / for_s
    cool, heat = last.cool + (cool - last.cool) * share, last.heat + (heat - last.heat) * share
    # The newer setpoint, not both: so a ramp stays a line.
    points[-1] = Point(last.at_s, for_s, coldest_c, warmest_c, low_c, high_c, cool, heat)


def _alike(last: Point, wort_c: float | None, low_c: float | None, high_c: float | None) -> bool:
    """Whether a scan may join a point: no jump of the setpoint, both with or both without a temperature."""
    if (last.coldest_c is None) != (wort_c is None):
        return False
    if last.low_c is None or low_c is None or last.high_c is None or high_c is None:
        return last.low_c is low_c
    return abs(last.low_c - low_c) < _JUMP_K and abs(last.high_c - high_c) < _JUMP_K


def _note_batch(trace: Trace, now: VesselState, begin_s: float, end_s: float) -> None:
    batch = now.batch
    if batch is None:
        return
    trace.batch = batch.name
    if len(batch.gravities) and (not trace.gravities or batch.gravities[-1].at_s > trace.gravities[-1][0]):
        newest = batch.gravities[-1]
        trace.gravities.append((newest.at_s, newest.gravity))
    step = step_of(now)
    name = step.name if step is not None else now.condition.value
    last = trace.spans[-1] if trace.spans else None
    if last is not None and last.name == name and begin_s - last.to_s < 1.0:
        trace.spans[-1] = Span(name, last.from_s, end_s)
    else:
        trace.spans.append(Span(name, begin_s, end_s))


def _mark(record: Record) -> Mark | None:
    if record.kind is RecordKind.ALARM and record.value == AlarmPhase.UNACKNOWLEDGED.value:
        return Mark(record.at_s, "alarm", f"{record.subject}: {record.reason}")
    if record.who:  # a person did it; entered gravities have their own place in the chart
        told = record.kind in _DONE_BY_PEOPLE and record.subject != "gravity"
        return Mark(record.at_s, "action", f"{record.reason} ({record.who})") if told else None
    if record.kind in (RecordKind.STATE, RecordKind.MODE):
        return Mark(record.at_s, "state", f"{record.value}: {record.reason}")
    return None


_DONE_BY_PEOPLE = (RecordKind.BATCH, RecordKind.STATE, RecordKind.STEP, RecordKind.MODE)
