"""What the views may ask of the shell. Apart from them, so that the daemon need not load a web server to start."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from controller.control.site import Site
from controller.control.state import SiteState

Snapshot = Callable[[], tuple[Site, SiteState] | None]


class ShellCounts(NamedTuple):
    """What only the shell knows, since it started. `refused` counts messages by reason, each a
    short constant of the code."""

    scans: int
    missed_scans: int
    refused: Mapping[str, int]
    broker_connected: bool


class Pulse(NamedTuple):
    """How the shell is, at this moment. `since_scan_s` is None before the first scan; `undrivable` says why
    outputs cannot be driven (session taken over, commands not accepted), or is "" when they can."""

    since_scan_s: float | None
    scan_s: float
    broker_connected: bool
    undrivable: str


@dataclass(frozen=True, slots=True)
class View:
    """What the web sees of the shell: four questions, each answered at once and without waiting."""

    snapshot: Snapshot
    counts: Callable[[], ShellCounts]
    pulse: Callable[[], Pulse]
    units: str
