"""What every judge needs of the past, taken in once for all: commands, readings, operators, calm and trouble."""

import json
import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from tests.simulation.scene import (
    Answered,
    Asked,
    Breach,
    Clock,
    Delivered,
    Ended,
    Event,
    Happened,
    Probe,
    Published,
    Relay,
    Reloaded,
    Scene,
    Started,
    Vessel,
)

DRIVERS = ("a", "b")
HELD_S = 0.001  # after a broker that hung goes on: what it takes in so soon was sent before
GAP_S = 60.0  # a daemon that scans less often than this does not live
WRITES_S = 1.0  # within which what was told is in the store
RECENT_S = 60.0  # after a disk's trouble, in which what waited may still not be written
CODE_WIDTH_K = 0.02
LATE_S = 300.0  # after a broker has become well, in which a message may still be late


@dataclass(frozen=True, slots=True)
class Command:
    """A command of a daemon that reached the broker. `held` if it may have waited in front of it. A node's carries
    `lifetime_s`, `epoch` and `number`; None where they cannot be read."""

    tag: str
    on: bool
    at_s: float
    sender: str
    retain: bool
    expiry_s: float | None
    held: bool
    lifetime_s: float | None = None
    epoch: int | None = None
    number: int | None = None


@dataclass(slots=True)
class Output:
    """One relay: what reached the broker for it, and what its electronics have made of that."""

    said_on: bool = False  # the newest command that reached the broker
    on_s: float = -math.inf  # the newest "on" that did
    off_from_s: float = -math.inf  # the first "off" of the newest unbroken row of them
    off_unheard_by: str = ""  # the daemon that had no connection when the other one said that first "off"
    # Such rows that are over: their first "off", the "on" that ended them, and who had not heard of the first.
    rows: deque[tuple[float, float, str]] = field(default_factory=lambda: deque(maxlen=6))
    ordered: bool = False
    begun_s: float = -math.inf  # when the device was last ordered on, by its own state
    ended_s: float = -math.inf  # when that last ended
    ended_by: str = ""  # "order" | "timer" | "restart"
    restarts: int = 0

    def rests_since_s(self, told_s: float, lifetime_s: float, sender: str) -> float | None:
        """Since when a device that now obeys an "on" of `told_s` had been off, as far as the sender could know; None
        where it could not: the electronics have restarted, renewals that the broker took did not arrive, or the other
        daemon said "off" while this one had no connection."""
        if self.ended_by == "restart":
            return None
        row = next((row for row in reversed(self.rows) if row[1] <= told_s), (math.inf, math.inf, ""))
        off_s, on_s, unheard_by = row
        if sender == unheard_by:
            return None
        if self.ended_s < on_s:  # in the row of "off", or before it
            return min(self.ended_s, off_s)
        if self.ended_by == "order":  # an "off" that came late
            return off_s
        return None if self.on_s > self.ended_s - lifetime_s - 1.0 else self.ended_s


@dataclass(slots=True)
class Heard:
    """The readings of one probe that reached the daemon, newest last; `fit_s` when the last plausible one did."""

    readings: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=40))
    fit_s: float = -math.inf


@dataclass(slots=True)
class Wishes:
    """What operators have asked for at one vessel. `open` are the ids that nobody has answered; `done_s` when what was
    asked for has been done."""

    open: set[str] = field(default_factory=set)
    answered_s: float = -math.inf
    done_s: list[float] = field(default_factory=list)
    meddled_s: float = -math.inf  # a stranger has said something there


