"""How well it went: a tally that is fed every scan, and its figures in words.

Cheap enough for every scan of a month in seconds; it keeps totals, not samples.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.control.alarms import ACTIVE
from controller.control.site import Site
from controller.control.state import AlarmState, BatchState, SiteState, VesselState
from controller.control.values import Drive, Record, RecordKind
from controller.hmi.waits import REACHED, ends_by, step_of
from controller.hmi.words import deviation_k, difference_text, duration_text, printable, share_text

BAND_K = 0.5  # what counts as "in band"
NARROW_K = 0.3


@dataclass(slots=True)
class Visit:
    """One stay in one step (or in a state outside the profile). Times in s; `worst_k` is after arrival.

    The wort has arrived once it has been within `BAND_K` of the setpoint; `band_s` and `narrow_s` count
    out of `judged_s`, the time since then with a known temperature."""

    name: str
    kind: str
    entered_s: float
    lasted_s: float = 0.0
    arrived_after_s: float | None = None
    judged_s: float = 0.0
    band_s: float = 0.0
    narrow_s: float = 0.0
    worst_k: float = 0.0
    asks: str = ""  # what it ends by
    ended: str = ""


class Totals(NamedTuple):
    """Running totals of a vessel's outputs, as the core counts them."""

    cool_starts: int
    cool_s: float
    heat_s: float


@dataclass(slots=True)
class VesselTally:
    """What is tallied of one vessel. `position` is what tells one visit from the next."""

    begin: Totals
    now: VesselState
    batch: str = ""
    observed_s: float = 0.0
    blind_s: float = 0.0
    visits: list[Visit] = field(default_factory=list)
    position: tuple[float, str, int] | None = None


class Raised(NamedTuple):
    """An alarm when it was raised: "vessel/kind" and its text."""

    at_s: float
    key: str
    text: str


class VesselSummary(NamedTuple):
    """One vessel's figures in words: `facts` by heading, `steps` as rows under `STEP_HEADINGS`, `alarms` as lines."""

    vessel: str
    batch: str
    facts: Mapping[str, str]
    steps: tuple[tuple[str, ...], ...]
    alarms: tuple[str, ...]


class Tally:
    """The accumulator. `add` after every scan; then `summaries` or `summary_text`."""

    def __init__(self) -> None:
        self.begin_s: float | None = None
        self.vessels: dict[str, VesselTally] = {}
        self.raised: list[Raised] = []
        self._alarms: Mapping[str, AlarmState] = {}
        self._seen: set[tuple[str, float]] = set()

    def add(self, site: Site, state: SiteState, dt_s: float, records: Iterable[Record] = ()) -> None:
        """Count one scan: `dt_s` is the time that `state` stands for, in s; `records` tell why a step ended."""
        if self.begin_s is None:
            self.begin_s = state.now_s - dt_s
        reasons = {record.vessel: record.reason for record in records if _ends_step(record)} if records else {}
        for vessel in site.vessels:
            now = state.vessels[vessel.name]
            tally = self.vessels.get(vessel.name)
            if tally is None:
                tally = self.vessels[vessel.name] = VesselTally(_totals(now), now)
            tally.now = now
            _count(tally, now, state.now_s, dt_s, reasons.get(vessel.name, ""))
        if state.alarms is not self._alarms:
            self._alarms = state.alarms
            self._note_alarms(state.alarms)

    def _note_alarms(self, alarms: Mapping[str, AlarmState]) -> None:
        for key, alarm in alarms.items():
            if alarm.raised_s is not None and alarm.phase in ACTIVE and (key, alarm.raised_s) not in self._seen:
                self._seen.add((key, alarm.raised_s))
                self.raised.append(Raised(alarm.raised_s, key, alarm.text))


STEP_HEADINGS = ("step", "entered", "lasted", "arrived after", "in band", "narrow", "worst", "ended because")


def summaries(tally: Tally, units: str = "C") -> list[VesselSummary]:
    """The figures of every vessel in words, in the order of the site file; differences in K, or °F for units "F"."""
    return [_summary(name, vessel, tally, units) for name, vessel in tally.vessels.items()]


def summary_text(tally: Tally, units: str = "C") -> str:
    """The figures as plain text for a terminal or a log."""
    lines = []
    for summary in summaries(tally, units):
        lines += [f"{summary.vessel}: {summary.batch or 'no batch'}"]
        lines += ["  " + ", ".join(f"{heading} {value}" for heading, value in summary.facts.items())]
        if summary.steps:
            lines += _columns((step_headings(units), *summary.steps))
        lines += [f"  ! {alarm}" for alarm in summary.alarms] or ["  no alarms"]
        lines += [""]
    begin_s = tally.begin_s or 0.0
    for raised in tally.raised:
        if raised.key.rpartition("/")[0] not in tally.vessels:
            lines.append(f"! {_raised_text(raised, begin_s)}")
    return "\n".join(lines).rstrip() + "\n"


def step_headings(units: str) -> tuple[str, ...]:
    """`STEP_HEADINGS` with the widths of the bands in the units that people see."""
    widths = {"in band": BAND_K, "narrow": NARROW_K}
    return tuple(
        f"in {difference_text(widths[heading], units).replace('+', '±')}" if heading in widths else heading
        for heading in STEP_HEADINGS
    )


