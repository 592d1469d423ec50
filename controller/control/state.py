"""Everything that the core remembers from one scan to the next: frozen plain data, to JSON and back by `codec`."""

from collections.abc import Iterator, Mapping
from enum import Enum
from typing import NamedTuple

from controller.control.course import Profile
from controller.control.diagnosis import NO_DIAGNOSIS, Diagnosis, OutputFault
from controller.control.identification import NO_IDENTIFICATION, Identification
from controller.control.observer import NOT_OBSERVED, Observed
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
    `from_c` the setpoint when it began, `overtime` set once the longest time has been reported, `behind` while it has
    been told that the wort does not follow a ramp."""

    step: int
    counted_s: float
    elapsed_s: float
    from_c: float
    reached: bool = False
    confirmed: bool = False
    waiting: bool = False  # only the brewer's confirmation is missing
    overtime: bool = False
    behind: bool = False


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
    the last hours at a steady setpoint, `known_s`, how long they have been taken, `at_s`, the last look, `given_j`,
    what the outputs had given by then, and `wort_c`, the colder reading when it was last near its setpoint, at
    `seen_s`. Without one: `lost_s`, for how long; `lowest_c`, the coldest that the wort can be by now; `cool_w`, what
    it is cooled with blindly, and `reason`, why so or why not.
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
    given_j: float | None = None


NO_BLIND = Blind()


class Plan(NamedTuple):
    """At which deviations (K beyond the setpoint, of what the wort settles at) cooler and heater start and stop until
    the next look, and what the heater could do when that was planned."""

    cool_on_k: float = 0.0
    cool_off_k: float = 0.0
    heat_on_k: float = 0.0
    heat_off_k: float = 0.0
    high_w: float = 0.0


NO_PLAN = Plan()


class LoopState(NamedTuple):
    """Memory of one loop. `heat_w` is the last demand, `calling` the direction of the last one (-1, 0, +1);
    `held_w` is what coil and heater still give after they were switched off, as the on/off loop counts it without an
    observer. `pulse` says what is to be on now, as `calling` does, where pulses are sized in energy (None: they follow
    the account of on-time). `far`: the pulse under way brings the wort from far away and is to land. `side`: which
    output pulsed last. `sought_c` is the setpoint of the last plan, at `planned_s`, `slope_k_per_h` how fast it moves;
    `busy` is the mean of load^(2/3) over the last day, or over `busy_s`."""

    integral_w: float = 0.0
    filtered_c: float | None = None
    slope_k_per_s: float = 0.0
    heat_w: float = 0.0
    calling: int = 0
    automatic: bool = False
    held_w: float = 0.0
    pulse: int | None = None
    far: bool = False
    side: int = 0
    sought_c: float | None = None
    slope_k_per_h: float = 0.0
    busy: float = 0.0
    busy_s: float = 0.0
    planned_s: float = 0.0
    plan: Plan = NO_PLAN


class OutputState(NamedTuple):
    """One output: what was last commanded and why, and the pulse shaper's account.

    `owed_s` is on-time asked for and not yet given; `since_s` the time of the last change, or later for an "off" that
    did not arrive; `sent_s` the last command's time, `heard_s` that of the last one that is known to have arrived;
    `ended_s` when it was last seen on; `starts` and `on_s` count since the store began; the budget has paid for all
    starts so far at `paid_s`."""

    on: bool
    since_s: float
    sent_s: float
    reason: str
    owed_s: float = 0.0
    ended_s: float | None = None
    starts: int = 0
    on_s: float = 0.0
    paid_s: float = 0.0
    heard_s: float = 0.0


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


NO_LOOP = LoopState()
NO_ESTIMATE = Estimate(None, 0.0, 0.0, 0.0, 0.0, Drive.NOTHING, "no reading yet")


class VesselState(NamedTuple):
    """All that is remembered of one vessel. `faults` is keyed by the kind of its alarm, as "heater will not stop"."""

    in_service: bool
    condition: BatchState
    mode: Mode
    batch: Batch | None = None
    program: ProgramState | None = None
    manual: Manual | None = None
    setpoint: Setpoint | None = None
    estimate: Estimate = NO_ESTIMATE
    loop: LoopState = NO_LOOP
    cooler: OutputState | None = None
    heater: OutputState | None = None
    applied_w: float = 0.0  # the grant as the interlock let it through
    settling_best_k: float | None = None  # after a jump of the setpoint: least deviation so far; None = arrived
    settling_since_s: float = 0.0  # when that least deviation was last beaten
    off_since_s: float | None = None  # since when the mode is "off" with beer inside
    quiet: Quiet | None = None
    faults: Mapping[str, OutputFault] = {}
    diagnosis: Diagnosis = NO_DIAGNOSIS
    blind: Blind = NO_BLIND
    observed: Observed = NOT_OBSERVED
    identification: Identification = NO_IDENTIFICATION


class Sharing(NamedTuple):
    """How the bath was shared in the last scan: by how much its level has given way (K), who gets less than was asked
    for (the share 0..1 by vessel), behind whom they wait, the bath that these need (°C, None where nobody waits), whose
    turn it is among those who wait for the same cold, and up to where the bath is not called warm, since they have made
    it so (°C, None where it has no such excuse)."""

    eased_k: float = 0.0
    waits: Mapping[str, float] = {}
    behind: tuple[str, ...] = ()
    needed_c: float | None = None
    turns: tuple[str, ...] = ()
    excused_c: float | None = None


NO_SHARING = Sharing()


class Chilling(NamedTuple):
    """The coldest that the bath became while the compressor runs, counted in steps that prove an effect, and when."""

    best_c: float
    since_s: float


class SiteState(NamedTuple):
    """The state of the whole site. `alarms` is keyed "vessel/kind" ("bath/bath kind" for the bath)."""

    version: int
    now_s: float
    utc_s: float | None  # while UTC is not trusted: the last trusted, gone on with the service's time
    started: bool  # False until everything has been commanded off once
    outage_since_s: float | None  # restarted at, while the length of the outage is not known yet
    number: int  # of the last command
    epoch: int  # rises with each start and each connection
    signals: Mapping[str, Signal]
    vessels: Mapping[str, VesselState]
    alarms: Mapping[str, AlarmState]
    bath_crash_pause: bool  # somebody who waits for the bath gets next to nothing
    answers: Mapping[str, str]  # action id -> answer, the newest 200
    upstream: Mapping[str, OutputState] = {}  # by output tag
    sharing: Sharing = NO_SHARING
    chilling: Chilling | None = None


NEVER = Signal(None, 0.0, Status.FAILURE, "no reading yet")
START = "start: everything off first"
LOST = "power or program was lost; off at the start"


def outputs_of(state: SiteState) -> Iterator[tuple[str, str, OutputState]]:
    """Every output that the state knows, in the order in which all are switched off: its vessel ("" for one that
    vessels share), its name, what is remembered of it."""
    for tag, shared in state.upstream.items():
        yield "", tag.partition("/")[2], shared
    for vessel, now in state.vessels.items():
        for name, output in (("cooler", now.cooler), ("heater", now.heater)):
            if output is not None:
                yield vessel, name, output
