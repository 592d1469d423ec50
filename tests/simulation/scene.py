"""The world as its judges see it: devices, plant, broker and messages, store. Imports nothing from `controller`.

All times (`..._s`) are seconds of true time since the story began, also across power cuts and clock jumps; what a
daemon believes of time appears nowhere but in records (`line_s`, `utc_s`). The world changes the objects in place;
judges only read. Figures of the site file come from whoever generated that file, they are not read out of the service.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from tests.simulation.events import (
    Answered as Answered,
)
from tests.simulation.events import (
    Asked as Asked,
)
from tests.simulation.events import (
    Clock as Clock,
)
from tests.simulation.events import (
    Delivered as Delivered,
)
from tests.simulation.events import (
    Ended as Ended,
)
from tests.simulation.events import (
    Event as Event,
)
from tests.simulation.events import (
    Expired as Expired,
)
from tests.simulation.events import (
    Happened as Happened,
)
from tests.simulation.events import (
    Logged as Logged,
)
from tests.simulation.events import (
    Order as Order,
)
from tests.simulation.events import (
    Published as Published,
)
from tests.simulation.events import (
    Record as Record,
)
from tests.simulation.events import (
    Reloaded as Reloaded,
)
from tests.simulation.events import (
    Started as Started,
)
from tests.simulation.events import (
    Switched as Switched,
)


@dataclass(slots=True)
class Relay:
    """A cooler, heater, upstream contactor, shared pump or compressor. `ordered` is what its electronics want after the
    obeyed order and its own timer; `closed` where the contacts really are (welded, switched by hand, without power);
    `moves` whether heat or glycol really moves through it (an open contactor upstream, a burnt heater, an air lock)."""

    tag: str  # "fv1/cooler", "fv1/heater"; "upstream/<name>"
    vessel: str  # "" for what several share
    kind: str  # "cooler" | "heater" | "contactor" | "pump" | "compressor"
    topic: str
    node: bool  # obeys highest (epoch, number), ends by the lifetime it was sent
    timer_s: float | None  # a foreign relay's own timer; None: a node's
    # figures of the site file
    power_w: float
    lifetime_s: float
    renew_s: float
    shortest_on_s: float
    shortest_off_s: float
    upstream: tuple[str, ...] = ()  # tags of the relays that must be closed too
    # now
    ordered: bool = False
    ordered_since_s: float = -math.inf  # since when `ordered` is as it is
    closed: bool = False
    closed_since_s: float = -math.inf  # since when `closed` is as it is
    moves: bool = False
    ends_s: float = math.inf  # when its own timer opens it
    welded: bool | None = None  # contacts held closed (True) or open (False)
    by_hand: bool | None = None  # a person holds the switch on or off
    dead: bool = False  # its electronics are off or hang: hears nothing, contacts open (or stuck)
    stuck: bool = False  # contacts stay where they are, whatever is ordered
    broken: bool = False  # closed, but nothing moves: burnt heater, air-locked pump
    restarts: int = 0
    starts: int = 0  # how often the contacts closed
    obeyed: Order | None = None  # newest obeyed; None after a restart of a node, which forgets
    heard: Order | None = None  # newest delivered, obeyed or not
    on_s: float = 0.0  # seconds of closed contacts


@dataclass(frozen=True, slots=True)
class Gravity:
    """A gravity that an operator entered and the service accepted, and what it truly was."""

    entered: float
    at_s: float
    true: float


@dataclass(slots=True)
class Told:
    """What operators told the service of the batch, as far as it accepted it. None: not told."""

    batch: str
    since_s: float
    volume_l: float | None = None
    og: float | None = None
    gravities: list[Gravity] = field(default_factory=list)
    setpoint_c: float | None = None  # the last one that an operator set by hand
    state: str = "running"  # "running" | "held" | "stopped" | "aborted" | "complete", by the operators' actions
    mode: str = "auto"  # "auto" | "manual" | "off"
    mode_since_s: float = 0.0
    manual_until_s: float = math.inf  # the end that was asked for
    manual_duty: float = 0.0


@dataclass(slots=True)
class Vessel:
    """One fermenter. The true figures come from the test plant."""

    name: str
    # figures of the site file (a reload may change them)
    volume_l: float
    low_c: float  # hard limits
    high_c: float
    freeze_margin_k: float
    changeover_s: float
    alarm_low_c: float
    alarm_high_c: float
    alarm_deviation_k: float
    alarm_delay_s: float
    reminder_s: float
    signal_loss: str  # "off" | "bounded"
    cooler: Relay | None
    heater: Relay | None
    probes: "list[Probe]"
    # truth now
    wort_l: float = 0.0  # 0: empty
    mean_c: float = 20.0
    coldest_c: float = 20.0  # coldest layer of the wort; ice on the coil is colder still
    warmest_c: float = 20.0
    freezing_c: float = 0.0  # of this beer, with the alcohol that it really has
    og: float = 1.0  # true; 1.0 for water or empty
    gravity: float = 1.0  # true
    yeast_w: float = 0.0
    told: Told | None = None
    said: Mapping[str, Any] = field(default_factory=dict)  # newest JSON on its state topic, of whichever daemon
    said_s: float = -math.inf
    said_by: str = ""


@dataclass(slots=True)
class Probe:
    """A probe. `faults` names all that it suffers from now, of: "missing" (no report), "stuck", "spike",
    "power-on value", "disconnected", "drift", "out of its well", "swapped", "hand", "text", "nan", "huge", "late".
    `true_c` is the temperature where it should sit; `reported_c` its newest report (None: no number), which was
    published at `reported_s`; `heard_c` and `heard_s` the newest number that the broker handed to the daemon that
    drives, not retained."""

    tag: str  # "fv1/well", "bath/tank", "room/air"
    vessel: str  # "" for bath and room
    place: str  # "thermowell" | "strapped on" | "bath" | "room"
    quiet_s: float  # silence of this length makes it a failure, by the site file
    low_c: float
    high_c: float
    power_on_c: tuple[float, ...]
    disconnected_c: tuple[float, ...]
    faults: tuple[str, ...] = ()
    faults_since_s: float = -math.inf  # since when `faults` is as it is
    true_c: float = 20.0
    reported_c: float | None = None
    reported_s: float = -math.inf
    heard_c: float | None = None
    heard_s: float = -math.inf


@dataclass(slots=True)
class Bath:
    """The glycol. `setpoint_c`, `warm_c` and `freeze_margin_k` are the site file's."""

    setpoint_c: float
    warm_c: float
    glycol_freezing_c: float
    freeze_margin_k: float
    chiller_w: float
    probes: list[Probe]
    true_c: float = -3.0
    chiller_plugged: bool = True


