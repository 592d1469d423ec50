"""What one scan does to a batch: its place in the profile, its setpoint, the end of a manual override."""

from typing import NamedTuple

from controller.control.course import Profile, ProfileStep, StepKind
from controller.control.program import Wait, advance, begins_from_c, behind_k, entered, setpoint_of, unmet
from controller.control.quiet import quiet_after
from controller.control.site import Vessel
from controller.control.state import Batch, BatchState, Manual, Mode, ProgramState, Quiet, VesselState
from controller.control.values import Estimate, Record, RecordKind, Setpoint

# A setpoint that moves further than this in one scan has jumped: the wort is expected to need time.
JUMP_K = 0.1
# While settling, the deviation must beat its best by this much ...
PROGRESS_K = 0.1
# ... at least this often, or it is a deviation like any other. Both: common practice, no source.
PROGRESS_S = 2 * 3600.0
# A wort that was behind its ramp follows again when it is within this share of what the step bears.
AGAIN_SHARE = 0.7  # common practice, no source
CONDITIONS_MET = "its conditions are met"


class Course(NamedTuple):
    """A vessel's batch after this scan."""

    condition: BatchState
    mode: Mode
    manual: Manual | None
    program: ProgramState | None
    setpoint: Setpoint | None
    settling_best_k: float | None
    settling_since_s: float
    crashing: bool
    quiet: Quiet | None = None


class Moment(NamedTuple):
    """When a scan happens: the service's time, UTC as a label, the interval, and whether it is a gap."""

    now_s: float
    utc_s: float | None
    dt_s: float
    gap: bool
    outage_s: float  # of the process, now known; counts for guards only


def follow(vessel: Vessel, was: VesselState, wort: Estimate, moment: Moment, records: list[Record]) -> Course:
    """The batch's course after this scan. Appends a record for each change."""
    condition, program, setpoint = was.condition, was.program, was.setpoint
    batch = was.batch
    crashing = False
    if condition is BatchState.RUNNING and batch is not None and batch.profile and program and setpoint:
        condition, program, setpoint = _profile(vessel, batch, batch.profile, program, setpoint, wort, moment, records)
        crashing = batch.profile.steps[program.step].kind is StepKind.CRASH
    mode, manual = was.mode, was.manual
    if mode is Mode.MANUAL and (manual is None or moment.now_s >= manual.until_s):
        mode, manual = Mode.AUTO, None
        why = "the manual override ended"
        records.append(Record(moment.now_s, moment.utc_s, vessel.name, RecordKind.MODE, "mode", "auto", why))
    best_k, since_s = _settling(vessel, was, setpoint, wort, moment.now_s)
    quiet = was.quiet
    if quiet is not None:
        quiet = _quiet(vessel, was, quiet, setpoint, wort, moment, records)
    return Course(condition, mode, manual, program, setpoint, best_k, since_s, crashing, quiet)


def deviation_k(setpoint: Setpoint, wort: Estimate) -> float:
    """How far the wort is from the setpoint of the moment; 0 inside a free rise or without a temperature."""
    if wort.celsius is None:
        return 0.0
    if wort.celsius > setpoint.high_c:
        return wort.celsius - setpoint.high_c
    return min(0.0, wort.celsius - setpoint.low_c)


def settling(vessel: VesselState, now_s: float) -> bool:
    """Whether the wort is on its way to a new setpoint and coming nearer."""
    return vessel.settling_best_k is not None and now_s - vessel.settling_since_s <= PROGRESS_S


