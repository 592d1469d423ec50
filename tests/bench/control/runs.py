"""One run: a plan, a driver, a budget; what the plant did, minute by minute, as its truth has it."""

from collections.abc import Callable
from dataclasses import dataclass, replace

from controller.control.site import Site
from tests.bench.control import plants
from tests.bench.control.believed import ratios
from tests.bench.control.courses import HOUR_S, Course
from tests.bench.control.knowable import AFTER_H
from tests.bench.control.rivals import RivalRig
from tests.bench.control.truth import SAMPLE_S, Trace, Watched, losses
from tests.bench.random_plants import Rig
from tests.simulation.plant import Cellar
from tests.simulation.plant_brew import Brew
from tests.simulation.plant_specs import CellarSpec, ProbeSpec, Yeast

OURS = "ours"
RIVALS = ("on/off 0.5 K", "on/off 0.1 K", "plain PID")
AFTER_S = AFTER_H * HOUR_S


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
class Run:
    """What came of a job."""

    job: Job
    spec: CellarSpec
    traces: dict[str, Trace]


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
        spec, courses = plants.random_plan(job.seed, vessels_on_bath(job.seed))
    else:
        raise ValueError(f"no plan {job.cellar!r}")
    probe = ProbeSpec(step_k=job.step_k, noise_k=job.noise_k)
    return replace(spec, vessels=tuple(replace(vessel, probe=probe) for vessel in spec.vessels)), courses


def vessels_on_bath(seed: int) -> int:
    """How many vessels a "bath" has: 2 to 6."""
    return 2 + seed % 5


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


def _go(
    rig: Rig | RivalRig,
    traces: dict[str, Trace],
    lasts_s: float,
    scan_s: float,
    over: Callable[[Cellar], bool],
) -> None:
    plant = rig.plant
    seen = [Watched(plant.vessels[name], trace) for name, trace in traces.items()]
    ours = rig if isinstance(rig, Rig) else None
    next_s, learned = 0.0, False
    while plant.now_s < lasts_s:
        if plant.now_s >= next_s:
            next_s += SAMPLE_S
            for each in seen:
                state = ours.state.vessels[each.trace.spec.name] if ours else None
                sought_c = state.setpoint.high_c if state and state.setpoint else None
                each.sample(plant.room_c, plant.bath_c, state.estimate.celsius if state else None, sought_c)
            if over(plant):
                break
        if ours is not None and not learned and plant.now_s >= AFTER_S:
            learned = True
            for each in seen:
                vessel = ours.state.vessels[each.trace.spec.name]
                each.trace.ratios = ratios(vessel, each.vessel, each.trace.cooled_s[-1], each.trace.heated_s[-1])
        rig.scan()
        for each in seen:
            each.count(scan_s)
