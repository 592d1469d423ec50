"""How much faster a month's plot is out of the roll-ups than out of the samples it is made of.

    python -m tests.bench.store_query [DAYS] [VESSELS]

Asked for: at most a tenth. A store is filled with a sample each 10 s, then one vessel's curve in 400 points is read as
the page reads it, and by the same question put to the samples alone; in turn, several times; the medians count.
"""

import math
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from statistics import median
from time import perf_counter

from controller.historian.database import Batch, open_database
from controller.historian.query import read_trend
from controller.historian.reading import reading
from controller.historian.sampler import Sample
from controller.historian.trend_query import Piece, choose, query
from controller.installation import History
from tests.historian.cellars import brewing

DAY_S, SAMPLE_S, POINTS, ROUNDS = 86400, 10, 400, 5
ASKED = 0.1


def an_hour(begin_s: int, names: Iterable[str]) -> list[Sample]:
    """Worts that wander about their setpoints."""
    return [
        Sample(at_s, name, 18.0 + math.sin(at_s / 5000 + index), 18.0, 18.0, 20, 0)
        for at_s in range(begin_s, begin_s + 3600, SAMPLE_S)
        for index, name in enumerate(names)
    ]


def main() -> int:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    names = [f"vessel {n}" for n in range(int(sys.argv[2]) if len(sys.argv) > 2 else 10)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.sqlite"
        database, _ = open_database(path, History(keep_samples_s=1e9))
        for hour in range(days * 24):
            database.write(Batch(brewing(3600.0 * hour), (), an_hour(3600 * hour, names), ()))
        database.close()
        end_s, length_s = days * DAY_S, days * DAY_S / POINTS
        rolled, raw = [], []
        for _ in range(ROUNDS):
            began = perf_counter()
            read_trend(path, names[0], 0.0, float(end_s), POINTS)
            rolled.append(perf_counter() - began)
            began = perf_counter()
            with reading(path) as connection:
                query(connection, [Piece("samples", 0, end_s, 1)], names[0], 0, length_s)
                tables = [piece.table for piece in choose(connection, 0, end_s, length_s)]
            raw.append(perf_counter() - began)
        ratio = median(rolled) / median(raw)
        print(
            f"{days} days of {len(names)} vessels, {path.stat().st_size / 1e6:.0f} MB, one vessel in {POINTS} points:"
        )
        print(f"from {' and '.join(tables)} {1e3 * median(rolled):.1f} ms, from samples {1e3 * median(raw):.0f} ms:")
    print(f"a ratio of {ratio:.4f} (asked for: at most {ASKED})")
    return 0 if ratio <= ASKED else 1


if __name__ == "__main__":
    sys.exit(main())
