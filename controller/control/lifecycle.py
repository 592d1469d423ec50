"""What becomes of the state where one scan does not simply follow another: at the first start, after a stop of unknown
length, when the site file is read again, at an orderly stop.
"""

from collections.abc import Mapping

from controller.control.balance import forgotten
from controller.control.diagnosis import put_away, taken_back
from controller.control.observer import NOT_OBSERVED, Observed, parted
from controller.control.observer import forgotten as forgotten_shares
from controller.control.site import Limits, Output, Site, Vessel
from controller.control.state import (
    LOST,
    NEVER,
    NO_BLIND,
    NO_ESTIMATE,
    START,
    STATE_VERSION,
    AlarmState,
    BatchState,
    LoopState,
    Mode,
    OutputState,
    SiteState,
    VesselState,
)
from controller.control.values import Setpoint


def initial_state(site: Site, now_s: float) -> SiteState:
    """The state of a plant that the service has never seen: every vessel idle, everything to be commanded off."""
    return SiteState(
        version=STATE_VERSION,
        now_s=now_s,
        utc_s=None,
        started=False,
        outage_since_s=None,
        number=0,
        epoch=1,
        signals={probe.tag: NEVER for probe in site.probes},
        vessels={vessel.name: _idle(vessel, now_s) for vessel in site.vessels},
        alarms={},
        bath_crash_pause=False,
        answers={},
        upstream={device.output.tag: _begun(now_s, None) for device in site.upstream},
    )


def resumed_state(site: Site, saved: SiteState, now_s: float, whole: bool = True) -> SiteState:
    """The saved state made ready to go on after a stop of unknown length. `whole` says that it has all that the outputs
    did before the stop; else any of them may have run until now. The epoch rises by one.

    Batches, program positions, alarms and running totals go on; signals must be proven again; every output
    counts as switched off now, so that protective off times run from the start. The diagnosis begins anew with the
    strengths that it has learnt. What was held against an output that the file no longer has goes with it. Vessels new
    in the site file begin idle; a batch in a vessel that the file no longer has is an error.

    Raises:
        ValueError: the saved state has a batch in a vessel that the site file does not name.
    """
    _nothing_lost(site, saved)
    vessels = {}
    for vessel in site.vessels:
        kept = saved.vessels.get(vessel.name)
        vessels[vessel.name] = _resumed(vessel, kept, now_s, whole) if kept else _idle(vessel, now_s)
        if saved.utc_s is None:  # nobody will ever know how long the stop was, nor how cold the wort became
            vessels[vessel.name] = vessels[vessel.name]._replace(blind=NO_BLIND)
    return saved._replace(
        now_s=now_s,
        started=False,
        outage_since_s=now_s if saved.utc_s is not None else None,
        epoch=saved.epoch + 1,
        signals={probe.tag: NEVER for probe in site.probes},
        vessels=vessels,
        alarms=_alarms(site, saved),
        upstream={each.output.tag: _begun(now_s, saved.upstream.get(each.output.tag), whole) for each in site.upstream},
    )


def remembered_state(state: SiteState) -> SiteState:
    """The state without what does not outlive a stop: `resumed_state` makes the same of both. It is a third as long."""
    return state._replace(vessels={name: _remembered(now) for name, now in state.vessels.items()}, signals={})


