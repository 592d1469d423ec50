"""The parts of the bench: what is run for which rows."""

from collections import defaultdict
from dataclasses import dataclass, field
from multiprocessing.pool import Pool
from typing import NamedTuple

from tests.bench.control.judge import Verdict, judge
from tests.bench.control.plants import nominal_cooler_w
from tests.bench.control.rows import DRIVERS, Row, believed_rows, heat_row, holds_rows, landing_row, opposed_row
from tests.bench.control.runs import OURS, RIVALS, Job, Run, run, vessels_on_bath
from tests.bench.control.truth import Trace
from tests.simulation.plant_specs import CellarSpec, VesselSpec

HELD_BUDGETS = (12.0, 24.0, 48.0, 120.0)
RANDOM_BUDGETS = (24.0, 48.0)
RANDOM_SPARE_K = 0.05


@dataclass(frozen=True, slots=True)
class Settings:
    """What is wanted of all parts."""

    seed: int
    plants: int
    days: float
    scan_s: float
    budgets: tuple[float, ...]
    rivals: bool
    keep: bool  # traces are wanted for the page

    @property
    def drivers(self) -> tuple[str, ...]:
        """Who drives."""
        return DRIVERS if self.rivals else (OURS,)


class Plot(NamedTuple):
    """A picture: by series, points (x, y); a None breaks the line."""

    title: str
    across: str
    down: str
    series: dict[str, list[tuple[float, float | None]]]


@dataclass(slots=True)
class Result:
    """Rows of a part, runs worth a picture, other pictures."""

    title: str
    rows: list[Row]
    runs: list[Run] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    plots: list[Plot] = field(default_factory=list)


Judged = tuple[Job, list[Verdict], Run | None]


def judged(asked: tuple[Job, bool]) -> Judged:
    """Run a job and judge it; the run itself only where it is wanted."""
    job, keep = asked
    done = run(job)
    verdicts = []
    for trace in done.traces.values():
        about = "" if job.cellar == "reference" else f"plant {job.seed}, {described(trace.spec, done.spec, trace)}"
        verdicts.append(judge(trace, about, job.seed))
    return job, verdicts, done if keep else None


def described(spec: VesselSpec, cellar: CellarSpec, trace: Trace) -> str:
    """A random vessel in a few words: what makes it easy or hard."""
    told, capacity = cellar.nominal[spec.name], trace.heat_capacity_j_per_k
    reach_k = 20.0 - cellar.bath.setpoint_c
    hold_up_k = (spec.coil_l + spec.line_l) * cellar.bath.j_per_l_k * reach_k / capacity
    file = f"volume {told.volume_l / spec.volume_l:.0%}, cooler {told.cooler_w / nominal_cooler_w(spec):.0%}"
    full_k_per_h = spec.coil_w_per_k * reach_k * 3600.0 / capacity
    return (
        f"{spec.volume_l:.0f} L (file: {file}, heater {told.heater_w / spec.heater_w:.0%}), cold in coil and line"
        f" {hold_up_k:.2f} K, full cooling {full_k_per_h:.1f} K/h, well lag {spec.well_lag_s:.0f} s,"
    )


def reference(settings: Settings, pool: Pool) -> Result:
    """The reference cellar at every budget. Rivals know no budget: they run once."""
    budgets = settings.budgets or HELD_BUDGETS
    jobs = [Job("reference", settings.seed, OURS, each, settings.scan_s, settings.days) for each in budgets]
    if settings.rivals:
        jobs += [Job("reference", settings.seed, each, 0.0, settings.scan_s, settings.days) for each in RIVALS]
    return _rows("reference cellar", settings, pool, jobs, budgets, 0.0, (1.05, 0.3))


def random_plants(settings: Settings, pool: Pool) -> Result:
    """Random plants, one vessel each."""
    return _random("random plants", "random", settings.plants, settings, pool)


def shared_bath(settings: Settings, pool: Pool) -> Result:
    """2 to 6 random vessels on one bath, and where the rows end to hold."""
    result = _random("shared bath", "bath", max(1, settings.plants // 4), settings, pool)
    series: dict[str, list[tuple[float, float | None]]] = {}
    for driver in settings.drivers:
        figures = [figure for row in result.rows for figure in row.figures.get(driver, ())]
        for count in sorted({vessels_on_bath(figure.seed) for figure in figures}):
            kept = [figure.excess <= 0.0 for figure in figures if vessels_on_bath(figure.seed) == count]
            series.setdefault(driver, []).append((count, 100.0 * sum(kept) / len(kept)))
    result.plots.append(Plot("figures kept, by how many vessels share the bath", "vessels", "%", series))
    for driver, points in series.items():
        told = ", ".join(f"{count:g} vessels: {kept:.0f} %" for count, kept in points)
        result.notes.append(f"figures kept, {driver}: {told}")
    return result


def _random(title: str, cellar: str, plants: int, settings: Settings, pool: Pool) -> Result:
    budgets = settings.budgets or RANDOM_BUDGETS
    seeds = range(settings.seed, settings.seed + plants)
    jobs = [Job(cellar, seed, OURS, each, settings.scan_s, settings.days) for each in budgets for seed in seeds]
    if settings.rivals:
        jobs += [Job(cellar, seed, each, 0.0, settings.scan_s, settings.days) for each in RIVALS for seed in seeds]
    return _rows(title, settings, pool, jobs, budgets, RANDOM_SPARE_K, (1.1, 1.0))


def _worst(rows: list[Row], jobs: list[Job], pool: Pool) -> list[Run]:
    """The runs of the plants that are worst in a row that is not met, for a picture."""
    worst = [row.worst(OURS) for row in rows if not row.met]
    seeds = {figure.seed for figure in worst if figure is not None}
    return pool.map(run, [job for job in jobs if job.seed in seeds], chunksize=1)


def _rows(
    title: str,
    settings: Settings,
    pool: Pool,
    jobs: list[Job],
    budgets: tuple[float, ...],
    spare_k: float,
    heat: tuple[float, float],
) -> Result:
    keep = settings.keep and jobs[0].cellar == "reference"
    found: dict[float, dict[str, list[Verdict]]] = {each: defaultdict(list) for each in budgets}
    result = Result(title, [])
    for job, verdicts, run_ in pool.imap(judged, [(job, keep) for job in jobs], chunksize=1):
        for budget in budgets if job.driver != OURS else (job.budget,):
            found[budget][job.driver] += verdicts
        if run_ is not None:
            result.runs.append(run_)
    for budget, by_driver in found.items():
        result.rows += holds_rows(by_driver, budget, spare_k, title)
        result.rows.append(landing_row(by_driver, budget, spare_k, title))
        if budget >= 24.0:
            result.rows.append(heat_row(by_driver, budget, *heat, title))
        result.rows.append(opposed_row(by_driver, budget, spare_k, title))
    if settings.keep and not keep:
        result.runs += _worst(result.rows, jobs, pool)
    ours = [verdict for by_driver in found.values() for verdict in by_driver[OURS]]
    result.rows += believed_rows({OURS: ours}, title)
    return result
