"""Thirty days of the whole service in lock-step with the simulated cellar: does anything grow that should not?

    python -m tests.bench.thirty_days [--days N]

The service, its store and its connection are those of `cellarhand run`; clock and cellar are the demo's, on the demo's
broker. Each simulated day prints resident memory, Python's blocks of memory, tasks, open files and threads. After
a fortnight all is brewed once more. Exit code 1 if any of these still grows in the second half.
"""

import argparse
import asyncio
import gc
import os
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import replace
from itertools import count
from pathlib import Path
from statistics import linear_regression
from typing import NamedTuple

from controller.control.site import Site
from controller.control.step import StepResult
from controller.demo import demo_installation
from controller.demo_broker import demo_broker
from controller.demo_lockstep import DEMO_PLANS, DemoCellar, PlantClock
from controller.plant.brewer import Brewer
from controller.runtime import Service

DAY_S = 86400.0
SECOND_BREW_DAY = 15  # when all vessels of the demo's fortnight are empty


class Sample(NamedTuple):
    """What one simulated day ends with."""

    resident_kb: float
    blocks: float
    tasks: float
    files: float
    threads: float


# What may still be gained over the whole second half and count as flat. The demo's own plant remembers every day of its
# yeast; allocators move in steps; records and answers fill up to their bounds.
FLAT = Sample(resident_kb=4000.0, blocks=10_000.0, tasks=2.0, files=2.0, threads=1.0)


class Watcher:
    """Looks once a simulated day."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self._began, self._day = time.monotonic(), 0
        self.scans = 0
        self.cellar: DemoCellar | None = None

    def see(self, site: Site, result: StepResult) -> None:
        """One scan's result."""
        self.scans += 1
        day = int(result.state.now_s // DAY_S)
        if day <= self._day:
            return
        self._day = day
        gc.collect()
        sample = Sample(
            _resident_kb(),
            sys.getallocatedblocks(),
            len(asyncio.all_tasks()),
            len(os.listdir("/proc/self/fd")),
            threading.active_count(),
        )
        self.samples.append(sample)
        if day == SECOND_BREW_DAY and self.cellar is not None:
            again = [
                replace(plan, batch=f"{plan.batch}, again", fill_at_s=plan.fill_at_s + day * DAY_S)
                for plan in DEMO_PLANS
            ]
            self.cellar.brewer = Brewer(self.cellar.cellar, tuple(again))
            self.cellar.brewer._ids = count(1_000_000)  # an action's id is never used twice
        batches = sum(now.batch is not None for now in result.state.vessels.values())
        print(
            f"day {day:3d}  {sample.resident_kb / 1000:6.1f} MB  {sample.blocks:8.0f} blocks  "
            f"{sample.tasks:2.0f} tasks  {sample.files:2.0f} files  {sample.threads:2.0f} threads  {batches} batches  "
            f"{time.monotonic() - self._began:5.0f} s",
            flush=True,
        )


def _resident_kb() -> float:
    """VmRSS of this process (proc(5))."""
    line = next(row for row in Path("/proc/self/status").read_text().splitlines() if row.startswith("VmRSS"))
    return float(line.split()[1])


def growth(samples: Sequence[Sample]) -> Sample:
    """How much each figure gained over the second half, by the straight line through it."""
    half = samples[len(samples) // 2 :]
    days = range(len(half))
    return Sample(
        *(linear_regression(days, [sample[place] for sample in half]).slope * len(half) for place in range(len(FLAT)))
    )


async def live(directory: Path, days: int, watcher: Watcher) -> None:
    """Run service and cellar for so many days."""
    stop = asyncio.Event()
    async with demo_broker(directory) as (_, broker):
        installation = demo_installation(broker, directory / "state")
        clock = PlantClock(broker)
        service = Service(installation, lambda start_s, not_before_utc_s: clock, watcher.see)
        clock.received = service.received
        cellar = DemoCellar(installation, days * DAY_S + 60.0, None)
        watcher.cellar = cellar
        async with asyncio.TaskGroup() as tasks:
            helpers = [tasks.create_task(clock.run()), tasks.create_task(cellar.play(service.link, stop))]
            await service.run(stop)
            for helper in helpers:
                helper.cancel()


def main() -> int:
    """The exit code: 0 if all is flat."""
    parser = argparse.ArgumentParser(description="Days of the whole service, to see whether anything grows.")
    parser.add_argument("--days", type=int, default=30)
    days = parser.parse_args().days
    if days < 4:
        parser.error("at least 4 days: a slope needs some")
    watcher = Watcher()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="cellarhand-days-") as name:
        asyncio.run(live(Path(name), days, watcher))
    passed_s = time.monotonic() - began
    print(f"{days} days, {watcher.scans} scans in {passed_s:.0f} s ({days * DAY_S / passed_s:,.0f} times as fast)")
    gained = growth(watcher.samples)
    grown = [name for name in FLAT._fields if getattr(gained, name) > getattr(FLAT, name)]
    for name in FLAT._fields:
        verdict = "GROWS" if name in grown else "flat"
        most = getattr(FLAT, name)
        print(f"{name}: {getattr(gained, name):+.0f} in the second half (flat up to {most:+.0f}): {verdict}")
    return 1 if grown else 0


if __name__ == "__main__":
    sys.exit(main())
