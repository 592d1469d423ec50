"""One scan of a whole site: the eight stages and the verdict, top to bottom. Start reading here.

    reading -> signal -> estimate -> setpoint -> demand -> grant -> output -> command   then: diagnosis, alarms
      decode   trust    estimate    follow      loop      chiller   shaping  interlock

Decoding happens where messages arrive (`decode`, just as pure); `step` begins with decoded readings. It has
no clock, no I/O, no randomness and no memory but the state it is given: the same state and inputs always
give the same result, to the last bit, and a state that was written to JSON and read back is the same state.
"""

from collections.abc import Mapping
from typing import NamedTuple

from controller.control.blind import blind_demand, look
from controller.control.budget import slower
from controller.control.chiller import NEED_K, STAGGER_S, STARTS_LATER, Call, last_start, needs_k, share
from controller.control.compressor import chilled
from controller.control.diagnose import diagnose, doubts
from controller.control.diagnose_words import Around
from controller.control.diagnosis import COOLER_NO_EFFECT
from controller.control.drive import drive, due
from controller.control.feeding import Feeding
from controller.control.follow import PROGRESS_S, Moment, follow
from controller.control.heard import heard, vessel_heard
from controller.control.identify import asked, experimented
from controller.control.interlock import REGULATED
from controller.control.loop import demand
from controller.control.operate import operate
from controller.control.operate_request import lasting
from controller.control.probing import asking
from controller.control.site import Bath, LoopKind, Output, Site, Supply, Upstream
from controller.control.state import LOST, Mode, OutputState, SiteState, VesselState, outputs_of
from controller.control.trust import fit_to_drive, trust
from controller.control.upstream import decide
from controller.control.values import Command, Inputs, Record, RecordKind, Signal
from controller.control.watch import Watch, watch_bath, watch_chiller, watch_vessel
from controller.control.watched import watched_wort

GAP_SCANS = 3  # an interval longer than this many scans is a gap: loops start again without a bump
WORTH_TELLING_S = 60.0  # of an outage
LONGEST_DT_SCANS = 2  # integration never spans more than this many scans


class StepResult(NamedTuple):
    """What one scan decided: the state to give to the next, commands to send now, records to keep."""

    state: SiteState
    commands: tuple[Command, ...]
    records: tuple[Record, ...]


