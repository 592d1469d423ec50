"""Every value that flows through one scan, in the order in which it flows.

    reading -> signal -> estimate -> setpoint -> demand -> grant -> output -> command

Values are named tuples: immutable, plain, cheap to make (a scan makes about a dozen per vessel), and
`codec` turns them into JSON and back. Units are last in each name: `_c` degrees Celsius, `_k` kelvin
(a difference), `_s` seconds, `_w` watts (positive heats the wort, negative cools it).
"""

from collections.abc import Mapping
from enum import Enum
from typing import NamedTuple


class Status(Enum):
    """Health of a signal, by NAMUR NE 107; `GOOD` is the absence of the other four."""

    GOOD = "good"
    MAINTENANCE = "M"  # still valid; drives the loop
    OUT_OF_SPECIFICATION = "S"  # uncertain; drives cooling only
    FUNCTION_CHECK = "C"  # temporarily invalid; drives nothing
    FAILURE = "F"  # invalid; drives nothing


class Reading(NamedTuple):
    """One decoded report of one probe, before calibration: degrees Celsius and the time of receipt."""

    celsius: float
    at_s: float


class Signal(NamedTuple):
    """What is known of one probe. `celsius` is calibrated and stays at the last accepted value when the
    status turns bad; it is None until the first accepted reading. `cause` says why the status is not good."""

    celsius: float | None
    at_s: float  # receipt of the last accepted reading
    status: Status
    cause: str
    suspect_c: float | None = None  # a first impossible jump, waiting for a second opinion
    fit_again_s: float = 0.0  # after a real jump: not before this time
    moved_s: float = 0.0  # when `celsius` last changed, be it by its last digit


class Drive(Enum):
    """Which outputs an estimate is fit to drive (design rule 2)."""

    BOTH = "heating and cooling"
    COOLING = "cooling only"
    NOTHING = "nothing"


class Estimate(NamedTuple):
    """The wort as the loop sees it. `cold_c` limits cooling and `warm_c` limits heating; they differ only
    where two probes disagree. `slow_c` is the filter's memory for the trend."""

    celsius: float | None
    cold_c: float
    warm_c: float
    rate_k_per_h: float
    slow_c: float
    drive: Drive
    cause: str


NO_SIGNAL = "no signal fit to drive"


class Setpoint(NamedTuple):
    """The setpoint of the moment. Cooling acts above `high_c`, heating below `low_c`: equal in a hold,
    apart in a free rise."""

    low_c: float
    high_c: float


class Demand(NamedTuple):
    """What the loop asks for, in watts at the wort, with the reason in the brewer's words."""

    heat_w: float
    reason: str


class Grant(NamedTuple):
    """What the shared bath allows of a demand. `heat_w` lies between zero and the demand."""

    heat_w: float
    reason: str


class Command(NamedTuple):
    """One order to one device. An `on` ends in the device when `lifetime_s` has passed without another;
    nodes of our own ignore a command whose (epoch, number) is not higher than the last."""

    tag: str  # "vessel/cooler" or "vessel/heater"
    on: bool
    lifetime_s: float
    reason: str
    number: int
    epoch: int


class RecordKind(Enum):
    """What a record tells about (design rule 11)."""

    OUTPUT = "output"
    STEP = "step"
    STATE = "state"
    MODE = "mode"
    LIMIT = "limit"
    HEALTH = "health"
    ALARM = "alarm"
    BATCH = "batch"
    ACTION = "action"


class Record(NamedTuple):
    """One line of the site's memory: at `at_s` (and `utc_s` where UTC is trusted) `subject` became
    `value`, because of `reason`. `vessel` is "" for the site, `who` is "" for the service itself.
    For an ACTION, `subject` is the action's id and `value` is "done" or "refused"."""

    at_s: float
    utc_s: float | None
    vessel: str
    kind: RecordKind
    subject: str
    value: str
    reason: str
    who: str = ""


class Action(NamedTuple):
    """One wish of an operator. `expects` names what the operator saw: a batch state, or "state/name of the step"
    ("" = any)."""

    id: str
    vessel: str
    verb: str
    arguments: Mapping[str, str | float | bool]
    who: str
    expects: str = ""


class Inputs(NamedTuple):
    """All that one scan may know of the world. `now_s` is the service's own time line, `utc_s` is None
    while UTC is not trusted; `readings` holds the newest reading of each probe tag since the last scan.
    `say_again` names the outputs whose last command may not have arrived: it is sent once more; `unheard` those of them
    whose last command is known not to have reached the broker, `under_way` those for which nobody can say yet.
    Commands carry at least `epoch` from here on: nodes obey whoever connected last (design rule 10)."""

    now_s: float
    utc_s: float | None
    readings: Mapping[str, Reading]
    actions: tuple[Action, ...] = ()
    say_again: frozenset[str] = frozenset()
    unheard: frozenset[str] = frozenset()
    under_way: frozenset[str] = frozenset()
    epoch: int = 0
