"""The site file of a story's cellar, as a brewer would write it."""

from tests.simulation.layout import (
    GATEWAY,
    GLYCOL_PERCENT,
    SCAN_S,
    SITE,
    Layout,
    OutputFigures,
    UpstreamFigures,
    VesselFigures,
    command_topic,
    own_topic,
)


def site_text(layout: Layout) -> str:
    """The whole file."""
    bath, every = layout.spec.bath, f"reports_every: {layout.reports_every_s:g} s"
    lines = [
        f"site: {SITE}",
        "units: C",
        "time_zone: Europe/Vienna",
        f"scan: {SCAN_S:g} s",
        "state_dir: state",
        "profiles: profiles",
        f"manual_heat_over_mqtt: {'true' if layout.manual_heat_over_mqtt else 'false'}",
        "broker: {host: 127.0.0.1}",
        "bath:",
        f"  glycol: {{kind: propylene glycol, percent: {GLYCOL_PERCENT:g} %, basis: mass}}",
        f"  setpoint: {bath.setpoint_c:g} C",
        f"  chiller_power: {bath.chiller_w:.0f} W",
        f"  probes: [{{name: tank, topic: {GATEWAY}, pointer: /bath~1tank, unit: C, {every}}}]",
        *(_compressor(each) for each in layout.upstream if each.kind == "compressor"),
        f"room: {{name: air, topic: {GATEWAY}, pointer: /room~1air, unit: C, {every}}}",
        "vessels:",
    ]
    for vessel in layout.vessels:
        lines += _vessel(vessel, every)
    for kind, key in (("contactor", "contactors"), ("pump", "shared_pumps")):
        devices = [each for each in layout.upstream if each.kind == kind]
        if devices:
            lines += [f"{key}:", *(_upstream(each) for each in devices)]
    return "\n".join(lines) + "\n"


def _vessel(vessel: VesselFigures, every: str) -> list[str]:
    name = vessel.name
    well = f"topic: {own_topic(name)}, unit: F"
    if not vessel.own_topic:
        well = f"topic: {GATEWAY}, pointer: /{name}~1well, unit: C"
    lines = [
        f"  - name: {name}",
        f"    volume: {vessel.volume_l} L",
        f"    wall_heat_capacity: {vessel.wall_j_per_k / 1000.0} kJ/K",
        "    probes:",
        f"      - {{name: well, {well}, {every}, place: thermowell}}",
    ]
    if vessel.side_probe:
        side = f"topic: {GATEWAY}, pointer: /{name}~1side, unit: C"
        lines.append(f"      - {{name: side, {side}, {every}, place: strapped on}}")
    lines.append(f"    cooler: {{{_output(f'{name}/cooler', vessel.cooler)}}}")
    if vessel.heater:
        lines.append(f"    heater: {{{_output(f'{name}/heater', vessel.heater)}}}")
    lines += [
        f"    loop: {{kind: {vessel.loop}, changeover: {vessel.changeover_s:g} s}}",
        f"    limits: {{low: {vessel.low_c:g} C, high: {vessel.high_c:g} C}}",
        f"    alarms: {{deviation: {vessel.deviation_k:g} K, deviation_for: {vessel.deviation_for_s:g} s,"
        f" reminder: {vessel.reminder_s:g} s}}",
        f"    freeze_margin: {vessel.freeze_margin_k:g} K",
    ]
    if vessel.signal_loss != "off":
        lines += [f"    signal_loss: {vessel.signal_loss}", f"    coldest_room: {vessel.coldest_room_c:g} C"]
    return lines


def _output(tag: str, output: OutputFigures) -> str:
    return f"{_switched(tag, output)}, power: {output.power_w:.0f} W, shortest_on: {output.shortest_on_s:g} s"


def _switched(tag: str, output: OutputFigures) -> str:
    kind = "node: true" if output.node else f'on: "ON", off: "OFF", ends: device timer {output.timer_s:g} s'
    times = f"renew: {output.renew_s:g} s, shortest_off: {output.shortest_off_s:g} s"
    return f"topic: {command_topic(tag)}, {kind}, {times}"


def _compressor(device: UpstreamFigures) -> str:
    kept = "own_thermostat: yes, own_freeze_protection: yes"
    times = f"shortest_on: {device.device.shortest_on_s:g} s"
    return f"  chiller: {{{_switched(device.tag, device.device)}, {times}, {kept}}}"


def _upstream(device: UpstreamFigures) -> str:
    pump = f", shortest_on: {device.device.shortest_on_s:g} s, valve_leads: {device.leads_s:g} s"
    more = pump if device.kind == "pump" else ""
    feeds = ", ".join(device.feeds)
    return f"  - {{name: {device.name}, {_switched(device.tag, device.device)}{more}, feeds: [{feeds}]}}"
