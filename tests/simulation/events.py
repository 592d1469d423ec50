"""What happens in a story, as its judges see it: messages, orders, switchings, operators, daemons, records.

All `..._s` are seconds of true time since the story began, unless said otherwise. Imports nothing from `controller`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Order:
    """One command as a relay understood it. `epoch`, `number` and `lifetime_s` are None where the device is foreign
    (its payload says only on or off). `copy` counts deliveries of the same publication from 1."""

    on: bool
    epoch: int | None
    number: int | None
    lifetime_s: float | None
    sender: str  # who published it: a daemon's name ("a", "b"), else "operator", "stranger"
    sent_s: float  # when it reached the broker
    received_s: float
    retained: bool  # delivered with the retain flag
    copy: int
    obeyed: bool  # False: older than the newest (nodes only), or the device was dead


@dataclass(frozen=True, slots=True)
class Published:
    """A message that reached the broker. Ordinary readings of probes are left out (see `Probe`); all else is there,
    hostile readings too."""

    at_s: float
    sender: str  # a daemon's name ("a", "b", also of its will), else "operator", "stranger", "gateway"
    topic: str
    payload: bytes
    qos: int
    retain: bool
    expiry_s: float | None
    duplicate: bool = False
    will: bool = False


@dataclass(frozen=True, slots=True)
class Delivered:
    """A command that reached a relay."""

    at_s: float
    tag: str
    order: Order


@dataclass(frozen=True, slots=True)
class Expired:
    """A message that the broker threw away because its time was over."""

    at_s: float
    topic: str
    client: str  # client id of who should have got it
    published_s: float


@dataclass(frozen=True, slots=True)
class Switched:
    """Contacts opened or closed. `by`: "order", "timer", "weld", "hand", "power", "restart", "mended"."""

    at_s: float
    tag: str
    closed: bool
    by: str


@dataclass(frozen=True, slots=True)
class Asked:
    """An operator's action. `by`: "mqtt" or "socket"; `retained` ones and broken ones are asked too."""

    at_s: float
    id: str
    vessel: str
    verb: str
    arguments: Mapping[str, Any]
    expects: str
    by: str
    daemon: str  # "" by MQTT, where every daemon that listens hears it


@dataclass(frozen=True, slots=True)
class Answered:
    """The answer that came back; `done` is False for one that begins with "refused"."""

    at_s: float
    id: str
    vessel: str
    verb: str
    text: str
    done: bool
    daemon: str


@dataclass(frozen=True, slots=True)
class Started:
    """A daemon was started. `line_s` is where its own time line began (what `Record.line_s` counts on)."""

    at_s: float
    daemon: str
    run: int
    line_s: float | None  # None: it refused to start


@dataclass(frozen=True, slots=True)
class Ended:
    """A daemon is no more. `how`: "power" (cut at any instant), "killed" (process only), "stopped" (asked to),
    "fault" (ended by itself). `code` is the exit code where there is one; `text` the error."""

    at_s: float
    daemon: str
    run: int
    how: str
    code: int | None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Reloaded:
    """The site file was changed and SIGHUP sent. `accepted` as the service's own record says; the figures of `Vessel`
    and `Relay` follow when it is accepted."""

    at_s: float
    daemon: str
    what: str
    accepted: bool


@dataclass(frozen=True, slots=True)
class Clock:
    """The wall clock of the daemon's machine jumped by `by_s`, or is trusted or not from now on."""

    at_s: float
    daemon: str
    by_s: float
    trusted: bool


@dataclass(frozen=True, slots=True)
class Happened:
    """Something of the story, as its sentence: probe faults, plant troubles, broker troubles, hand switches."""

    at_s: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Logged:
    """A line that a daemon logged as a warning or worse."""

    at_s: float
    daemon: str
    level: str
    text: str


Event = (
    Published
    | Delivered
    | Expired
    | Switched
    | Asked
    | Answered
    | Started
    | Ended
    | Reloaded
    | Clock
    | Happened
    | Logged
)


@dataclass(frozen=True, slots=True)
class Record:
    """A row of the table records in the store, found there after a run (also after a power cut, from what the disk
    held). `at_s` is true time, made from `line_s` by the world; None where it cannot be told."""

    id: int
    daemon: str
    run: int
    at_s: float | None
    line_s: float
    utc_s: float | None
    vessel: str
    kind: str
    subject: str
    value: str
    reason: str
    who: str