def _profile(
    vessel: Vessel,
    batch: Batch,
    profile: Profile,
    program: ProgramState,
    setpoint: Setpoint,
    wort: Estimate,
    moment: Moment,
    records: list[Record],
) -> tuple[BatchState, ProgramState, Setpoint]:
    step = profile.steps[program.step]
    program = advance(step, program, setpoint, wort, moment.dt_s, moment.gap)
    if moment.outage_s:
        program = program._replace(elapsed_s=program.elapsed_s + moment.outage_s)
    if step.kind is StepKind.RAMP:
        program = _behind(vessel, step, program, setpoint, wort, moment, records)
    waits = unmet(step, program, batch)
    waiting = waits == _ONLY_CONFIRMATION
    if waiting != program.waiting:
        program = program._replace(waiting=waiting)
    ended = "" if waits else CONDITIONS_MET
    if waits and program.elapsed_s >= step.at_most_s:
        if not program.overtime:
            program = program._replace(overtime=True)
            records.append(_record(vessel, moment, step, "longest time", "the step has reached its longest time"))
        if step.goes_on and Wait.CONFIRMATION not in waits:
            ended = "its longest time is over"
    if not ended:
        return BatchState.RUNNING, program, setpoint_of(step, program, vessel.limits, setpoint)
    records.append(_record(vessel, moment, step, "ended", ended))
    if program.step + 1 == len(profile.steps):
        why = "the last step has ended; regulates at the last setpoint until packaged"
        records.append(
            Record(moment.now_s, moment.utc_s, vessel.name, RecordKind.STATE, "batch", BatchState.COMPLETE.value, why)
        )
        return BatchState.COMPLETE, program, setpoint_of(step, program, vessel.limits)
    program = entered(program.step + 1, begins_from_c(setpoint, wort))
    following = profile.steps[program.step]
    records.append(_record(vessel, moment, following, "begun", f"after {step.name}"))
    return BatchState.RUNNING, program, setpoint_of(following, program, vessel.limits)


def _behind(
    vessel: Vessel, step: ProfileStep, program: ProgramState, setpoint: Setpoint, wort: Estimate, moment: Moment,
    records: list[Record],
) -> ProgramState:  # fmt: skip
    """Tell when a wort begins or ceases to lag behind its ramp by more than the step bears."""
    bears_k = step.tolerance_k if step.waits_within_k is None else step.waits_within_k
    lag_k = behind_k(step, program, setpoint, wort)
    behind = lag_k >= (AGAIN_SHARE if program.behind else 1.0) * bears_k
    if behind == program.behind:
        return program
    if not behind:
        why = "the wort follows the ramp again"
    elif step.waits_within_k is None:
        why = f"the wort is {lag_k:.1f} K behind the ramp, which goes on: the plant cannot follow it"
    else:
        why = f"the wort is {lag_k:.1f} K behind the ramp: the setpoint waits for it"
    records.append(_record(vessel, moment, step, "behind" if behind else "following", why))
    return program._replace(behind=behind)


_ONLY_CONFIRMATION = [Wait.CONFIRMATION]


def _record(vessel: Vessel, moment: Moment, step: ProfileStep, value: str, reason: str) -> Record:
    return Record(moment.now_s, moment.utc_s, vessel.name, RecordKind.STEP, step.name, value, reason)


def _quiet(
    vessel: Vessel,
    was: VesselState,
    quiet: Quiet,
    setpoint: Setpoint | None,
    wort: Estimate,
    moment: Moment,
    records: list[Record],
) -> Quiet | None:
    after = None
    if moment.now_s >= quiet.until_s:
        value, why = "over", "the quiet hours are over"
    else:
        after = quiet_after(vessel, quiet, was.batch, setpoint, wort, was.loop.heat_w != 0.0)
        if after.acting == quiet.acting:
            return after
        value, why = "resting", "the wort is back: the outputs rest again"
        if after.acting:
            value, why = "acting", "the wort has drifted: it is brought back"
    records.append(Record(moment.now_s, moment.utc_s, vessel.name, RecordKind.MODE, "quiet", value, why))
    return after


def _settling(
    vessel: Vessel, was: VesselState, setpoint: Setpoint | None, wort: Estimate, now_s: float
) -> tuple[float | None, float]:
    if setpoint is None:
        return None, now_s
    best_k, since_s = was.settling_best_k, was.settling_since_s
    before = was.setpoint
    if before is not None and before is not setpoint and _jumped(before, setpoint):
        best_k, since_s = 1e9, now_s
    if best_k is None:
        return None, since_s
    away_k = abs(deviation_k(setpoint, wort))
    if wort.celsius is not None and away_k <= 0.5 * vessel.alarms.deviation_k:
        return None, now_s
    if wort.celsius is not None and away_k < best_k - PROGRESS_K:
        return away_k, now_s
    return best_k, since_s


def _jumped(before: Setpoint, after: Setpoint) -> bool:
    return abs(after.low_c - before.low_c) > JUMP_K or abs(after.high_c - before.high_c) > JUMP_K