def reloaded_state(old_site: Site, new_site: Site, state: SiteState, now_s: float) -> SiteState:
    """The state made ready to go on with another site file, without a stop; the same file changes nothing.

    Batches keep the profiles that they copied, their positions and their loops; a loop with other figures
    takes over without a bump. Outputs keep their protective times; one that has no state yet (new in the
    file, or its state taken away because it is another device now) begins off, is commanded off in the next
    scan, and its off time runs from `now_s`; what was held against the old device goes with it. An output
    that the file no longer has is forgotten: the caller commands it off. Probes that are not as they were
    must be proven again. New vessels begin idle.

    Raises:
        ValueError: there is a batch in a vessel that the new site file does not name.
    """
    _nothing_lost(new_site, state)
    vessels = {}
    for vessel in new_site.vessels:
        kept, before = state.vessels.get(vessel.name), old_site.vessel(vessel.name)
        vessels[vessel.name] = _reloaded(vessel, before or vessel, kept, now_s) if kept else _idle(vessel, now_s)
    known = {probe.tag: probe for probe in old_site.probes}
    signals = {
        probe.tag: state.signals.get(probe.tag, NEVER) if known.get(probe.tag) == probe else NEVER
        for probe in new_site.probes
    }
    upstream = {
        device.output.tag: state.upstream.get(device.output.tag) or _begun(now_s, None) for device in new_site.upstream
    }
    return state._replace(signals=signals, vessels=vessels, alarms=_alarms(new_site, state), upstream=upstream)


def stopped_state(state: SiteState) -> SiteState:
    """The state to be saved after everything was commanded off at an orderly stop: no output is on any more, and
    nothing has been commanded by whoever goes on with it."""
    vessels = {
        name: now._replace(cooler=_ended(now.cooler, state.now_s), heater=_ended(now.heater, state.now_s))
        for name, now in state.vessels.items()
    }
    upstream = {tag: _switched_off(kept, state.now_s) for tag, kept in state.upstream.items()}
    return state._replace(vessels=vessels, upstream=upstream, started=False)


def _nothing_lost(site: Site, state: SiteState) -> None:
    lost = [name for name, kept in state.vessels.items() if kept.batch and site.vessel(name) is None]
    if lost:
        raise ValueError(
            f"the store has a batch in {', '.join(sorted(lost))}, which the site file does not name; "
            "put the vessel back into the file, end its batch, then remove it; nothing was changed"
        )


def _alarms(site: Site, state: SiteState) -> Mapping[str, AlarmState]:
    """The alarms of what the site still has."""
    watched = {vessel.name for vessel in site.vessels}
    if site.bath and site.bath.probes:
        watched.add("bath")
    return {key: alarm for key, alarm in state.alarms.items() if key.partition("/")[0] in watched}


def _output(output: Output | None, now_s: float, kept: OutputState | None, whole: bool = True) -> OutputState | None:
    return None if output is None else _begun(now_s, kept, whole)


def _begun(now_s: float, kept: OutputState | None, whole: bool = True) -> OutputState:
    """Off, and not commanded yet."""
    off = OutputState(False, now_s, now_s - 1.0, START, heard_s=now_s - 1.0)
    if kept is None:
        return off
    ended_s = now_s if kept.on or not whole else kept.ended_s
    off = off._replace(ended_s=ended_s, starts=kept.starts, on_s=kept.on_s, paid_s=kept.paid_s)
    return off._replace(reason=LOST) if kept.on else off


def _ended(kept: OutputState | None, now_s: float) -> OutputState | None:
    return None if kept is None else _switched_off(kept, now_s)


def _switched_off(kept: OutputState, now_s: float) -> OutputState:
    return kept._replace(on=False, since_s=now_s, ended_s=now_s) if kept.on else kept


def _idle(vessel: Vessel, now_s: float) -> VesselState:
    return VesselState(
        in_service=True,
        condition=BatchState.IDLE,
        mode=Mode.AUTO,
        batch=None,
        program=None,
        manual=None,
        setpoint=None,
        estimate=NO_ESTIMATE,
        loop=LoopState(),
        cooler=_output(vessel.cooler, now_s, None),
        heater=_output(vessel.heater, now_s, None),
        applied_w=0.0,
        settling_best_k=None,
        settling_since_s=now_s,
        off_since_s=None,
    )


def _resumed(vessel: Vessel, kept: VesselState, now_s: float, whole: bool) -> VesselState:
    kept = _remembered(kept)
    if vessel.cooler is None and kept.cooler is not None:
        kept = _parted(kept, "cooler")
    if vessel.heater is None and kept.heater is not None:
        kept = _parted(kept, "heater")
    return kept._replace(
        setpoint=_within(vessel.limits, kept.setpoint),
        cooler=_output(vessel.cooler, now_s, kept.cooler, whole),
        heater=_output(vessel.heater, now_s, kept.heater, whole),
    )


