"""The files read again while the service runs: what may change, what needs a restart, and what becomes of the state.

A restart is asked for where the service could only do as a restart does: everything off, then all anew.
"""

import hashlib
from collections.abc import Collection, Mapping
from typing import NamedTuple

from controller.control.lifecycle import reloaded_state
from controller.control.state import NO_ESTIMATE, SiteState
from controller.installation import Actuator, Broker, Installation


class Plan(NamedTuple):
    """What a reload does. `withdrawn` are the outputs, as they were, that are to be commanded off because they are
    no more or are somewhere else now; `gone` the vessels that are no more."""

    installation: Installation
    credentials: bytes
    state: SiteState
    withdrawn: Mapping[str, Actuator]
    gone: tuple[str, ...]
    reconnect: bool


def plan_reload(old: Installation, credentials: bytes, new: Installation, state: SiteState, now_s: float) -> Plan:
    """What is to be done to go on with `new`; nothing is done yet. `credentials` are those in use.

    Raises:
        ValueError: with every reason why this needs a restart, or why it cannot be.
        OSError: a certificate or key of the broker cannot be read.
    """
    reasons = _only_by_restart(old, new)
    if reasons:
        raise ValueError(
            f"{', '.join(reasons)} can only change by a restart, which switches everything off first; restart the "
            "service, or take the change back; nothing was changed"
        )
    withdrawn = {tag: actuator for tag, actuator in old.actuators.items() if new.actuators.get(tag) != actuator}
    moved = {source.tag for source in old.sources if source not in new.sources}
    after = reloaded_state(old.site, new.site, _without(state, withdrawn, moved), now_s)
    names = {vessel.name for vessel in new.site.vessels}
    gone = tuple(vessel.name for vessel in old.site.vessels if vessel.name not in names)
    fresh = fingerprint(new.broker)
    reconnect = fresh != credentials or _topics(old) != _topics(new)
    return Plan(new, fresh, after, withdrawn, gone, reconnect)


def fingerprint(broker: Broker) -> bytes:
    """Changes when anything changes by which we connect, be it what the certificate files hold. Raises OSError."""
    digest = hashlib.sha256(
        repr((broker.user, broker.password, broker.client_id, broker.keepalive_s, broker.tls)).encode()
    )
    if broker.tls is not None:
        for path in (broker.tls.ca_file, broker.tls.certificate_file, broker.tls.key_file):
            digest.update(path.read_bytes() if path else b"")
    return digest.digest()


def _only_by_restart(old: Installation, new: Installation) -> list[str]:
    pairs = {
        "the site's name": (old.site.name, new.site.name),
        "the scan period": (old.site.scan_s, new.site.scan_s),
        "the broker's host or port": ((old.broker.host, old.broker.port), (new.broker.host, new.broker.port)),
        "the state directory": (old.state_dir, new.state_dir),
        "the http address": ((old.http_host, old.http_port), (new.http_host, new.http_port)),
        "what the history keeps": (old.history, new.history),
        "the log's format": (old.log_format, new.log_format),
    }
    return [name for name, (was, is_) in pairs.items() if was != is_]


def _topics(installation: Installation) -> set[str]:
    return {source.topic for source in installation.sources}


def _without(state: SiteState, outputs: Collection[str], probes: Collection[str]) -> SiteState:
    """The state without the memory of these: a device at another place is another device. An output begins off, a
    probe must be proven."""
    vessels = {
        name: now._replace(
            cooler=None if f"{name}/cooler" in outputs else now.cooler,
            heater=None if f"{name}/heater" in outputs else now.heater,
        )
        for name, now in state.vessels.items()
    }
    for vessel in {tag.partition("/")[0] for tag in probes} & vessels.keys():
        vessels[vessel] = vessels[vessel]._replace(estimate=NO_ESTIMATE)
    signals = {tag: signal for tag, signal in state.signals.items() if tag not in probes}
    upstream = {tag: at for tag, at in state.upstream.items() if tag not in outputs}
    return state._replace(vessels=vessels, signals=signals, upstream=upstream)
