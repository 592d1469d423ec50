"""How fast faults of devices and probes are found, on random plants of 5 L to 2,000 L whose site file is wrong.

    python -m tests.bench.detection [--plants 50] [--only KIND] [--seed S] [--workers 1] [--scan 10] [--list]

Each fault is injected at a random moment of a random phase. Prints a table and the worst plant of each kind, and ends
with 1 where a figure is not met. "held": not found in a day, but wort or on-time stayed within the figure; "hidden":
late, but the output's true full effect within the figure's time is less than what probe, room and yeast can hide;
"none": the fault had no occasion; "misnamed": something else was said as well, or before."""

import argparse
import statistics
import sys
from collections.abc import Iterable
from multiprocessing import Pool

from tests.bench.detection_kinds import KINDS, Kind
from tests.bench.detection_runs import Job, Outcome, run
from tests.bench.lost_probe import LOST, lost_probe


def main(arguments: list[str] | None = None) -> int:
    """Run the wanted kinds on the wanted plants; 0 if all figures are met."""
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--plants", type=int, default=50)
    wanted.add_argument("--only", choices=[kind.name for kind in KINDS] + list(LOST))
    wanted.add_argument("--seed", type=int, default=0, help="of the first plant")
    wanted.add_argument("--workers", type=int, default=1)
    wanted.add_argument("--scan", type=float, default=10.0, help="s")
    wanted.add_argument("--list", action="store_true", help="every run, not only the worst")
    chosen = wanted.parse_args(arguments)
    seeds = range(chosen.seed, chosen.seed + chosen.plants)
    kinds = [kind for kind in KINDS if chosen.only in (None, kind.name)]
    losses = [name for name in LOST if chosen.only in (None, name)]
    met = True
    with Pool(chosen.workers) as pool:
        print(f"{len(seeds)} plants from seed {chosen.seed}, scans of {chosen.scan:g} s")
        print(f"{'fault':44} {'limit':22} found  median   worst  held  hidden  late  none  misnamed", flush=True)
        for kind in kinds:
            jobs = [Job(kind.name, seed, chosen.scan) for seed in seeds]
            met &= report(kind, pool.map(run, jobs, chunksize=1), chosen.list)
        for name in losses:
            met &= report_lost(name, pool.map(lost_probe, [(name, seed) for seed in seeds], chunksize=1), chosen.list)
    print("all figures are met" if met else "NOT all figures are met")
    return 0 if met else 1


def report(kind: Kind, outcomes: Iterable[Outcome], every: bool) -> bool:
    """Print the row of a kind and its worst plant; whether its figure is met."""
    outcomes = list(outcomes)
    occasions = [o for o in outcomes if o.verdict != "no occasion"]
    found = sorted(o.measure for o in occasions if o.found)
    held = [o for o in occasions if o.verdict == "held"]
    late = [o for o in occasions if o.verdict in ("late", "missed")]
    hidden = [o for o in occasions if o.verdict == "hidden"]
    misnamed = [o for o in occasions if o.misnamed]
    median = f"{statistics.median(found):.1f}" if found else "-"
    worst = f"{found[-1]:.1f}" if found else "-"
    print(
        f"{kind.name:44} {kind.limit:22} {len(found):2}/{len(occasions):2} {median:>7} {worst:>7}"
        f" {len(held):5} {len(hidden):7} {len(late):5} {len(outcomes) - len(occasions):5} {len(misnamed):9}"
    )
    hardest = max(occasions, key=lambda o: (o.verdict in ("late", "missed"), o.measure), default=None)
    shown = outcomes if every else [*late, *hidden, *held, *misnamed, *([hardest] if hardest else [])]
    for outcome in dict.fromkeys(shown):
        print(f"    {outcome.sentence()}")
    sys.stdout.flush()
    return not late


def report_lost(name: str, outcomes: list[tuple[str, bool]], every: bool) -> bool:
    """Print what came of the plants that lost their probe; whether the figure is met."""
    broken = [sentence for sentence, good in outcomes if not good]
    print(f"{name:44} {len(outcomes) - len(broken)}/{len(outcomes)} plants: {LOST[name]}")
    for sentence in [sentence for sentence, _ in outcomes] if every else broken:
        print(f"    {sentence}", flush=True)
    return not broken


if __name__ == "__main__":
    sys.exit(main())
