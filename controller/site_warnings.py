"""What a site file may say, but is worth a warning."""

import importlib.util
import math
from ipaddress import ip_address

from controller.control.blind import least_wort_c
from controller.control.site import COMPRESSOR, UPSTREAM, Ending, LoopKind, SignalLoss, Site, Vessel
from controller.service_models import is_web
from controller.site_models import SitePart
from controller.vessel_models import CoolerPart, SwitchedPart

DAY_S = 86400.0
BIG_L = 150.0  # such a vessel has little surface for its wort; common practice, no source
WORTH_IT_K = 4.0  # above the low limit, a wort that is not cooled blindly deserves a word; common practice, no source


def outputs(part: SitePart) -> list[tuple[str, SwitchedPart]]:
    """Every output of the file by its tag, in the order in which all are switched off: shared pumps, contactors, the
    chiller's compressor, then those of the vessels."""
    shared: list[tuple[str, SwitchedPart]] = [
        (f"{UPSTREAM}/{device.name}", device) for device in (*part.shared_pumps, *part.contactors)
    ]
    if part.bath is not None and part.bath.chiller is not None:
        shared.append((COMPRESSOR, part.bath.chiller))
    both = [
        (f"{v.name}/{key}", each) for v in part.vessels for key, each in (("cooler", v.cooler), ("heater", v.heater))
    ]
    return [*shared, *((tag, output) for tag, output in both if output is not None)]


def warnings(part: SitePart, site: Site) -> list[str]:
    """Each a sentence for the brewer, in no order that matters."""
    found = []
    foreign = [tag for tag, output in outputs(part) if not output.node]
    for tag, output in outputs(part):
        if isinstance(output, CoolerPart) and output.accepted is not None:
            if output.ends is not None and output.ends.ending is not Ending.DEVICE_TIMER:
                found.append(
                    f"{tag} ends by {output.ends.ending.value!r} only and can run on if this service or the "
                    f"network stops; the file accepts it: {output.accepted!r}"
                )
            else:
                found.append(f"{tag} ends by itself: `accepted` is not needed")
    if foreign:
        found.append(
            f"the devices of {', '.join(foreign)} cannot tell two daemons apart: let no second one run for this site"
        )
    for vessel in site.vessels:
        if vessel.limits.low_c < vessel.freeze_margin_k:
            found.append(
                f"{vessel.name}: the low limit {vessel.limits.low_c:g} C is below {vessel.freeze_margin_k:g} C, the "
                "freezing limit of wort without proven alcohol; until gravities are entered that limit holds"
            )
    if part.broker.password_file is not None and part.broker.password_file.world_readable:
        found.append("every user of this machine can read the broker's password file: chmod o-r")
    if part.broker.password_file is not None and part.broker.tls is None and not _is_loopback(part.broker.host):
        found.append(
            f"the broker's password goes to {part.broker.host} as plain text: whoever is on the network reads it"
        )
    for target in part.notifications.targets if part.notifications else []:
        if not is_web(target.url) and importlib.util.find_spec("apprise") is None:
            found.append(f"messages to {target.name} need the extra: pip install 'cellarhand[notify]'")
    if part.http.port is not None and not _is_loopback(part.http.host):
        found.append(f"the page on {part.http.host} has no login: whoever reaches it can act on the vessels")
    if part.manual_heat_over_mqtt:
        found.append("manual heat over MQTT is allowed: whoever reaches the broker can heat")
    for vessel in site.vessels:
        found += [*_blindness(vessel), *_starts(vessel)]
    return found + _outlasting(part) + _chilling(part) + _unreachable(site)


def _chilling(part: SitePart) -> list[str]:
    """What the brewer must see to at a chiller whose compressor is switched."""
    bath = part.bath
    if bath is None or bath.chiller is None:
        return []
    ends_c = bath.setpoint - bath.chiller.deadband / 2.0
    found = [
        f"the chiller's compressor is asked for cold down to {ends_c:g} C: its own "
        "thermostat must be set warmer and its freeze protection colder than that, and both must stay in its circuit; "
        "see deploy/safety.md"
    ]
    if len(bath.probes) == 1:
        found.append("the chiller's compressor hangs on one bath probe: when it is lost, its own thermostat rules")
    return found


def _outlasting(part: SitePart) -> list[str]:
    """Shared pumps that would run on against a valve which has closed by itself, should this service die."""
    found, valves = [], {tag: output for tag, output in outputs(part) if isinstance(output, CoolerPart)}
    for pump in part.shared_pumps:
        for tag, valve in valves.items():
            longest_s = _ends_after_s(valve) - valve.renew
            if tag in pump.feeds and _ends_after_s(pump) > longest_s:
                found.append(
                    f"should this service die, the pump {pump.name} may run for up to "
                    f"{_ends_after_s(pump) - longest_s:g} s against the valve {tag}, which its own timer has closed; "
                    f"let the pump's timer be at most {longest_s:g} s, or the valve's longer"
                )
    return found


def _ends_after_s(output: SwitchedPart) -> float:
    """How long after its last "on" an output can still be on; for ever where it does not end by itself."""
    if output.ends is None:
        return output.lifetime or 0.0
    return math.inf if output.ends.timer_s is None else output.ends.timer_s


def _blindness(vessel: Vessel) -> list[str]:
    """What a lost signal will do here that the brewer may not expect."""
    if vessel.cooler is None:
        if vessel.signal_loss is SignalLoss.BOUNDED:
            return [f"{vessel.name}: `signal_loss: bounded` does nothing without a cooler"]
        return []
    if vessel.signal_loss is SignalLoss.OFF:
        if vessel.volume_l < BIG_L:
            return []
        return [
            f"{vessel.name}: with `signal_loss: off` a lost probe stops the cooling; {vessel.volume_l:g} L at high "
            "kräusen can warm by 3 K in 6 h and lose little of it to the room: read about `bounded` in the README"
        ]
    least_c = least_wort_c(vessel)
    if least_c <= vessel.limits.low_c + WORTH_IT_K:
        return []
    return [
        f"{vessel.name}: in a room of {vessel.coldest_room_c:g} C (coldest_room) only a wort above {least_c:.1f} C is "
        "cooled blindly"
    ]


def _starts(vessel: Vessel) -> list[str]:
    """Cycles that are shorter than the budget of starts."""
    found = []
    for name, output in (("cooler", vessel.cooler), ("heater", vessel.heater)):
        if vessel.loop.kind is LoopKind.PID and output is not None:
            starts = DAY_S / vessel.loop.cycle_s
            if starts > output.starts_per_day:
                found.append(
                    f"{vessel.name}/{name}: a cycle of {vessel.loop.cycle_s / 60.0:g} min can mean {starts:.0f} starts "
                    f"a day, more than starts_per_day, {output.starts_per_day:g}: pulses will be made longer"
                )
    return found


def _unreachable(site: Site) -> list[str]:
    """Profiles that ask for more than any vessel's hard limits allow."""
    found = []
    for profile in site.profiles.values():
        lowest_c = min(step.target_c for step in profile.steps)
        highest_c = max(step.target_c for step in profile.steps)
        if not any(v.limits.low_c <= lowest_c and highest_c <= v.limits.high_c for v in site.vessels):
            found.append(
                f"profile {profile.name} goes from {lowest_c:.1f} C to {highest_c:.1f} C, which no vessel's hard "
                "limits allow in full; its setpoints stop at the limits"
            )
    return found


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
