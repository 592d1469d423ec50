"""One run: a plan, a driver, a budget; what the plant did, minute by minute, as its truth has it."""

import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from controller.control.site import Site
from tests.bench.control import plants
from tests.bench.control.courses import HOUR_S, Course
from tests.bench.control.rivals import RivalRig
from tests.bench.random_plants import Rig
from tests.simulation.plant import Cellar
from tests.simulation.plant_brew import Brew
from tests.simulation.plant_specs import CellarSpec, ProbeSpec, VesselSpec, Yeast
from tests.simulation.plant_vessel import Vessel

OURS = "ours"
RIVALS = ("on/off 0.5 K", "on/off 0.1 K", "plain PID")
SAMPLE_S = 60.0


@dataclass(frozen=True, slots=True)
class Job:
    """What is to be run. `cellar` names the plan: "reference", "random", "bath" (several random vessels on one)."""

    cellar: str
    seed: int
    driver: str
    budget: float
    scan_s: float
    days: float = 0.0  # 0: as long as the courses are
    step_k: float = 1.0 / 16.0
    noise_k: float = 0.03


@dataclass(slots=True)
class Trace:
    """One vessel's truth, a sample a minute. `felt_c` is what an ideal probe in the well would show; `estimate_c` what
    the service believes the wort to be (ours only). Counts since the start: `cooled_s`, `heated_s`, `cooler_starts`,
    `heater_starts`."""

    spec: VesselSpec
    course: Course
    heat_capacity_j_per_k: float
    loss_w_per_k: float  # wort to room
    reaches_wort: float  # share of the heat put into the wall that does not leave for the room before
    setpoints_c: list[float] = field(default_factory=list)
    mean_c: list[float] = field(default_factory=list)
    felt_c: list[float] = field(default_factory=list)
    room_c: list[float] = field(default_factory=list)
    bath_c: list[float] = field(default_factory=list)
    yeast_w: list[float] = field(default_factory=list)
    neighbour_w: list[float] = field(default_factory=list)  # from the next vessels through the walls
    estimate_c: list[float | None] = field(default_factory=list)
    cooled_s: list[float] = field(default_factory=list)
    heated_s: list[float] = field(default_factory=list)
    cooler_starts: list[int] = field(default_factory=list)
    heater_starts: list[int] = field(default_factory=list)

    def load_w(self, number: int, wort_c: float) -> float:
        """Heat in W that the wort at `wort_c` gains in the minute `number` without cooler or heater."""
        from_room_w = self.loss_w_per_k * (self.room_c[number] - wort_c)
        return self.yeast_w[number] + self.reaches_wort * self.neighbour_w[number] + from_room_w


@dataclass(slots=True)
class Run:
    """What came of a job."""

    job: Job
    spec: CellarSpec
    traces: dict[str, Trace]
    ratios: dict[str, dict[str, float]] = field(default_factory=dict)  # learned / true, by vessel and figure


class SteadyBrew(Brew):
    """A yeast that gives the same heat for ever."""

    def __init__(self, yeast: Yeast, og: float, litres: float, watts: float) -> None:
        super().__init__(yeast, og, 0.78, litres)
        self.heat_w = watts
        self.pace_p_per_day = 2.0  # a head of foam: all is stirred

    def advance(self, dt_s: float, wort_c: float) -> None:
        """Nothing changes."""


def plan_of(job: Job) -> plants.Plan:
    """The plan of a job, with the probes that it asks for."""
    if job.cellar == "reference":
        spec, courses = plants.reference(job.seed)
    elif job.cellar == "random":
        spec, courses = plants.random_plan(job.seed)
    elif job.cellar == "bath":
        spec, courses = plants.random_plan(job.seed, vessels=random.Random(f"{job.seed}/count").choice((3, 4, 5)))
    else:
        raise ValueError(f"no plan {job.cellar!r}")
    probe = ProbeSpec(step_k=job.step_k, noise_k=job.noise_k)
    return replace(spec, vessels=tuple(replace(vessel, probe=probe) for vessel in spec.vessels)), courses


def run(job: Job) -> Run:
    """Run a job."""
    spec, courses = plan_of(job)
    return run_plan(job, spec, courses)


