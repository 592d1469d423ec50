"""What the service itself suffers from, as data and in words: one home for the status, the terminal and messages."""

import math
from collections.abc import Mapping

from controller.hmi.shell import Pulse
from controller.hmi.words import Json, duration_text, number


def service_dict(pulse: Pulse) -> Json:
    """The service's own health as JSON-ready data. Texts say what is wrong and are "" where nothing is;
    "outputs_without_device" tells by output tag why its commands do not arrive."""
    return {
        "connected": pulse.broker_connected,
        "trouble": "" if pulse.broker_connected else pulse.trouble or "not connected to the broker",
        "undrivable": pulse.undrivable,
        "outputs_without_device": dict(pulse.outputs_without_device),
        "store_fault": pulse.store_fault,
        "live": pulse.live,
        "since_scan_s": number(pulse.since_scan_s, 1),
        "scan_s": pulse.scan_s,
    }


def troubles(service: Json) -> Mapping[str, str]:
    """What is not well in a `service_dict`, each a sentence under a name of its own; outputs are told by `unheard`."""
    found = {}
    if not service["live"]:
        found["scan"] = f"{no_scan_text(service['since_scan_s'], service['scan_s'])}: nothing is regulated"
    if service["undrivable"]:
        found["broker"] = service["undrivable"]
    elif not service["connected"]:
        found["broker"] = f"no readings come in and no commands go out: {service['trouble']}"
    if service["store_fault"]:
        found["history"] = f"nothing is stored, the vessels are controlled on: {service['store_fault']}"
    return found


def unheard(service: Json, vessel: str | None = None) -> list[str]:
    """A sentence for each output, of one vessel, of what vessels share (`UPSTREAM`) or (None) of all, whose commands do
    not arrive. None where none can: that is one of the `troubles`."""
    if service["undrivable"] or not service["connected"]:
        return []
    return [
        f"{tag} does not get its commands: {cause}"
        for tag, cause in sorted(service["outputs_without_device"].items())
        if vessel is None or tag.rpartition("/")[0] == vessel
    ]


def warnings(service: Json | None, vessel: str | None = None) -> list[str]:
    """All that is not well for one vessel or (None) the site, the gravest first; nothing of a daemon that does not
    tell."""
    return [] if service is None else [*troubles(service).values(), *unheard(service, vessel)]


def no_scan_text(since_scan_s: float | None, scan_s: float) -> str:
    """That scans do not progress, and for how long."""
    if since_scan_s is None:
        return "no scan yet"
    since = duration_text(since_scan_s) if math.isfinite(since_scan_s) else "an unknown time"
    return f"no scan for {since}; there should be one every {duration_text(scan_s)}"
