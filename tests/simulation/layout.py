"""The cellar of a story: three vessels drawn from the seed, and what the brewer's site file says of them.

The plant is one thing, the file another: its volumes and watts are off, as brewers' figures are.
"""

import random
from dataclasses import dataclass, replace

from tests.simulation.plant_random import random_spec
from tests.simulation.plant_specs import CellarSpec

SITE = "story"
GATEWAY = "story/probes"  # one device that reports most probes in one message
SCAN_S = 10.0
VESSELS = 3
GLYCOL_PERCENT = 35.0  # by mass, as in every test plant
WARM_ABOVE_K = 4.0  # of the bath above its setpoint, by the service's own default
BATH_MARGIN_K = 2.0


@dataclass(frozen=True, slots=True)
class OutputFigures:
    """A device that is switched. A foreign one has a timer of its own, a node gets its lifetime with each order."""

    power_w: float
    node: bool
    timer_s: float
    renew_s: float
    shortest_on_s: float
    shortest_off_s: float

    @property
    def lifetime_s(self) -> float:
        """For how long an "on" may hold."""
        return max(90.0 if self.node else min(90.0, self.timer_s), 2.0 * self.renew_s)


@dataclass(frozen=True, slots=True)
class VesselFigures:
    """One fermenter, as the site file has it. `holds_l` is what really fits into it."""

    name: str
    volume_l: float
    holds_l: float
    wall_j_per_k: float
    cooler: OutputFigures
    heater: OutputFigures | None
    low_c: float
    high_c: float
    freeze_margin_k: float
    changeover_s: float
    loop: str  # "pid" | "on/off"
    deviation_k: float
    deviation_for_s: float
    reminder_s: float
    signal_loss: str  # "off" | "bounded"
    coldest_room_c: float
    own_topic: bool  # the well's probe reports by itself, in °F, as a bare number
    side_probe: bool  # a second probe, strapped on


@dataclass(frozen=True, slots=True)
class UpstreamFigures:
    """A contactor or shared pump, and the tags of the outputs that it feeds; or the chiller's compressor."""

    name: str
    kind: str  # "contactor" | "pump" | "compressor"
    device: OutputFigures
    feeds: tuple[str, ...] = ()
    leads_s: float = 0.0

    @property
    def tag(self) -> str:
        """Its tag."""
        return f"upstream/{self.name}"


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole cellar: what it is made of, and what the site file says."""

    spec: CellarSpec
    plant_seed: int
    vessels: tuple[VesselFigures, ...]
    upstream: tuple[UpstreamFigures, ...]
    manual_heat_over_mqtt: bool
    reports_every_s: float  # of all probes


def layout_of(seed: str) -> Layout:
    """The cellar of a seed."""
    chance = random.Random(f"{seed}/layout")
    plant_seed = chance.randrange(10**6)
    spec = random_spec(plant_seed, VESSELS)
    vessels = tuple(_vessel(spec, number, chance) for number in range(VESSELS))
    upstream = _upstream(vessels, chance)
    manual_heat_over_mqtt, reports_every_s = chance.random() < 0.3, chance.choice((10.0, 20.0, 30.0))
    if chance.random() < 0.34:
        upstream += (_compressor(chance),)
        spec = replace(spec, bath=replace(spec.bath, own_thermostat_k=chance.choice((1.0, 2.0, 4.0))))
    return Layout(spec, plant_seed, vessels, upstream, manual_heat_over_mqtt, reports_every_s)


def _vessel(spec: CellarSpec, number: int, chance: random.Random) -> VesselFigures:
    plant = spec.vessels[number]
    nominal = spec.nominal[plant.name]
    heater = _output(round(nominal.heater_w), chance, chance.choice((60.0, 180.0)))
    coldest_room_c = round(spec.room.mean_c - spec.room.daily_k - spec.room.fronts_k - 8.0)
    return VesselFigures(
        name=plant.name,
        volume_l=round(nominal.volume_l, 1),
        holds_l=plant.volume_l,
        wall_j_per_k=round(plant.wall_j_per_k, -2),
        cooler=_output(round(nominal.cooler_w), chance, 180.0),
        heater=heater if chance.random() < 0.85 else None,
        low_c=chance.choice((0.0, 0.5, 1.0, 2.0)),
        high_c=chance.choice((24.0, 26.0, 30.0)),
        freeze_margin_k=chance.choice((0.5, 0.5, 1.0)),
        changeover_s=chance.choice((600.0, 900.0, 1200.0)),
        loop=chance.choice(("pid", "pid", "on/off")),
        deviation_k=chance.choice((1.0, 1.5)),
        deviation_for_s=chance.choice((1200.0, 1800.0)),
        reminder_s=chance.choice((3600.0, 4.0 * 3600.0, 12.0 * 3600.0)),
        signal_loss=chance.choice(("off", "bounded")),
        coldest_room_c=float(coldest_room_c),
        own_topic=chance.random() < 0.25,
        side_probe=chance.random() < 0.25,
    )


def _output(power_w: float, chance: random.Random, shortest_off_s: float) -> OutputFigures:
    timer_s = chance.choice((60.0, 120.0, 300.0))
    return OutputFigures(
        power_w=max(power_w, 1.0),
        node=chance.random() < 0.5,
        timer_s=timer_s,
        renew_s=chance.choice((25.0, 30.0, 60.0) if timer_s >= 120.0 else (20.0, 25.0, 30.0)),
        shortest_on_s=chance.choice((30.0, 60.0)),
        shortest_off_s=shortest_off_s,
    )


def _upstream(vessels: tuple[VesselFigures, ...], chance: random.Random) -> tuple[UpstreamFigures, ...]:
    """A contactor for all heaters in half of the cellars, a pump for the first two coolers in a third of them."""
    found = []
    heaters = tuple(f"{vessel.name}/heater" for vessel in vessels if vessel.heater)
    if heaters and chance.random() < 0.5:
        device = replace(_output(1.0, chance, 30.0), timer_s=120.0)
        found.append(UpstreamFigures("heat", "contactor", device, heaters))
    if chance.random() < 0.34:
        valves = tuple(f"{vessel.name}/cooler" for vessel in vessels[:2])
        timer_s = min(each.cooler.timer_s for each in vessels[:2])
        device = replace(_output(1.0, chance, 60.0), timer_s=timer_s, renew_s=20.0, shortest_on_s=30.0)
        found.append(UpstreamFigures("glycol", "pump", device, valves, 10.0))
    return tuple(found)


def _compressor(chance: random.Random) -> UpstreamFigures:
    """Of a chiller whose own thermostat keeps the bath warmer than the site file wants it."""
    device = _output(1.0, chance, chance.choice((180.0, 300.0)))
    return UpstreamFigures("compressor", "compressor", replace(device, shortest_on_s=chance.choice((60.0, 180.0))))


PROFILES = {
    "quick-ale": """\
