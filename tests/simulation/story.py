"""What happens in a story: a list of happenings, drawn from a seed, each with its time and its sentence.

Each happening stands alone and mends itself when its time is over, so that a story can be shortened by leaving any out.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

HOUR_S = 3600.0
TWO_DAYS_S = 48 * HOUR_S
AS_IT_IS = "as it is"  # an argument that the operator reads off the beer


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that begins at `at_s`."""

    at_s: float

    def sentence(self) -> str:
        """What happens, without its time."""
        raise NotImplementedError


def lasting(seconds: float) -> str:
    """A duration as people say it."""
    if seconds == math.inf:
        return "for good"
    return f"for {seconds:.0f} s" if seconds < 120.0 else f"for {seconds / 60.0:.0f} min"


@dataclass(frozen=True, slots=True)
class ProbeFault(Happening):
    """A probe suffers. `kind` as in `scene.Probe.faults`; `magnitude` in K (spike), K/h (drift)."""

    tag: str
    kind: str
    for_s: float
    magnitude: float = 0.0

    def sentence(self) -> str:
        by = f" by {self.magnitude:+.1f} K" if self.kind == "spike" else ""
        by = f" by {self.magnitude:+.2f} K/h" if self.kind == "drift" else by
        return f"probe {self.tag}: {self.kind}{by}, {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class ProbesSwapped(Happening):
    """Two probes change places."""

    one: str
    other: str
    for_s: float

    def sentence(self) -> str:
        return f"probes {self.one} and {self.other} change places, {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class RelayFault(Happening):
    """A relay suffers: "welded closed", "welded open", "stuck", "broken", "dead", "hand on", "hand off"."""

    tag: str
    kind: str
    for_s: float

    def sentence(self) -> str:
        return f"relay of {self.tag}: {self.kind}, {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class PlantTrouble(Happening):
    """The plant suffers, at one vessel or as a whole (""); `magnitude` 0..1 says how much. See `troubles`."""

    kind: str
    vessel: str
    for_s: float
    magnitude: float = 0.0

    def sentence(self) -> str:
        where = f" at {self.vessel}" if self.vessel else ""
        much = f" ({self.magnitude:g})" if self.magnitude else ""
        return f"{self.kind}{where}{much}, {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class BrokerTrouble(Happening):
    """The broker delays, drops, repeats and reorders."""

    delay_s: float
    drop: float
    repeat: float
    reorder: bool
    for_s: float

    def sentence(self) -> str:
        parts = [f"delays up to {self.delay_s:.0f} s"] if self.delay_s else []
        parts += [f"drops {self.drop:.0%}"] if self.drop else []
        parts += [f"repeats {self.repeat:.0%}"] if self.repeat else []
        parts += ["reorders"] if self.reorder else []
        return f"the broker {', '.join(parts) or 'is well'}, {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class BrokerStall(Happening):
    """The broker hangs and goes on."""

    for_s: float

    def sentence(self) -> str:
        return f"the broker hangs {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class BrokerRestart(Happening):
    """The broker dies and is started again."""

    for_s: float
    keeps_retained: bool

    def sentence(self) -> str:
        return (
            f"the broker is away {lasting(self.for_s)} and {'keeps' if self.keeps_retained else 'loses'} what it kept"
        )


@dataclass(frozen=True, slots=True)
class NetworkCut(Happening):
    """The network of one client is cut: "daemon" or the tag of a relay."""

    client: str
    for_s: float

    def sentence(self) -> str:
        return f"the network of {self.client} is cut {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class StoreTrouble(Happening):
    """The disk is "slow", "full" or "read-only"."""

    kind: str
    for_s: float

    def sentence(self) -> str:
        return f"the disk is {self.kind}, {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class PowerCut(Happening):
    """The controller's machine loses its power: at once, or so many seconds after its next scan. With `devices`, relays
    and broker lose theirs too."""

    for_s: float
    after_scan_s: float | None
    devices: bool
    clock_unset: bool

    def sentence(self) -> str:
        when = "" if self.after_scan_s is None else f" {1000 * self.after_scan_s:.0f} ms after a scan"
        what = "the house" if self.devices else "the controller"
        return f"{what} is without power{when}, {lasting(self.for_s)}" + (", its clock is unset" * self.clock_unset)


@dataclass(frozen=True, slots=True)
class Killed(Happening):
    """The daemon's process is killed, or asked to stop, and started again."""

    asked: bool
    for_s: float

    def sentence(self) -> str:
        return f"the daemon is {'stopped' if self.asked else 'killed'}, and started again after {self.for_s:.0f} s"


@dataclass(frozen=True, slots=True)
class ClockJump(Happening):
    """The wall clock jumps; `trusted` afterwards or not."""

    by_s: float
    trusted: bool
    for_s: float

    def sentence(self) -> str:
        trust = "" if self.trusted else " and is not trusted"
        return f"the wall clock jumps by {self.by_s / HOUR_S:+.2f} h{trust}, {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class SecondDaemon(Happening):
    """A second daemon is started by mistake on another machine, with its own empty store."""

    for_s: float

    def sentence(self) -> str:
        return f"a second daemon is started on another machine, {lasting(self.for_s)}"


@dataclass(frozen=True, slots=True)
class Act(Happening):
    """An operator acts. `by`: "mqtt", "mqtt retained" or "socket". `brings` is wort that is filled in before (L, °C,
    OG, limit of attenuation), `empties` drains the vessel before, `moves_to` pumps the beer there before."""

    vessel: str
    verb: str
    arguments: Mapping[str, Any]
    by: str
    expects: str = ""
    brings: tuple[float, float, float, float] | None = None
    empties: bool = False
    moves_to: str = ""
    id: str = ""

    def sentence(self) -> str:
        said = " ".join(f"{key}={value}" for key, value in self.arguments.items())
        wort = "" if self.brings is None else ", {:g} L of wort at {:.1f} °C, OG {:.3f}".format(*self.brings[:3])
        wort += ", which is emptied" * self.empties
        expects = f" if it is {self.expects}" if self.expects else ""
        return f"operator by {self.by}: {self.vessel} {self.verb} {said}".rstrip() + expects + wort


@dataclass(frozen=True, slots=True)
class Reload(Happening):
    """The site file is changed and SIGHUP sent: `figures` of `vessel`; or the file is spoilt."""

    vessel: str
    figures: Mapping[str, float | str] = field(default_factory=dict)
    spoilt: bool = False

    def sentence(self) -> str:
        what = "spoilt" if self.spoilt else f"{self.vessel} " + " ".join(f"{k}={v}" for k, v in self.figures.items())
        return f"the site file is changed ({what}) and read again"


@dataclass(frozen=True, slots=True)
class Hostile(Happening):
    """A stranger publishes `payload` so many times."""

    topic: str
    payload: bytes
    retain: bool
    times: int

    def sentence(self) -> str:
        shown = repr(self.payload[:40]) + (f"... ({len(self.payload)} bytes)" if len(self.payload) > 40 else "")
        kept = ", retained" if self.retain else ""
        return f"a stranger publishes {shown} to {self.topic} {self.times} times{kept}"


def sentences(story: list[Happening]) -> list[str]:
    """The story, a line for each happening."""
    return [f"{_clock(each.at_s)} {each.sentence()}" for each in sorted(story, key=lambda each: each.at_s)]


def _clock(at_s: float) -> str:
    days, rest = divmod(at_s, 86400.0)
    hours, rest = divmod(rest, 3600.0)
    day = f"day {days:.0f} " if days else ""
    return f"{day}{hours:02.0f}:{rest // 60:02.0f}:{rest % 60:02.0f}"