@dataclass(slots=True)
class Broker:
    """The broker. `since_s`: since when it is as it is."""

    up: bool = True
    stalled: bool = False  # keeps connections open, answers nothing
    since_s: float = -math.inf
    worst_delay_s: float = 0.0  # of deliveries and acknowledgements, as set by the story now
    drops: float = 0.0  # share of packets lost at first try (QoS 1 sends them again)
    repeats: float = 0.0  # share delivered twice
    reorders: bool = False
    drop_until_s: float = -math.inf  # while one of the three is in force
    restarts: int = 0
    cut_off: frozenset[str] = frozenset()  # whose network is cut: names of daemons, tags of relays


@dataclass(slots=True)
class Daemon:
    """One daemon, over all its runs. `client_id` is its name at the broker."""

    name: str  # "a", "b": "b" is the second one that should not be there
    client_id: str
    running: bool = False
    started_s: float = -math.inf  # of the present or last run
    runs: int = 0
    connected_s: float | None = None  # since when its session at the broker is open
    ended_s: float = -math.inf
    scans: int = 0  # of this run
    scanned_s: float = -math.inf  # the newest scan of this run
    taken_over: bool = False  # it knows that another drives; as its own status says
    store: str = "good"  # "good" | "slow" | "full" | "read-only"
    store_since_s: float = -math.inf
    utc_trusted: bool = True


@dataclass(slots=True)
class Scene:
    """Everything. `news` are the events since the last look, `events` all of the story so far (both in order)."""

    now_s: float
    scan_s: float
    site: str  # its name in topics
    vessels: dict[str, Vessel]
    relays: dict[str, Relay]  # all of them, by tag
    probes: dict[str, Probe]
    bath: Bath
    room_c: float
    broker: Broker
    daemons: dict[str, Daemon]
    events: list[Event] = field(default_factory=list)
    news: list[Event] = field(default_factory=list)
    records: list[Record] = field(default_factory=list)  # filled at the end, oldest first; "a" before "b"
    manual_heat_over_mqtt: bool = False


@dataclass(frozen=True, slots=True)
class Breach:
    """A rule was broken: which (1..12), when, where, and a sentence with numbers."""

    rule: int
    at_s: float
    vessel: str
    sentence: str


class Judge(Protocol):
    """Judges one rule. A new one is made for each story."""

    rule: int

    def look(self, scene: Scene) -> Iterable[Breach]:
        """Called after each scan of a daemon, each delivery to a relay, each relay's timer, and each event. Must be
        cheap (some µs): mostly () without looking further."""

    def end(self, scene: Scene) -> Sequence[Breach]:
        """Called once, when the story is over and `records` are there."""
