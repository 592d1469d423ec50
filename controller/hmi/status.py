"""What is going on, as plain data: for the command line, for HTTP and as the retained MQTT state of each vessel.

Keys carry their unit; temperatures are always °C here, and `units` says what people want to see.
"""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

from controller.control.alarm_list import ALARMS
from controller.control.alarms import ACTIVE
from controller.control.site import Probe, Site, Vessel
from controller.control.state import AlarmPhase, AlarmState, Batch, OutputState, SiteState, VesselState
from controller.control.values import Record, Signal
from controller.hmi.waits import attenuation_of, last_gravity, step_of, waits
from controller.hmi.words import STATUS_WORDS, Json, deviation_k, number, printable, trusted_c

_WORTH_SHOWING = (*ACTIVE, AlarmPhase.RETURNED)


def status_dict(site: Site, state: SiteState, records: Iterable[Record] = (), units: str = "C") -> Json:
    """The whole site as JSON-ready data: every vessel, bath, room, alarms, and `records` as "recent" (as given).

    Nothing in it is NaN; what is not known is null. `units` is "C" or "F".
    """
    bath = site.bath
    return {
        "site": site.name,
        "utc": utc_text(state.utc_s),
        "units": units,
        "started": state.started,
        "vessels": {vessel.name: vessel_dict(site, vessel, state, units) for vessel in site.vessels},
        "bath": None
        if bath is None
        else {
            "temperature_c": number(trusted_c(state.signals, bath.probes), 2),
            "setpoint_c": bath.setpoint_c,
            "crashes_wait": state.bath_crash_pause,
            "signals": _signals(bath.probes, state),
            "alarms": alarms_of("bath", state),
        },
        "room": None
        if site.room is None
        else {
            "temperature_c": number(trusted_c(state.signals, (site.room,)), 2),
            "signals": _signals((site.room,), state),
        },
        "alarms_active": sum(alarm.phase in ACTIVE for alarm in state.alarms.values()),
        "recent": [record_dict(record) for record in records],
    }


def vessel_dict(site: Site, vessel: Vessel, state: SiteState, units: str = "C") -> Json:
    """One vessel as JSON-ready data: also the payload of its retained MQTT state."""
    now = state.vessels[vessel.name]
    setpoint = now.setpoint
    return {
        "site": site.name,
        "vessel": vessel.name,
        "utc": utc_text(state.utc_s),
        "units": units,
        "in_service": now.in_service,
        "state": now.condition.value,
        "mode": now.mode.value,
        "manual": None
        if now.manual is None
        else {"duty": number(now.manual.duty, 3), "left_s": number(now.manual.until_s - state.now_s, 0)},
        "temperature_c": number(now.estimate.celsius, 2),
        "rate_k_per_h": number(now.estimate.rate_k_per_h, 2) if now.estimate.celsius is not None else None,
        "drives": now.estimate.drive.value,
        "cause": now.estimate.cause,
        "setpoint_low_c": number(setpoint.low_c, 2) if setpoint else None,
        "setpoint_high_c": number(setpoint.high_c, 2) if setpoint else None,
        "deviation_k": number(deviation_k(now.estimate, setpoint), 2),
        "batch": _batch(now.batch, state),
        "step": _step(now, units),
        "demand_w": number(now.loop.heat_w, 1),
        "applied_w": number(now.applied_w, 1),
        "outputs": {
            name: _output(output, state)
            for name, output in (("cooler", now.cooler), ("heater", now.heater))
            if output is not None
        },
        "alarms": alarms_of(vessel.name, state),
        "signals": _signals(vessel.probes, state),
    }


def alarms_of(subject: str, state: SiteState) -> list[Json]:
    """The alarms of one vessel (or "bath"), oldest first, that are active or wait to be acknowledged."""
    found = [
        (key, alarm)
        for key, alarm in state.alarms.items()
        if key.rpartition("/")[0] == subject and alarm.phase in _WORTH_SHOWING
    ]
    return [_alarm(key, alarm, state) for key, alarm in sorted(found, key=_when_raised)]


def record_dict(record: Record) -> Json:
    """One record as JSON-ready data."""
    return {
        "at_s": number(record.at_s, 1),
        "utc": utc_text(record.utc_s),
        "vessel": record.vessel,
        "kind": record.kind.value,
        "subject": record.subject,
        "value": record.value,
        "reason": record.reason,
        "who": record.who,
    }


def utc_text(utc_s: float | None) -> str | None:
    """ISO 8601 in UTC to the second, or None while UTC is not trusted."""
    if utc_s is None:
        return None
    return datetime.fromtimestamp(round(utc_s), tz=UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _when_raised(entry: tuple[str, AlarmState]) -> tuple[float, str]:
    key, alarm = entry
    return (alarm.raised_s or 0.0, key)


def _alarm(key: str, alarm: AlarmState, state: SiteState) -> Json:
    kind = key.rpartition("/")[2]
    row = ALARMS.get(kind)
    return {
        "kind": kind,
        "priority": row.priority.value if row else None,
        "phase": alarm.phase.value,
        "age_s": None if alarm.raised_s is None else number(state.now_s - alarm.raised_s, 0),
        "text": alarm.text,
        "action": row.action if row else None,
    }


def _batch(batch: Batch | None, state: SiteState) -> Json | None:
    if batch is None:
        return None
    return {
        "name": printable(batch.name),
        "yeast": printable(batch.yeast),
        "volume_l": batch.volume_l,
        "og": batch.og,
        "gravity": last_gravity(batch),
        "apparent_attenuation": number(attenuation_of(batch), 3),
        "profile": batch.profile.name if batch.profile else None,
        "age_s": number(state.now_s - batch.started_s, 0),
    }


def _step(vessel: VesselState, units: str) -> Json | None:
    step, position, batch = step_of(vessel), vessel.program, vessel.batch
    if step is None or position is None or batch is None or batch.profile is None:
        return None
    return {
        "number": position.step + 1,
        "of": len(batch.profile.steps),
        "name": printable(step.name),
        "kind": step.kind.value,
        "target_c": step.target_c,
        "counted_s": number(position.counted_s, 0),
        "elapsed_s": number(position.elapsed_s, 0),
        "at_most_s": step.at_most_s,
        "overtime": position.overtime,
        "waits": waits(vessel, units),
        "asks": position.waiting,  # nothing but the brewer's answer is missing
        "question": printable(step.ends.confirmed),
        "note": printable(step.note),
    }


def _output(output: OutputState, state: SiteState) -> Json:
    return {
        "on": output.on,
        "for_s": number(state.now_s - output.since_s, 0),
        "reason": output.reason,
        "starts": output.starts,
        "on_s": number(output.on_s, 0),
    }


def _signals(probes: Iterable[Probe], state: SiteState) -> Mapping[str, Json]:
    return {probe.tag: _signal(state.signals.get(probe.tag), state.now_s) for probe in probes}


def _signal(signal: Signal | None, now_s: float) -> Json:
    if signal is None:
        return {"temperature_c": None, "status": "failure", "cause": "not known to the core", "age_s": None}
    return {
        "temperature_c": number(signal.celsius, 2),
        "status": STATUS_WORDS[signal.status],
        "cause": signal.cause,
        "age_s": None if signal.celsius is None else number(now_s - signal.at_s, 0),
    }
