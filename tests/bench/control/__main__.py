"""The service's control beside a thermostat and a plain PID, in one run.

    python -m tests.bench.control [--rows PART,...,KIND,...] [--plants 100] [--html FILE] [--days D] [--workers 2]

Prints a row for each figure that is asked for, with the worst plant, and ends with 1 where ours misses one
and no physical reason is shown."""

import argparse
import multiprocessing
import sys
from collections.abc import Callable
from multiprocessing.pool import Pool
from pathlib import Path
from time import perf_counter

from tests.bench.control import cases, parts
from tests.bench.control.cost import cost
from tests.bench.control.page import page
from tests.bench.control.plants import RANGES
from tests.bench.control.probes import probes
from tests.bench.control.table import print_row

PARTS: dict[str, Callable[[parts.Settings, Pool], parts.Result]] = {
    "cost": cost,
    "reference": parts.reference,
    "crash": cases.crash,
    "overload": cases.overload,
    "starved": cases.starved,
    "random": parts.random_plants,
    "bath": parts.shared_bath,
    "probes": probes,
}
KINDS = {  # by how their rows begin
    "holds": "hold rms",
    "starts": "starts",
    "landing": "landing",
    "heater": "heater hours",
    "opposed": "heat and cold",
    "estimate": "wort estimate",
    "learned": "learned",
}


def main(arguments: list[str] | None = None) -> int:
    """Run the wanted parts; 0 if every wanted row is met."""
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--rows", default="", help=f"parts: {', '.join(PARTS)}; and of their rows {', '.join(KINDS)}")
    wanted.add_argument("--plants", type=int, default=100)
    wanted.add_argument("--seed", type=int, default=1, help="of the reference cellar and the first random plant")
    wanted.add_argument("--days", type=float, default=0.0, help="shorten every course to so many (0: as long as it is)")
    wanted.add_argument("--workers", type=int, default=2)
    wanted.add_argument("--scan", type=float, default=10.0, help="s")
    wanted.add_argument("--budgets", default="", help="starts a day, comma between them, instead of a part's own")
    wanted.add_argument("--ours-only", action="store_true", help="without rivals")
    wanted.add_argument("--html", type=Path, help="write a page with the table and pictures")
    chosen = wanted.parse_args(arguments)
    words = [word for word in chosen.rows.split(",") if word]
    unknown = [word for word in words if word not in PARTS and word not in KINDS]
    if unknown:
        wanted.error(f"no rows {', '.join(unknown)}; there are {', '.join((*PARTS, *KINDS))}")
    begins = tuple(KINDS[word] for word in words if word in KINDS) or ("",)
    settings = parts.Settings(
        seed=chosen.seed,
        plants=chosen.plants,
        days=chosen.days,
        scan_s=chosen.scan,
        budgets=tuple(float(each) for each in chosen.budgets.split(",") if each),
        rivals=not chosen.ours_only,
        keep=chosen.html is not None,
    )
    print(RANGES)
    results = []
    with multiprocessing.Pool(chosen.workers) as pool:
        for name in [word for word in words if word in PARTS] or PARTS:
            began = perf_counter()
            result = PARTS[name](settings, pool)
            result.rows = [row for row in result.rows if row.name.startswith(begins)]
            results.append(result)
            print(f"\n{name} ({perf_counter() - began:.0f} s)")
            for row in result.rows:
                print_row(row)
            for note in result.notes:
                print(f"  {note}", flush=True)
    if chosen.html is not None:
        chosen.html.write_text(page(results), encoding="utf-8")
    rows = [row for result in results for row in result.rows]
    missed, explained = [row for row in rows if not row.explained], [row for row in rows if row.verdict == "reason"]
    print(f"\n{len(missed)} rows are NOT met, {len(explained)} only where a physical reason is shown")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