def step(site: Site, state: SiteState, inputs: Inputs) -> StepResult:
    """Decide for all vessels at once. Any readings, however mad, give a status and never an exception."""
    records = [] if state.started else _lost(state, inputs)
    if inputs.epoch > state.epoch:
        state = state._replace(epoch=inputs.epoch)
    if inputs.now_s < state.now_s:  # time only ever moves forward
        inputs = inputs._replace(now_s=state.now_s)
    moment, utc_s, outage_since_s = _moment(site, state, inputs)
    if inputs.actions:
        state = state._replace(now_s=inputs.now_s, utc_s=utc_s)
    for action in inputs.actions:
        state, answers = operate(site, state, action, inputs.utc_s)
        records += answers
    _tell_of_the_service(state, moment, records)
    signals = _trusted(site, state, inputs, records)

    bath_signal = _bath_signal(site.bath, signals) if site.bath else None
    around = _around(site, state, bath_signal, signals)
    drafts, calls = [], []
    for vessel in site.vessels:
        was = state.vessels[vessel.name]
        if (was.cooler and was.cooler.heard_s != was.cooler.sent_s) or (
            was.heater and was.heater.heard_s != was.heater.sent_s
        ):
            was = vessel_heard(vessel, was, inputs, moment, records)
        if moment.outage_s and was.off_since_s is not None:
            was = was._replace(off_since_s=was.off_since_s - moment.outage_s)
        own = [signals[probe.tag] for probe in vessel.probes]
        wort, seen = watched_wort(vessel, was, own, around, moment)
        course = follow(vessel, was, wort, moment, records)
        target = course.setpoint if course.condition in REGULATED else None
        testing = was.identification.experiment
        if testing is not None:
            was = experimented(vessel, was, course, wort, own, moment, state.started, records)
            testing = was.identification.experiment
        resting = testing is not None or (course.quiet is not None and not course.quiet.acting)
        wanted, loop = demand(
            vessel, course.mode, course.manual, target, wort, was.loop, was.applied_w, moment.dt_s, resting,
            slower(vessel, was, moment.now_s) if vessel.loop.kind is LoopKind.ON_OFF else 1.0,
            seen, (was.cooler, was.heater), moment.now_s,
        )  # fmt: skip
        if was.diagnosis.asking_until_s is not None:
            wanted = asking(vessel, was, wanted, moment.now_s)
        if testing is not None:
            wanted = asked(testing)
            loop = loop._replace(heat_w=wanted.heat_w)
        blind = look(vessel, was, own, course, wort, around, outage_since_s is not None, moment, records)
        if blind is not was.blind:
            was = was._replace(blind=blind)
            if blind.lost_s is not None and course.mode is Mode.AUTO:
                wanted = blind_demand(blind)
                loop = loop._replace(heat_w=wanted.heat_w)
        drafts.append((vessel, was, own, wort, seen, course, loop))
        on_its_way = course.settling_best_k is not None and moment.now_s - course.settling_since_s <= PROGRESS_S
        calls.append(
            Call(
                vessel.name, wanted, wort.celsius, course.crashing, target if vessel.cooler else None, on_its_way,
                needs_k(seen, loop.slope_k_per_h) if site.bath is not None else NEED_K,
            )
        )  # fmt: skip

    shares = share(site.bath, bath_signal, calls, state.sharing, moment.dt_s)
    last_start_s = last_start(state.vessels) if shares.stagger else None

    feeding = Feeding(site, state, moment.now_s, inputs.say_again) if site.upstream else None
    watch = Watch(state.alarms, moment, records)
    vessels: dict[str, VesselState] = {}
    commands: list[Command] = []
    for (vessel, was, own, wort, seen, course, loop), grant in zip(drafts, shares.grants, strict=True):
        later = "" if last_start_s is None or moment.now_s - last_start_s >= STAGGER_S else STARTS_LATER
        pulse = loop.pulse if grant.heat_w == loop.heat_w else None  # all else is given by the account
        driven = drive(vessel, was, course, wort, grant, own, moment, state.started, records, feeding, later, pulse,
                       shares.cycles if vessel.name in shares.sharing.waits else 1.0)  # fmt: skip
        if (
            last_start_s is not None
            and driven.cooler is not None
            and driven.cooler.on
            and driven.cooler.since_s > last_start_s
        ):
            last_start_s = driven.cooler.since_s
        number = state.number + len(commands)
        cooler = _sent(vessel.cooler, driven.cooler, number, state.epoch, inputs, commands)
        number = state.number + len(commands)
        heater = _sent(vessel.heater, driven.heater, number, state.epoch, inputs, commands)
        after = VesselState(
            was.in_service, course.condition, course.mode, was.batch, course.program, course.manual,
            course.setpoint, wort, loop, cooler, heater, driven.applied_w,
            course.settling_best_k, course.settling_since_s, was.off_since_s, course.quiet, was.faults, was.diagnosis,
            was.blind, seen, was.identification,
        )  # fmt: skip
        after = diagnose(vessel, was, after, own, around, moment, records)
        watch_vessel(watch, vessel, after, own, feeding)
        vessels[vessel.name] = after
    if site.bath:
        watch_bath(watch, site.bath, bath_signal, shares.sharing.excused_c)
    upstream = state.upstream
    if feeding is not None:
        heard_of = {each.output.tag: _upstream_heard(each, state, inputs, moment, records) for each in site.upstream}
        upstream = decide(site, state._replace(upstream=heard_of), vessels, feeding, bath_signal, moment, records)
        upstream, commands = _in_order(site, state, upstream, commands, inputs)
    chilling = None
    if site.bath and site.compressor:
        at = upstream[site.compressor.output.tag]
        chilling = chilled(site.bath, at, bath_signal, state.chilling, moment.now_s)
        watch_chiller(watch, chilling, bool(shares.sharing.waits))

    after_scan = SiteState(
        state.version, inputs.now_s, utc_s, True, outage_since_s, state.number + len(commands),
        state.epoch, signals, vessels, watch.alarms, shares.paused, state.answers,
        upstream, shares.sharing, chilling,
    )  # fmt: skip
    return StepResult(after_scan, tuple(commands), tuple(records))


def _around(site: Site, state: SiteState, bath: Signal | None, signals: Mapping[str, Signal]) -> Around:
    """What blind cooling and the diagnosis of each vessel see of the rest of the site."""
    room = signals[site.room.tag] if site.room else None
    return Around(
        site.bath,
        bath.celsius if bath is not None and fit_to_drive(bath) else None,
        room.celsius if room is not None and fit_to_drive(room) else None,
        frozenset(name for name, vessel in state.vessels.items() if COOLER_NO_EFFECT in vessel.faults),
    )


def _upstream_heard(
    device: Upstream, state: SiteState, inputs: Inputs, moment: Moment, records: list[Record]
) -> OutputState:
    was = state.upstream[device.output.tag]
    if was.heard_s == was.sent_s:
        return was
    return heard("", device.name, device.output, was, inputs, moment, records)


