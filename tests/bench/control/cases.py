"""Cases with plants of their own: a crash against full cooling, a chiller that two crashes overload, a bath that never
gets as cold as the site file says."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from multiprocessing.pool import Pool

from controller import defaults
from controller.control.site import Site
from tests.bench.control import plants
from tests.bench.control.courses import HOUR_S, Course, Leg
from tests.bench.control.floor import half_tooth_k
from tests.bench.control.parts import RANDOM_SPARE_K, Result, Settings, described
from tests.bench.control.rows import DRIVERS, Figure, Row
from tests.bench.control.runs import OURS, Job, Run, run_plan
from tests.bench.control.truth import SAMPLE_S, Trace, felt_c
from tests.simulation.plant import Cellar
from tests.simulation.plant_specs import RoomSpec

FULL = "full cooling"
CRASH_FROM_C, CRASH_TO_C, CRASH_ROOM_C = 20.0, 2.0, 14.0
ARRIVED_K = 0.1
CRASH_FACTOR, OVERLOAD_FACTOR = 1.05, 1.1
CREEPS_K_PER_H, PER_HOUR = 0.15, int(HOUR_S / SAMPLE_S)
LEAD_H = 18.0  # of holding before a crash
NEIGHBOUR_W = (30.0, 90.0)
NEIGHBOUR_SPARE_K, NEIGHBOUR_AT_48_K = 0.15, 0.2
STARVED_K, STARVED_FACTOR = 0.5, 2.0
STARVED_BATH_C, STARVED_FILE_C, STARVED_TO_C = 2.0, -4.0, 6.0


@dataclass(frozen=True, slots=True)
class CaseJob:
    """A job of one of the cases. Its `cellar` is "random" or the name of a vessel of the reference cellar, for a crash;
    `watts` is the neighbour's heat, `spare_k` what random plants are given more."""

    job: Job
    watts: float = 0.0
    spare_k: float = 0.0


def crashing(to_c: float, wort_c: float = CRASH_FROM_C, filled: float = 0.85) -> Course:
    """A still wort at 20 °C that is crashed after some hours."""
    legs = (Leg("hold", wort_c, LEAD_H), Leg("crash", to_c, 150.0))
    return Course(legs, wort_c=wort_c, attenuation=0.0, filled=filled)


def crash(settings: Settings, pool: Pool) -> Result:
    """A crash from 20 to 2 °C in every vessel of the reference cellar, one at a time, and in random plants, in
    a room of 14 °C: in a warm one half of them never get so cold."""
    seeds = range(settings.seed, settings.seed + settings.plants)
    drivers = (*settings.drivers, FULL)
    asked = [CaseJob(_job(settings, name, settings.seed, driver)) for name in REFERENCE for driver in drivers]
    random_jobs = [_job(settings, "random", seed, driver) for seed in seeds for driver in drivers]
    asked += [CaseJob(job, spare_k=RANDOM_SPARE_K) for job in random_jobs]
    jobs = ((each.job.cellar, each.job.seed, each.job.driver) for each in asked)
    times = dict(zip(jobs, pool.imap(_crash_hours, asked, chunksize=1), strict=True))
    unable = sorted({seed for (_, seed, driver), (hours, _) in times.items() if driver == FULL and hours is None})
    figures: dict[str, list[Figure]] = {driver: [] for driver in settings.drivers}
    for (cellar, seed, driver), (hours, text) in times.items():
        full = times[cellar, seed, FULL][0]
        if driver == FULL or full is None:
            continue
        if hours is None:
            figures[driver].append(Figure(9.0, "never reached", text, seed))
            continue
        told = f"{hours:.1f} h = {hours / full:.3f} x full cooling"
        figures[driver].append(Figure(hours / full - CRASH_FACTOR, told, text, seed))
    name = f"crash from {CRASH_FROM_C:g} to {CRASH_TO_C:g} °C"
    rows = [Row(name, f"<= {CRASH_FACTOR} x full cooling", _fixed(figures))]
    told = f"where full cooling itself creeps there or never comes, nothing is asked: plants {unable}"
    notes = [told] if unable else []
    return Result("crash", rows, notes=notes)


REFERENCE = ("fv20", "fv25", "fv50")


def _job(settings: Settings, cellar: str, seed: int, driver: str, budget: float = 48.0) -> Job:
    return Job(cellar, seed, driver, budget, settings.scan_s)


def _crash_hours(asked: CaseJob) -> tuple[float | None, str]:
    """Hours from the begin of the crash until the wort is there, None for never; and which plant. Full cooling that
    creeps at the end counts as never: there a touch of the room decides, not the control."""
    job, near_k = asked.job, ARRIVED_K + asked.spare_k
    spec, _ = plants.random_plan(job.seed) if job.cellar == "random" else plants.reference(job.seed)
    vessel = next(each for each in spec.vessels if job.cellar in ("random", each.name))
    spec = replace(spec, vessels=(vessel,), room=RoomSpec(CRASH_ROOM_C))
    done = run_plan(job, spec, {vessel.name: crashing(CRASH_TO_C)}, _all_below(CRASH_TO_C + near_k))
    trace = done.traces[vessel.name]
    where = f"plant {job.seed}, " if job.cellar == "random" else ""
    hours = crash_hours(trace, CRASH_TO_C + near_k)
    if job.driver == FULL and trace.felt_c[-1 - PER_HOUR] - trace.felt_c[-1] < CREEPS_K_PER_H:
        hours = None
    return hours, where + described(vessel, spec, trace)


