"""Everything that the core remembers from one scan to the next: frozen plain data, to JSON and back by `codec`."""

from collections.abc import Iterator, Mapping
from enum import Enum
from typing import NamedTuple

from controller.control.course import Profile
from controller.control.diagnosis import NO_DIAGNOSIS, Diagnosis, OutputFault
from controller.control.site import Limits, Output, Site, Vessel
from controller.control.values import Drive, Estimate, Setpoint, Signal, Status

STATE_VERSION = 1


class BatchState(Enum):
    """ISA-88 (IEC 61512) state of a vessel's batch; design.md §2 says what each does with the outputs."""

    IDLE = "idle"
    RUNNING = "running"
    HELD = "held"
    COMPLETE = "complete"
    STOPPED = "stopped"
    ABORTED = "aborted"


class Mode(Enum):
    """Who moves the outputs of a loop."""

    AUTO = "auto"
    MANUAL = "manual"
    OFF = "off"


class GravityReading(NamedTuple):
    """A specific gravity (20/20 °C) that the brewer entered, on the service's time line."""

    gravity: float
    at_s: float
    utc_s: float | None


class Batch(NamedTuple):
    """What is in the vessel: wort figures, yeast, readings. `volume_l` None means unknown: then no heat.
    `freezing_c` is the freezing point at the lower bound of the alcohol that the entered gravities prove."""

    name: str
    og: float | None
    volume_l: float | None
    yeast: str
    profile: Profile | None
    started_s: float
    started_utc_s: float | None
    freezing_c: float = 0.0
    gravities: tuple[GravityReading, ...] = ()


class ProgramState(NamedTuple):
    """Position in the profile. `counted_s` is step time, `elapsed_s` all time since the step began,
    `from_c` the setpoint when it began, `overtime` set once the longest time has been reported."""

    step: int
    counted_s: float
    elapsed_s: float
    from_c: float
    reached: bool = False
    confirmed: bool = False
    waiting: bool = False  # only the brewer's confirmation is missing
    overtime: bool = False


class Manual(NamedTuple):
    """A manual output, -1 (full cooling) .. +1 (full heat), and when it ends."""

    duty: float
    until_s: float


class Quiet(NamedTuple):
    """Hours in which the outputs rest, until `until_s`. `acting` while the wort has drifted further than `drift_k`
    from the setpoint of the moment and is being brought back."""

    until_s: float
    drift_k: float
    acting: bool = False


class Blind(NamedTuple):
    """What is remembered for the time without a fit signal. While there is one: `applied_w` and `bath_c`, slow means of
    the last hours at a steady setpoint, `known_s`, how long they have been taken, `at_s`, the last look, and `wort_c`,
    the colder reading when it was last near its setpoint, at `seen_s`. Without one: `lost_s`, for how long; `lowest_c`,
    the coldest that the wort can be by now; `cool_w`, what it is cooled with blindly, and `reason`, why so or why not.
    """

    applied_w: float = 0.0
    bath_c: float | None = None
    known_s: float = 0.0
    at_s: float = 0.0
    wort_c: float | None = None
    seen_s: float = 0.0
    lost_s: float | None = None
    lowest_c: float = 0.0
    cool_w: float = 0.0
    reason: str = ""


NO_BLIND = Blind()


class LoopState(NamedTuple):
    """Memory of one loop. `heat_w` is the last demand, `calling` the direction of the last one (-1, 0, +1);
    `held_w` is what coil and heater still give after they were switched off, as the on/off loop counts it."""

    integral_w: float = 0.0
    filtered_c: float | None = None
    slope_k_per_s: float = 0.0
    heat_w: float = 0.0
    calling: int = 0
    automatic: bool = False
    held_w: float = 0.0


class OutputState(NamedTuple):
    """One output: what was last commanded and why, and the pulse shaper's account.

    `owed_s` is on-time asked for and not yet given; `since_s` the time of the last change; `sent_s` the last
    command's time; `ended_s` when it was last seen on; `starts` and `on_s` count since the store began; the budget
    has paid for all starts so far at `paid_s`."""

    on: bool
    since_s: float
    sent_s: float
    reason: str
    owed_s: float = 0.0
    ended_s: float | None = None
    starts: int = 0
    on_s: float = 0.0
    paid_s: float = 0.0


