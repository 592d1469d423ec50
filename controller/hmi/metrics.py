"""Prometheus metrics: one collector that builds every sample from the last scan's result.

No gauge is ever set elsewhere, so nothing can go stale. What is not known has no sample (never NaN). Names and
suffixes follow the OpenMetrics 1.0 specification; labels come from closed sets or from the site file.
"""

import re
from collections.abc import Callable, Iterator, Mapping

from prometheus_client import CollectorRegistry
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import Metric
from prometheus_client.registry import Collector

import controller
from controller.control.alarm_list import ALARMS
from controller.control.alarms import ACTIVE
from controller.control.observer import sure
from controller.control.site import Site
from controller.control.state import AlarmPhase, BatchState, Mode, OutputState, SiteState, VesselState
from controller.control.values import Drive
from controller.hmi.model_status import learnt, unexplained_w
from controller.hmi.shell import ShellCounts, Snapshot, StoreCounts
from controller.hmi.waits import fermented, last_gravity
from controller.hmi.words import STATUS_WORDS, deviation_k, number, trusted_c

_WORD = re.compile(r"[a-z][a-z0-9_ -]{0,39}")
_VESSEL = ("site", "vessel")


class SnapshotCollector(Collector):
    """Builds all samples at scrape time from the snapshot and the shell's counts. Reads only frozen data."""

    def __init__(self, snapshot: Snapshot, counts: Callable[[], ShellCounts]) -> None:
        self._snapshot = snapshot
        self._counts = counts

    def describe(self) -> list[Metric]:
        """Nothing: so registering does not collect."""
        return []

    def collect(self) -> Iterator[Metric]:
        """All families, each once; those of the plant only after the first scan."""
        yield InfoMetricFamily("cellarhand_build", "Version of the controller.", {"version": controller.__version__})
        yield from _shell(self._counts())
        snapshot = self._snapshot()
        if snapshot is not None:
            yield from _plant(*snapshot)


def private_registry(snapshot: Snapshot, counts: Callable[[], ShellCounts]) -> CollectorRegistry:
    """A registry of our own with the one collector: no global state."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(SnapshotCollector(snapshot, counts))
    return registry


def exposition(registry: CollectorRegistry, accept: str) -> tuple[bytes, str]:
    """The scrape's body and its content type: OpenMetrics where the Accept header asks for it, else plain text."""
    encode, content_type = choose_encoder(accept)
    return encode(registry), content_type


def _shell(counts: ShellCounts) -> Iterator[Metric]:
    yield _count("scans", "Scans carried out.", counts.scans)
    yield _count("scans_missed", "Scans left out for lack of time.", counts.missed_scans)
    yield _by_label("messages_refused", "Messages refused, by reason.", "reason", counts.refused)
    yield _gauge_of("mqtt_connected", "1 while the broker is connected.", int(counts.broker_connected))
    yield _count("mqtt_messages_dropped", "Messages from the broker that newer ones pushed out.", counts.dropped)
    yield _count("mqtt_publish_failures", "Messages that did not get through to the broker.", counts.publish_failures)
    yield _count("answers_dropped", "Answers to operators that newer messages pushed out.", counts.answers_dropped)
    yield from _store(counts.store)
    told = dict(counts.told)
    waiting = told.pop("waiting", 0)
    yield _by_label("notifications", "Messages to people, by what became of them.", "outcome", told)
    yield _gauge_of("notifications_waiting", "Messages to people that are still to be sent.", waiting)
    yield _by_label("reloads", "How often the files were read again, by outcome.", "outcome", counts.reloads)


def _store(store: StoreCounts) -> Iterator[Metric]:
    yield _gauge_of("store_healthy", "1 while the last attempt to write has succeeded.", int(store.healthy))
    yield _count("store_failures", "Attempts to write that failed.", store.failures)
    yield _gauge_of("store_records_waiting", "Records that are not on disk yet.", store.waiting_records)
    yield _count("store_records_lost", "Records that never reached the disk.", store.lost_records)
    yield _count("store_samples_dropped", "Samples that never reached the disk.", store.dropped_samples)


def _count(name: str, what: str, count: int) -> CounterMetricFamily:
    return CounterMetricFamily(f"cellarhand_{name}", what, count)


def _gauge_of(name: str, what: str, value: float) -> GaugeMetricFamily:
    return GaugeMetricFamily(f"cellarhand_{name}", what, value)


def _by_label(name: str, what: str, label: str, counts: Mapping[str, int]) -> CounterMetricFamily:
    """Counts by a short constant of the code; whatever is none is summed up as "other"."""
    family = CounterMetricFamily(f"cellarhand_{name}", what, labels=(label,))
    sums: dict[str, int] = {}
    for word, count in counts.items():
        known = word if _WORD.fullmatch(word) else "other"
        sums[known] = sums.get(known, 0) + count
    for word, count in sorted(sums.items()):
        family.add_metric((word,), count)
    return family