def crash_hours(trace: Trace, to_c: float) -> float | None:
    """Hours from the begin of the course's crash until the wort is at `to_c` where the well is: what layers hide from
    it, no control can know."""
    begin = int(LEAD_H * HOUR_S / SAMPLE_S)
    return next(
        ((n - begin) * SAMPLE_S / HOUR_S for n in range(begin, len(trace.felt_c)) if trace.felt_c[n] <= to_c), None
    )


def _all_below(to_c: float, but: str = "") -> Callable[[Cellar], bool]:
    return lambda plant: all(felt_c(vessel) < to_c for name, vessel in plant.vessels.items() if name != but)


def overload(settings: Settings, pool: Pool) -> Result:
    """Two crashes of 60 L overload the chiller while a neighbour is at high kräusen."""
    budgets = settings.budgets or (24.0, 48.0)
    asked = [
        CaseJob(_job(settings, "overload", settings.seed, driver, budget), watts)
        for watts in NEIGHBOUR_W
        for budget in budgets
        for driver in settings.drivers
        if driver == OURS or budget == budgets[-1]
    ]
    rows: dict[tuple[float, float], dict[str, list[Figure]]] = {}
    crashes: dict[tuple[float, float], dict[str, list[Figure]]] = {}
    runs = []
    for each, done in zip(asked, pool.imap(overloaded, asked, chunksize=1), strict=True):
        runs.append(done)
        for budget in budgets if each.job.driver != OURS else (each.job.budget,):
            key = each.watts, budget
            rows.setdefault(key, {}).setdefault(each.job.driver, []).append(_neighbour(done, budget))
            crashes.setdefault(key, {}).setdefault(each.job.driver, []).extend(_crashes(done))
    made = []
    for (watts, budget), figures in rows.items():
        asks = f"<= half a tooth + {NEIGHBOUR_SPARE_K} K"
        if budget >= 48.0:
            asks += f", <= {NEIGHBOUR_AT_48_K} K where half a tooth is below {NEIGHBOUR_SPARE_K} K"
        made.append(Row(f"neighbour of {watts:g} W, overloaded chiller, {budget:g} starts", asks, _fixed(figures)))
        asks = f"<= {OVERLOAD_FACTOR} x heat / chiller power"
        made.append(Row(f"both crashes beside {watts:g} W, {budget:g} starts", asks, _fixed(crashes[watts, budget])))
    return Result("overloaded chiller", made, runs if settings.keep else [])


CHILLER_W, COIL_W_PER_K, HOLD_C, ROOM_C = 450.0, 60.0, 12.0, 18.0


def _overload_plan(seed: int, watts: float) -> plants.Plan:
    """Three vessels of 60 L of wort. The coils of the crashed are large, so that the chiller limits them to their end;
    its power is the same at every bath, so that heat over power is a bound."""
    crashed = [replace(plants.sized(name, 70.0), coil_w_per_k=COIL_W_PER_K) for name in ("one", "other")]
    vessels = (plants.sized("busy", 70.0), *crashed)
    courses = {vessel.name: crashing(CRASH_TO_C, filled=60.0 / 70.0) for vessel in crashed}
    busy = Course((Leg("hold", HOLD_C, LEAD_H + 150.0),), HOLD_C, steady_w=watts, filled=60.0 / 70.0)
    spec = plants.cellar(vessels, seed, RoomSpec(ROOM_C, 0.5, 0.5), CHILLER_W)
    bath = replace(spec.bath, volume_l=60.0, gain_w_per_k=1.0, share_per_bath_k=0.0, share_per_room_k=0.0)
    return replace(spec, bath=bath), {"busy": busy, **courses}


def overloaded(asked: CaseJob) -> Run:
    """The run of an overload, until both crashes are done."""
    spec, courses = _overload_plan(asked.job.seed, asked.watts)
    return run_plan(asked.job, spec, courses, _all_below(CRASH_TO_C + ARRIVED_K, but="busy"))


def _neighbour(done: Run, budget: float) -> Figure:
    trace = done.traces["busy"]
    begin, last = int(LEAD_H * HOUR_S / SAMPLE_S), len(trace.mean_c) - 1
    above_k = max(trace.mean_c[begin:]) - HOLD_C
    lasts_s = (last - begin) * SAMPLE_S
    starts = max(1, trace.cooler_starts[last] - trace.cooler_starts[begin])
    duty = (trace.cooled_s[last] - trace.cooled_s[begin]) / lasts_s
    load_w = sum(trace.load_w(n, HOLD_C) for n in range(begin, last)) / (last - begin)
    half_k = half_tooth_k(load_w, starts / lasts_s, duty, trace.heat_capacity_j_per_k)
    limit_k = half_k + NEIGHBOUR_SPARE_K
    if budget >= 48.0 and half_k < NEIGHBOUR_SPARE_K:
        limit_k = min(limit_k, NEIGHBOUR_AT_48_K)
    hours = sum(celsius > HOLD_C + 0.5 for celsius in trace.mean_c[begin:]) * SAMPLE_S / HOUR_S
    a_day = starts * 24.0 * HOUR_S / lasts_s
    text = f"{above_k:+.2f} K, {hours:.1f} h above +0.5 K (half a tooth {half_k:.2f} K, {a_day:.0f}/d)"
    return Figure(above_k - limit_k, text, "busy", done.job.seed)


