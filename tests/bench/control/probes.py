"""Other probes: where the rows end to hold. The reference cellar at 48 starts a day with coarser steps and more noise.

Nothing is asked for here; it is shown."""

from multiprocessing.pool import Pool

from tests.bench.control.judge import Verdict
from tests.bench.control.parts import Plot, Result, Settings, judged
from tests.bench.control.rows import heat_row, holds_rows, landing_row
from tests.bench.control.runs import Job

USUAL_STEP_K, USUAL_NOISE_K = 1.0 / 16.0, 0.03
STEPS_K = (USUAL_STEP_K, 0.1, 0.25, 0.5)
NOISES_K = (0.0, USUAL_NOISE_K, 0.1, 0.25)
BUDGET = 48.0


def probes(settings: Settings, pool: Pool) -> Result:
    """By step, then by noise: the worst of rms over floor, landing and heat above the balance."""
    kinds = dict.fromkeys([(step_k, USUAL_NOISE_K) for step_k in STEPS_K] + [(USUAL_STEP_K, k) for k in NOISES_K])
    jobs = [
        Job("reference", settings.seed, driver, BUDGET, settings.scan_s, settings.days, step_k, noise_k)
        for step_k, noise_k in kinds
        for driver in settings.drivers
    ]
    verdicts: dict[tuple[float, float, str], list[Verdict]] = {}
    for job, found, _ in pool.imap(judged, [(job, False) for job in jobs], chunksize=1):
        verdicts[job.step_k, job.noise_k, job.driver] = found
    result = Result("other probes", [])
    for title, across, along in (
        ("step", "step of the probe, K", [(k, (k, USUAL_NOISE_K)) for k in STEPS_K]),
        ("noise", "noise of the probe, K", [(k, (USUAL_STEP_K, k)) for k in NOISES_K]),
    ):
        for name, unit, measure in MEASURES:
            series: dict[str, list[tuple[float, float | None]]] = {
                driver: [(k, measure(verdicts[(*kind, driver)])) for k, kind in along] for driver in settings.drivers
            }
            result.plots.append(Plot(f"{name} by {title} of the probe", across, unit, series))
            for driver, points in series.items():
                told = ", ".join(f"{x:.3g} K: {y:.2f}" for x, y in points if y is not None)
                result.notes.append(f"{name} by {title}, {driver}: {told}")
        for k, kind in along:
            by_driver = {driver: verdicts[(*kind, driver)] for driver in settings.drivers}
            rows = [*holds_rows(by_driver, BUDGET, 0.0, ""), landing_row(by_driver, BUDGET, 0.0, "")]
            rows.append(heat_row(by_driver, BUDGET, 1.05, 0.3, ""))
            held = [row.name.partition(",")[0] for row in rows if row.met]
            result.notes.append(f"{title} {k:.3g} K, ours holds: {', '.join(held) or 'no row'}")
    return result


def _rms_over_floor(verdicts: list[Verdict]) -> float | None:
    ratios = [h.rms_k / h.floor_k for v in verdicts for h in v.holds if h.rms_k > 0.035 and h.floor_k > 0.0]
    return max(ratios, default=None)


def _landing(verdicts: list[Verdict]) -> float | None:
    return max((each.past_k for v in verdicts for each in v.landings if each.past_k is not None), default=None)


def _heat(verdicts: list[Verdict]) -> float | None:
    return max((v.heat.used_h - v.heat.needed_h for v in verdicts), default=None)


MEASURES = (
    ("worst rms over floor (of holds above 0.035 K)", "x floor", _rms_over_floor),
    ("worst landing", "K past the target", _landing),
    ("most heat above the balance", "h", _heat),
)
