"""Checked models of a site file to the core's figures and the shell's; and what is allowed but worth a warning."""

from collections.abc import Mapping
from dataclasses import replace
from ipaddress import ip_address

from controller import defaults
from controller.control.course import Profile
from controller.control.fluids import glycol_freezing_c
from controller.control.site import (
    AlarmLimits,
    Bath,
    Ending,
    Limits,
    Loop,
    LoopKind,
    Output,
    Place,
    Probe,
    Site,
    Vessel,
)
from controller.installation import Actuator, Broker, Installation, Source
from controller.site_models import BathPart, BrokerPart, SitePart
from controller.vessel_models import (
    AlarmsPart,
    CoolerPart,
    LimitsPart,
    LoopPart,
    OutputPart,
    ProbePart,
    VesselPart,
    VesselProbePart,
    line_through,
)


def installation(part: SitePart, profiles: Mapping[str, Profile]) -> Installation:
    """The installation that a checked site file describes."""
    vessels = sorted(part.vessels, key=lambda vessel: vessel.name)
    site = Site(
        name=part.site,
        scan_s=part.scan,
        vessels=tuple(_vessel(vessel) for vessel in vessels),
        bath=_bath(part.bath) if part.bath else None,
        room=_probe("room", part.room, Place.ROOM) if part.room else None,
        profiles=dict(profiles),
        manual_heat_over_mqtt=part.manual_heat_over_mqtt,
    )
    return Installation(
        site=site,
        broker=_broker(part.broker, part.site),
        sources=_sources(part),
        actuators={f"{name}/{key}": _actuator(f"{name}/{key}", output) for name, key, output in _outputs(part)},
        time_zone=part.time_zone,
        units=part.units,
        state_dir=part.state_dir,
        http_host=part.http.host,
        http_port=part.http.port,
        warnings=tuple(_warnings(part, site)),
    )


def _vessel(part: VesselPart) -> Vessel:
    heat_capacity_j_per_k = defaults.vessel_heat_capacity_j_per_k(part.volume, part.wall_heat_capacity)
    return Vessel(
        name=part.name,
        volume_l=part.volume,
        heat_capacity_j_per_k=heat_capacity_j_per_k,
        probes=tuple(_probe(part.name, probe, Place(probe.place)) for probe in part.probes),
        cooler=_output(f"{part.name}/cooler", part.cooler) if part.cooler else None,
        heater=_output(f"{part.name}/heater", part.heater) if part.heater else None,
        loop=_loop(part.loop, heat_capacity_j_per_k),
        limits=Limits(part.limits.low, part.limits.high),
        alarms=_alarms(part.alarms, part.limits),
        freeze_margin_k=part.freeze_margin,
    )


def _probe(owner: str, part: ProbePart, place: Place) -> Probe:
    regular_s = defaults.REPORTS_MISSED * part.reports_every if part.reports_every is not None else 0.0
    gain, offset_k = 1.0, 0.0
    if part.calibration is not None:
        points = part.calibration.points
        gain, offset_k = line_through(points) if points else (1.0, part.calibration.offset or 0.0)
    probe = Probe(
        tag=f"{owner}/{part.name}",
        place=place,
        quiet_s=regular_s if part.longest_silence is None else part.longest_silence,
        gain=gain,
        offset_k=offset_k,
    )
    if part.range:
        probe = replace(probe, low_c=part.range.low, high_c=part.range.high)
    if part.power_on is not None:
        probe = replace(probe, power_on_c=tuple(part.power_on))
    return probe if part.disconnected is None else replace(probe, disconnected_c=tuple(part.disconnected))


def _output(tag: str, part: OutputPart) -> Output:
    assert part.lifetime is not None  # the model fills it in
    return Output(
        tag=tag,
        power_w=part.power,
        ending=part.ends.ending if part.ends else Ending.DEVICE_TIMER,  # our nodes end by the lifetime they are sent
        lifetime_s=part.lifetime,
        renew_s=part.renew,
        shortest_on_s=part.shortest_on,
        shortest_off_s=part.shortest_off,
    )


def _loop(part: LoopPart, heat_capacity_j_per_k: float) -> Loop:
    tuned = defaults.loop(heat_capacity_j_per_k)
    return Loop(
        kind=LoopKind(part.kind),
        deadband_k=part.deadband,
        gain_w_per_k=tuned.gain_w_per_k if part.gain is None else part.gain,
        integral_s=tuned.integral_s if part.integral is None else part.integral,
        derivative_s=part.derivative,
        derivative_filter_s=part.derivative_filter,
        cycle_s=part.cycle,
        changeover_s=part.changeover,
    )


