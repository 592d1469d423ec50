"""What the views may ask of the shell. Apart from them, so that the daemon need not load a web server to start."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import NamedTuple

from controller.control.site import Site
from controller.control.state import SiteState
from controller.display import Display

Snapshot = Callable[[], tuple[Site, SiteState] | None]
LATE_SCANS = 3  # as many scan periods without a scan are a gap


class StoreCounts(NamedTuple):
    """How the store is. `healthy`: the last attempt to write has succeeded; the counts are since the start."""

    healthy: bool = True
    failures: int = 0
    waiting_records: int = 0
    lost_records: int = 0
    dropped_samples: int = 0


class ShellCounts(NamedTuple):
    """What only the shell knows, since it started. `refused` counts messages by reason, each a
    short constant of the code; `dropped` messages from the broker that newer ones pushed out, `publish_failures`
    messages that did not get through to it; `told` messages to people by outcome, each a short constant of the
    code; `reloads` how often the files were read again, by outcome ("applied", "refused"); `answers_dropped` answers
    to operators that newer messages pushed out while no connection took them."""

    scans: int
    missed_scans: int
    refused: Mapping[str, int]
    broker_connected: bool
    dropped: int = 0
    publish_failures: int = 0
    store: StoreCounts = StoreCounts()
    told: Mapping[str, int] = MappingProxyType({})
    reloads: Mapping[str, int] = MappingProxyType({})
    answers_dropped: int = 0


class Pulse(NamedTuple):
    """How the shell is, at this moment. `since_scan_s` is None before the first scan; `undrivable` says why
    outputs cannot be driven (session taken over, commands not accepted), or is "" when they can; `trouble` why the
    broker is not connected, `store_fault` why nothing is stored, each "" if all is well; `outputs_without_device`
    why the commands of an output do not arrive, by its tag."""

    since_scan_s: float | None
    scan_s: float
    broker_connected: bool
    undrivable: str
    trouble: str = ""
    outputs_without_device: Mapping[str, str] = MappingProxyType({})
    store_fault: str = ""

    @property
    def live(self) -> bool:
        """Whether scans progress."""
        return self.since_scan_s is not None and 0 <= self.since_scan_s <= LATE_SCANS * self.scan_s


@dataclass(slots=True)
class View:
    """What the web sees of the shell: questions, each answered at once and without waiting. `display` may change
    when the files are read again."""

    snapshot: Snapshot
    counts: Callable[[], ShellCounts]
    pulse: Callable[[], Pulse]
    display: Display
