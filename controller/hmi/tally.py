"""How well it goes, counted: a tally that is fed every scan.

Cheap enough for every scan of a month in seconds; it keeps totals, not samples.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

from controller.control.alarms import ACTIVE
from controller.control.course import ProfileStep
from controller.control.site import Site
from controller.control.state import AlarmState, BatchState, SiteState, VesselState
from controller.control.values import Drive, Record, RecordKind
from controller.hmi.waits import step_of
from controller.hmi.words import deviation_k

CONDITIONS_MET = "its conditions are met"  # the core's reason for the ordinary end of a step
BAND_K = 0.5  # what counts as "in band"
NARROW_K = 0.3


@dataclass(slots=True)
class Visit:
    """One stay in one step, or in a state outside the profile (`step` None). Times in s; `worst_k` is after arrival.

    The wort has arrived once it has been within `BAND_K` of the setpoint; `band_s` and `narrow_s` count
    out of `judged_s`, the time since then with a known temperature."""

    name: str
    step: ProfileStep | None
    entered_s: float
    lasted_s: float = 0.0
    arrived_after_s: float | None = None
    judged_s: float = 0.0
    band_s: float = 0.0
    narrow_s: float = 0.0
    worst_k: float = 0.0
    ended: str = ""  # why, in the core's words


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
                tally = self.vessels[vessel.name] = VesselTally(totals_of(now), now)
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
            last.ended = reason or condition
            reached = last.step is not None and last.step.ends.reached and reason == CONDITIONS_MET
            if last.arrived_after_s is None and reached:
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
        return Visit(condition or "no profile", None, entered_s)
    return Visit(step.name, step, entered_s)


def totals_of(vessel: VesselState) -> Totals:
    cool, heat = vessel.cooler, vessel.heater
    return Totals(cool.starts if cool else 0, cool.on_s if cool else 0.0, heat.on_s if heat else 0.0)