def day_text(at_s: float, begin_s: float) -> str:
    """ "day 3.5" since the beginning."""
    return f"day {max(at_s - begin_s, 0.0) / 86400:.1f}"


def _count(tally: VesselTally, now: VesselState, now_s: float, dt_s: float, reason: str) -> None:
    batch = now.batch
    if batch is None:
        if tally.position is not None:
            tally.visits[-1].ended = "packaged"
            tally.position = None
        return
    step = now.program.step if now.program is not None else -1
    condition = "" if now.condition in (BatchState.RUNNING, BatchState.HELD) else now.condition.value
    if tally.position != (batch.started_s, condition, step):
        if tally.visits and tally.position is not None:
            last = tally.visits[-1]
            last.ended = f"{reason} ({last.asks})".removeprefix("its ") if reason and last.asks else reason or condition
            if last.arrived_after_s is None and REACHED in last.ended:
                last.arrived_after_s = last.lasted_s  # by the step's own tolerance, which is wider than the band
        tally.position = (batch.started_s, condition, step)
        tally.batch = batch.name
        tally.visits.append(_visit(now, condition, now_s - dt_s))
    visit = tally.visits[-1]
    visit.lasted_s += dt_s
    tally.observed_s += dt_s
    off_k = deviation_k(now.estimate, now.setpoint)
    if now.estimate.drive is Drive.NOTHING:
        tally.blind_s += dt_s
    elif off_k is not None:
        _judge(visit, off_k, dt_s)


def _ends_step(record: Record) -> bool:
    return record.kind is RecordKind.STEP and record.value == "ended"


def _judge(visit: Visit, off_k: float, dt_s: float) -> None:
    size_k = abs(off_k)
    if visit.arrived_after_s is None:
        if size_k > BAND_K:
            return
        visit.arrived_after_s = visit.lasted_s - dt_s
    visit.judged_s += dt_s
    if size_k <= BAND_K:
        visit.band_s += dt_s
        if size_k <= NARROW_K:
            visit.narrow_s += dt_s
    if size_k > abs(visit.worst_k):
        visit.worst_k = off_k


def _visit(now: VesselState, condition: str, entered_s: float) -> Visit:
    step = step_of(now)
    if condition or step is None:
        return Visit(condition or "no profile", "", entered_s)
    return Visit(step.name, step.kind.value, entered_s, asks=ends_by(step))


def _totals(vessel: VesselState) -> Totals:
    cool, heat = vessel.cooler, vessel.heater
    return Totals(cool.starts if cool else 0, cool.on_s if cool else 0.0, heat.on_s if heat else 0.0)


def _summary(name: str, vessel: VesselTally, tally: Tally, units: str) -> VesselSummary:
    begin_s = tally.begin_s or 0.0
    totals = _totals(vessel.now)
    starts = totals.cool_starts - vessel.begin.cool_starts
    days = vessel.observed_s / 86400
    judged_s = sum(visit.judged_s for visit in vessel.visits)
    in_band = sum(visit.band_s for visit in vessel.visits) / judged_s if judged_s else None
    facts = {
        step_headings(units)[STEP_HEADINGS.index("in band")]: share_text(in_band),
        "worst after arrival": difference_text(max((v.worst_k for v in vessel.visits), key=abs, default=None), units),
        "pump starts": f"{starts} ({starts / days:.0f} a day)" if days >= 0.5 else f"{starts}",
        "cooled for": duration_text(totals.cool_s - vessel.begin.cool_s),
        "heated for": duration_text(totals.heat_s - vessel.begin.heat_s),
    }
    if vessel.blind_s:
        facts["without a signal for"] = duration_text(vessel.blind_s)
    raised = [r for r in tally.raised if r.key.rpartition("/")[0] == name]
    return VesselSummary(
        name,
        printable(vessel.batch),
        facts,
        tuple(_step_row(visit, begin_s, units) for visit in vessel.visits),
        tuple(_raised_text(each, begin_s) for each in raised),
    )


def _step_row(visit: Visit, begin_s: float, units: str) -> tuple[str, ...]:
    judged_s = visit.judged_s
    return (
        printable(visit.name),
        day_text(visit.entered_s, begin_s),
        duration_text(visit.lasted_s),
        duration_text(visit.arrived_after_s) if visit.arrived_after_s is not None else "not yet",
        share_text(visit.band_s / judged_s if judged_s else None),
        share_text(visit.narrow_s / judged_s if judged_s else None),
        difference_text(visit.worst_k, units) if judged_s else "–",
        printable(visit.ended) or "goes on",
    )


def _raised_text(raised: Raised, begin_s: float) -> str:
    return f"{day_text(raised.at_s, begin_s)}: {printable(raised.text) or raised.key} ({raised.key})"


def _columns(rows: Iterable[tuple[str, ...]]) -> list[str]:
    table = list(rows)
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    lines = ("  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)) for row in table)
    return [f"  {line.rstrip()}" for line in lines]