class Seen:
    """Takes in each look once, whoever comes first. Times are of true time."""

    def __init__(self) -> None:
        self._news: object = None
        self.commands: list[Command] = []  # of this look
        self.outputs: dict[str, Output] = {}
        self.heard: dict[str, Heard] = {}
        self.wishes: dict[str, Wishes] = {}
        self.asked: dict[str, Asked] = {}  # all of the story, by id
        self.strange_s = -math.inf  # a stranger's reading
        self.upset_s = -math.inf  # the newest trouble, operator, start or reload
        self.reloaded_s = -math.inf
        self.lived_s = 0.0  # how long daemon "a" has scanned, over all runs
        self.forgot_s = -math.inf  # when "a" may have lost what it had told
        self.stalled_s = math.inf  # since when the broker hangs, or hung before it went on
        self.went_on_s = -math.inf
        self.said: list[Vessel] = []  # whose state was published in this look
        self._lost: list[tuple[float, float]] = []
        self._late_s, self._late_at_s = 0.0, -math.inf  # the worst delay of late, and when it was last in force
        self._scanned: tuple[int, float] = (0, -math.inf)
        self._was_stalled = False
        self._tags: dict[str, str] = {}

    def take(self, scene: Scene) -> None:
        """Take in what is new, if nobody has."""
        if scene.news is self._news:
            return
        self._news = scene.news
        if not self._tags:
            self._begin(scene)
        if scene.broker.stalled != self._was_stalled:
            self._was_stalled = scene.broker.stalled
            if self._was_stalled:
                self.stalled_s = scene.broker.since_s
            else:
                self.went_on_s = scene.broker.since_s
        delay_s = scene.broker.worst_delay_s + (5.0 if scene.broker.drops else 0.0)
        if delay_s:
            self._late_s = max(delay_s, self.late_s(scene))
            self._late_at_s = scene.now_s
        if self.commands:
            self.commands = []
        if self.said:
            self.said = []
        for event in scene.news:
            self._event(scene, event)
        self._probes(scene)
        self._devices(scene)
        daemon = scene.daemons.get("a")
        if daemon is not None and daemon.running and (daemon.runs, daemon.scanned_s) != self._scanned:
            run, before_s = self._scanned
            if run == daemon.runs and daemon.scanned_s - before_s <= GAP_S:
                self.lived_s += daemon.scanned_s - before_s
            self._scanned = daemon.runs, daemon.scanned_s

    # what judges ask

    def calm_s(self, scene: Scene, daemon: str = "a") -> float:
        """How long broker and network have done nothing wrong to a daemon that is connected; 0 while they do."""
        who = scene.daemons.get(daemon)
        if who is None or who.connected_s is None or not who.running:
            return 0.0
        return min(self.broker_calm_s(scene), scene.now_s - who.connected_s)

    def broker_calm_s(self, scene: Scene) -> float:
        """How long broker and network have done nothing wrong; 0 while they do."""
        broker = scene.broker
        if (
            not broker.up or broker.stalled or broker.worst_delay_s or broker.drops or broker.repeats
            or broker.reorders or broker.cut_off
        ):  # fmt: skip
            return 0.0
        return scene.now_s - broker.since_s

    def late_s(self, scene: Scene) -> float:
        """By how much a message may be late at the moment."""
        return self._late_s if scene.now_s - self._late_at_s < LATE_S else 0.0

    def is_sure(self, vessel: Vessel) -> bool:
        """Whether what operators were told of this vessel is what the service must know."""
        wishes = self.wishes[vessel.name]
        told = vessel.told
        if told is not None and self._lost:  # of the batch, or of what became of it later
            known_s = [told.since_s, *(at_s for at_s in wishes.done_s if at_s > told.since_s)]
            if any(from_s <= at_s <= to_s for from_s, to_s in self._lost for at_s in known_s):
                return False
        return not wishes.open and self.forgot_s < wishes.answered_s and wishes.meddled_s == -math.inf

    def unfit_s(self, scene: Scene, vessel: Vessel, at_s: float) -> float:
        """For how long no plausible reading of the vessel's wort had reached the daemon at `at_s`."""
        if at_s - self.strange_s < 600.0:
            return 0.0
        return at_s - max(self.heard[probe.tag].fit_s for probe in vessel.probes)

    # inside

    def _begin(self, scene: Scene) -> None:
        self._tags = {relay.topic: tag for tag, relay in scene.relays.items()}
        self.outputs = {tag: Output() for tag in scene.relays}
        self.heard = {tag: Heard() for tag in scene.probes}
        self.wishes = {name: Wishes(answered_s=0.0) for name in scene.vessels}

    def _event(self, scene: Scene, event: Event) -> None:
        if isinstance(event, Published):
            self._published(scene, event)
        elif isinstance(event, Delivered):
            pass
        elif isinstance(event, Asked):
            self.upset_s = event.at_s
            self.asked[event.id] = event
            if event.vessel in self.wishes and event.by != "mqtt retained":
                self.wishes[event.vessel].open.add(event.id)
                other = self.wishes.get(str(event.arguments.get("to")))
                if other is not None:
                    other.open.add(event.id)
        elif isinstance(event, Answered):
            for wishes in self.wishes.values():
                if event.id in wishes.open:
                    wishes.open.discard(event.id)
                    wishes.answered_s = event.at_s
                    if event.done:
                        wishes.done_s.append(event.at_s)
        elif isinstance(event, Ended):
            self.upset_s = event.at_s
            if event.daemon == "a":
                self._may_forget(scene, event.at_s, event.how == "stopped")
        elif isinstance(event, Started | Happened | Clock | Reloaded):
            self.upset_s = event.at_s
            if isinstance(event, Reloaded):
                self.reloaded_s = event.at_s

    def _may_forget(self, scene: Scene, at_s: float, stopped: bool) -> None:
        daemon = scene.daemons["a"]
        newest_s = max(wishes.answered_s for wishes in self.wishes.values())
        if daemon.store != "good":
            self._lose(daemon.store_since_s, at_s)
        elif at_s - daemon.store_since_s < RECENT_S:
            self._lose(-math.inf, at_s)
        elif not stopped and at_s - newest_s < WRITES_S:
            self._lose(at_s - WRITES_S, at_s)

    def _lose(self, from_s: float, to_s: float) -> None:
        """What the service was told in this time it may not know any more."""
        self._lost.append((from_s, to_s))
        self.forgot_s = to_s

    def _published(self, scene: Scene, event: Published) -> None:
        tag = self._tags.get(event.topic)
        if event.sender not in DRIVERS:
            if tag is None and event.sender == "stranger":
                self._strange(scene, event)
            return
        if tag is None:
            if event.topic.endswith("/state"):
                vessel = scene.vessels.get(event.topic.split("/")[2])
                if vessel is not None and vessel not in self.said:
                    self.said.append(vessel)
            return
        on, lifetime_s, epoch, number = understood(event.payload)
        output, at_s = self.outputs[tag], event.at_s
        held = 0.0 <= at_s - self.went_on_s < HELD_S
        self.commands.append(
            Command(tag, on, at_s, event.sender, event.retain, event.expiry_s, held, lifetime_s, epoch, number)
        )
        if on:
            if not output.said_on:
                output.rows.append((output.off_from_s, at_s, output.off_unheard_by))
            output.on_s = at_s
        elif output.said_on or output.off_from_s == -math.inf:
            output.off_from_s = at_s
            output.off_unheard_by = _unconnected(scene, event.sender)
        output.said_on = on

    def _strange(self, scene: Scene, event: Published) -> None:
        parts = event.topic.split("/")
        if parts[0] != "cellarhand":
            self.strange_s = event.at_s + self.late_s(scene)
        elif parts[-1] == "set" and parts[2] in self.wishes:
            self.wishes[parts[2]].meddled_s = event.at_s

    def _probes(self, scene: Scene) -> None:
        for tag, probe in scene.probes.items():
            heard = self.heard[tag]
            at_s, celsius = probe.heard_s, probe.heard_c
            if celsius is None or (heard.readings and heard.readings[-1][0] == at_s):
                continue
            heard.readings.append((at_s, celsius))
            if plausible(probe, celsius):
                heard.fit_s = at_s

    def _devices(self, scene: Scene) -> None:
        for tag, relay in scene.relays.items():
            output = self.outputs[tag]
            if relay.ordered != output.ordered:
                output.ordered = relay.ordered
                if relay.ordered:
                    output.begun_s = relay.ordered_since_s
                else:
                    output.ended_s, output.ended_by = relay.ordered_since_s, _ended_by(relay, output.restarts)
                output.restarts = relay.restarts


