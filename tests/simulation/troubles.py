"""What happens in a story, done to the world: to probes, relays, plant, broker, disk, power, clocks and daemons."""

import math
from collections.abc import Callable, Mapping

from tests.simulation import scene as seen
from tests.simulation.broker import CALM, Broker, Trouble
from tests.simulation.daemons import Daemons
from tests.simulation.devices import Device
from tests.simulation.network import Message
from tests.simulation.operators import Operators
from tests.simulation.plant import Cellar
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
    ProbesSwapped,
    RelayFault,
    Reload,
    SecondDaemon,
    StoreTrouble,
)
from tests.simulation.virtual import Calendar

PAYLOADS = {"text": '"cold"', "nan": "NaN", "huge": "1e300"}  # what a probe sends in place of a number
STOPS_WITHIN_S = 6.0
BEGINS_S = 30.0  # until a person who has found a second daemon has stopped both
UNSET_S = -365 * 86400.0  # how wrong a board without a battery clock starts
# A broker of MQTT 3.1.1 does not let commands expire. One that acknowledged them and passed them on later than they
# live would be beyond what the service can see.
KEPT_AT_MOST_S = 30.0
SET_AFTER_S = 900.0  # and when its time service has found the time


class Troubles:
    """Does to the world what happens; each happening mends itself. `payload_faults` are the probes whose messages are
    wrong, with how."""

    def __init__(
        self,
        scene: seen.Scene,
        calendar: Calendar,
        broker: Broker,
        plant: Cellar,
        devices: Mapping[str, Device],
        daemons: Daemons,
        operators: Operators,
        tell: Callable[[seen.Event], None],
    ) -> None:
        self._scene, self._calendar, self._broker, self._plant = scene, calendar, broker, plant
        self._devices, self._daemons, self._operators, self._tell = devices, daemons, operators, tell
        self.payload_faults: dict[str, str] = {}

    def happen(self, happening: Happening) -> None:
        """Let something begin, and see to its end."""
        self._tell(seen.Happened(self._calendar.now_s, happening.sentence()))
        match happening:
            case ProbeFault():
                self._probe(happening)
            case ProbesSwapped():
                self._plant.swap(happening.one, happening.other)
                for tag in (happening.one, happening.other):
                    self._suffers(tag, "swapped", happening.for_s)
            case RelayFault():
                self._relay(happening)
            case PlantTrouble():
                self._plant_trouble(happening)
            case BrokerTrouble() | BrokerStall() | BrokerRestart() | NetworkCut():
                self._network(happening)
            case StoreTrouble():
                self._store(happening.kind)
                self._calendar.after(happening.for_s, self._store, "good")
            case PowerCut(after_scan_s=None):
                self._cut_power(happening)
            case PowerCut():
                self._daemons.after_scan(happening.after_scan_s or 0.0, lambda: self._cut_power(happening))
            case Killed(asked=True):
                self._daemons.stop("a")
                self._calendar.after(max(happening.for_s, STOPS_WITHIN_S), self._daemons.start, "a")
            case Killed():
                self._daemons.kill("a", False)
                self._calendar.after(happening.for_s, self._daemons.start, "a")
            case ClockJump():
                self._jump(happening.by_s, happening.trusted)
                self._calendar.after(happening.for_s, self._jump, -happening.by_s, True)
            case SecondDaemon():
                self._daemons.start("b")
                self._calendar.after(happening.for_s, self._second_is_found)
            case Act() if not self._scene.daemons["b"].running:  # nobody asks while it is not clear who would answer
                self._operators.act(happening)
            case Reload():
                self._daemons.reload(happening)
            case Hostile():
                for number in range(happening.times):
                    message = Message(happening.topic, happening.payload, 1, happening.retain, sender="stranger")
                    self._calendar.after(0.05 * number, self._broker.inject, message)

    # probes, relays, plant

    def _probe(self, happening: ProbeFault) -> None:
        tag, kind = happening.tag, happening.kind
        if kind in PAYLOADS:
            self.payload_faults[tag] = kind
        else:
            self._plant.fault(tag, kind, happening.magnitude, math.inf)
        self._suffers(tag, kind, happening.for_s)

    def _suffers(self, tag: str, kind: str, for_s: float) -> None:
        probe = self._scene.probes[tag]
        probe.faults, probe.faults_since_s = (*probe.faults, kind), self._calendar.now_s
        self._calendar.after(for_s, self._mend_probe, tag)

    def _mend_probe(self, tag: str) -> None:
        """Whatever it suffers from is mended."""
        self.payload_faults.pop(tag, None)
        self._plant.mend(tag)
        probe = self._scene.probes[tag]
        probe.faults, probe.faults_since_s = (), self._calendar.now_s

    def _relay(self, happening: RelayFault) -> None:
        device, later, kind = self._devices[happening.tag], self._calendar.after, happening.kind
        match kind:
            case "welded closed" | "welded open":
                device.weld(kind == "welded closed")
                later(happening.for_s, device.weld, None)
            case "stuck":
                device.stick(True)
                later(happening.for_s, device.stick, False)
            case "broken":
                device.breaks(True)
                later(happening.for_s, device.breaks, False)
            case "hand on" | "hand off":
                device.by_hand(kind == "hand on")
                later(happening.for_s, device.by_hand, None)
            case "dead":
                device.restart(happening.for_s)

    def _plant_trouble(self, happening: PlantTrouble) -> None:
        plant, vessel, much, for_s = self._plant, happening.vessel, happening.magnitude, happening.for_s
        later = self._calendar.after
        match happening.kind:
            case "chiller unplugged":
                self._chiller(False)
                later(for_s, self._chiller, True)
            case "chiller runs on":
                plant.chiller_runs_on(True)
                later(for_s, plant.chiller_runs_on, False)
            case "thermostat of the chiller turned":
                plant.thermostat(20.0 * much - 8.0)
                later(for_s, plant.thermostat, 0.0)
            case "glycol leaks":
                plant.leak(much * plant.spec.bath.volume_l)
                later(for_s, plant.leak, 0.0)
            case "door open":
                plant.door(for_s)
            case "lid off":
                plant.lid(vessel, for_s)
            case "sun":
                plant.sun(vessel, 2.0 * much * plant.vessels[vessel].spec.volume_l, for_s)
            case "little flow":
                plant.set_flow(vessel, 0.5 * much)
                later(for_s, plant.set_flow, vessel, 1.0)

    def _chiller(self, plugged: bool) -> None:
        self._plant.chiller(plugged)
        self._scene.bath.chiller_plugged = plugged

    # broker and network

    def _network(self, happening: Happening) -> None:
        broker, shown, later, now_s = self._broker, self._scene.broker, self._calendar.after, self._calendar.now_s
        match happening:
            case BrokerTrouble():
                delay_s = min(happening.delay_s, KEPT_AT_MOST_S) if broker.version == "3.1.1" else happening.delay_s
                broker.trouble = Trouble(delay_s, happening.drop, happening.repeat, happening.reorder)
                shown.worst_delay_s, shown.drops, shown.repeats = delay_s, happening.drop, happening.repeat
                shown.reorders, shown.drop_until_s = happening.reorder, now_s + happening.for_s
                later(happening.for_s, self._calm)
            case BrokerStall() if broker.up:
                broker.stall()
                shown.stalled = True
                later(happening.for_s, self._go_on)
            case BrokerRestart() if broker.up:
                broker.shut_down()
                shown.up = shown.stalled = False
                shown.restarts += 1
                later(happening.for_s, self._back, happening.keeps_retained)
            case NetworkCut():
                broker.cut(happening.client)
                shown.cut_off = frozenset(broker.cut_off)
                later(happening.for_s, self._heal, happening.client)
        shown.since_s = now_s

    def _calm(self) -> None:
        self._broker.trouble, shown = CALM, self._scene.broker
        shown.worst_delay_s = shown.drops = shown.repeats = 0.0
        shown.reorders, shown.since_s = False, self._calendar.now_s

    def _go_on(self) -> None:
        if self._broker.stalled:
            self._scene.broker.stalled, self._scene.broker.since_s = False, self._calendar.now_s
            self._broker.go_on()

    def _back(self, keeps_retained: bool) -> None:
        self._scene.broker.up, self._scene.broker.since_s = True, self._calendar.now_s
        self._broker.start(keeps_retained)

    def _heal(self, machine: str) -> None:
        self._broker.heal(machine)
        self._scene.broker.cut_off = frozenset(self._broker.cut_off)
        self._scene.broker.since_s = self._calendar.now_s

    # the controller's machine

    def _store(self, how: str) -> None:
        daemon = self._scene.daemons["a"]
        self._daemons.boards["a"].disk.trouble = daemon.store = how
        daemon.store_since_s = self._calendar.now_s

    def _cut_power(self, cut: PowerCut) -> None:
        self._daemons.kill("a", True)
        if cut.clock_unset:
            self._clock(UNSET_S, False)
            self._calendar.after(cut.for_s + SET_AFTER_S, self._clock, 0.0, True)
        self._calendar.after(cut.for_s, self._daemons.start, "a")
        if cut.devices:
            for device in self._devices.values():
                device.restart(cut.for_s)
            self._network(BrokerRestart(self._calendar.now_s, cut.for_s, True))

    def _jump(self, by_s: float, trusted: bool) -> None:
        self._clock(self._daemons.boards["a"].wall_off_s + by_s, trusted)

    def _clock(self, off_s: float, trusted: bool) -> None:
        board = self._daemons.boards["a"]
        by_s = off_s - board.wall_off_s
        board.wall_off_s, board.synchronised = off_s, trusted
        self._scene.daemons["a"].utc_trusted = trusted
        self._tell(seen.Clock(self._calendar.now_s, "a", by_s, trusted))

    def _second_is_found(self) -> None:
        """The second daemon is stopped, and the first, which has given way, started again."""
        self._daemons.stop("b")
        self._calendar.after(BEGINS_S, self._daemons.stop, "a")
        self._calendar.after(2.0 * BEGINS_S, self._daemons.start, "a")
