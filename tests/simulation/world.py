"""One story, from the first start of the daemon to the last record: everything around the service, in virtual time."""

import hashlib
import json
import math
import random
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from controller.config import load_installation
from controller.control.site import Site
from controller.control.step import StepResult
from controller.faults import FileFaults
from controller.installation import Installation
from tests.simulation import scene as seen
from tests.simulation.board import Board, outside
from tests.simulation.broker import CALM, Broker, Message, Trouble
from tests.simulation.devices import Device
from tests.simulation.layout import GATEWAY, PROFILES, SCAN_S, Layout, adopt, changed, own_topic, scene_of, site_text
from tests.simulation.operators import Operators
from tests.simulation.stand_in import Plant
from tests.simulation.story import (
    Act,
    BrokerRestart,
    BrokerStall,
    BrokerTrouble,
    ClockJump,
    Happening,
    Hostile,
    Killed,
    NetworkCut,
    PlantTrouble,
    PowerCut,
    ProbeFault,
    RelayFault,
    Reload,
    SecondDaemon,
    StoreTrouble,
)
from tests.simulation.virtual import Calendar

MANAGER_WAITS_S = 5.0  # the service manager's pause before it starts a daemon again that has failed
RELOAD_WITHIN_S = 5.0
PAYLOAD_FAULTS = ("text", "nan", "huge")
ENDING_S = 20.0
MOST_BREACHES = 20


class Outcome(NamedTuple):
    """What became of a story. `trace` is a digest of all that happened: the same for the same seed and story."""

    breaches: tuple[seen.Breach, ...]
    trace: str
    scene: seen.Scene


