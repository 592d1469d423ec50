"""The service's control beside a thermostat and a plain PID, in one run.

    python -m tests.bench.control [--rows PART,...] [--plants 100] [--days D] [--workers 2] [--scan 10]

Prints a row for each figure that is asked for, with the worst plant, and ends with 1 where ours misses one."""

import argparse
import multiprocessing
import sys
from collections.abc import Callable
from multiprocessing.pool import Pool
from time import perf_counter

from tests.bench.control import cases, parts
from tests.bench.control.plants import RANGES
from tests.bench.control.table import print_row

PARTS: dict[str, Callable[[parts.Settings, Pool], parts.Result]] = {
    "reference": parts.reference,
    "crash": cases.crash,
    "overload": cases.overload,
    "starved": cases.starved,
    "random": parts.random_plants,
    "bath": parts.shared_bath,
}


def main(arguments: list[str] | None = None) -> int:
    """Run the wanted parts; 0 if every row is met."""
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--rows", default=",".join(PARTS), help=f"of {', '.join(PARTS)}")
    wanted.add_argument("--plants", type=int, default=100)
    wanted.add_argument("--seed", type=int, default=1, help="of the reference cellar and the first random plant")
    wanted.add_argument("--days", type=float, default=0.0, help="shorten every course to so many (0: as long as it is)")
    wanted.add_argument("--workers", type=int, default=2)
    wanted.add_argument("--scan", type=float, default=10.0, help="s")
    wanted.add_argument("--budgets", default="", help="starts a day, comma between them, instead of a part's own")
    wanted.add_argument("--ours-only", action="store_true", help="without rivals: for trying things out")
    chosen = wanted.parse_args(arguments)
    names = chosen.rows.split(",")
    unknown = [name for name in names if name not in PARTS]
    if unknown:
        wanted.error(f"no part {', '.join(unknown)}; there are {', '.join(PARTS)}")
    budgets = tuple(float(each) for each in chosen.budgets.split(",") if each)
    settings = parts.Settings(chosen.seed, chosen.plants, chosen.days, chosen.scan, budgets, not chosen.ours_only)
    print(RANGES)
    met = True
    with multiprocessing.Pool(chosen.workers) as pool:
        for name in names:
            began = perf_counter()
            result = PARTS[name](settings, pool)
            print(f"\n{name} ({perf_counter() - began:.0f} s)", flush=True)
            for row in result.rows:
                print_row(row)
                met &= row.met
            for note in result.notes:
                print(f"  {note}", flush=True)
    print("\nevery row is met" if met else "\nNOT every row is met")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
