"""One run of the detection bench: a plant, a phase, a fault, and how long it took to find it."""

import copy
import random
from collections import deque
from dataclasses import dataclass, replace

from controller.control.alarms import ACTIVE
from controller.control.state import SiteState
from controller.control.values import Status
from tests.bench.detection_kinds import ALL, KINDS, Kind, Phase, begin, drawn_phase, with_room
from tests.bench.random_plants import HOUR_S, Rig, site_of
from tests.simulation.plant import Cellar
from tests.simulation.plant_random import random_spec
from tests.simulation.plant_specs import CellarSpec
from tests.simulation.plant_vessel import CALM_COIL

HORIZON_S = 24 * HOUR_S  # after the fault nobody looks longer
OCCASION_S = 36 * HOUR_S  # for a relay that welds while on: until then it must have been on
NAME = "fv1"
# An output whose full effect within the figure's time of running is less than this many times what its probe blurs (one
# step and the noise), and what room and yeast did meanwhile beyond the hour before, is hidden by physics: a level
# before, a level after, and as much again for layers.
BLURS = 3.0
DEVICES = ("heater will not stop", "cooler will not stop", "cooler without effect", "heater without effect")
PROBES = ("stuck", "out of its well")


@dataclass(frozen=True, slots=True)
class Job:
    """What is to be run."""

    kind: str
    seed: int
    scan_s: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """How it went. `measure` is in the issue's measure: minutes (of time, of pump time, of heat), or K of wort for a
    stuck probe. `verdict`: "in time", "late" (found too late), "missed" (not found, figure broken), "held" (not found
    in a day, but the wort has not left its bounds), "hidden" (late or missed, and the true effect of the output is less
    than what probe, room and yeast hide: `BLURS`), "no occasion"."""

    job: Job
    plant: str
    verdict: str
    found: bool
    measure: float
    minutes: float
    wort_k: float
    misnamed: str
    evidence: str

    def sentence(self) -> str:
        """For the table."""
        return (
            f"plant {self.job.seed}: {self.verdict}, after {self.minutes:.0f} min, measure {self.measure:.2f}, wort"
            f" moved {self.wort_k:+.2f} K; {self.plant}{'; also said: ' + self.misnamed if self.misnamed else ''}"
            f"{'; evidence: ' + self.evidence if self.evidence else ''}"
        )


def run(job: Job) -> Outcome:
    """Run a job."""
    kind = next(kind for kind in KINDS if kind.name == job.kind)
    chance = random.Random(f"{job.seed}/{job.kind}")
    spec = random_spec(job.seed)
    phase = drawn_phase(chance.choice(kind.phases), spec.vessels[0], chance)
    spec = with_room(spec, kind, phase, chance)
    return _Run(job, kind, spec, phase, chance).outcome()


