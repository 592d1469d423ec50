"""A cellar to test with, in plain Python and fast. It imports nothing from `controller`, so that the controller's model
and this one are two opinions: layers, flow and coil that drift, a wrap with a lag, neighbours, doors, sun, ice.

The plant knows contacts, not commands: whoever uses it has the relays. The same spec, seed and calls give the same."""

import math
import random
from typing import NamedTuple

from tests.simulation.plant_brew import Brew
from tests.simulation.plant_probe import Place, Probe
from tests.simulation.plant_specs import BathSpec, CellarSpec, Yeast
from tests.simulation.plant_vessel import Vessel

LONGEST_STEP_S = 10.0
SLOW_S = 60.0  # weather, yeast, mixing, drifts and neighbours are looked at this often
DAY_S = 86400.0
WANDER_S = 1800.0  # memory of the flow's wandering; estimate
DOOR_OPEN_S, DOOR_SHUT_S, DOOR_SHARE = 600.0, 1800.0, 0.5  # how a room answers an open door; estimate
PUMP_NEEDS_SHARE = 0.15  # of the bath's glycol; below it the pumps draw air
PROTECTION_K = 1.0  # above the glycol's freezing point the chiller's own freeze protection ends all wishes; estimate
SLUSH_K = 0.3  # above the glycol's freezing point pumps stop in slush; estimate


class Truth(NamedTuple):
    """What is really in a vessel. `freezing_c` is of water with its true alcohol."""

    mean_c: float
    coldest_c: float
    warmest_c: float
    litres: float
    og: float
    gravity: float
    yeast_w: float
    freezing_c: float


class Bath:
    """The glycol and its chiller. `thermostat_k` shifts the chiller's own thermostat, `runs_on` welds it on. While
    `asked`, it makes more cold than its own thermostat wants, until its own freeze protection ends that."""

    def __init__(self, spec: BathSpec) -> None:
        self.spec = spec
        self.litres = spec.volume_l
        self.place = Place(spec.setpoint_c)
        self.chiller_on = False
        self.chiller_plugged = True
        self.runs_on = self.asked = False
        self.thermostat_k = 0.0
        self.leak_l_per_h = 0.0
        self._off_since_s = -spec.shortest_off_s
        self.removed_j = self.room_j = self.pump_j = self.leaked_j = 0.0

    def flows(self) -> bool:
        """Whether pumps can move the glycol: it is neither slush nor leaked away."""
        spec = self.spec
        return self.place.celsius > spec.freeze_c + SLUSH_K and self.litres > PUMP_NEEDS_SHARE * spec.volume_l

    def stored_j(self) -> float:
        """Heat above 0 °C."""
        return self.litres * self.spec.j_per_l_k * self.place.celsius

    def step(self, now_s: float, dt_s: float, room_c: float, brought_j: float) -> None:
        """Advance by `dt_s`; `brought_j` is what coils and pumps put in."""
        spec, celsius = self.spec, self.place.celsius
        target_c = spec.setpoint_c + spec.own_thermostat_k + self.thermostat_k
        if self.asked:
            target_c = min(target_c, spec.freeze_c + PROTECTION_K + spec.deadband_k / 2.0)
        if self.chiller_on:
            if not self.chiller_plugged or (celsius <= target_c - spec.deadband_k / 2.0 and not self.runs_on):
                self.chiller_on, self._off_since_s = False, now_s
        elif (
            self.chiller_plugged
            and (self.runs_on or celsius >= target_c + spec.deadband_k / 2.0)
            and now_s - self._off_since_s >= spec.shortest_off_s
        ):
            self.chiller_on = True
        gained_j = spec.gain_w_per_k * (room_c - celsius) * dt_s
        self.room_j += gained_j
        if self.chiller_on:
            by_bath = 1.0 + spec.share_per_bath_k * (celsius - spec.rated_bath_c)
            by_room = 1.0 - spec.share_per_room_k * (room_c - spec.rated_room_c)
            removed_j = spec.chiller_w * max(0.0, by_bath) * max(0.0, by_room) * dt_s
            if celsius <= spec.freeze_c:  # slush: the ice takes no more of it
                removed_j = gained_j + brought_j
            self.removed_j += removed_j
            brought_j -= removed_j
        self.place.celsius = celsius + (gained_j + brought_j) / (self.litres * spec.j_per_l_k)

    def leak(self, elapsed_s: float) -> None:
        """Let glycol leak away for `elapsed_s`; a puddle stays in the reservoir."""
        gone_l = min(self.leak_l_per_h * elapsed_s / 3600.0, self.litres - 0.05 * self.spec.volume_l)
        if gone_l > 0.0:
            self.leaked_j += gone_l * self.spec.j_per_l_k * self.place.celsius
            self.litres -= gone_l


