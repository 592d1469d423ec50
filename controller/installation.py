"""What one site file describes beyond the plant: how the shell reaches devices, people and disk.

The core never sees these; `config` makes them together with the core's `Site`."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

from controller.control.site import Site


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the MQTT broker is and who we are there. `password` is already read from its file or variable."""

    host: str
    port: int
    user: str | None
    password: str | None
    client_id: str
    keepalive_s: int = 10


@dataclass(frozen=True, slots=True)
class Source:
    """How one probe's reading is found: an exact topic, a JSON Pointer (RFC 6901) into the payload ("" = the
    whole payload), its unit ("C", "F" or "K"), and optionally a pointer to the time at which it was taken."""

    tag: str
    topic: str
    pointer: str
    unit: str
    time_pointer: str | None = None


@dataclass(frozen=True, slots=True)
class Actuator:
    """How one output is commanded. `node` devices get lifetime, number and epoch as JSON and the two payloads
    are unused; all others get the payload of the wanted state."""

    tag: str
    topic: str
    on_payload: str
    off_payload: str
    node: bool


@dataclass(frozen=True, slots=True)
class Installation:
    """One daemon's site file, checked. `state_dir` holds the store and the operator socket."""

    site: Site
    broker: Broker
    sources: tuple[Source, ...]
    actuators: Mapping[str, Actuator]  # by output tag
    time_zone: ZoneInfo
    units: str  # "C" or "F", for what people see
    state_dir: Path
    http_host: str
    http_port: int | None
    warnings: tuple[str, ...]
