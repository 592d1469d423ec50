"""What is going on, as plain data: for the command line, for HTTP and as the retained MQTT state of each vessel.

Keys carry their unit: numbers are always in base units (°C, K, s, W, L, specific gravity, UTC). A key that ends in
`_text` is for people: the same figure in the units and the time zone of a `Display`; so are reasons and causes.
"""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime

from controller.control.alarm_list import ALARMS
from controller.control.alarms import ACTIVE
from controller.control.budget import starts_ahead
from controller.control.course import Profile
from controller.control.site import Output, Probe, Site, Vessel
from controller.control.state import AlarmPhase, AlarmState, Batch, Blind, OutputState, Quiet, SiteState, VesselState
from controller.control.trust import fit_to_drive
from controller.control.values import Record, Signal
from controller.display import UNKNOWN, Display
from controller.hmi.identified import identification_dict
from controller.hmi.model_status import model_dict
from controller.hmi.news import record_text
from controller.hmi.service_health import service_dict
from controller.hmi.sharing import bath_wait
from controller.hmi.shell import Pulse
from controller.hmi.waits import fermented, last_gravity, step_of, waits
from controller.hmi.words import (
    STATUS_WORDS,
    Json,
    band_text,
    deviation_k,
    duration_text,
    moment_text,
    number,
    printable,
    told,
    trusted_c,
)

_WORTH_SHOWING = (*ACTIVE, AlarmPhase.RETURNED)


def status_dict(
    site: Site, state: SiteState, display: Display, records: Iterable[Record] = (), pulse: Pulse | None = None
) -> Json:
    """The whole site as JSON-ready data: every vessel, the contactors and pumps that they share, bath, room, alarms,
    `records` as "recent" (as given), and how the service itself is (null where nobody has asked its pulse).

    Nothing in it is NaN; what is not known is null, and a dash in a text.
    """
    return {
        "site": site.name,
        "utc": utc_text(state.utc_s),
        "time_text": "" if state.utc_s is None else display.time_text(state.utc_s, state.now_s),
        "units": display.temperature,
        "started": state.started,
        "service": None if pulse is None else service_dict(pulse),
        "vessels": {vessel.name: vessel_dict(site, vessel, state, display) for vessel in site.vessels},
        "upstream": {
            device.name: {
                "kind": device.supply.value,
                "feeds": list(device.feeds),
                **_output(state.upstream[device.output.tag], state, display),
            }
            for device in site.upstream
        },
        "bath": _bath(site, state, display),
        "room": None
        if site.room is None
        else {
            **_temperature(trusted_c(state.signals, (site.room,)), display),
            "signals": _signals((site.room,), state, display),
        },
        "alarms_active": sum(alarm.phase in ACTIVE for alarm in state.alarms.values()),
        "recent": [record_dict(record, display) for record in records],
    }


def vessel_dict(site: Site, vessel: Vessel, state: SiteState, display: Display) -> Json:
    """One vessel as JSON-ready data: also the payload of its retained MQTT state."""
    now = state.vessels[vessel.name]
    setpoint = now.setpoint
    low_c, high_c = setpoint if setpoint else (None, None)
    off_k = deviation_k(now.estimate, setpoint)
    rate_k_per_h = number(now.estimate.rate_k_per_h, 4) if now.estimate.celsius is not None else None
    return {
        "site": site.name,
        "vessel": vessel.name,
        "utc": utc_text(state.utc_s),
        "units": display.temperature,
        "in_service": now.in_service,
        "state": now.condition.value,
        "mode": now.mode.value,
        "manual": None
        if now.manual is None
        else {"duty": number(now.manual.duty, 3), "left_s": number(now.manual.until_s - state.now_s, 0)},
        "quiet": _quiet(now.quiet, state, display),
        "blind": _blind(now.blind, display),
        "identification": identification_dict(vessel, now.identification, state, display),
        "bath_wait": bath_wait(site, vessel, state, display),
        **_temperature(now.estimate.celsius, display),
        "rate_k_per_h": number(rate_k_per_h, 2),
        "rate_text": UNKNOWN if rate_k_per_h is None else f"{display.difference_text(rate_k_per_h)}/h",
        "drives": now.estimate.drive.value,
        "cause": told(now.estimate.cause, display),
        "setpoint_low_c": number(low_c, 2),
        "setpoint_high_c": number(high_c, 2),
        "setpoint_text": band_text(low_c, high_c, display),
        "deviation_k": number(off_k, 2),
        "deviation_text": display.difference_text(off_k),
        "batch": _batch(now.batch, state, display),
        "step": _step(site, now, state, display),
        "demand_w": number(now.loop.heat_w, 1),
        "applied_w": number(now.applied_w, 1),
        "model": model_dict(site, vessel, now, state),
        "outputs": {
            name: {**_output(output, state, display), **_budget(part, output, state)}
            for name, part, output in (("cooler", vessel.cooler, now.cooler), ("heater", vessel.heater, now.heater))
            if part is not None and output is not None
        },
        "alarms": alarms_of(vessel.name, state, display),
        "signals": _signals(vessel.probes, state, display),
    }


