"""The cellar of a story: three vessels whose figures are drawn from the seed, and the site file that describes them."""

import random
from dataclasses import dataclass, replace

from tests.simulation.scene import Bath, Broker, Probe, Relay, Scene, Vessel

SITE = "story"
GATEWAY = "story/probes"  # one device that reports most probes in one message
SCAN_S = 10.0
REPORTS_MISSED = 3.0
VESSELS = ("fv1", "fv2", "fv3")


@dataclass(frozen=True, slots=True)
class OutputFigures:
    """A cooler or heater. A foreign device has a timer of its own, a node gets its lifetime with each order."""

    power_w: float
    node: bool
    timer_s: float
    renew_s: float
    shortest_on_s: float
    shortest_off_s: float

    @property
    def lifetime_s(self) -> float:
        """For how long an "on" may hold."""
        return max(min(90.0, self.timer_s), 2.0 * self.renew_s) if not self.node else max(90.0, 2.0 * self.renew_s)


@dataclass(frozen=True, slots=True)
class VesselFigures:
    """One fermenter: what the site file says of it, and what the plant is made of."""

    name: str
    volume_l: float
    wall_j_per_k: float
    film_w_per_k: float
    loss_w_per_k: float
    coil_l: float
    coil_w_per_k: float
    flow_l_per_s: float
    line_l: float
    lager: bool
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
    signal_loss: str
    own_topic: bool  # the well's probe reports by itself, in °F, as a bare number
    side_probe: bool  # a second probe, strapped on


@dataclass(frozen=True, slots=True)
class Layout:
    """The whole cellar."""

    vessels: tuple[VesselFigures, ...]
    bath_setpoint_c: float
    glycol_percent: float
    chiller_w: float
    bath_l: float
    room_c: float
    manual_heat_over_mqtt: bool


# Three of the trade's sizes: stainless 30 L with a thin jacket, 75 L, 150 L with foam; figures of the demo's cellar.
_SMALL = (25.0, 3500.0, 35.0, 1.2, 0.45, 8.0, 0.035, 0.4, 130.0, 40.0)
_MIDDLE = (60.0, 7000.0, 60.0, 1.8, 0.8, 16.0, 0.045, 0.7, 240.0, 75.0)
_LARGE = (120.0, 14000.0, 100.0, 2.2, 1.4, 30.0, 0.06, 1.1, 420.0, 140.0)


def layout_of(seed: str, signal_losses: tuple[str, ...] = ("off",)) -> Layout:
    """The cellar of a seed; `signal_losses` are the words that the loader takes for that key."""
    chance = random.Random(f"{seed}/layout")
    vessels = tuple(_vessel(name, chance, signal_losses) for name in VESSELS)
    return Layout(
        vessels=vessels,
        bath_setpoint_c=chance.choice((-4.0, -3.0, -2.0)),
        glycol_percent=chance.choice((33.0, 35.0)),
        chiller_w=chance.choice((700.0, 900.0, 1200.0)),
        bath_l=chance.choice((60.0, 90.0, 120.0)),
        room_c=chance.choice((6.0, 14.0, 18.0, 22.0, 27.0)),
        manual_heat_over_mqtt=chance.random() < 0.3,
    )


def _vessel(name: str, chance: random.Random, signal_losses: tuple[str, ...]) -> VesselFigures:
    litres, wall, film, loss, coil_l, coil, flow, line, cooler_w, heater_w = chance.choice((_SMALL, _MIDDLE, _LARGE))
    return VesselFigures(
        name=name,
        volume_l=litres,
        wall_j_per_k=wall,
        film_w_per_k=film,
        loss_w_per_k=loss,
        coil_l=coil_l,
        coil_w_per_k=coil,
        flow_l_per_s=flow,
        line_l=line,
        lager=chance.random() < 0.4,
        cooler=_output(cooler_w, chance, 180.0),
        heater=_output(heater_w, chance, chance.choice((60.0, 180.0))) if chance.random() < 0.85 else None,
        low_c=chance.choice((0.0, 0.5, 1.0, 2.0)),
        high_c=chance.choice((24.0, 26.0, 30.0)),
        freeze_margin_k=chance.choice((0.5, 0.5, 1.0)),
        changeover_s=chance.choice((600.0, 900.0, 1200.0)),
        loop=chance.choice(("pid", "pid", "on/off")),
        deviation_k=chance.choice((1.0, 1.5)),
        deviation_for_s=chance.choice((1200.0, 1800.0)),
        reminder_s=chance.choice((3600.0, 4.0 * 3600.0, 12.0 * 3600.0)),
        signal_loss=chance.choice(signal_losses),
        own_topic=chance.random() < 0.25,
        side_probe=chance.random() < 0.25,
    )