class Cellar:
    """All vessels, the bath and the room. Tags of probes: "<vessel>/well", "<vessel>/side", "bath/tank", "room/air";
    of outputs: "<vessel>/cooler", "<vessel>/heater", "upstream/compressor"."""

    def __init__(self, spec: CellarSpec, seed: int = 1) -> None:
        self.spec = spec
        self.now_s = 0.0
        chance = random.Random(f"{seed}/cellar")
        self._gauss = chance.gauss
        self._phases = [(chance.uniform(2.0, 9.0) * DAY_S, chance.uniform(0.0, math.tau)) for _ in range(3)]
        self._crest_s = chance.uniform(0.0, DAY_S)
        self._door_k = 0.0
        self._door_until_s = -math.inf
        self.room = Place(self._weather_c(0.0))
        self.bath = Bath(spec.bath)
        start_c = self.room.celsius
        self.vessels = {v.name: Vessel(v, spec.bath.j_per_l_k, start_c) for v in spec.vessels}
        self._list = list(self.vessels.values())
        self._ends: list[tuple[float, str, str]] = []  # (when, what, vessel) of lids, sun
        self._slow_since_s = 0.0
        self._flows = self.bath.flows()
        self._pumps = 0
        probes = [Probe("bath/tank", spec.bath.probe, self.bath.place, self.room, seed)]
        probes.append(Probe("room/air", spec.room.probe, self.room, self.room, seed))
        for vessel in self._list:
            figures = vessel.spec
            probes.append(Probe(f"{figures.name}/well", figures.probe, vessel.well, self.room, seed))
            if figures.side_probe is not None:
                probes.append(Probe(f"{figures.name}/side", figures.side_probe, vessel.side, self.room, seed))
        self.probes = {probe.tag: probe for probe in probes}
        self._probe_list = probes

    @property
    def room_c(self) -> float:
        """The air of the room."""
        return self.room.celsius

    @property
    def bath_c(self) -> float:
        """The glycol in the reservoir."""
        return self.bath.place.celsius

    # time

    def advance(self, dt_s: float) -> None:
        """Let `dt_s` > 0 pass. Steps of one length are cheapest; longer ones than 10 s are split."""
        if not 0.0 < dt_s < math.inf:
            raise ValueError(f"a cellar advances by a time above 0 s, found {dt_s}; nothing was changed")
        while dt_s > LONGEST_STEP_S:
            self._step(LONGEST_STEP_S)
            dt_s -= LONGEST_STEP_S
        if dt_s > 0.0:
            self._step(dt_s)

    def _step(self, dt_s: float) -> None:
        if self.now_s - self._slow_since_s >= SLOW_S:
            self._slow()
        room_c, bath_c = self.room.celsius, self.bath.place.celsius
        brought_j = 0.0
        pumps = 0
        for vessel in self._list:
            brought_j += vessel.step(dt_s, bath_c, room_c)
            pumps += vessel.cooler_contacts
        if pumps != self._pumps:
            self._pumps = pumps
            self._share_manifold()
        if pumps:
            pump_j = pumps * self.spec.bath.pump_w * dt_s
            self.bath.pump_j += pump_j
            brought_j += pump_j
        self.bath.step(self.now_s, dt_s, room_c, brought_j)
        for probe in self._probe_list:
            probe.feel(dt_s)
        self.now_s += dt_s

    def _share_manifold(self) -> None:
        share = 1.0 / (1.0 + self.spec.bath.manifold_share * max(0, self._pumps - 1))
        for vessel in self._list:
            vessel.manifold = share if self._flows else 0.0
            vessel.changed()

    def _slow(self) -> None:
        elapsed_s = self.now_s - self._slow_since_s
        self._slow_since_s = self.now_s
        while self._ends and self._ends[0][0] <= self.now_s:
            _, what, name = self._ends.pop(0)
            if what == "lid":
                self.vessels[name].lid_off = False
            else:
                self.vessels[name].sun_w = 0.0
        weather_c = self._weather_c(self.now_s)
        if self.now_s < self._door_until_s:
            towards_k = DOOR_SHARE * (self.spec.room.outside_c - weather_c)
            self._door_k += (towards_k - self._door_k) * (1.0 - math.exp(-elapsed_s / DOOR_OPEN_S))
        elif self._door_k:
            self._door_k *= math.exp(-elapsed_s / DOOR_SHUT_S)
        self.room.celsius = weather_c + self._door_k
        if self.bath.leak_l_per_h:
            self.bath.leak(elapsed_s)
        if self.bath.flows() != self._flows:
            self._flows = not self._flows
            self._share_manifold()
        keep = math.exp(-elapsed_s / WANDER_S)
        fresh = math.sqrt(1.0 - keep * keep)
        before = None
        for vessel in self._list:
            sd = vessel.spec.flow_wander
            moved = 1.0 + keep * (vessel.wander - 1.0) + fresh * self._gauss(0.0, sd)
            vessel.wander = min(max(moved, 0.4), 1.3)
            if before is not None:
                heat_j = before.spec.neighbour_w_per_k * (before.wall_c - vessel.wall_c) * elapsed_s
                before.wall_c -= heat_j / before.spec.wall_j_per_k
                vessel.wall_c += heat_j / vessel.spec.wall_j_per_k
                before.neighbour_j -= heat_j
                vessel.neighbour_j += heat_j
            before = vessel
            vessel.slow(elapsed_s)

    def _weather_c(self, now_s: float) -> float:
        room = self.spec.room
        celsius = room.mean_c + room.daily_k * math.cos(math.tau * (now_s - self._crest_s) / DAY_S)
        for period_s, phase in self._phases:
            celsius += room.fronts_k / 2.0 * math.cos(math.tau * now_s / period_s + phase)
        return celsius

    # what people and the world do

    def set_output(self, tag: str, closed: bool) -> None:
        """Close or open the contacts of an output, or of the compressor's control circuit."""
        name, _, kind = tag.rpartition("/")
        if kind == "compressor":
            self.bath.asked = closed
        elif kind == "cooler":
            self.vessels[name].cooler_contacts = closed
        else:
            self.vessels[name].heater_contacts = closed

    def set_works(self, tag: str, works: bool) -> None:
        """An air-locked pump, a burnt wrap (False); mended (True)."""
        name, _, kind = tag.rpartition("/")
        if kind == "cooler":
            self.vessels[name].flow_works = works
        else:
            self.vessels[name].heater_works = works

    def set_flow(self, vessel: str, share: float) -> None:
        """Let only this share of the flow through the coil of a vessel (1: as built)."""
        self.vessels[vessel].flow_share = share
        self.vessels[vessel].changed()

    def fill(
        self, vessel: str, og: float, attenuation: float, litres: float, wort_c: float, yeast: Yeast | None = None
    ) -> Brew:
        """Fill a vessel with wort; an attenuation of 0 is wort without yeast."""
        target = self.vessels[vessel]
        brew = Brew(yeast or target.spec.yeast, og, attenuation, litres)
        target.fill(brew, litres, wort_c)
        return brew

    def drain(self, vessel: str) -> None:
        """Take the beer out."""
        self.vessels[vessel].fill(None, 0.0, 0.0)

    def clean(self, vessel: str, celsius: float) -> None:
        """Hot cleaner through an empty vessel."""
        self.vessels[vessel].clean(celsius)

    def move(self, one: str, other: str) -> None:
        """Pump the beer of one vessel into another; nothing happens if there is none."""
        source = self.vessels[one]
        if source.brew is not None:
            self.vessels[other].fill(source.brew, source.litres, source.mean_c())
            source.fill(None, 0.0, 0.0)

    def lid(self, vessel: str, for_s: float) -> None:
        """Take the lid off for some time."""
        self.vessels[vessel].lid_off = True
        self._until(for_s, "lid", vessel)

    def sun(self, vessel: str, watts: float, for_s: float) -> None:
        """Let the sun shine on a vessel for some time."""
        self.vessels[vessel].sun_w = watts
        self._until(for_s, "sun", vessel)

    def door(self, for_s: float) -> None:
        """Leave the door open for some time."""
        self._door_until_s = max(self._door_until_s, self.now_s + for_s)

    def chiller(self, plugged: bool) -> None:
        """Pull the chiller's plug, or put it back."""
        self.bath.chiller_plugged = plugged

    def thermostat(self, shift_k: float) -> None:
        """Somebody turns the chiller's own thermostat: the bath is warmer or colder than it should be."""
        self.bath.thermostat_k = shift_k

    def chiller_runs_on(self, runs_on: bool) -> None:
        """The chiller's thermostat is stuck: the glycol goes to slush."""
        self.bath.runs_on = runs_on

    def leak(self, l_per_h: float) -> None:
        """Glycol leaks away."""
        self.bath.leak_l_per_h = l_per_h

    def _until(self, for_s: float, what: str, vessel: str) -> None:
        self.vessels[vessel].changed()
        self._ends = [e for e in self._ends if e[1:] != (what, vessel)]
        self._ends = sorted([*self._ends, (self.now_s + for_s, what, vessel)])

    # probes

    def probe_c(self, tag: str) -> float | None:
        """A report of a probe now, None when there is none. Each call is a reading with a noise of its own."""
        return self.probes[tag].read(self.now_s)

    def fault(self, tag: str, kind: str, magnitude: float = 0.0, for_s: float | None = None) -> None:
        """Break a probe (`plant_probe.KINDS`) for some time (None: a spike for one reading, all else for good)."""
        lasts_s = (0.0 if kind == "spike" else math.inf) if for_s is None else for_s
        self.probes[tag].fail(kind, magnitude, self.now_s, lasts_s)

    def swap(self, one: str, other: str) -> None:
        """Two probes change places."""
        first, second = self.probes[one], self.probes[other]
        first.place, second.place = second.place, first.place

    def mend(self, tag: str) -> None:
        """Repair a probe and put it where it belongs."""
        self.probes[tag].mend()
        self.probes[tag].place = self.probes[tag].home

    # the truth

    def truth(self, vessel: str) -> Truth:
        """What is really in a vessel now."""
        it = self.vessels[vessel]
        cold_c, warm_c = (it.lower_c, it.upper_c) if it.lower_c < it.upper_c else (it.upper_c, it.lower_c)
        brew = it.brew
        if brew is None:
            return Truth(it.mean_c(), cold_c, warm_c, 0.0, 1.0, 1.0, 0.0, 0.0)
        return Truth(
            it.mean_c(), cold_c, warm_c, it.litres, brew.og, brew.apparent_gravity(), it.yeast_w, brew.freezing_c()
        )

    def stored_j(self) -> float:
        """Heat above 0 °C in all that the cellar holds."""
        return sum(v.stored_j() for v in self._list) + self.bath.stored_j()

    def came_in_j(self) -> float:
        """All heat that came in since the start: from room and sun, yeast, heaters, pumps, with wort; less what the
        chiller removed and the leak took."""
        vessels = sum(v.room_j + v.heater_j + v.yeast_j + v.filled_j for v in self._list)
        bath = self.bath
        return vessels + bath.room_j + bath.pump_j - bath.removed_j - bath.leaked_j
