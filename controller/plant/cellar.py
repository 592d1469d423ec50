"""The simulated cellar. It talks to a controller as hardware does: readings out, commands in."""

import math
from collections.abc import Callable, Iterable
from typing import NamedTuple

from controller.control.values import Command, Reading
from controller.plant.demo import DEMO_SPEC
from controller.plant.devices import Device
from controller.plant.fermenter import Fermenter
from controller.plant.glycol import GlycolBath
from controller.plant.probe import Fault, ProbeUnit
from controller.plant.specs import CellarSpec, Yeast
from controller.plant.weather import weathered_room
from controller.plant.yeast import Brew

LONGEST_STEP_S = 60.0
SLOW_S = 60.0  # weather, yeast and mixing are looked at this often


class Energy(NamedTuple):
    """Heat in J since the start, positive into the cellar's vessels, lines and bath. `filled_j` came and went
    with wort; `stored_j` is what they hold above 0 °C now."""

    room_j: float
    yeast_j: float
    heater_j: float
    pump_j: float
    chiller_j: float
    filled_j: float
    stored_j: float


class Cellar:
    """All vessels, the bath and the room. The same spec, room, seed and calls give the same readings.

    `room_c` turns seconds (of `now_s`) into the room's °C."""

    def __init__(self, spec: CellarSpec, room_c: Callable[[float], float], seed: int = 1) -> None:
        self.spec = spec
        self.now_s = 0.0
        self._room = room_c
        self.room_c = room_c(0.0)
        self.bath = GlycolBath(spec.bath)
        self.vessels = {v.name: Fermenter(v, spec.bath.glycol, seed, self.room_c) for v in spec.vessels}
        self._list = list(self.vessels.values())
        self.devices: dict[str, Device] = {d.tag: d for v in self._list for d in (v.cooler, v.heater)}
        self._bath_probe = ProbeUnit("bath/supply", spec.bath.probe, seed, self.bath.bath_c)
        self._room_probe = ProbeUnit("room/air", spec.room_probe, seed, self.room_c)
        units = [*(v.probe for v in self._list), self._bath_probe, self._room_probe]
        self.probes: dict[str, ProbeUnit] = {unit.tag: unit for unit in units}
        self._feels: dict[str, str] = {}  # probe tag -> whose place it sits in, where swapped
        self._slow_since_s = 0.0
        self._next_end_s = math.inf
        self._pump_j = 0.0

    def advance(self, dt_s: float) -> None:
        """Let `dt_s` > 0 pass; probes report once, at the end. Equal steps are cheapest: each new step length
        costs some milliseconds once."""
        if not 0.0 < dt_s < math.inf:
            raise ValueError(f"a cellar advances by a time above 0 s, found {dt_s}; nothing was changed")
        end_s = self.now_s + dt_s
        while end_s - self.now_s > 1e-6:
            if self.now_s >= self._next_end_s:
                self._end_outputs()
            step_s = min(end_s - self.now_s, LONGEST_STEP_S, self._next_end_s - self.now_s)
            self._step(step_s)
        self.now_s = end_s
        self._sample(dt_s)

    def obey(self, commands: Iterable[Command]) -> None:
        """Hand commands to the devices. A tag that no device has is a mistake in the wiring: KeyError."""
        for command in commands:
            device = self.devices.get(command.tag)
            if device is None:
                raise KeyError(f"no device {command.tag!r} in this cellar; it has {', '.join(self.devices)}")
            device.obey(command, self.now_s)
        self._next_end_s = min(device.ends_s for device in self.devices.values())

    def readings(self) -> dict[str, Reading]:
        """The newest report of every probe that has one, by tag."""
        now_s = self.now_s
        return {tag: Reading(unit.celsius, now_s) for tag, unit in self.probes.items() if unit.celsius is not None}

    def pitch(
        self,
        vessel: str,
        og: float,
        attenuation_limit: float,
        volume_l: float | None = None,
        wort_c: float | None = None,
        yeast: Yeast | None = None,
    ) -> None:
        """Fill a vessel with wort and yeast. `og` 1.000 < og <= 1.200, apparent attenuation 0..1; without
        volume, temperature (-5..100 °C) or yeast: the vessel's nominal volume, the room's temperature, its own yeast.

        Raises:
            ValueError: a figure outside its range; KeyError: no such vessel. Nothing was changed.
        """
        fermenter = self.vessels[vessel]
        litres = fermenter.spec.volume_l if volume_l is None else volume_l
        start_c = self.room_c if wort_c is None else wort_c
        right = 1.0 < og <= 1.2 and 0.0 <= attenuation_limit <= 1.0
        if not (right and 0.0 < litres < math.inf and -5.0 <= start_c <= 100.0):
            raise ValueError(
                f"{vessel}: og {og}, attenuation {attenuation_limit}, {litres} L at {start_c} °C; expected an og above "
                "1.000 up to 1.200, an attenuation of 0 to 1, a volume above 0 and -5 to 100 °C; nothing was changed"
            )
        fermenter.fill(Brew(yeast or fermenter.spec.yeast, og, attenuation_limit, litres), start_c)

    def package(self, vessel: str) -> None:
        """Drain a vessel."""
        self.vessels[vessel].fill(None, 0.0)

    def gravity(self, vessel: str) -> float:
        """True apparent gravity (20/20 °C); 1.000 for an empty vessel."""
        brew = self.vessels[vessel].brew
        return brew.apparent_gravity() if brew else 1.0

    def wort_c(self, vessel: str) -> float:
        """True mean temperature of the contents."""
        return self.vessels[vessel].heat.wort_c()

    def heat_w(self, vessel: str) -> float:
        """Heat of the yeast at this moment."""
        return self.vessels[vessel].yeast_w

    def output_on(self, tag: str) -> bool:
        """Whether the contacts of an output are closed."""
        return self.devices[tag].on

    def energy(self) -> Energy:
        """All heat since the start, for a balance."""
        return Energy(
            room_j=sum(v.room_j for v in self._list) + self.bath.room_j,
            yeast_j=sum(v.yeast_j for v in self._list),
            heater_j=sum(v.heater_j for v in self._list),
            pump_j=self._pump_j,
            chiller_j=-self.bath.removed_j,
            filled_j=sum(v.filled_j for v in self._list),
            stored_j=sum(v.stored_j() for v in self._list) + self.bath.stored_j(),
        )

    def fault(self, probe_tag: str, kind: Fault, magnitude: float = 0.0, for_s: float | None = None) -> None:
        """Break a probe from the next reading on. A spike without `for_s` spoils one reading, all else lasts
        until `mend`. `magnitude` is K for a spike, K per hour for a drift."""
        lasts_s = (0.0 if kind is Fault.SPIKE else math.inf) if for_s is None else for_s
        self.probes[probe_tag].fail(kind, magnitude, self.now_s, lasts_s)

    def mend(self, probe_tag: str) -> None:
        """Repair a probe and put it where it belongs."""
        self.probes[probe_tag].mend()
        self._feels.pop(probe_tag, None)

    def swap(self, one: str, other: str) -> None:
        """Two probes change places."""
        places = self._feels.get(one, one), self._feels.get(other, other)
        self._feels[other], self._feels[one] = places

    def weld(self, output_tag: str, on: bool | None) -> None:
        """Weld a relay closed (True) or open (False); None mends it."""
        self.devices[output_tag].weld(on)

    def disable(self, output_tag: str, disabled: bool = True) -> None:
        """The relay still switches but nothing moves: burnt-out heater, air-locked pump."""
        self.devices[output_tag].works = not disabled

    def plug_chiller(self, plugged: bool) -> None:
        """Pull the chiller's plug (False) or put it back."""
        self.bath.chiller_plugged = plugged

    def _end_outputs(self) -> None:
        for device in self.devices.values():
            device.tick(self.now_s)
        self._next_end_s = min(device.ends_s for device in self.devices.values())

    def _step(self, dt_s: float) -> None:
        now_s, room_c, bath = self.now_s, self.room_c, self.bath
        if now_s - self._slow_since_s >= SLOW_S:
            self._slow()
            room_c = self.room_c
        bath_c, pump_w = bath.bath_c, self.spec.bath.pump_w
        brought_j = 0.0
        for fermenter in self._list:
            brought_j += fermenter.step(dt_s, bath_c, room_c)
            if fermenter.cooler.on:
                brought_j += pump_w * dt_s
                self._pump_j += pump_w * dt_s
        bath.step(now_s, dt_s, room_c, brought_j)
        self.now_s = now_s + dt_s

    def _slow(self) -> None:
        elapsed_s = self.now_s - self._slow_since_s
        self._slow_since_s = self.now_s
        self.room_c = self._room(self.now_s)
        for fermenter in self._list:
            fermenter.slow(elapsed_s)

    def _sample(self, dt_s: float) -> None:
        now_s, room_c = self.now_s, self.room_c
        if self._feels:
            true_c = {v.probe.tag: v.heat.well_c for v in self._list}
            true_c |= {"bath/supply": self.bath.bath_c, "room/air": room_c}
            for tag, unit in self.probes.items():
                unit.sample(now_s, dt_s, true_c[self._feels.get(tag, tag)], room_c)
            return
        for fermenter in self._list:
            fermenter.probe.sample(now_s, dt_s, fermenter.heat.well_c, room_c)
        self._bath_probe.sample(now_s, dt_s, self.bath.bath_c, room_c)
        self._room_probe.sample(now_s, dt_s, room_c, room_c)


def demo_cellar(seed: int = 1, room_c: Callable[[float], float] | None = None) -> Cellar:
    """The demo's cellar with empty vessels; weather of our own from the seed unless another room is given.
    `DEMO_BEERS` in `demo` says what to pitch."""
    return Cellar(DEMO_SPEC, room_c or weathered_room(seed), seed)