def _output(power_w: float, chance: random.Random, shortest_off_s: float) -> OutputFigures:
    return OutputFigures(
        power_w=power_w,
        node=chance.random() < 0.5,
        timer_s=chance.choice((60.0, 120.0, 300.0)),
        renew_s=chance.choice((20.0, 25.0, 30.0)),
        shortest_on_s=chance.choice((30.0, 60.0)),
        shortest_off_s=shortest_off_s,
    )


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


def site_text(layout: Layout) -> str:
    """The site file."""
    heat = "true" if layout.manual_heat_over_mqtt else "false"
    lines = [
        f"site: {SITE}",
        "units: C",
        "time_zone: Europe/Vienna",
        f"scan: {SCAN_S:g} s",
        "state_dir: state",
        "profiles: profiles",
        f"manual_heat_over_mqtt: {heat}",
        "broker: {host: 127.0.0.1}",
        "bath:",
        f"  glycol: {{kind: propylene glycol, percent: {layout.glycol_percent:g} %, basis: mass}}",
        f"  setpoint: {layout.bath_setpoint_c:g} C",
        f"  chiller_power: {layout.chiller_w:g} W",
        f"  probes: [{{name: tank, topic: {GATEWAY}, pointer: /bath~1tank, unit: C, reports_every: 10 s}}]",
        f"room: {{name: air, topic: {GATEWAY}, pointer: /room~1air, unit: C, reports_every: 10 s}}",
        "vessels:",
    ]
    for vessel in layout.vessels:
        lines += _vessel_lines(vessel)
    return "\n".join(lines) + "\n"


def _vessel_lines(vessel: VesselFigures) -> list[str]:
    name = vessel.name
    well = f"topic: {GATEWAY}, pointer: /{name}~1well, unit: C"
    if vessel.own_topic:
        well = f"topic: {own_topic(name)}, unit: F"
    lines = [
        f"  - name: {name}",
        f"    volume: {vessel.volume_l:g} L",
        f"    wall_heat_capacity: {vessel.wall_j_per_k / 1000.0:g} kJ/K",
        "    probes:",
        f"      - {{name: well, {well}, reports_every: 10 s, place: thermowell}}",
    ]
    if vessel.side_probe:
        side = f"topic: {GATEWAY}, pointer: /{name}~1side, unit: C"
        lines.append(f"      - {{name: side, {side}, reports_every: 10 s, place: strapped on}}")
    lines.append("    cooler: " + _output_text(f"{name}/cooler", vessel.cooler))
    if vessel.heater:
        lines.append("    heater: " + _output_text(f"{name}/heater", vessel.heater))
    lines += [
        f"    loop: {{kind: {vessel.loop}, changeover: {vessel.changeover_s:g} s}}",
        f"    limits: {{low: {vessel.low_c:g} C, high: {vessel.high_c:g} C}}",
        f"    alarms: {{deviation: {vessel.deviation_k:g} K, deviation_for: {vessel.deviation_for_s:g} s,"
        f" reminder: {vessel.reminder_s:g} s}}",
        f"    freeze_margin: {vessel.freeze_margin_k:g} K",
    ]
    if vessel.signal_loss != "off":
        lines.append(f"    signal_loss: {vessel.signal_loss}")
    return lines


def _output_text(tag: str, output: OutputFigures) -> str:
    kind = "node: true" if output.node else f'on: "ON", off: "OFF", ends: device timer {output.timer_s:g} s'
    return (
        f"{{topic: {command_topic(tag)}, {kind}, power: {output.power_w:g} W, renew: {output.renew_s:g} s,"
        f" shortest_on: {output.shortest_on_s:g} s, shortest_off: {output.shortest_off_s:g} s}}"
    )


def command_topic(tag: str) -> str:
    """Where an output's commands go."""
    return f"story/{tag}/set"