def _crashes(done: Run) -> list[Figure]:
    bound_h = heat_over_power_h(done)
    figures = []
    for name in ("one", "other"):
        hours = crash_hours(done.traces[name], CRASH_TO_C + ARRIVED_K)
        if hours is None:
            figures.append(Figure(9.0, "never reached", name, done.job.seed))
        else:
            text = f"{hours:.1f} h = {hours / bound_h:.2f} x {bound_h:.1f} h"
            figures.append(Figure(hours / bound_h - OVERLOAD_FACTOR, text, name, done.job.seed))
    return figures


def heat_over_power_h(done: Run) -> float:
    """Hours in which the chiller could remove the heat of both crashes while it carries all that goes on meanwhile: the
    neighbour, the room's heat into the vessels and the bath, two pumps."""
    bath = done.spec.bath
    other_w = bath.gain_w_per_k * (ROOM_C - bath.setpoint_c) + 2.0 * bath.pump_w
    heat_j = 0.0
    for name, trace in done.traces.items():
        if name == "busy":
            other_w += trace.yeast_w[0] + trace.loss_w_per_k * (ROOM_C - HOLD_C)
        else:
            heat_j += (CRASH_FROM_C - CRASH_TO_C - ARRIVED_K) * trace.heat_capacity_j_per_k
            other_w += trace.loss_w_per_k * (ROOM_C - 0.5 * (CRASH_FROM_C + CRASH_TO_C))
    return heat_j / (bath.chiller_w - other_w) / HOUR_S


def starved(settings: Settings, pool: Pool) -> Result:
    """The chiller's own thermostat stands 6 K above what the file says, so the bath never gets below the level at which
    crashes are paused: a first version of a sharing rule starved one vessel by 6.6 K there."""
    drivers = (*settings.drivers, FULL)
    asked = [CaseJob(_job(settings, "starved", settings.seed, driver)) for driver in drivers]
    runs = dict(zip(drivers, pool.imap(starved_run, asked, chunksize=1), strict=True))
    full_h = crash_hours(runs[FULL].traces["one"], STARVED_TO_C + STARVED_K)
    figures: dict[str, list[Figure]] = {}
    for driver in settings.drivers:
        traces = runs[driver].traces
        begin = int(LEAD_H * HOUR_S / SAMPLE_S)
        due = begin + int(STARVED_FACTOR * (full_h or 75.0) * HOUR_S / SAMPLE_S)
        short_k = max(traces["one"].mean_c[min(due, len(traces["one"].mean_c) - 1) :]) - STARVED_TO_C
        above_k = max(traces["busy"].mean_c[begin:]) - HOLD_C
        where = f"full cooling takes {full_h or 0.0:.1f} h"
        figures[driver] = [
            Figure(short_k - STARVED_K, f"{short_k:+.2f} K after {STARVED_FACTOR:g} x full cooling", f"crash; {where}"),
            Figure(above_k - STARVED_K, f"{above_k:+.2f} K", "neighbour"),
        ]
    asks = f"crash and neighbour within {STARVED_K} K after {STARVED_FACTOR:g} x full cooling"
    row = Row("a bath that never gets as cold as the file says", asks, _fixed(figures))
    return Result("starved", [row], list(runs.values()) if settings.keep else [])


def starved_run(asked: CaseJob) -> Run:
    """The run of the bath that stays warm."""
    vessels = plants.sized("busy", 30.0), plants.sized("one", 30.0)
    legs = (Leg("hold", CRASH_FROM_C, LEAD_H), Leg("crash", STARVED_TO_C, 120.0))
    courses = {
        "busy": Course((Leg("hold", HOLD_C, LEAD_H + 120.0),), HOLD_C, steady_w=20.0),
        "one": Course(legs, CRASH_FROM_C, attenuation=0.0),
    }
    spec = plants.cellar(vessels, asked.job.seed, RoomSpec(ROOM_C, 0.5, 0.5), bath_c=STARVED_BATH_C)

    def told(site: Site) -> Site:
        if site.bath is None:
            return site
        warm_c = STARVED_FILE_C + defaults.WARM_ABOVE_SETPOINT_K
        return replace(site, bath=replace(site.bath, setpoint_c=STARVED_FILE_C, warm_c=warm_c))

    return run_plan(asked.job, spec, courses, told=told)


def _fixed(figures: dict[str, list[Figure]]) -> dict[str, tuple[Figure, ...]]:
    return {driver: tuple(figures[driver]) for driver in DRIVERS if driver in figures}