title: Quick ale
units: C
steps:
  - {name: pitch, kind: hold, target: 18 C, ends: {reached: true, confirmed: "Is the yeast pitched?"}, at_most: 8 h}
  - {name: primary, kind: hold, target: 19 C, ends: {after: 5 h}, at_most: 20 h, at_longest: go on}
  - {name: rise, kind: ramp, target: 22 C, rate: 1 K/h, at_most: 9 h, at_longest: go on}
  - {name: rest, kind: rest, target: 22 C, ends: {after: 3 h}, at_most: 12 h, at_longest: go on}
  - {name: crash, kind: crash, target: 2 C, ends: {reached: true}, at_most: 30 h}
  - {name: cold, kind: hold, target: 2 C, ends: {after: 6 h}, at_most: 24 h}
""",
    "quick-lager": """\
title: Quick lager
units: C
steps:
  - {name: primary, kind: hold, target: 10 C, ends: {attenuation: 40 %}, at_most: 10 h, at_longest: go on}
  - {name: free, kind: free rise, ceiling: 15 C, floor: 9 C, ends: {after: 4 h}, at_most: 12 h, at_longest: go on}
  - {name: down, kind: ramp, target: 4 C, over: 6 h, at_most: 24 h, at_longest: go on}
  - {name: cold, kind: hold, target: 1 C, ends: {after: 4 h}, at_most: 30 h}
""",
    "just-crash": """\
title: Just a crash
units: C
steps:
  - {name: hold, kind: hold, target: 14 C, ends: {reached: true}, at_most: 6 h, at_longest: go on}
  - {name: crash, kind: crash, target: 0.5 C, ends: {reached: true}, at_most: 30 h}
  - {name: cold, kind: hold, target: 0.5 C, ends: {after: 12 h}, at_most: 40 h}
""",
}


def command_topic(tag: str) -> str:
    """Where an output's commands go."""
    return f"story/{tag}/set"


def own_topic(vessel: str) -> str:
    """Where a probe with a topic of its own reports."""
    return f"story/{vessel}/fahrenheit"


def changed(layout: Layout, vessel: str, **figures: float | str) -> Layout:
    """The layout with some figures of one vessel changed, for a reload."""
    vessels = tuple(
        replace(each, **figures) if each.name == vessel else each  # type: ignore[arg-type]
        for each in layout.vessels
    )
    return replace(layout, vessels=vessels)
