"""What is remembered of an identification: the experiment that is under way, and what the last one has found."""

from enum import Enum
from typing import NamedTuple

from controller.control.process_fit import Fit, Sample


class Method(Enum):
    """How the plant is asked. A step test gives pulses of one output and waits for the answer; a relay test switches
    between cooling and heating (or nothing) around the setpoint until the swing repeats itself."""

    STEP = "step"
    RELAY = "relay"


class Phase(Enum):
    """Where an experiment stands, in the words of the status."""

    CALM = "the outputs rest until what they gave before has arrived"
    DRIFT = "the outputs rest: what the wort does by itself"
    PILOT = "a short pulse, to see how strong the output is"
    PILOT_ANSWER = "waits for the answer to the short pulse"
    PULSE = "the pulse"
    ANSWER = "waits for the answer to the pulse"
    SWINGS = "the relay swings around the setpoint"


class Turn(NamedTuple):
    """The relay turned round: when, and the furthest that the wort had gone before, past the turn before this one."""

    at_s: float
    furthest_c: float


class Gathered(NamedTuple):
    """A sample that is still being taken: sums over `passed_s`."""

    passed_s: float = 0.0
    wort_ks: float = 0.0
    given_j: float = 0.0


class Experiment(NamedTuple):
    """An identification under way. `centre_c` is the setpoint at which it began, `batch` whose; `cooler_w` and
    `heater_w` are the site file's figures, 0 where that output is not to be used. `pulse_s` is how long the output is
    to be on in this phase, `on_s` how long it was; `heat_w` what is asked for now. `samples`, each of `interval_s`,
    begin with the phase DRIFT. `side` is -1 (toward cold) or +1; `furthest_c` is where the wort has been since a relay
    turned. `shown_c` is the wort by its probes alone, smoothed: what is to be found must not come from what is
    thought of the vessel."""

    method: Method
    began_s: float
    began_utc_s: float | None
    centre_c: float
    condition: str
    batch: str
    cooler_w: float
    heater_w: float
    capacity_j_per_k: float
    phase: Phase
    phase_s: float
    before_c: float
    heat_w: float = 0.0
    pulse_s: float = 0.0
    on_s: float = 0.0
    drift_k_per_s: float = 0.0
    interval_s: float = 30.0
    samples: tuple[Sample, ...] = ()
    gathered: Gathered = Gathered()
    side: int = 0
    furthest_c: float = 0.0
    turns: tuple[Turn, ...] = ()
    shown_c: float | None = None


class Swing(NamedTuple):
    """A relay's own limit cycle: half its height in K, its period in s, how many were seen, and how far their heights
    are apart (K). Nothing follows from it alone: 4 d / (pi a) is not the gain at which the loop swings without end."""

    half_k: float
    period_s: float
    seen: int
    spread_k: float


class Finding(NamedTuple):
    """What an experiment has found: the process, and the settings by the SIMC rules. `delay_s` is all that lies between
    a demand and its effect in the loop, the pulses included. `by_file` is how much the wort moves as a share of what
    the site file's figures say. At its ultimate gain the loop would swing without end, with its ultimate period.
    `cycle_s` is that of the pulses for which the settings are."""

    method: Method
    at_s: float
    utc_s: float | None
    batch: str
    celsius: float
    cooled: bool
    fit: Fit
    by_file: float
    delay_s: float
    gain_w_per_k: float
    integral_s: float
    ultimate_gain_w_per_k: float
    ultimate_period_s: float
    cycle_s: float
    swing: Swing | None = None


class Identification(NamedTuple):
    """All of a vessel. `ended` says how the last experiment ended, "" where there was none."""

    experiment: Experiment | None = None
    finding: Finding | None = None
    ended: str = ""


NO_IDENTIFICATION = Identification()