def _bath_signal(bath: Bath, signals: Mapping[str, Signal]) -> Signal | None:
    """The first of the bath's probes that is fit to drive, else the first."""
    own = [signals[probe.tag] for probe in bath.probes]
    return next(filter(fit_to_drive, own), own[0] if own else None)


def _lost(state: SiteState, inputs: Inputs) -> list[Record]:
    """A record for each output that was on when the last state was saved: something ended it meanwhile."""
    return [
        Record(inputs.now_s, inputs.utc_s, vessel, RecordKind.OUTPUT, name, "off", LOST)
        for vessel, name, output in outputs_of(state)
        if output.reason == LOST
    ]


def _moment(site: Site, state: SiteState, inputs: Inputs) -> tuple[Moment, float | None, float | None]:
    """When this scan happens, the last known UTC, and since when an outage of unknown length is open.

    What the process slept through is found out when UTC is first trusted after a restart; until then the last
    known UTC goes on with the service's own time."""
    passed_s = inputs.now_s - state.now_s
    gap = passed_s > GAP_SCANS * site.scan_s
    outage_s = 0.0
    utc_s = None if state.utc_s is None else state.utc_s + passed_s
    outage_since_s = state.outage_since_s
    if inputs.utc_s is not None:
        if outage_since_s is not None and utc_s is not None:
            outage_s = max(0.0, inputs.utc_s - utc_s)
        utc_s, outage_since_s = inputs.utc_s, None
    if gap:
        outage_s += passed_s
        passed_s = min(passed_s, LONGEST_DT_SCANS * site.scan_s)
        outage_s -= passed_s
    return Moment(inputs.now_s, inputs.utc_s, passed_s, gap, outage_s), utc_s, outage_since_s


def _tell_of_the_service(state: SiteState, moment: Moment, records: list[Record]) -> None:
    """A start, and for how long nothing was regulated when that is known."""
    said = []
    if not state.started:
        said.append(("running", "started; everything is commanded off first"))
    if moment.outage_s >= WORTH_TELLING_S:
        said.append(("went on", f"nothing was regulated for {lasting(moment.outage_s)}"))
    records += [
        Record(moment.now_s, moment.utc_s, "", RecordKind.STATE, "service", value, reason) for value, reason in said
    ]


def _trusted(site: Site, state: SiteState, inputs: Inputs, records: list[Record]) -> Mapping[str, Signal]:
    before, doubted = state.signals, doubts(state.vessels)
    signals = {}
    for probe in site.probes:
        last = before[probe.tag]
        signal = trust(probe, last, inputs.readings.get(probe.tag), inputs.now_s, doubted.get(probe.tag, ""))
        signals[probe.tag] = signal
        if signal.status is not last.status:
            vessel, _, name = probe.tag.partition("/")
            where = vessel if site.vessel(vessel) else ""
            subject = name if where else probe.tag
            records.append(
                Record(
                    inputs.now_s, inputs.utc_s, where, RecordKind.HEALTH, subject, signal.status.value,
                    signal.cause or "readings are good",
                )
            )  # fmt: skip
    return signals


def _in_order(
    site: Site, state: SiteState, upstream: Mapping[str, OutputState], commands: list[Command], inputs: Inputs
) -> tuple[Mapping[str, OutputState], list[Command]]:
    """The commands of the vessels and of what stands upstream, as they are to leave: a pump stops before a valve closes
    and starts after it has opened; a contactor goes first either way."""
    sent: dict[str, OutputState] = {}
    first: list[Command] = []
    last: list[Command] = []
    for device in site.upstream:  # pumps first
        tag, at = device.output.tag, upstream[device.output.tag]
        place = last if at.on and device.supply is Supply.PUMP else first
        sent[tag] = _sent(device.output, at, 0, state.epoch, inputs, place) or at
    ordered = [*first, *commands, *last]
    return sent, [each._replace(number=state.number + place) for place, each in enumerate(ordered, start=1)]


def _sent(
    output: Output | None, state: OutputState | None, number: int, epoch: int, inputs: Inputs, commands: list[Command]
) -> OutputState | None:
    """Send the output's command if it changed or must be renewed; the state then knows when it was sent."""
    now_s = inputs.now_s
    if output is None or state is None or not (due(output, state, now_s) or output.tag in inputs.say_again):
        return state
    commands.append(Command(output.tag, state.on, output.lifetime_s, state.reason, number + 1, epoch))
    return state._replace(sent_s=now_s)