def alarms_of(subject: str, state: SiteState, display: Display) -> list[Json]:
    """The alarms of one vessel (or "bath"), oldest first, that are active or wait to be acknowledged."""
    found = [
        (key, alarm)
        for key, alarm in state.alarms.items()
        if key.rpartition("/")[0] == subject and alarm.phase in _WORTH_SHOWING
    ]
    return [_alarm(key, alarm, state, display) for key, alarm in sorted(found, key=_when_raised)]


def record_dict(record: Record, display: Display) -> Json:
    """One record as JSON-ready data; "text" tells it in a sentence."""
    return {
        "at_s": number(record.at_s, 1),
        "utc": utc_text(record.utc_s),
        "time_text": "" if record.utc_s is None else display.time_text(record.utc_s, record.at_s),
        "vessel": record.vessel,
        "kind": record.kind.value,
        "subject": record.subject,
        "value": record.value,
        "reason": record.reason,
        "who": record.who,
        "text": record_text(record, display),
    }


def utc_text(utc_s: float | None) -> str | None:
    """ISO 8601 in UTC to the second, or None while UTC is not trusted."""
    if utc_s is None:
        return None
    return datetime.fromtimestamp(round(utc_s), tz=UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _when_raised(entry: tuple[str, AlarmState]) -> tuple[float, str]:
    key, alarm = entry
    return (alarm.raised_s or 0.0, key)


def _temperature(celsius: float | None, display: Display) -> Json:
    return {"temperature_c": number(celsius, 2), "temperature_text": display.temperature_text(celsius)}


def _bath(site: Site, state: SiteState, display: Display) -> Json | None:
    bath = site.bath
    if bath is None:
        return None
    return {
        **_temperature(trusted_c(state.signals, bath.probes), display),
        "setpoint_c": bath.setpoint_c,
        "setpoint_text": display.temperature_text(bath.setpoint_c),
        "crashes_wait": state.bath_crash_pause,
        "waiting": sorted(state.sharing.waits),
        "nominal": not any(fit_to_drive(state.signals[probe.tag]) for probe in bath.probes),
        "signals": _signals(bath.probes, state, display),
        "alarms": alarms_of("bath", state, display),
    }


def _since_text(at_s: float | None, state: SiteState, display: Display, utc_s: float | None = None) -> str:
    """The moment `at_s` of the service's time by the site's clock (`utc_s` where it was noted then), or ""."""
    if utc_s is None and at_s is not None and state.utc_s is not None:
        utc_s = state.utc_s - (state.now_s - at_s)
    return moment_text(utc_s, state.utc_s, display)


def _alarm(key: str, alarm: AlarmState, state: SiteState, display: Display) -> Json:
    kind = key.rpartition("/")[2]
    row = ALARMS.get(kind)
    return {
        "kind": kind,
        "priority": row.priority.value if row else None,
        "phase": alarm.phase.value,
        "age_s": None if alarm.raised_s is None else number(state.now_s - alarm.raised_s, 0),
        "since_text": _since_text(alarm.raised_s, state, display),
        "text": told(alarm.text, display),
        "action": told(row.action, display) if row else None,
    }


def _batch(batch: Batch | None, state: SiteState, display: Display) -> Json | None:
    if batch is None:
        return None
    gravity, beer = last_gravity(batch), fermented(batch)
    return {
        "name": printable(batch.name),
        "yeast": printable(batch.yeast),
        "volume_l": batch.volume_l,
        "volume_text": display.volume_text(batch.volume_l),
        "og": batch.og,
        "og_text": display.gravity_text(batch.og),
        "gravity": gravity,
        "gravity_text": display.gravity_text(gravity),
        "apparent_attenuation": number(beer.apparent_attenuation, 3),
        "real_degree_of_fermentation": number(beer.real_degree, 3),
        "alcohol_by_volume_percent": number(beer.alcohol_percent, 2),
        "alcohol_text": UNKNOWN if beer.alcohol_percent is None else f"{beer.alcohol_percent:.1f} % ABV",
        "profile": batch.profile.name if batch.profile else None,
        "age_s": number(state.now_s - batch.started_s, 0),
        "since_text": _since_text(batch.started_s, state, display, batch.started_utc_s),
    }


def _step(site: Site, vessel: VesselState, state: SiteState, display: Display) -> Json | None:
    step, position, batch = step_of(vessel), vessel.program, vessel.batch
    if step is None or position is None or batch is None or batch.profile is None:
        return None
    return {
        "number": position.step + 1,
        "of": len(batch.profile.steps),
        "name": printable(step.name),
        "kind": step.kind.value,
        "target_c": step.target_c,
        "target_text": display.temperature_text(step.target_c),
        "counted_s": number(position.counted_s, 0),
        "elapsed_s": number(position.elapsed_s, 0),
        "since_text": _since_text(state.now_s - position.elapsed_s, state, display),
        "at_most_s": step.at_most_s,
        "longer_than_profile_s": number(_longer_s(site, batch.profile, position.step), 0),
        "overtime": position.overtime,
        "waits": waits(vessel, display),
        "asks": position.waiting,  # nothing but the brewer's answer is missing
        "question": printable(step.ends.confirmed),
        "note": printable(step.note),
    }


def _longer_s(site: Site, profile: Profile, number_of: int) -> float | None:
    """By how much the brewer has let a step last longer than the profile's file says; None where it is not longer."""
    step, filed = profile.steps[number_of], site.profiles.get(profile.name)
    same = next((each for each in filed.steps if each.name == step.name), None) if filed else None
    if same is None or same.ends.after_s is None or step.ends.after_s is None:
        return None
    return step.ends.after_s - same.ends.after_s if step.ends.after_s > same.ends.after_s else None


def _quiet(quiet: Quiet | None, state: SiteState, display: Display) -> Json | None:
    if quiet is None:
        return None
    until = _since_text(quiet.until_s, state, display)
    left = f"until {until}" if until else f"for another {duration_text(quiet.until_s - state.now_s)}"
    drift = display.difference_text(quiet.drift_k).removeprefix("+")
    rests = f"the outputs rest unless the wort drifts more than {drift}"
    return {
        "left_s": number(quiet.until_s - state.now_s, 0),
        "drift_k": number(quiet.drift_k, 2),
        "acting": quiet.acting,
        "text": f"quiet {left}: " + ("the wort has drifted and is brought back" if quiet.acting else rests),
    }


def _blind(blind: Blind, display: Display) -> Json | None:
    """What happens without a fit signal; null while there is one."""
    if blind.lost_s is None:
        return None
    return {
        "lost_s": number(blind.lost_s, 0),
        "cool_w": number(blind.cool_w, 1),
        "coldest_c": number(blind.lowest_c, 2) if blind.cool_w > 0.0 else None,
        "text": told(blind.reason, display),
    }


def _output(output: OutputState, state: SiteState, display: Display) -> Json:
    return {
        "on": output.on,
        "for_s": number(state.now_s - output.since_s, 0),
        "since_text": _since_text(output.since_s, state, display),
        "reason": told(output.reason, display),
        "starts": output.starts,
        "on_s": number(output.on_s, 0),
    }


def _budget(part: Output, output: OutputState, state: SiteState) -> Json:
    return {
        "starts_per_day": part.starts_per_day,
        "starts_ahead": number(starts_ahead(part, output, state.now_s), 1),
    }


def _signals(probes: Iterable[Probe], state: SiteState, display: Display) -> Mapping[str, Json]:
    return {probe.tag: _signal(state.signals.get(probe.tag), state.now_s, display) for probe in probes}


def _signal(signal: Signal | None, now_s: float, display: Display) -> Json:
    if signal is None:
        return {**_temperature(None, display), "status": "failure", "cause": "not known to the core", "age_s": None}
    return {
        **_temperature(signal.celsius, display),
        "status": STATUS_WORDS[signal.status],
        "cause": told(signal.cause, display),
        "age_s": None if signal.celsius is None else number(now_s - signal.at_s, 0),
    }