class AlarmPhase(Enum):
    """An alarm's life by ISA-18.2 (IEC 62682); the names are the design's."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "active, unacknowledged"
    ACKNOWLEDGED = "active, acknowledged"
    RETURNED = "returned to normal, unacknowledged"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class AlarmState(NamedTuple):
    """One alarm that is not quietly normal. `since_s` is when its condition last began (None: not present),
    `raised_s` when it last became active."""

    phase: AlarmPhase
    since_s: float | None
    raised_s: float | None
    text: str


class VesselState(NamedTuple):
    """All that is remembered of one vessel. `faults` is keyed by the kind of its alarm, as "heater will not stop"."""

    in_service: bool
    condition: BatchState
    mode: Mode
    batch: Batch | None
    program: ProgramState | None
    manual: Manual | None
    setpoint: Setpoint | None
    estimate: Estimate
    loop: LoopState
    cooler: OutputState | None
    heater: OutputState | None
    applied_w: float  # the grant as the interlock let it through
    settling_best_k: float | None  # after a jump of the setpoint: least deviation so far; None = arrived
    settling_since_s: float  # when that least deviation was last beaten
    off_since_s: float | None  # since when the mode is "off" with beer inside
    quiet: Quiet | None = None
    faults: Mapping[str, OutputFault] = {}
    diagnosis: Diagnosis = NO_DIAGNOSIS
    blind: Blind = NO_BLIND


class SiteState(NamedTuple):
    """The state of the whole site. `alarms` is keyed "vessel/kind" ("bath/bath kind" for the bath)."""

    version: int
    now_s: float
    utc_s: float | None  # while UTC is not trusted: the last trusted, gone on with the service's time
    started: bool  # False until everything has been commanded off once
    outage_since_s: float | None  # restarted at, while the length of the outage is not known yet
    number: int  # of the last command
    epoch: int  # rises with each start; begins where that of a lost store cannot have been
    signals: Mapping[str, Signal]
    vessels: Mapping[str, VesselState]
    alarms: Mapping[str, AlarmState]
    bath_crash_pause: bool
    answers: Mapping[str, str]  # action id -> answer, the newest 200
    upstream: Mapping[str, OutputState] = {}  # by output tag


NEVER = Signal(None, 0.0, Status.FAILURE, "no reading yet")
NO_LOOP = LoopState()
START = "start: everything off first"
LOST = "power or program was lost; off at the start"
NO_ESTIMATE = Estimate(None, 0.0, 0.0, 0.0, 0.0, Drive.NOTHING, "no reading yet")


def initial_state(site: Site, now_s: float, epoch: int = 1) -> SiteState:
    """The state of a plant that the service has never seen: every vessel idle, everything to be commanded off. `epoch`
    must be higher than any that the plant's nodes may have heard of: they obey the highest (design rule 10)."""
    return SiteState(
        version=STATE_VERSION,
        now_s=now_s,
        utc_s=None,
        started=False,
        outage_since_s=None,
        number=0,
        epoch=epoch,
        signals={probe.tag: NEVER for probe in site.probes},
        vessels={vessel.name: _idle(vessel, now_s) for vessel in site.vessels},
        alarms={},
        bath_crash_pause=False,
        answers={},
        upstream={device.output.tag: _begun(now_s, None) for device in site.upstream},
    )


def resumed_state(site: Site, saved: SiteState, now_s: float) -> SiteState:
    """The saved state made ready to go on after a stop of unknown length.

    Batches, program positions, alarms and running totals go on; signals must be proven again; every output
    counts as switched off now, so that protective off times run from the start. Vessels new in the site
    file begin idle; a batch in a vessel that the file no longer has is an error.

    Raises:
        ValueError: the saved state has a batch in a vessel that the site file does not name.
    """
    _nothing_lost(site, saved)
    vessels = {}
    for vessel in site.vessels:
        kept = saved.vessels.get(vessel.name)
        vessels[vessel.name] = _resumed(vessel, kept, now_s) if kept else _idle(vessel, now_s)
        if saved.utc_s is None:  # nobody will ever know how long the stop was, nor how cold the wort became
            vessels[vessel.name] = vessels[vessel.name]._replace(blind=NO_BLIND)
    return saved._replace(
        now_s=now_s,
        started=False,
        outage_since_s=now_s if saved.utc_s is not None else None,
        epoch=saved.epoch + 1,
        signals={probe.tag: NEVER for probe in site.probes},
        vessels=vessels,
        alarms=_alarms(site, saved),
        upstream={each.output.tag: _begun(now_s, saved.upstream.get(each.output.tag)) for each in site.upstream},
    )


def reloaded_state(old_site: Site, new_site: Site, state: SiteState, now_s: float) -> SiteState:
    """The state made ready to go on with another site file, without a stop; the same file changes nothing.

    Batches keep the profiles that they copied, their positions and their loops; a loop with other figures
    takes over without a bump. Outputs keep their protective times; one that has no state yet (new in the
    file, or its state taken away because it is another device now) begins off, is commanded off in the next
    scan, and its off time runs from `now_s`. An output that the file no longer has is forgotten: the caller
    commands it off. Probes that are not as they were must be proven again. New vessels begin idle.

    Raises:
        ValueError: there is a batch in a vessel that the new site file does not name.
    """
    _nothing_lost(new_site, state)
    vessels = {}
    for vessel in new_site.vessels:
        kept, before = state.vessels.get(vessel.name), old_site.vessel(vessel.name)
        vessels[vessel.name] = _reloaded(vessel, before or vessel, kept, now_s) if kept else _idle(vessel, now_s)
    known = {probe.tag: probe for probe in old_site.probes}
    signals = {
        probe.tag: state.signals.get(probe.tag, NEVER) if known.get(probe.tag) == probe else NEVER
        for probe in new_site.probes
    }
    upstream = {
        device.output.tag: state.upstream.get(device.output.tag) or _begun(now_s, None) for device in new_site.upstream
    }
    return state._replace(signals=signals, vessels=vessels, alarms=_alarms(new_site, state), upstream=upstream)