class World:
    """Everything around the service in one story of `length_s`."""

    def __init__(
        self, seed: str, layout: Layout, story: Sequence[Happening], length_s: float, judges: Sequence[seen.Judge]
    ) -> None:
        self._seed, self._layout, self._length_s, self._judges = seed, layout, length_s, judges
        self._story = story
        self.calendar = Calendar()
        self.scene = scene_of(layout)
        chance = random.Random(f"{seed}/world")
        self._chance = chance
        version = chance.choice(("5", "5", "5 without reasons", "3.1.1"))
        self._broker = Broker(self.calendar, random.Random(f"{seed}/broker"), version, self._heard, self._expired)
        self._plant = Plant(layout, chance.randrange(10**6))
        self._devices = {
            tag: Device(relay, self.calendar, self._broker, random.Random(f"{seed}/{tag}"), self._tell)
            for tag, relay in self.scene.relays.items()
        }
        self._payload_faults: dict[str, str] = {}
        self._newest: tuple[bytes, dict[str, float | None]] = (b"", {})
        self._cuts: list[PowerCut] = []
        self._lines: dict[tuple[str, int], tuple[float, float]] = {}
        self._breaches: list[seen.Breach] = []
        self._news: list[seen.Event] = []
        self._looks = False
        self._stop_at: int | None = None

    def run(self, stop_at: int | None = None) -> Outcome:
        """Live through the story and judge it all the way, or until the rule `stop_at` is broken."""
        self._stop_at = stop_at
        with tempfile.TemporaryDirectory(prefix="story-") as folder, outside(self._logged):
            self._folder = Path(folder)
            self._boards = {name: self._board(name) for name in ("a", "b")}
            chance = random.Random(f"{self._seed}/operators")
            self._operators = Operators(
                self.scene, self.calendar, self._broker, self._boards["a"], self._plant, self._tell, chance
            )
            for each in self._story:
                self.calendar.at(each.at_s, self._happen, each)
            self.calendar.at(0.0, self._start, "a")
            self.calendar.at(SCAN_S / 2.0, self._tick)
            self.calendar.at(self._length_s, self._end)
            self._live(self._length_s + ENDING_S)
            for board in self._boards.values():
                board.cut(False)
            self._collect()
            if not self._is_broken():
                for judge in self._judges:
                    self._breaches += judge.end(self.scene)
        return Outcome(tuple(self._breaches), self._digest(), self.scene)

    def _live(self, until_s: float) -> None:
        calendar, scene = self.calendar, self.scene
        boards = tuple(self._boards.values())
        one, other = boards
        while True:
            first = one if one.next_s <= other.next_s else other
            board_s = max(first.next_s, calendar.now_s)
            if calendar.next_s <= board_s:
                if calendar.next_s > until_s:
                    return
                calendar.do_next()
            else:
                if board_s > until_s:
                    return
                calendar.now_s = board_s
                first.run_due()
            if self._looks or self._news:
                scene.now_s = calendar.now_s
                self._look()
                if self._breaches and self._is_broken():
                    return

    def _is_broken(self) -> bool:
        return any(breach.rule == self._stop_at for breach in self._breaches)

    def _look(self) -> None:
        scene = self.scene
        scene.news, self._news = self._news, []
        self._looks = False
        for judge in self._judges:
            found = judge.look(scene)
            if found and len(self._breaches) < MOST_BREACHES:
                self._breaches += found

    def _tell(self, event: seen.Event) -> None:
        self.scene.events.append(event)
        self._news.append(event)

    # the daemons

    def _board(self, name: str) -> Board:
        folder = self._folder / name
        (folder / "profiles").mkdir(parents=True)
        for profile, text in PROFILES.items():
            (folder / "profiles" / f"{profile}.yaml").write_text(text)
        (folder / "site.yaml").write_text(site_text(self._layout))
        self.scene.daemons[name] = seen.Daemon(name, f"cellarhand-{self.scene.site}")
        return Board(name, self._seed, self.calendar, self._broker, folder)

    def _start(self, name: str) -> None:
        board, daemon = self._boards[name], self.scene.daemons[name]
        if board.run is not None and board.run.alive:
            return
        site_file = board.folder / "site.yaml"
        daemon.runs += 1
        try:
            installation = load(site_file)
        except FileFaults as error:
            self._tell(seen.Started(self.calendar.now_s, name, daemon.runs, None))
            self._tell(
                seen.Ended(self.calendar.now_s, name, daemon.runs, "refused", 2, self._without_folder(str(error)))
            )
            self.calendar.after(MANAGER_WAITS_S, self._start, name)
            return
        daemon.running, daemon.started_s, daemon.scans = True, self.calendar.now_s, 0
        daemon.connected_s, daemon.taken_over = None, False

        def began(line_s: float) -> None:
            self._lines[name, daemon.runs] = (self.calendar.now_s, line_s)
            self._tell(seen.Started(self.calendar.now_s, name, daemon.runs, line_s))

        def scanned(site: Site, result: StepResult) -> None:
            self._scanned(board, daemon)

        def ended(how: str, why: str) -> None:
            self._gone(name, how, 0 if how == "stopped" else 1, self._without_folder(why))
            if how != "stopped":
                self.calendar.after(MANAGER_WAITS_S, self._start, name)

        board.start(installation, lambda: load(site_file), scanned, began, ended, self._arrived)

    def _scanned(self, board: Board, daemon: seen.Daemon) -> None:
        assert board.run is not None
        link = board.run.service.link
        daemon.scans += 1
        daemon.scanned_s = self.calendar.now_s
        daemon.taken_over = link.taken_over
        if not link.connected:
            daemon.connected_s = None
        elif daemon.connected_s is None:
            daemon.connected_s = self.calendar.now_s
        self._looks = True
        if board.run.loop.troubles:
            for text in board.run.loop.troubles:
                self._tell(seen.Logged(self.calendar.now_s, board.name, "exception", text))
            board.run.loop.troubles.clear()
        if self._cuts and board.name == "a":
            for cut in self._cuts:
                self.calendar.after(cut.after_scan_s or 0.0, self._cut_power, cut)
            self._cuts.clear()

    def _gone(self, name: str, how: str, code: int | None, why: str = "") -> None:
        daemon = self.scene.daemons[name]
        if daemon.running:
            daemon.running, daemon.ended_s, daemon.connected_s = False, self.calendar.now_s, None
            self._tell(seen.Ended(self.calendar.now_s, name, daemon.runs, how, code, why))

    def _kill(self, name: str, power: bool) -> None:
        self._boards[name].cut(power)
        self._gone(name, "power" if power else "killed", None)

    def _stop(self, name: str) -> None:
        run = self._boards[name].run
        if run is not None and run.alive:
            run.stop()

    def _logged(self, board: str, level: str, text: str) -> None:
        self._tell(seen.Logged(self.calendar.now_s, board, level, self._without_folder(text)))

    def _without_folder(self, text: str) -> str:
        return text.replace(str(self._folder), "")

    # plant and probes

    def _tick(self) -> None:
        """Ten seconds of the plant; its probes report."""
        plant, scene, calendar = self._plant, self.scene, self.calendar
        calendar.after(SCAN_S, self._tick)
        for tag, relay in scene.relays.items():
            plant.set_output(tag, relay.moves)
        plant.advance(SCAN_S)
        scene.bath.true_c, scene.room_c = plant.bath_c, plant.room_c
        for name, vessel in scene.vessels.items():
            truth = plant.truth(name)
            vessel.mean_c, vessel.coldest_c, vessel.warmest_c = truth[:3]
            vessel.wort_l, vessel.og, vessel.gravity, vessel.yeast_w = truth[3:]
        self._report()

    def _report(self) -> None:
        now_s, values = self.calendar.now_s, {}
        for tag, probe in self.scene.probes.items():
            celsius = self._plant.probe_c(tag)
            probe.true_c = self._true_c(probe)
            if celsius is None:
                continue
            fault = self._payload_faults.get(tag) if self._payload_faults else None
            probe.reported_c = None if fault else celsius
            probe.reported_s = now_s
            if probe.vessel and self._own[probe.vessel] and tag.endswith("/well"):
                payload = _wrong(fault) if fault else b"%.3f" % (celsius * 1.8 + 32.0)
                self._broker.inject(Message(own_topic(probe.vessel), payload, sender="gateway"))
            else:
                values[tag] = celsius if fault is None else json.loads(_wrong(fault))
        if values:
            payload = json.dumps(values).encode()
            self._newest = (payload, values)
            self._broker.inject(Message(GATEWAY, payload, sender="gateway"))

    def _true_c(self, probe: seen.Probe) -> float:
        if probe.vessel:
            return self.scene.vessels[probe.vessel].mean_c
        return self.scene.bath.true_c if probe.place == "bath" else self.scene.room_c

    @property
    def _own(self) -> dict[str, bool]:
        return {each.name: each.own_topic for each in self._layout.vessels}

    # the broker

    def _heard(self, message: Message) -> None:
        """A message has reached the broker."""
        if message.sender == "gateway":
            return
        now_s, topic = self.calendar.now_s, message.topic
        if topic.endswith("/state") and message.sender in self._boards:
            vessel = self.scene.vessels.get(topic.split("/")[2])
            if vessel is not None and message.payload:
                vessel.said, vessel.said_s, vessel.said_by = json.loads(message.payload), now_s, message.sender
        self._tell(
            seen.Published(
                now_s, message.sender, topic, message.payload, message.qos, message.retain, message.expiry_s,
                will=message.will,
            )
        )  # fmt: skip
        if message.sender in self._boards:
            self._operators.heard(message)

    def _expired(self, message: Message, client: str) -> None:
        self._tell(seen.Expired(self.calendar.now_s, message.topic, client, message.at_s))

    def _arrived(self, board: str, message: Message, retained: bool) -> None:
        """A message has reached a daemon."""
        if message.sender != "gateway" or retained or self.scene.daemons[board].taken_over:
            return
        now_s = self.calendar.now_s
        if message.topic == GATEWAY:
            payload, values = self._newest
            if message.payload is not payload:
                values = json.loads(message.payload)
            for tag, celsius in values.items():
                if isinstance(celsius, float) and math.isfinite(celsius):
                    probe = self.scene.probes[tag]
                    probe.heard_c, probe.heard_s = celsius, now_s
            return
        probe = self.scene.probes[message.topic.split("/")[1] + "/well"]
        try:
            fahrenheit = float(message.payload)
        except ValueError:
            return
        if math.isfinite(fahrenheit):
            probe.heard_c, probe.heard_s = (fahrenheit - 32.0) / 1.8, now_s

    # what happens

    def _happen(self, happening: Happening) -> None:
        self._tell(seen.Happened(self.calendar.now_s, happening.sentence()))
        match happening:
            case ProbeFault():
                self._probe_fault(happening)
            case RelayFault():
                self._relay_fault(happening)
            case PlantTrouble(kind="chiller unplugged"):
                self._plant.chiller(False)
                self.scene.bath.chiller_plugged = False
                self.calendar.after(happening.for_s, self._chiller_back)
            case BrokerTrouble() | BrokerStall() | BrokerRestart() | NetworkCut():
                self._broker_trouble(happening)
            case StoreTrouble():
                self._store(happening.kind)
                self.calendar.after(happening.for_s, self._store, "good")
            case PowerCut():
                if happening.after_scan_s is None:
                    self._cut_power(happening)
                else:
                    self._cuts.append(happening)
            case Killed(asked=True):
                self._stop("a")
                self.calendar.after(max(happening.for_s, 6.0), self._start, "a")
            case Killed():
                self._kill("a", False)
                self.calendar.after(happening.for_s, self._start, "a")
            case ClockJump():
                self._jump(happening.by_s, happening.trusted)
                self.calendar.after(happening.for_s, self._jump, -happening.by_s, True)
            case SecondDaemon():
                self._start("b")
                self.calendar.after(happening.for_s, self._second_ends)
            case Act() if not self.scene.daemons["b"].running:  # nobody asks while it is not clear who would answer
                self._operators.act(happening)
            case Reload():
                self._reload(happening)
            case Hostile():
                for number in range(happening.times):
                    message = Message(happening.topic, happening.payload, 1, happening.retain, sender="stranger")
                    self.calendar.after(0.05 * number, self._broker.inject, message)

    def _probe_fault(self, happening: ProbeFault) -> None:
        probe, kind = self.scene.probes[happening.tag], happening.kind
        if kind in PAYLOAD_FAULTS:
            self._payload_faults[probe.tag] = kind
        else:
            self._plant.fault(probe.tag, kind, happening.magnitude, math.inf)
        probe.faults, probe.faults_since_s = (kind,), self.calendar.now_s
        self.calendar.after(happening.for_s, self._mend_probe, probe)

    def _mend_probe(self, probe: seen.Probe) -> None:
        self._payload_faults.pop(probe.tag, None)
        self._plant.mend(probe.tag)
        probe.faults, probe.faults_since_s = (), self.calendar.now_s

    def _relay_fault(self, happening: RelayFault) -> None:
        device, later = self._devices[happening.tag], self.calendar.after
        match happening.kind:
            case "welded closed" | "welded open":
                device.weld(happening.kind == "welded closed")
                later(happening.for_s, device.weld, None)
            case "stuck":
                device.stick(True)
                later(happening.for_s, device.stick, False)
            case "broken":
                device.breaks(True)
                later(happening.for_s, device.breaks, False)
            case "hand on" | "hand off":
                device.by_hand(happening.kind == "hand on")
                later(happening.for_s, device.by_hand, None)
            case "dead":
                device.restart(happening.for_s)

    def _chiller_back(self) -> None:
        self._plant.chiller(True)
        self.scene.bath.chiller_plugged = True

    def _broker_trouble(self, happening: Happening) -> None:
        broker, shown, later = self._broker, self.scene.broker, self.calendar.after
        shown.since_s = self.calendar.now_s
        match happening:
            case BrokerTrouble():
                broker.trouble = Trouble(happening.delay_s, happening.drop, happening.repeat, happening.reorder)
                shown.worst_delay_s, shown.drops, shown.repeats = happening.delay_s, happening.drop, happening.repeat
                shown.reorders, shown.drop_until_s = happening.reorder, self.calendar.now_s + happening.for_s
                later(happening.for_s, self._broker_calm)
            case BrokerStall():
                if broker.up:
                    broker.stall()
                    shown.stalled = True
                    later(happening.for_s, self._broker_goes_on)
            case BrokerRestart():
                if broker.up:
                    broker.shut_down()
                    shown.up = shown.stalled = False
                    shown.restarts += 1
                    later(happening.for_s, self._broker_back, happening.keeps_retained)
            case NetworkCut():
                broker.cut(happening.client)
                shown.cut_off = frozenset(broker.cut_off)
                later(happening.for_s, self._heal, happening.client)

    def _broker_calm(self) -> None:
        self._broker.trouble = CALM
        shown = self.scene.broker
        shown.worst_delay_s = shown.drops = shown.repeats = 0.0
        shown.reorders, shown.since_s = False, self.calendar.now_s

    def _broker_goes_on(self) -> None:
        if self._broker.stalled:
            self.scene.broker.stalled, self.scene.broker.since_s = False, self.calendar.now_s
            self._broker.go_on()

    def _broker_back(self, keeps_retained: bool) -> None:
        self.scene.broker.up, self.scene.broker.since_s = True, self.calendar.now_s
        self._broker.start(keeps_retained)

    def _heal(self, machine: str) -> None:
        self._broker.heal(machine)
        self.scene.broker.cut_off, self.scene.broker.since_s = frozenset(self._broker.cut_off), self.calendar.now_s

    def _store(self, how: str) -> None:
        daemon = self.scene.daemons["a"]
        self._boards["a"].disk.trouble = daemon.store = how
        daemon.store_since_s = self.calendar.now_s

    def _cut_power(self, cut: PowerCut) -> None:
        board = self._boards["a"]
        self._kill("a", True)
        if cut.clock_unset:
            board.wall_off_s, board.synchronised = -86400.0 * 365, False
            self.scene.daemons["a"].utc_trusted = False
            self.calendar.after(cut.for_s + 900.0, self._clock_set)
        self.calendar.after(cut.for_s, self._start, "a")
        if cut.devices:
            for device in self._devices.values():
                device.restart(cut.for_s)
            if self._broker.up:
                self._broker_trouble(BrokerRestart(self.calendar.now_s, cut.for_s, True))

    def _clock_set(self) -> None:
        self._boards["a"].wall_off_s, self._boards["a"].synchronised = 0.0, True
        self.scene.daemons["a"].utc_trusted = True
        self._tell(seen.Clock(self.calendar.now_s, "a", 0.0, True))

    def _jump(self, by_s: float, trusted: bool) -> None:
        board = self._boards["a"]
        board.wall_off_s += by_s
        board.synchronised = trusted
        self.scene.daemons["a"].utc_trusted = trusted
        self._tell(seen.Clock(self.calendar.now_s, "a", by_s, trusted))

    def _second_ends(self) -> None:
        """The mistake is found: the second daemon is stopped, and the first, which has given way, started again."""
        self._stop("b")
        self.calendar.after(30.0, self._stop, "a")
        self.calendar.after(60.0, self._start, "a")

    def _reload(self, happening: Reload) -> None:
        board, before = self._boards["a"], self._layout
        site_file = board.folder / "site.yaml"
        if happening.spoilt:
            site_file.write_text(site_text(before).replace("limits:", "limit:", 1))
        else:
            self._layout = changed(before, happening.vessel, **dict(happening.figures))
            site_file.write_text(site_text(self._layout))
        run = board.run
        if run is None or not run.alive:
            self._reloaded(happening, None, before)
            return
        old = run.service.installation
        run.reload()
        self.calendar.after(RELOAD_WITHIN_S, self._reloaded, happening, old, before)

    def _reloaded(self, happening: Reload, old: Installation | None, before: Layout) -> None:
        board = self._boards["a"]
        run = board.run
        accepted = run is not None and run.alive and old is not None and run.service.installation is not old
        if old is None:
            accepted = not happening.spoilt  # the next start will read it
        if accepted:
            adopt(self._layout, self.scene)
        else:
            self._layout = before
            (board.folder / "site.yaml").write_text(site_text(before))
        self._tell(seen.Reloaded(self.calendar.now_s, "a", happening.sentence(), accepted))

    # the end

    def _end(self) -> None:
        self._stop("a")
        self._stop("b")

    def _collect(self) -> None:
        for name, board in self._boards.items():
            for number, (run, record) in enumerate(board.disk.records):
                began = self._lines.get((name, run))
                at_s = None if began is None else began[0] + record.at_s - began[1]
                self.scene.records.append(
                    seen.Record(
                        number, name, run, at_s, record.at_s, record.utc_s, record.vessel, record.kind.value,
                        record.subject, record.value, record.reason, record.who,
                    )
                )  # fmt: skip

    def _digest(self) -> str:
        digest = hashlib.sha256()
        for each in (*self.scene.events, *self.scene.records, *self.scene.vessels.values()):
            digest.update(repr(each).encode())
        return digest.hexdigest()


def _wrong(fault: str) -> bytes:
    """What a probe sends in place of a number."""
    return {"text": b'"cold"', "nan": b"NaN", "huge": b"1e300"}[fault]


_loaded: dict[str, Installation] = {}


def load(site_file: Path) -> Installation:
    """The installation of a site file, by the real loader, which reads the same text only once."""
    text = site_file.read_text()
    if text not in _loaded:
        if len(_loaded) > 20:
            _loaded.clear()
        _loaded[text] = load_installation(site_file)
    return replace(_loaded[text], state_dir=site_file.parent / "state")