def _plant(site: Site, state: SiteState) -> Iterator[Metric]:
    vessels = [(vessel.name, state.vessels[vessel.name]) for vessel in site.vessels if vessel.name in state.vessels]
    yield from _temperatures(site.name, vessels)
    yield from _positions(site.name, vessels)
    yield from _batches(site.name, vessels)
    yield from _outputs(site.name, vessels)
    yield from _models(site, vessels)
    if site.upstream:
        yield from _upstream(site, state)
    yield from _signals(site, state)
    yield from _alarms(site.name, state)
    yield from _surroundings(site, state)


def _temperatures(site: str, vessels: list[tuple[str, VesselState]]) -> Iterator[Metric]:
    temperature = _gauge("vessel_temperature", "Wort temperature, while a probe is fit to drive.", _VESSEL, "celsius")
    low = _gauge("vessel_setpoint_low", "Heating acts below this.", _VESSEL, "celsius")
    high = _gauge("vessel_setpoint_high", "Cooling acts above this.", _VESSEL, "celsius")
    deviation = _gauge("vessel_deviation", "Wort outside the setpoint: positive is too warm.", _VESSEL, "celsius")
    for name, vessel in vessels:
        wort_c = vessel.estimate.celsius if vessel.estimate.drive is not Drive.NOTHING else None
        _add(temperature, (site, name), wort_c)
        _add(deviation, (site, name), None if wort_c is None else deviation_k(vessel.estimate, vessel.setpoint))
        if vessel.setpoint is not None:
            _add(low, (site, name), vessel.setpoint.low_c)
            _add(high, (site, name), vessel.setpoint.high_c)
    yield from (temperature, low, high, deviation)


def _positions(site: str, vessels: list[tuple[str, VesselState]]) -> Iterator[Metric]:
    condition = _gauge("vessel_batch_state", "1 for the ISA-88 state of the batch.", (*_VESSEL, "state"))
    mode = _gauge("vessel_mode", "1 for the mode of the loop.", (*_VESSEL, "mode"))
    step = _gauge("vessel_step_index", "Step of the profile, counted from 1.", _VESSEL)
    counted = _gauge("vessel_step_counted", "Step time: good signal, wort in tolerance.", _VESSEL, "seconds")
    elapsed = _gauge("vessel_step_elapsed", "All time since the step began.", _VESSEL, "seconds")
    waits = _gauge("vessel_waits_for_brewer", "1 while only the brewer's confirmation is missing.", _VESSEL)
    for name, vessel in vessels:
        for each in BatchState:
            condition.add_metric((site, name, each.value), int(each is vessel.condition))
        for kind in Mode:
            mode.add_metric((site, name, kind.value), int(kind is vessel.mode))
        if vessel.program is not None:
            step.add_metric((site, name), vessel.program.step + 1)
            _add(counted, (site, name), vessel.program.counted_s)
            _add(elapsed, (site, name), vessel.program.elapsed_s)
            waits.add_metric((site, name), int(vessel.program.waiting))
    yield from (condition, mode, step, counted, elapsed, waits)


def _batches(site: str, vessels: list[tuple[str, VesselState]]) -> Iterator[Metric]:
    in_service = _gauge("vessel_in_service", "0 while the vessel is out of service.", _VESSEL)
    blind = _gauge("vessel_blind_cooling", "Cooling without a fit signal; 0 without any.", _VESSEL, "watts")
    quiet = _gauge("vessel_quiet", "1 while the outputs rest in quiet hours.", _VESSEL)
    gravity = _gauge("vessel_specific_gravity", "Newest gravity that the brewer entered, 20/20 Celsius.", _VESSEL)
    apparent = _gauge("vessel_apparent_attenuation", "Share of the extract that seems gone.", _VESSEL, "ratio")
    real = _gauge("vessel_real_fermentation", "Real degree of fermentation.", _VESSEL, "ratio")
    alcohol = _gauge("vessel_alcohol_by_volume", "Alcohol in the beer at 20 Celsius.", _VESSEL, "ratio")
    for name, vessel in vessels:
        in_service.add_metric((site, name), int(vessel.in_service))
        quiet.add_metric((site, name), int(vessel.quiet is not None and not vessel.quiet.acting))
        _add(blind, (site, name), vessel.blind.cool_w)
        if vessel.batch is not None:
            beer = fermented(vessel.batch)
            _add(gravity, (site, name), last_gravity(vessel.batch))
            _add(apparent, (site, name), beer.apparent_attenuation)
            _add(real, (site, name), beer.real_degree)
            _add(alcohol, (site, name), None if beer.alcohol_percent is None else beer.alcohol_percent / 100)
    yield from (in_service, quiet, blind, gravity, apparent, real, alcohol)