class _Run:
    """The run of one job on the first vessel; its neighbours are in phases of their own and healthy."""

    def __init__(self, job: Job, kind: Kind, spec: CellarSpec, phase: Phase, chance: random.Random) -> None:
        self.job, self.kind, self.spec, self.phase, self.chance = job, kind, spec, phase, chance
        phases = {vessel.name: drawn_phase(chance.choice(ALL), vessel, chance) for vessel in spec.vessels[1:]}
        phases = {NAME: phase, **phases}
        profiles = [replace(each.profile, name=name) for name, each in phases.items() if each.profile is not None]
        self.rig = Rig(site_of(spec, job.seed, job.scan_s, profiles), Cellar(spec, job.seed))
        for name, each in phases.items():
            self._start(name, each)
        self.output = f"{NAME}/{kind.alarm.partition(' ')[0]}"
        self.well = f"{NAME}/well"
        self.on_s = 0.0
        self._own_w: deque[float] = deque(maxlen=round(HOUR_S / job.scan_s))  # what came by itself in the last hour
        self.own_j = 0.0  # what has come by itself since the fault, beyond what came in the hour before
        self.effect_k = 0.0  # what the output does to the wort within the figure's minutes, when the fault begins
        self.misnamed: set[str] = set()

    def _start(self, name: str, phase: Phase) -> None:
        rig, nominal = self.rig, self.spec.nominal[name]
        volume_l = self.rig.plant.vessels[name].spec.volume_l
        share = self.chance.uniform(0.7, 0.9)
        og = self.chance.uniform(1.040, 1.070)
        begin(rig.plant.fill(name, og, self.chance.uniform(0.7, 0.84), share * volume_l, phase.wort_c), phase)
        told: dict[str, str | float | bool] = {"batch": name, "og": round(og, 3), "volume_l": share * nominal.volume_l}
        told |= {"setpoint_c": phase.target_c} if phase.profile is None else {"profile": name}
        rig.ask(name, "start", **told)

    def outcome(self) -> Outcome:
        """Run in, break, and look until it is found."""
        rig, scan_s, probe = self.rig, self.job.scan_s, self.kind.alarm in PROBES
        while rig.now_s < self.phase.run_in_s:
            rig.scan()
            self._own_w.append(self._by_itself_w())
        before = self._said(rig.state)
        if before:
            self.misnamed.add(f"before the fault: {before}")
        if not self._broken():
            return self._result("no occasion", 0.0, 0.0, 0.0)
        truth = rig.plant.vessels[NAME]
        self.effect_k = self._effect_k()
        usual_w = sum(self._own_w) / max(len(self._own_w), 1)
        begun_s, wort_c = rig.now_s, truth.mean_c()
        stuck_on = "stuck on" in self.kind.name
        twin: Rig | None = None
        moved_k = worst_k = 0.0
        while rig.now_s - begun_s < HORIZON_S:
            if stuck_on and twin is None and not rig.commanded.get(self.output, False):
                begun_s, twin, worst_k = rig.now_s, self._twin(), 0.0  # until now it was meant to be on
            if not (stuck_on or probe) and rig.commanded.get(self.output, False):
                self.on_s += scan_s
            rig.scan()
            if self.on_s <= self._within_s():
                self.own_j += (self._by_itself_w() - usual_w) * scan_s
            if twin is not None:
                twin.scan()
                wort_c = twin.plant.vessels[NAME].mean_c()
            moved_k = truth.mean_c() - wort_c
            worst_k = max(worst_k, abs(moved_k))
            if self._found(rig.state):
                break
            self._listen(rig.state)
            if not stuck_on and not probe and self.on_s > 6.0 * HOUR_S:
                break
        minutes = (rig.now_s - begun_s) / 60.0
        if stuck_on and twin is None:
            return self._result("no occasion", 0.0, minutes, moved_k)
        measure = worst_k if self.kind.alarm == "stuck" else minutes if stuck_on or probe else self.on_s / 60.0
        return self._result(self._verdict(minutes, worst_k), measure, minutes, moved_k)

    def _twin(self) -> Rig:
        """The same cellar without the fault, from now on: how far the fault moves the wort is told by the difference,
        since a ramp or a crash moves it too."""
        rig = self.rig
        twin = copy.deepcopy(rig, {id(rig.site): rig.site, id(rig.state): rig.state})
        twin.welded.clear()
        twin.plant.set_output(self.output, False)
        return twin

    def _within_s(self) -> float:
        """The time of running that the figure allows."""
        return 60.0 * (15.0 if "stuck on" in self.kind.name else 20.0 if "pump" in self.kind.name else 40.0)

    def _by_itself_w(self) -> float:
        """What room and yeast give to the vessel now."""
        vessel = self.rig.plant.vessels[NAME]
        return vessel.yeast_w + vessel.spec.loss_w_per_k * (self.rig.plant.room_c - vessel.wall_c)

    def _effect_k(self) -> float:
        """By the plant's true figures; 0 for probes."""
        if self.kind.alarm in PROBES:
            return 0.0
        vessel, bath_c = self.rig.plant.vessels[NAME], self.rig.plant.bath_c
        spec = vessel.spec
        within_s = self._within_s()
        watts = spec.heater_w * (1.0 - spec.wrap_loss_share)
        if self.output.endswith("cooler"):
            calm = CALM_COIL + (1.0 - CALM_COIL) * vessel.gas
            watts = -spec.coil_w_per_k * vessel.fouling * calm * (vessel.mean_c() - bath_c)
        return watts * within_s / (vessel.capacity_j_per_k + spec.wall_j_per_k)

    def _broken(self) -> bool:
        """Wait for the fault's occasion and inject it; False if there was none."""
        rig, name = self.rig, self.kind.name
        until_s = rig.now_s + OCCASION_S
        if "stuck on" in name:
            while_on = "while on" in name
            while rig.commanded.get(self.output, False) is not while_on:
                if rig.now_s > until_s:
                    return False
                rig.scan()
            rig.weld(self.output, True)
        elif "without effect" in name or "pump" in name:
            rig.plant.set_works(self.output, False)
        elif self.kind.alarm == "stuck":
            rig.plant.fault(self.well, "stuck")
        else:
            while abs(rig.plant.room_c - rig.plant.vessels[NAME].mean_c()) < 3.0:
                if rig.now_s > until_s:
                    return False
                rig.scan()
            rig.plant.fault(self.well, "out of its well", self.chance.uniform(20.0, 180.0))
        return True

    def _found(self, state: SiteState) -> bool:
        if self.kind.alarm in PROBES:
            signal = state.signals[self.well]
            return signal.status is Status.FAILURE and signal.cause == self.kind.alarm
        alarm = state.alarms.get(f"{NAME}/{self.kind.alarm}")
        return alarm is not None and alarm.phase in ACTIVE

    def _said(self, state: SiteState) -> str:
        said = [
            key for key, alarm in state.alarms.items() if alarm.phase in ACTIVE and key.partition("/")[2] in DEVICES
        ]
        said += [
            f"{tag} {signal.cause}"
            for tag, signal in state.signals.items()
            if signal.status is Status.FAILURE and signal.cause in PROBES
        ]
        return ", ".join(said)

    def _listen(self, state: SiteState) -> None:
        said = self._said(state)
        if said:
            self.misnamed.add(said)

    def _verdict(self, minutes: float, worst_k: float) -> str:
        found = self._found(self.rig.state)
        name = self.kind.name
        if "stuck on" in name:
            kept = minutes <= 15.0 or worst_k <= 0.5
            lost = worst_k > 0.5  # else the other output works against it, and the figure's moment has not come
        elif self.kind.alarm == "stuck":
            kept = worst_k <= 1.0
            lost = not kept
        elif self.kind.alarm == "out of its well":
            kept = minutes <= 15.0
            lost = True
        else:
            kept = self.on_s <= (20.0 if "pump" in name else 40.0) * 60.0
            lost = not kept
        if found and kept:
            return "in time"
        if not (found or lost):
            return "held"
        if "without effect" in name and abs(self.effect_k) < self._least_k():
            return "hidden"
        return "late" if found else "missed"

    def _least_k(self) -> float:
        """What an output must do within the figure to be told from the probe's blur, and from room and yeast."""
        probe, vessel = self.spec.vessels[0].probe, self.rig.plant.vessels[NAME]
        capacity_j_per_k = vessel.capacity_j_per_k + vessel.spec.wall_j_per_k
        return BLURS * (probe.step_k + probe.noise_k) + abs(self.own_j) / capacity_j_per_k

    def _result(self, verdict: str, measure: float, minutes: float, wort_k: float) -> Outcome:
        vessel, nominal = self.spec.vessels[0], self.spec.nominal[NAME]
        full_j = vessel.volume_l * 0.8 * 4000.0 + vessel.wall_j_per_k
        plant = (
            f"{vessel.volume_l:.0f} L ({nominal.volume_l / vessel.volume_l:.0%} in the file), {self.phase.name} at"
            f" {self.phase.target_c:.1f} °C, room {self.rig.plant.room_c:.1f} °C, heater {vessel.heater_w:.0f} W"
            f" ({nominal.heater_w / vessel.heater_w:.0%}; {vessel.heater_w * HOUR_S / full_j:.2f} K/h), cooler"
            f" {vessel.coil_w_per_k:.1f} W/K ({nominal.cooler_w / vessel.coil_w_per_k / 15.0:.0%};"
            f" {vessel.coil_w_per_k * 15.0 * HOUR_S / full_j:.2f} K/h), loss {vessel.loss_w_per_k:.1f} W/K, noise"
            f" {vessel.probe.noise_k:g} K, {self.rig.site.vessels[0].loop.kind.value}, {len(self.spec.vessels)} vessels"
            + (f"; full effect within the figure {self.effect_k:+.2f} K" if self.effect_k else "")
            + (
                f", hidden by physics, by {self._least_k():.2f} K against {abs(self.effect_k):.2f} K"
                if verdict == "hidden"
                else ""
            )
        )
        alarm = self.rig.state.alarms.get(f"{NAME}/{self.kind.alarm}")
        found = verdict != "no occasion" and self._found(self.rig.state)
        evidence = alarm.text if alarm is not None and found else ""
        misnamed = " | ".join(sorted(self.misnamed))
        return Outcome(self.job, plant, verdict, found, measure, minutes, wort_k, misnamed, evidence)