def _alarms(part: AlarmsPart, limits: LimitsPart) -> AlarmLimits:
    return AlarmLimits(
        deviation_k=part.deviation,
        delay_s=part.deviation_for,
        low_c=limits.low - defaults.ALARM_BEYOND_LIMIT_K if part.low is None else part.low,
        high_c=limits.high + defaults.ALARM_BEYOND_LIMIT_K if part.high is None else part.high,
        limit_delay_s=part.limit_for,
        deadband_k=part.deadband,
        reminder_s=part.reminder,
    )


def _bath(part: BathPart) -> Bath:
    return Bath(
        probes=tuple(_probe("bath", probe, Place.BATH) for probe in part.probes),
        setpoint_c=part.setpoint,
        warm_c=part.setpoint + defaults.WARM_ABOVE_SETPOINT_K if part.warm_limit is None else part.warm_limit,
        freeze_c=glycol_freezing_c(part.glycol.percent, part.glycol.basis),
        freeze_margin_k=part.freeze_margin,
        chiller_w=part.chiller_power,
    )


def _broker(part: BrokerPart, site: str) -> Broker:
    secret = part.password_file or part.password_env
    return Broker(part.host, part.port, part.user, secret.text if secret else None, f"cellarhand-{site}")


def _sources(part: SitePart) -> tuple[Source, ...]:
    found: list[tuple[str, ProbePart | VesselProbePart]] = []
    for vessel in part.vessels:
        found.extend((vessel.name, probe) for probe in vessel.probes)
    found.extend(("bath", probe) for probe in (part.bath.probes if part.bath else []))
    found.extend(("room", probe) for probe in ([part.room] if part.room else []))
    return tuple(
        Source(f"{owner}/{probe.name}", probe.topic, probe.pointer, probe.unit, probe.time_pointer)
        for owner, probe in found
    )


def _outputs(part: SitePart) -> list[tuple[str, str, OutputPart]]:
    both = [(v.name, key, output) for v in part.vessels for key, output in (("cooler", v.cooler), ("heater", v.heater))]
    return [(name, key, output) for name, key, output in both if output is not None]


def _actuator(tag: str, part: OutputPart) -> Actuator:
    return Actuator(tag, part.topic, part.on or "", part.off or "", part.node)


def _warnings(part: SitePart, site: Site) -> list[str]:
    warnings = []
    foreign = [f"{name}/{key}" for name, key, output in _outputs(part) if not output.node]
    for name, key, output in _outputs(part):
        if isinstance(output, CoolerPart) and output.accepted is not None:
            if output.ends is not None and output.ends.ending is not Ending.DEVICE_TIMER:
                warnings.append(
                    f"{name}/{key} ends by {output.ends.ending.value!r} only and can run on if this service or the "
                    f"network stops; the file accepts it: {output.accepted!r}"
                )
            else:
                warnings.append(f"{name}/{key} ends by itself: `accepted` is not needed")
    if foreign:
        warnings.append(
            f"the devices of {', '.join(foreign)} cannot tell two daemons apart: let no second one run for this site"
        )
    for vessel in site.vessels:
        if vessel.limits.low_c < vessel.freeze_margin_k:
            warnings.append(
                f"{vessel.name}: the low limit {vessel.limits.low_c:g} C is below {vessel.freeze_margin_k:g} C, the "
                "freezing limit of wort without proven alcohol; until gravities are entered that limit holds"
            )
    if part.broker.password_file is not None and part.broker.password_file.world_readable:
        warnings.append("every user of this machine can read the broker's password file: chmod o-r")
    if part.http.port is not None and not _is_loopback(part.http.host):
        warnings.append(f"the page on {part.http.host} has no login: whoever reaches it can act on the vessels")
    if part.manual_heat_over_mqtt:
        warnings.append("manual heat over MQTT is allowed: whoever reaches the broker can heat")
    return warnings + _unreachable(site)


def _unreachable(site: Site) -> list[str]:
    """Profiles that ask for more than any vessel's hard limits allow."""
    warnings = []
    for profile in site.profiles.values():
        lowest_c = min(step.target_c for step in profile.steps)
        highest_c = max(step.target_c for step in profile.steps)
        if not any(v.limits.low_c <= lowest_c and highest_c <= v.limits.high_c for v in site.vessels):
            warnings.append(
                f"profile {profile.name} goes from {lowest_c:.1f} C to {highest_c:.1f} C, which no vessel's hard "
                "limits allow in full; its setpoints stop at the limits"
            )
    return warnings


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