def _unconnected(scene: Scene, sender: str) -> str:
    """The other daemon if it has no connection while this one says something; two of one name never both have one."""
    (other,) = (daemon for name, daemon in scene.daemons.items() if name != sender)
    own = scene.daemons[sender]
    return other.name if other.connected_s is None or other.client_id == own.client_id else ""


def _ended_by(relay: Relay, restarts: int) -> str:
    if relay.restarts != restarts or relay.dead:
        return "restart"
    last = relay.obeyed
    return "order" if last is not None and not last.on and last.received_s == relay.ordered_since_s else "timer"


def understood(payload: bytes) -> tuple[bool, float | None, int | None, int | None]:
    """A command's payload: on or off, and of a node's the lifetime, epoch and number."""
    if payload in (b"ON", b"OFF"):
        return payload == b"ON", None, None, None
    try:
        said = json.loads(payload)
        return bool(said["on"]), float(said["lifetime_s"]), int(said["epoch"]), int(said["number"])
    except (ValueError, TypeError, KeyError):
        return b"on" in payload.lower(), None, None, None


def plausible(probe: Probe, celsius: float) -> bool:
    """Whether a reading may be a temperature: within the sensor's range, and no code."""
    codes = (*probe.power_on_c, *probe.disconnected_c)
    return probe.low_c <= celsius <= probe.high_c and all(abs(celsius - code) >= CODE_WIDTH_K for code in codes)


def alarms(vessel: Vessel, active: bool = True) -> Mapping[str, Mapping[str, Any]]:
    """The alarms that the vessel's newest state tells of, by kind; only those whose condition is there if `active`."""
    told = vessel.said.get("alarms", ())
    return {each["kind"]: each for each in told if not active or each["phase"].startswith("active")}


def breach(rule: int, scene: Scene, vessel: str, sentence: str) -> list[Breach]:
    """One breach, now."""
    return [Breach(rule, scene.now_s, vessel, sentence)]