def stopped_state(state: SiteState) -> SiteState:
    """The state to be saved after everything was commanded off at an orderly stop: no output is on any more."""
    vessels = {
        name: now._replace(cooler=_ended(now.cooler, state.now_s), heater=_ended(now.heater, state.now_s))
        for name, now in state.vessels.items()
    }
    upstream = {tag: _switched_off(kept, state.now_s) for tag, kept in state.upstream.items()}
    return state._replace(vessels=vessels, upstream=upstream)


def outputs_of(state: SiteState) -> Iterator[tuple[str, str, OutputState]]:
    """Every output that the state knows, in the order in which all are switched off: its vessel ("" for one that
    vessels share), its name, what is remembered of it."""
    for tag, shared in state.upstream.items():
        yield "", tag.partition("/")[2], shared
    for vessel, now in state.vessels.items():
        for name, output in (("cooler", now.cooler), ("heater", now.heater)):
            if output is not None:
                yield vessel, name, output


def _nothing_lost(site: Site, state: SiteState) -> None:
    lost = [name for name, kept in state.vessels.items() if kept.batch and site.vessel(name) is None]
    if lost:
        raise ValueError(
            f"the store has a batch in {', '.join(sorted(lost))}, which the site file does not name; "
            "put the vessel back into the file, end its batch, then remove it; nothing was changed"
        )


def _alarms(site: Site, state: SiteState) -> Mapping[str, AlarmState]:
    """The alarms of what the site still has."""
    watched = {vessel.name for vessel in site.vessels}
    if site.bath and site.bath.probes:
        watched.add("bath")
    return {key: alarm for key, alarm in state.alarms.items() if key.partition("/")[0] in watched}


def _output(output: Output | None, now_s: float, kept: OutputState | None) -> OutputState | None:
    return None if output is None else _begun(now_s, kept)


def _begun(now_s: float, kept: OutputState | None) -> OutputState:
    """Off, and not commanded yet."""
    off = OutputState(False, now_s, now_s - 1.0, START)
    if kept is None:
        return off
    if kept.on:
        return off._replace(reason=LOST, ended_s=now_s, starts=kept.starts, on_s=kept.on_s, paid_s=kept.paid_s)
    return off._replace(ended_s=kept.ended_s, starts=kept.starts, on_s=kept.on_s, paid_s=kept.paid_s)


def _ended(kept: OutputState | None, now_s: float) -> OutputState | None:
    return None if kept is None else _switched_off(kept, now_s)


def _switched_off(kept: OutputState, now_s: float) -> OutputState:
    return kept._replace(on=False, since_s=now_s, ended_s=now_s) if kept.on else kept


def _idle(vessel: Vessel, now_s: float) -> VesselState:
    return VesselState(
        in_service=True,
        condition=BatchState.IDLE,
        mode=Mode.AUTO,
        batch=None,
        program=None,
        manual=None,
        setpoint=None,
        estimate=NO_ESTIMATE,
        loop=LoopState(),
        cooler=_output(vessel.cooler, now_s, None),
        heater=_output(vessel.heater, now_s, None),
        applied_w=0.0,
        settling_best_k=None,
        settling_since_s=now_s,
        off_since_s=None,
    )


def _resumed(vessel: Vessel, kept: VesselState, now_s: float) -> VesselState:
    return kept._replace(
        setpoint=_within(vessel.limits, kept.setpoint),
        estimate=NO_ESTIMATE,
        loop=LoopState(integral_w=kept.loop.integral_w),
        cooler=_output(vessel.cooler, now_s, kept.cooler),
        heater=_output(vessel.heater, now_s, kept.heater),
        applied_w=0.0,
    )


def _reloaded(vessel: Vessel, before: Vessel, kept: VesselState, now_s: float) -> VesselState:
    cooler = kept.cooler if vessel.cooler and kept.cooler else _anew(vessel.cooler, now_s)
    heater = kept.heater if vessel.heater and kept.heater else _anew(vessel.heater, now_s)
    setpoint, loop = _within(vessel.limits, kept.setpoint), kept.loop
    if vessel.loop != before.loop or vessel.heat_capacity_j_per_k != before.heat_capacity_j_per_k:
        loop = LoopState(held_w=loop.held_w)  # begins at what was applied last
    if (cooler, heater, setpoint, loop) == (kept.cooler, kept.heater, kept.setpoint, kept.loop):
        return kept
    return kept._replace(cooler=cooler, heater=heater, setpoint=setpoint, loop=loop)


def _anew(output: Output | None, now_s: float) -> OutputState | None:
    """An output that comes to a running vessel: it may have been on until now, so the other one waits too."""
    off = _output(output, now_s, None)
    return off._replace(ended_s=now_s) if off else None


def _within(limits: Limits, at: Setpoint | None) -> Setpoint | None:
    """The setpoint within the hard limits, which may be narrower in this site file (design rule 7)."""
    if at is None or limits.low_c <= at.low_c <= at.high_c <= limits.high_c:
        return at
    return Setpoint(*(min(max(celsius, limits.low_c), limits.high_c) for celsius in at))