def run_plan(
    job: Job,
    spec: CellarSpec,
    courses: dict[str, Course],
    over: Callable[[Cellar], bool] = lambda plant: False,
    told: Callable[[Site], Site] = lambda site: site,
) -> Run:
    """Run a job on this plan until its courses end or `over`, which is asked once a minute, says so. `told` changes
    what the site file says."""
    site = told(plants.site_for(spec, courses, job.seed, job.scan_s, job.budget))
    plant = Cellar(spec, job.seed)
    traces = {}
    rig: Rig | RivalRig = Rig(site, plant) if job.driver == OURS else RivalRig(job.driver, site, plant, courses)
    for vessel in spec.vessels:
        course = courses[vessel.name]
        litres = course.filled * vessel.volume_l
        if course.steady_w is not None:
            plant.vessels[vessel.name].fill(
                SteadyBrew(vessel.yeast, course.og, litres, course.steady_w), litres, course.wort_c
            )
        else:
            brew = plant.fill(vessel.name, course.og, course.attenuation, litres, course.wort_c)
            if course.krausen:
                brew.at_high_krausen(course.wort_c)
        capacity = plant.vessels[vessel.name].capacity_j_per_k + vessel.wall_j_per_k
        traces[vessel.name] = Trace(vessel, course, capacity, *losses(vessel))
        if isinstance(rig, Rig):
            volume_l = course.filled * spec.nominal[vessel.name].volume_l
            name, og = vessel.name, round(course.og, 3)
            rig.ask(name, "start", batch=name, og=og, profile=name, volume_l=volume_l)
    hours = job.days * 24.0 or max(course.hours for course in courses.values())
    _go(rig, traces, hours * HOUR_S, job.scan_s, over)
    for trace in traces.values():
        trace.setpoints_c = trace.course.setpoints([number * SAMPLE_S for number in range(len(trace.mean_c))])
    return Run(job, spec, traces)


def losses(spec: VesselSpec) -> tuple[float, float]:
    """Conductance in W/K from wort to room (the film, then wall and wrap side by side), and the share of the heat that
    comes into the wall which reaches the wort."""
    wrap_w = max(spec.heater_w, 1.0) / 15.0 if spec.heater_w else 0.0  # as the plant's wrap is made
    to_wall, to_room = wrap_w * (1.0 - spec.wrap_loss_share), wrap_w * spec.wrap_loss_share
    through_wrap = to_wall * to_room / (to_wall + to_room) if wrap_w else 0.0
    outside = spec.loss_w_per_k + through_wrap
    reaches = spec.film_w_per_k / (spec.film_w_per_k + outside)
    return reaches * outside, reaches


def _go(
    rig: Rig | RivalRig,
    traces: dict[str, Trace],
    lasts_s: float,
    scan_s: float,
    over: Callable[[Cellar], bool],
) -> None:
    plant = rig.plant
    seen = [_Seen(plant.vessels[name], trace) for name, trace in traces.items()]
    ours = rig if isinstance(rig, Rig) else None
    next_s = 0.0
    while plant.now_s < lasts_s:
        if plant.now_s >= next_s:
            next_s += SAMPLE_S
            for each in seen:
                estimate = ours.state.vessels[each.trace.spec.name].estimate.celsius if ours else None
                each.sample(plant.room_c, plant.bath_c, estimate)
            if over(plant):
                break
        rig.scan()
        for each in seen:
            each.count(scan_s)


class _Seen:
    """What the contacts of a vessel do. After a scan they are as they were while the plant went on."""

    __slots__ = ("_cooled_s", "_cooler", "_cools", "_heated_s", "_heater", "_heats", "_neighbour_j", "trace", "vessel")

    def __init__(self, vessel: Vessel, trace: Trace) -> None:
        self.vessel, self.trace = vessel, trace
        self._cools = self._heats = False
        self._cooler = self._heater = 0
        self._cooled_s = self._heated_s = self._neighbour_j = 0.0

    def count(self, dt_s: float) -> None:
        vessel = self.vessel
        if vessel.cooler_contacts:
            self._cooled_s += dt_s
            self._cooler += not self._cools
        if vessel.heater_contacts:
            self._heated_s += dt_s
            self._heater += not self._heats
        self._cools, self._heats = vessel.cooler_contacts, vessel.heater_contacts

    def sample(self, room_c: float, bath_c: float, estimate_c: float | None) -> None:
        vessel, trace = self.vessel, self.trace
        share = vessel.spec.well_upper_share
        trace.mean_c.append(vessel.mean_c())
        trace.felt_c.append(share * vessel.upper_c + (1.0 - share) * vessel.lower_c)
        trace.room_c.append(room_c)
        trace.bath_c.append(bath_c)
        trace.yeast_w.append(vessel.yeast_w)
        trace.neighbour_w.append((vessel.neighbour_j - self._neighbour_j) / SAMPLE_S)
        self._neighbour_j = vessel.neighbour_j
        trace.estimate_c.append(estimate_c)
        trace.cooled_s.append(self._cooled_s)
        trace.heated_s.append(self._heated_s)
        trace.cooler_starts.append(self._cooler)
        trace.heater_starts.append(self._heater)
