"""Healthy vessel-years: how often a sound device or probe is called faulty.

    python -m tests.bench.healthy_years [--years 3] [--workers 2] [--seed S] [--scan 10]

Random cellars of three vessels on one bath, site figures up to 30 % wrong, batches one after another with ramps, free
rises and crashes, gravities, packaging and hot cleaning of the empty vessel; lids off, a hand on the probe, doors, sun,
quiet nights, a brewer who switches off for a while, a service that is away for minutes. Prints each alarm and ends with
1 where there is one or more per vessel-year."""

import argparse
import math
import sys
import time
from collections import Counter
from multiprocessing import Pool
from typing import NamedTuple

from controller.control.alarms import ACTIVE
from controller.control.values import Status
from tests.bench.detection_runs import DEVICES, PROBES
from tests.bench.healthy_story import Cellarman
from tests.bench.random_plants import DAY_S, HOUR_S, Rig, site_of
from tests.simulation.plant import Cellar
from tests.simulation.plant_random import random_spec

VESSELS = 3
JOB_YEARS = 0.5  # vessel-years of one cellar
YEAR_S = 365.25 * DAY_S


class Year(NamedTuple):
    """What came of one cellar: vessel-years, a kind and a sentence for each alarm, batches, seconds it took."""

    seed: int
    vessel_years: float
    alarms: tuple[tuple[str, str], ...]
    batches: int
    took_s: float


def main(arguments: list[str] | None = None) -> int:
    """Run the years; 0 if there is less than one false alarm per vessel-year."""
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--years", type=float, default=3.0, help="vessel-years")
    wanted.add_argument("--workers", type=int, default=2)
    wanted.add_argument("--seed", type=int, default=0, help="of the first cellar")
    wanted.add_argument("--scan", type=float, default=10.0, help="s")
    chosen = wanted.parse_args(arguments)
    count = max(1, math.ceil(chosen.years / JOB_YEARS - 1e-9))
    each_years = chosen.years / count
    jobs = [(chosen.seed + i, each_years, chosen.scan) for i in range(count)]
    kinds: Counter[str] = Counter()
    years = batches = 0.0
    with Pool(chosen.workers) as pool:
        for year in pool.imap(live, jobs):
            years += year.vessel_years
            batches += year.batches
            print(
                f"cellar {year.seed}: {year.vessel_years:.2f} vessel-years, {year.batches} batches,"
                f" {len(year.alarms)} alarms, {year.took_s:.0f} s",
                flush=True,
            )
            for kind, sentence in year.alarms:
                kinds[kind] += 1
                print(f"    {sentence}")
    total = sum(kinds.values())
    for kind, number in kinds.most_common():
        print(f"{number:4} {kind}")
    print(f"{total} false alarms in {years:.2f} vessel-years and {batches:.0f} batches: {total / years:.2f} a year")
    return 0 if total < years else 1


def live(job: tuple[int, float, float]) -> Year:
    """Let one cellar live; all its vessels together are the wanted vessel-years old at the end."""
    seed, vessel_years, scan_s = job
    began_s = time.perf_counter()
    spec = random_spec(seed, vessels=VESSELS)
    plant = Cellar(spec, seed)
    man = Cellarman(spec, seed, vessel_years * YEAR_S / VESSELS)
    rig = Rig(site_of(spec, seed, scan_s, man.profiles), plant)
    alarms: list[tuple[str, str]] = []
    said: set[str] = set()
    while rig.now_s < man.ends_s:
        man.works(rig)
        rig.scan()
        if any(vessel.faults for vessel in rig.state.vessels.values()) or said or rig.now_s % 60.0 < scan_s:
            now = _said(rig)
            alarms += [(key.partition("/")[2], _sentence(rig, man, key, now[key])) for key in now if key not in said]
            said = set(now)
            for key in said:
                name, _, kind = key.partition("/")
                if kind in DEVICES and kind != "cooler without effect" and man.looks(rig):
                    rig.ask(name, "inspected", part=kind.partition(" ")[0])
    return Year(seed, vessel_years, tuple(alarms), man.batches, time.perf_counter() - began_s)


def _said(rig: Rig) -> dict[str, str]:
    """What is complained of now, with its evidence, by vessel and kind."""
    found = {}
    for key, alarm in rig.state.alarms.items():
        if alarm.phase in ACTIVE and key.partition("/")[2] in DEVICES:
            found[key] = alarm.text
    for tag, signal in rig.state.signals.items():
        if signal.status is Status.FAILURE and signal.cause in PROBES:
            found[f"{tag.partition('/')[0]}/probe {signal.cause}"] = f"{tag} at {signal.celsius} °C"
    return found


def _sentence(rig: Rig, man: Cellarman, key: str, evidence: str) -> str:
    name, _, kind = key.partition("/")
    vessel = rig.plant.vessels.get(name)
    when = f"day {rig.now_s / DAY_S:.2f}"
    if vessel is None:
        return f"{when} {key}: {evidence}"
    state, nominal = rig.state.vessels[name], rig.site.vessel(name)
    assert nominal is not None
    full_j = vessel.spec.volume_l * 4000.0
    heats, cools = (watts * HOUR_S / full_j for watts in (vessel.spec.heater_w, vessel.spec.coil_w_per_k * 15.0))
    return (
        f"{when} {name} {kind}: {evidence}; {man.doing(rig, name)}; wort {vessel.mean_c():.1f} °C (layers"
        f" {vessel.upper_c - vessel.lower_c:+.1f} K), setpoint {state.setpoint}, bath {rig.plant.bath_c:.1f} °C, room"
        f" {rig.plant.room_c:.1f} °C, yeast {vessel.yeast_w:.0f} W; {vessel.spec.volume_l:.0f} L"
        f" ({nominal.volume_l / vessel.spec.volume_l:.0%} in the file), heater"
        f" {heats:.2f} K/h, cooler {cools:.2f}"
        f" K/h, {nominal.loop.kind.value}"
    )


if __name__ == "__main__":
    sys.exit(main())
