"""What one site file describes beyond the plant: how the shell reaches devices, people and disk.

The core never sees these; `config` makes them together with the core's `Site`."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import time
from pathlib import Path

from controller.control.site import Site
from controller.display import Display


@dataclass(frozen=True, slots=True)
class Tls:
    """How the broker is recognised, and how we show who we are. Paths of PEM files; `ca_file` None: the authorities
    that the system knows; `certificate_file` and `key_file` come together or not at all."""

    ca_file: Path | None
    certificate_file: Path | None
    key_file: Path | None


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the MQTT broker is and who we are there. `password` is already read from its file or variable."""

    host: str
    port: int
    user: str | None
    password: str | None = field(repr=False)
    client_id: str
    keepalive_s: int = 10
    tls: Tls | None = None


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
class History:
    """How finely the store remembers, and how long. Quarter-hours stay for ever, and records if `keep_records_s` is
    None."""

    sample_s: float = 10.0
    keep_samples_s: float = 14 * 86400.0
    keep_minutes_s: float = 400 * 86400.0
    keep_records_s: float | None = None


@dataclass(frozen=True, slots=True)
class Target:
    """One place to send messages to. `url` is a secret: a plain http(s) webhook or any address that Apprise knows.
    Messages below the priority `least` ("low", "medium", "high") are not sent there."""

    name: str
    url: str = field(repr=False)
    least: str


@dataclass(frozen=True, slots=True)
class Notifications:
    """Where messages go. From `quiet_from` to `quiet_to` (local time, may span midnight) only those of high priority
    leave; at `daily_at` (local time) one says that all is well. None: no quiet hours, no daily message."""

    targets: tuple[Target, ...]
    quiet_from: time | None = None
    quiet_to: time | None = None
    daily_at: time | None = None


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """A watcher outside the house: `url` (a secret) is called with GET every `every_s` while the vessels are driven."""

    url: str = field(repr=False)
    every_s: float


@dataclass(frozen=True, slots=True)
class Installation:
    """One daemon's site file, checked. `state_dir` holds the store and the operator socket."""

    site: Site
    broker: Broker
    sources: tuple[Source, ...]
    actuators: Mapping[str, Actuator]  # by output tag
    display: Display
    state_dir: Path
    http_host: str
    http_port: int | None
    warnings: tuple[str, ...]
    history: History = History()
    notifications: Notifications | None = None
    heartbeat: Heartbeat | None = None
    log_format: str = "text"  # or "json"

    @property
    def units(self) -> str:
        """ "C" or "F", for what people see."""
        return self.display.temperature