def own_topic(vessel: str) -> str:
    """Where a probe with a topic of its own reports."""
    return f"story/{vessel}/fahrenheit"


def scene_of(layout: Layout) -> Scene:
    """The scene before anything has happened."""
    relays: dict[str, Relay] = {}
    probes: dict[str, Probe] = {}
    vessels = {}
    for figures in layout.vessels:
        cooler = _relay(f"{figures.name}/cooler", figures.name, "cooler", figures.cooler)
        heater = _relay(f"{figures.name}/heater", figures.name, "heater", figures.heater) if figures.heater else None
        relays |= {relay.tag: relay for relay in (cooler, heater) if relay}
        own = [_probe(f"{figures.name}/well", figures.name, "thermowell")]
        if figures.side_probe:
            own.append(_probe(f"{figures.name}/side", figures.name, "strapped on"))
        probes |= {probe.tag: probe for probe in own}
        vessels[figures.name] = Vessel(
            name=figures.name,
            volume_l=figures.volume_l,
            low_c=figures.low_c,
            high_c=figures.high_c,
            freeze_margin_k=figures.freeze_margin_k,
            changeover_s=figures.changeover_s,
            alarm_low_c=figures.low_c - 1.0,
            alarm_high_c=figures.high_c + 1.0,
            alarm_deviation_k=figures.deviation_k,
            alarm_delay_s=figures.deviation_for_s,
            reminder_s=figures.reminder_s,
            signal_loss=figures.signal_loss,
            cooler=cooler,
            heater=heater,
            probes=own,
        )
    tank, air = _probe("bath/tank", "", "bath"), _probe("room/air", "", "room")
    probes |= {tank.tag: tank, air.tag: air}
    bath = Bath(
        setpoint_c=layout.bath_setpoint_c,
        warm_c=layout.bath_setpoint_c + 4.0,
        glycol_freezing_c=-14.5
        if layout.glycol_percent < 34.0
        else -16.3,  # Å. Melinder, IIR 2010: 33 and 35 % by mass
        freeze_margin_k=2.0,
        chiller_w=layout.chiller_w,
        probes=[tank],
        true_c=layout.bath_setpoint_c,
    )
    return Scene(
        now_s=0.0,
        scan_s=SCAN_S,
        site=SITE,
        vessels=vessels,
        relays=relays,
        probes=probes,
        bath=bath,
        room_c=layout.room_c,
        broker=Broker(),
        daemons={},
        manual_heat_over_mqtt=layout.manual_heat_over_mqtt,
    )


def _relay(tag: str, vessel: str, kind: str, figures: OutputFigures) -> Relay:
    return Relay(
        tag=tag,
        vessel=vessel,
        kind=kind,
        topic=command_topic(tag),
        node=figures.node,
        timer_s=None if figures.node else figures.timer_s,
        power_w=figures.power_w,
        lifetime_s=figures.lifetime_s,
        renew_s=figures.renew_s,
        shortest_on_s=figures.shortest_on_s,
        shortest_off_s=figures.shortest_off_s,
    )


def _probe(tag: str, vessel: str, place: str) -> Probe:
    return Probe(
        tag=tag,
        vessel=vessel,
        place=place,
        quiet_s=REPORTS_MISSED * SCAN_S,
        low_c=-55.0,
        high_c=125.0,
        power_on_c=(85.0,),
        disconnected_c=(-127.0,),
    )


def changed(layout: Layout, vessel: str, **figures: float | str) -> Layout:
    """The layout with some figures of one vessel changed, for a reload."""
    vessels = tuple(replace(each, **figures) if each.name == vessel else each for each in layout.vessels)  # type: ignore[arg-type]
    return replace(layout, vessels=vessels)


def adopt(layout: Layout, scene: Scene) -> None:
    """Take the figures of a changed site file over into the scene."""
    for figures in layout.vessels:
        vessel = scene.vessels[figures.name]
        vessel.low_c, vessel.high_c = figures.low_c, figures.high_c
        vessel.freeze_margin_k, vessel.changeover_s = figures.freeze_margin_k, figures.changeover_s
        vessel.alarm_low_c, vessel.alarm_high_c = figures.low_c - 1.0, figures.high_c + 1.0
        vessel.alarm_deviation_k, vessel.alarm_delay_s = figures.deviation_k, figures.deviation_for_s
        vessel.reminder_s = figures.reminder_s
