"""What estimate, loop, chiller and shaping cost together, a vessel and scan, beside bare simple-pid in the same run.

The stages are pure functions, so that a call can be repeated: the calls of a running cellar are recorded and then timed
by themselves."""

from collections.abc import Callable
from multiprocessing.pool import Pool
from statistics import median
from time import process_time
from typing import Any

from simple_pid import PID

from controller.control import drive, step
from tests.bench.control import plants
from tests.bench.control.parts import Result, Settings
from tests.bench.control.rows import Figure, Row
from tests.bench.control.runs import OURS
from tests.bench.random_plants import HOUR_S, Rig
from tests.simulation.plant import Cellar

# By module: of each group the first that there is; it calls the others.
STAGES: tuple[tuple[Any, tuple[str, ...]], ...] = (
    (step, ("watched_wort", "estimate")),
    (step, ("outlook",)),
    (step, ("demand",)),
    (step, ("share",)),
    (drive, ("_wish", "shaped")),
)
AT_MOST_US = 10.0
RUN_IN_S, SCANS, ROUNDS = 30 * HOUR_S, 1000, 15
BARE_CALLS = 20_000

Call = tuple[Callable[..., object], tuple[Any, ...], dict[str, Any]]


def cost(settings: Settings, pool: Pool) -> Result:
    """Three vessels of the reference cellar after a day and a quarter, scans of 5 s. Processor time, median."""
    calls, names = recorded(settings.seed)
    pid = PID(1.0, 0.1, 0.05, setpoint=19.0, sample_time=None)
    ours, bare = [], []
    for _ in range(ROUNDS):
        began = process_time()
        for function, arguments, keywords in calls:
            function(*arguments, **keywords)
        ours.append((process_time() - began) / SCANS / 3 * 1e6)
        began = process_time()
        for _ in range(BARE_CALLS):
            pid(18.9375, dt=5.0)
        bare.append((process_time() - began) / BARE_CALLS * 1e6)
    took_us, bare_us = median(ours), median(bare)
    ratio = median(mine / its for mine, its in zip(ours, bare, strict=True))
    text = f"{took_us:.1f} microseconds = {ratio:.1f} calls of bare simple-pid ({bare_us:.2f} microseconds)"
    figure = Figure(took_us - AT_MOST_US, text, ", ".join(names))
    name = "estimate, loop, chiller and shaping, a vessel and scan"
    return Result("cost", [Row(name, f"<= {AT_MOST_US:g} microseconds", {OURS: (figure,)})])


def recorded(seed: int) -> tuple[list[Call], list[str]]:
    """The calls of the stages in `SCANS` scans, and the names of those that there are."""
    spec, courses = plants.reference(seed)
    site = plants.site_for(spec, courses, seed, 5.0, 48.0)
    plant = Cellar(spec, seed)
    rig = Rig(site, plant)
    for name, course in courses.items():
        vessel = plant.vessels[name]
        plant.fill(name, course.og, course.attenuation, course.filled * vessel.spec.volume_l, course.wort_c)
        volume_l = course.filled * spec.nominal[name].volume_l
        rig.ask(name, "start", batch=name, og=round(course.og, 3), profile=name, volume_l=volume_l)
    while plant.now_s < RUN_IN_S:
        rig.scan()
    calls: list[Call] = []
    kept, names = [], []
    for module, group in STAGES:
        for stage in [each for each in group if hasattr(module, each)][:1]:
            plain = getattr(module, stage)
            kept.append((module, stage, plain))
            names.append(stage.strip("_"))
            setattr(module, stage, _recording(plain, calls))
    try:
        for _ in range(SCANS):
            rig.scan()
    finally:
        for module, stage, plain in kept:
            setattr(module, stage, plain)
    return calls, names


def _recording(plain: Callable[..., object], calls: list[Call]) -> Callable[..., object]:
    def recording(*arguments: Any, **keywords: Any) -> object:
        calls.append((plain, arguments, keywords))
        return plain(*arguments, **keywords)

    return recording
