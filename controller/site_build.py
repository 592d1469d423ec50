"""Checked models of a site file to the core's figures and the shell's."""

from collections.abc import Mapping
from dataclasses import replace

from controller import defaults
from controller.control.course import Profile
from controller.control.fluids import glycol_freezing_c
from controller.control.site import (
    COMPRESSOR,
    UPSTREAM,
    AlarmLimits,
    Bath,
    Ending,
    Limits,
    Loop,
    LoopKind,
    Output,
    Place,
    Probe,
    SignalLoss,
    Site,
    Supply,
    Upstream,
    Vessel,
)
from controller.display import Display
from controller.installation import (
    Actuator,
    Broker,
    Heartbeat,
    History,
    Installation,
    Notifications,
    Source,
    Target,
    Tls,
)
from controller.service_models import BrokerPart, NotificationsPart
from controller.site_models import BathPart, SitePart
from controller.site_warnings import outputs, warnings
from controller.upstream_models import ContactorPart, SharedPumpPart
from controller.vessel_models import (
    AlarmsPart,
    LimitsPart,
    LoopPart,
    OutputPart,
    ProbePart,
    SwitchedPart,
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
        upstream=(*map(_pump, part.shared_pumps), *map(_contactor, part.contactors), *_compressor(part.bath)),
    )
    return Installation(
        site=site,
        broker=_broker(part.broker, part.site),
        sources=_sources(part),
        actuators={tag: _actuator(tag, output) for tag, output in outputs(part)},
        display=Display(part.units, part.volumes, part.gravities, part.time_zone),
        state_dir=part.state_dir,
        http_host=part.http.host,
        http_port=part.http.port,
        warnings=tuple(warnings(part, site)),
        history=History(
            sample_s=part.history.sample_every,
            keep_samples_s=part.history.keep_samples,
            keep_minutes_s=part.history.keep_minutes,
            keep_records_s=part.history.keep_records,
        ),
        notifications=_notifications(part.notifications) if part.notifications else None,
        heartbeat=Heartbeat(part.heartbeat.url, part.heartbeat.every) if part.heartbeat else None,
        log_format=part.log,
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
        signal_loss=SignalLoss(part.signal_loss),
        coldest_room_c=part.coldest_room,
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
    switched = _switched(tag, part, part.power, part.shortest_on)
    return replace(switched, starts_per_day=float(part.starts_per_day))


def _contactor(part: ContactorPart) -> Upstream:
    return Upstream(Supply.CONTACTOR, _switched(f"{UPSTREAM}/{part.name}", part, 0.0, 0.0), tuple(part.feeds))


def _pump(part: SharedPumpPart) -> Upstream:
    output = _switched(f"{UPSTREAM}/{part.name}", part, 0.0, part.shortest_on)
    return Upstream(Supply.PUMP, output, tuple(part.feeds), part.valve_leads)


def _compressor(bath: BathPart | None) -> tuple[Upstream, ...]:
    if bath is None or bath.chiller is None:
        return ()
    part = bath.chiller
    return (Upstream(Supply.CHILLER, _switched(COMPRESSOR, part, 0.0, part.shortest_on), (), 0.0, part.deadband),)


def _switched(tag: str, part: SwitchedPart, power_w: float, shortest_on_s: float) -> Output:
    assert part.lifetime is not None  # the model fills it in
    return Output(
        tag=tag,
        power_w=power_w,
        ending=part.ends.ending if part.ends else Ending.DEVICE_TIMER,  # our nodes end by the lifetime they are sent
        lifetime_s=part.lifetime,
        renew_s=part.renew,
        shortest_on_s=shortest_on_s,
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
    usual_port = defaults.BROKER_PORT if part.tls is None else defaults.BROKER_TLS_PORT
    return Broker(
        host=part.host,
        port=usual_port if part.port is None else part.port,
        user=part.user,
        password=secret.text if secret else None,
        client_id=f"cellarhand-{site}",
        tls=Tls(part.tls.ca_file, part.tls.certificate_file, part.tls.key_file) if part.tls else None,
    )


def _notifications(part: NotificationsPart) -> Notifications:
    return Notifications(
        targets=tuple(Target(target.name, target.url, target.least) for target in part.targets),
        quiet_from=part.quiet.begin if part.quiet else None,
        quiet_to=part.quiet.end if part.quiet else None,
        daily_at=part.daily_at,
    )


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


def _actuator(tag: str, part: SwitchedPart) -> Actuator:
    return Actuator(tag, part.topic, part.on or "", part.off or "", part.node)