def _remembered(now: VesselState) -> VesselState:
    """What outlives a stop of one vessel's memory."""
    return now._replace(
        estimate=NO_ESTIMATE,
        loop=LoopState(integral_w=now.loop.integral_w),
        cooler=now.cooler and now.cooler._replace(reason="", owed_s=0.0),
        heater=now.heater and now.heater._replace(reason="", owed_s=0.0),
        applied_w=0.0,
        observed=parted(now.observed, emptied=now.batch is None),
        diagnosis=put_away(now.diagnosis),
    )


def _reloaded(vessel: Vessel, before: Vessel, kept: VesselState, now_s: float) -> VesselState:
    cooler = kept.cooler if vessel.cooler and kept.cooler else _anew(vessel.cooler, now_s)
    heater = kept.heater if vessel.heater and kept.heater else _anew(vessel.heater, now_s)
    if before.cooler and not (vessel.cooler and kept.cooler):
        kept = _parted(kept, "cooler")
    if before.heater and not (vessel.heater and kept.heater):
        kept = _parted(kept, "heater")
    setpoint, loop = _within(vessel.limits, kept.setpoint), kept.loop
    if vessel.loop != before.loop or vessel.heat_capacity_j_per_k != before.heat_capacity_j_per_k:
        loop = LoopState(held_w=loop.held_w)  # begins at what was applied last
    observed = _still_true(vessel, before, kept.observed)
    if (cooler, heater, setpoint, loop, observed) == (
        kept.cooler, kept.heater, kept.setpoint, kept.loop, kept.observed,
    ):  # fmt: skip
        return kept
    return kept._replace(cooler=cooler, heater=heater, setpoint=setpoint, loop=loop, observed=observed)


def _still_true(vessel: Vessel, before: Vessel, observed: Observed) -> Observed:
    """What was learnt beside the site file's figures, as far as these are the same."""
    if observed is NOT_OBSERVED:
        return observed
    refilled = vessel.heat_capacity_j_per_k != before.heat_capacity_j_per_k
    if refilled or _power_w(vessel.cooler) != _power_w(before.cooler):
        observed = forgotten_shares(observed, cooler=True)
    if refilled or _power_w(vessel.heater) != _power_w(before.heater):
        observed = forgotten_shares(observed, cooler=False)
    return observed


def _power_w(output: Output | None) -> float:
    return output.power_w if output is not None else 0.0


def _parted(kept: VesselState, name: str) -> VesselState:
    """The vessel's memory without what is known only of an output that is no more, or is another device now: faults,
    its strength, the recent duty of a cooler."""
    faults, diagnosis = taken_back(kept.faults, kept.diagnosis, name)
    diagnosis = diagnosis._replace(balance=forgotten(diagnosis.balance, name == "cooler"))
    blind = kept.blind._replace(known_s=0.0) if name == "cooler" else kept.blind
    observed = kept.observed
    if observed is not NOT_OBSERVED:
        observed = forgotten_shares(observed, name == "cooler")
    return kept._replace(faults=faults, diagnosis=diagnosis, blind=blind, observed=observed)


def _anew(output: Output | None, now_s: float) -> OutputState | None:
    """An output that comes to a running vessel: it may have been on until now, so the other one waits too."""
    off = _output(output, now_s, None)
    return off._replace(ended_s=now_s) if off else None


def _within(limits: Limits, at: Setpoint | None) -> Setpoint | None:
    """The setpoint within the hard limits, which may be narrower in this site file (design rule 7)."""
    if at is None or limits.low_c <= at.low_c <= at.high_c <= limits.high_c:
        return at
    return Setpoint(*(min(max(celsius, limits.low_c), limits.high_c) for celsius in at))
