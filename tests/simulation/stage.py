"""The scene of a story before anything has happened, and after its site file has changed."""

from tests.simulation.layout import BATH_MARGIN_K, SCAN_S, SITE, WARM_ABOVE_K, Layout, OutputFigures, command_topic
from tests.simulation.scene import Bath, Broker, Probe, Relay, Scene, Vessel

REPORTS_MISSED = 3.0  # that make a probe a failed one


def scene_of(layout: Layout) -> Scene:
    """The scene at the first moment."""
    relays: dict[str, Relay] = {}
    probes: dict[str, Probe] = {}
    vessels = {}
    quiet_s = REPORTS_MISSED * layout.reports_every_s
    for figures in layout.vessels:
        name = figures.name
        cooler = _relay(f"{name}/cooler", name, "cooler", figures.cooler)
        heater = _relay(f"{name}/heater", name, "heater", figures.heater) if figures.heater else None
        relays |= {relay.tag: relay for relay in (cooler, heater) if relay}
        own = [_probe(f"{name}/well", name, "thermowell", quiet_s)]
        own += [_probe(f"{name}/side", name, "strapped on", quiet_s)] if figures.side_probe else []
        probes |= {probe.tag: probe for probe in own}
        vessels[name] = Vessel(
            name=name,
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
    for device in layout.upstream:
        relays[device.tag] = _relay(device.tag, "", device.kind, device.device)
        for tag in device.feeds:
            relays[tag].upstream += (device.tag,)
    tank, air = _probe("bath/tank", "", "bath", quiet_s), _probe("room/air", "", "room", quiet_s)
    probes |= {tank.tag: tank, air.tag: air}
    spec = layout.spec.bath
    bath = Bath(
        setpoint_c=spec.setpoint_c,
        warm_c=spec.setpoint_c + WARM_ABOVE_K,
        glycol_freezing_c=spec.freeze_c,
        freeze_margin_k=BATH_MARGIN_K,
        chiller_w=spec.chiller_w,
        probes=[tank],
        true_c=spec.setpoint_c,
    )
    return Scene(
        now_s=0.0,
        scan_s=SCAN_S,
        site=SITE,
        vessels=vessels,
        relays=relays,
        probes=probes,
        bath=bath,
        room_c=layout.spec.room.mean_c,
        broker=Broker(),
        daemons={},
        manual_heat_over_mqtt=layout.manual_heat_over_mqtt,
    )


def adopt(layout: Layout, scene: Scene) -> None:
    """Take the figures of a changed site file over into the scene."""
    for figures in layout.vessels:
        vessel = scene.vessels[figures.name]
        vessel.low_c, vessel.high_c = figures.low_c, figures.high_c
        vessel.freeze_margin_k, vessel.changeover_s = figures.freeze_margin_k, figures.changeover_s
        vessel.alarm_low_c, vessel.alarm_high_c = figures.low_c - 1.0, figures.high_c + 1.0
        vessel.alarm_deviation_k, vessel.alarm_delay_s = figures.deviation_k, figures.deviation_for_s
        vessel.reminder_s = figures.reminder_s


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


def _probe(tag: str, vessel: str, place: str, quiet_s: float) -> Probe:
    return Probe(
        tag=tag,
        vessel=vessel,
        place=place,
        quiet_s=quiet_s,
        low_c=-55.0,
        high_c=125.0,
        power_on_c=(85.0,),
        disconnected_c=(-127.0,),
    )