def _outputs(site: str, vessels: list[tuple[str, VesselState]]) -> Iterator[Metric]:
    labels = (*_VESSEL, "output")
    on = _gauge("vessel_output_on", "1 while the output is commanded on.", labels)
    on_s = CounterMetricFamily("cellarhand_vessel_output_on_seconds", "Time on.", labels=labels, unit="seconds")
    starts = CounterMetricFamily("cellarhand_vessel_output_starts", "Changes from off to on.", labels=labels)
    demand = _gauge("vessel_demand", "What the loop asks for: positive heats, negative cools.", _VESSEL, "watts")
    applied = _gauge("vessel_applied", "What bath and interlock let through of it.", _VESSEL, "watts")
    for name, vessel in vessels:
        outputs: tuple[tuple[str, OutputState | None], ...] = (("cooler", vessel.cooler), ("heater", vessel.heater))
        for tag, output in outputs:
            if output is not None:
                on.add_metric((site, name, tag), int(output.on))
                on_s.add_metric((site, name, tag), output.on_s)
                starts.add_metric((site, name, tag), output.starts)
        _add(demand, (site, name), vessel.loop.heat_w)
        _add(applied, (site, name), vessel.applied_w)
    yield from (on, on_s, starts, demand, applied)


def _models(site: Site, vessels: list[tuple[str, VesselState]]) -> Iterator[Metric]:
    labels = (*_VESSEL, "part")
    share = _gauge("vessel_model_share", "What was learnt beside the site file's figure.", labels, "ratio")
    unsure = _gauge("vessel_model_share_deviation", "Standard deviation of the learnt share.", labels, "ratio")
    unexplained = _gauge("vessel_unexplained_heat", "Warming that outputs and room do not explain.", _VESSEL, "watts")
    for name, vessel in vessels:
        part = site.vessel(name)
        if part is None or not sure(vessel.observed):
            continue
        for each in learnt(vessel.observed):
            _add(share, (site.name, name, each.part), each.share)
            _add(unsure, (site.name, name, each.part), each.deviation)
        _add(unexplained, (site.name, name), unexplained_w(part, vessel))
    yield from (share, unsure, unexplained)


def _upstream(site: Site, state: SiteState) -> Iterator[Metric]:
    labels = ("site", "output")
    on = _gauge("output_on", "1 while a contactor, shared pump or compressor is commanded on.", labels)
    on_s = CounterMetricFamily("cellarhand_output_on_seconds", "Time on.", labels=labels, unit="seconds")
    starts = CounterMetricFamily("cellarhand_output_starts", "Changes from off to on.", labels=labels)
    for device in site.upstream:
        now = state.upstream[device.output.tag]
        on.add_metric((site.name, device.name), int(now.on))
        on_s.add_metric((site.name, device.name), now.on_s)
        starts.add_metric((site.name, device.name), now.starts)
    yield from (on, on_s, starts)


def _signals(site: Site, state: SiteState) -> Iterator[Metric]:
    status = _gauge("signal_status", "1 for the NAMUR NE 107 status of the signal.", ("site", "probe", "status"))
    age = _gauge("signal_age", "Since the last accepted reading.", ("site", "probe"), "seconds")
    for tag, signal in sorted(state.signals.items()):
        for each, word in STATUS_WORDS.items():
            status.add_metric((site.name, tag, word.replace(" ", "_")), int(each is signal.status))
        if signal.celsius is not None:
            _add(age, (site.name, tag), state.now_s - signal.at_s)
    yield from (status, age)


def _alarms(site: str, state: SiteState) -> Iterator[Metric]:
    active = _gauge("alarm_active", "1 for each active alarm.", ("site", "vessel", "kind", "priority"))
    waiting = _gauge("alarms_unacknowledged", "Active alarms that nobody has acknowledged.", ("site",))
    unacknowledged = 0
    for key, alarm in sorted(state.alarms.items()):
        subject, _, kind = key.rpartition("/")
        unacknowledged += alarm.phase is AlarmPhase.UNACKNOWLEDGED
        if alarm.phase in ACTIVE and kind in ALARMS:
            active.add_metric((site, subject, kind, ALARMS[kind].priority.value), 1)
    waiting.add_metric((site,), unacknowledged)
    yield from (active, waiting)


def _surroundings(site: Site, state: SiteState) -> Iterator[Metric]:
    bath = _gauge("bath_temperature", "Glycol in the reservoir.", ("site",), "celsius")
    room = _gauge("room_temperature", "Air around the vessels.", ("site",), "celsius")
    granted = _gauge("vessel_bath_share", "What a vessel that waits for the bath gets of its demand.", _VESSEL, "ratio")
    if site.bath is not None:
        _add(bath, (site.name,), trusted_c(state.signals, site.bath.probes))
        for vessel in site.vessels:
            _add(granted, (site.name, vessel.name), state.sharing.waits.get(vessel.name, 1.0))
    if site.room is not None:
        _add(room, (site.name,), trusted_c(state.signals, (site.room,)))
    yield from (bath, room, granted)


def _gauge(name: str, what: str, labels: tuple[str, ...], unit: str = "") -> GaugeMetricFamily:
    return GaugeMetricFamily(f"cellarhand_{name}", what, labels=labels, unit=unit)


def _add(family: GaugeMetricFamily, labels: tuple[str, ...], value: float | None) -> None:
    finite = number(value, 4)
    if finite is not None:
        family.add_metric(labels, finite)
