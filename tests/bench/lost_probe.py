"""A probe that is lost at high kräusen: 60 L at 10 °C, which gain 3.5 K in 6 h without cooling (design rule 2).

    python -m tests.bench.lost_probe [--plants 10] [--seed S]

Prints what came of each random plant with `signal_loss` off and bounded, and ends with 1 where a figure is not met."""

import argparse
import math
import random
import re
import sys
from collections.abc import Sequence
from dataclasses import fields, replace

from controller.control import site as site_module
from controller.control.alarms import ACTIVE
from controller.control.site import Limits, Site, Vessel
from tests.bench.random_plants import DAY_S, HOUR_S, Rig, site_of
from tests.simulation.plant import Cellar
from tests.simulation.plant_random import random_spec, random_vessel
from tests.simulation.plant_specs import LAGER, CellarSpec, Nominal

LOST = {
    "probe lost, bounded": "wort within +2 K of where it was and above its lower limit for 24 h",
    "probe lost, off": "the alarm within 2 min, and it says what the beer will do",
}
TARGET_C, LITRES = 10.0, 60.0
GAIN_K_IN_6_H = 3.5
PACE_P_PER_DAY = 3.0  # real extract of a strong lager fermentation at 10 °C; from memory
LATEST_ALARM_S = 120.0
RUN_IN_S = 10 * HOUR_S
ROOM_FALLS_K = 8.0  # the brewer's "coldest room" below the usual one


def cellar_spec(seed: int) -> CellarSpec:
    """The cellar of a seed with one vessel of 60 L whose room makes it gain 3.5 K in 6 h without cooling."""
    spec, chance = random_spec(seed, vessels=1), random.Random(f"{seed}/lost")
    vessel = random_vessel("fv1", LITRES / 0.85, chance)
    heat_w = PACE_P_PER_DAY / 100.0 * LITRES * 1.05 * 560e3 / DAY_S  # see plant_brew for the 560 kJ/kg
    missing_w = GAIN_K_IN_6_H * (LITRES * 1.05 * 3900.0 + vessel.wall_j_per_k) / (6.0 * HOUR_S) - heat_w
    # the room must bring the rest: at most some 26 °C, else the vessel is insulated less
    loss_w_per_k = max(vessel.loss_w_per_k, missing_w / 14.0)
    yeast = replace(LAGER, pace_per_day=0.42, lag_s=3600.0)
    vessel = replace(vessel, loss_w_per_k=loss_w_per_k, yeast=yeast)
    room = replace(spec.room, mean_c=TARGET_C + missing_w / loss_w_per_k + 2.0, daily_k=0.5, fronts_k=0.3)
    wrong = [chance.uniform(0.7, 1.3) for _ in range(3)]
    nominal = Nominal(
        vessel.volume_l * wrong[0], vessel.coil_w_per_k * 15.0 * wrong[1], max(20.0, vessel.heater_w) * wrong[2]
    )
    return replace(spec, vessels=(vessel,), room=room, nominal={"fv1": nominal})


def begun(spec: CellarSpec, seed: int, signal_loss: str) -> Rig:
    """The core regulating that vessel at high kräusen for some hours."""
    chance = random.Random(f"{seed}/limits")
    limits = Limits(chance.choice((0.5, 1.0)), 26.0)  # the vessel is for lagering too
    site = with_signal_loss(site_of(spec, seed, 10.0, (), limits), signal_loss, spec.room.mean_c - ROOM_FALLS_K)
    rig = Rig(site, Cellar(spec, seed))
    rig.plant.fill("fv1", 1.052, 0.8, LITRES, TARGET_C).nearly_done(0.2)
    volume_l = spec.nominal["fv1"].volume_l * 0.85
    rig.ask("fv1", "start", batch="lager", og=1.052, volume_l=volume_l, setpoint_c=TARGET_C)
    while rig.now_s < RUN_IN_S:
        rig.scan()
    return rig


def with_signal_loss(site: Site, signal_loss: str, coldest_room_c: float) -> Site:
    """The site whose vessels do this when their signal is lost. LookupError where the core knows no such key."""
    if signal_loss == "off":
        return site
    if "signal_loss" not in {field.name for field in fields(Vessel)}:
        raise LookupError("the core's vessels have no key signal_loss")
    bounded = site_module.SignalLoss(signal_loss)  # type: ignore[attr-defined]
    vessels = tuple(
        replace(vessel, signal_loss=bounded, coldest_room_c=coldest_room_c)  # type: ignore[call-arg]
        for vessel in site.vessels
    )
    return replace(site, vessels=vessels)


def lost_probe(job: tuple[str, int]) -> tuple[str, bool]:
    """Lose the probe in a plant; a sentence with what came of it, and whether the figure is met."""
    name, seed = job
    spec = cellar_spec(seed)
    vessel, nominal = spec.vessels[0], spec.nominal["fv1"]
    plant = (
        f"plant {seed}: room {spec.room.mean_c:.0f} °C, loss {vessel.loss_w_per_k:.1f} W/K, cooler"
        f" {vessel.coil_w_per_k:.1f} W/K ({nominal.cooler_w / vessel.coil_w_per_k / 15.0:.0%} in the file), volume"
        f" {nominal.volume_l / vessel.volume_l:.0%}"
    )
    try:
        rig = begun(spec, seed, "bounded" if name.endswith("bounded") else "off")
    except LookupError as error:
        return f"{plant}: {error}", False
    rig.plant.fault("fv1/well", "missing")
    lost_s, wort_c = rig.now_s, rig.plant.truth("fv1").mean_c
    return (_bounded if name.endswith("bounded") else _off)(rig, plant, lost_s, wort_c)


def _bounded(rig: Rig, plant: str, lost_s: float, wort_c: float) -> tuple[str, bool]:
    warmest_c = coldest_c = wort_c
    vessel = rig.plant.vessels["fv1"]
    came_j, loss_w_per_k = -vessel.yeast_j, vessel.spec.loss_w_per_k
    while rig.now_s - lost_s < DAY_S:
        rig.scan()
        came_j += loss_w_per_k * (rig.plant.room_c - vessel.wall_c) * rig.site.scan_s
        truth = rig.plant.truth("fv1")
        warmest_c, coldest_c = max(warmest_c, truth.mean_c), min(coldest_c, truth.mean_c)
    low_c = rig.site.vessels[0].limits.low_c
    came_w = (vessel.yeast_j + came_j) / DAY_S
    capacity_j_per_k = vessel.capacity_j_per_k + vessel.spec.wall_j_per_k
    needed_w = came_w - 2.0 * capacity_j_per_k / DAY_S
    allowed_w = _allowed_w(rig, wort_c, low_c, capacity_j_per_k)
    sentence = (
        f"{plant}: from {wort_c:.1f} °C the wort was between {coldest_c:.1f} and {warmest_c:.1f} °C"
        f" (lower limit {low_c:.1f} °C); in that day {came_w:.0f} W came in, so that {needed_w:.0f} W of cooling were"
        f" needed; without yeast and in the coldest room {allowed_w:.0f} W would bring it to its limit"
    )
    return sentence, warmest_c <= wort_c + 2.0 and coldest_c >= low_c


def _allowed_w(rig: Rig, wort_c: float, low_c: float, capacity_j_per_k: float) -> float:
    """The steady cooling that brings a wort without yeast to its lower limit in a day, in the coldest room (a
    first-order vessel with its true figures)."""
    spec = rig.plant.spec.vessels[0]
    coldest_c = rig.plant.spec.room.mean_c - ROOM_FALLS_K
    fade = math.exp(-DAY_S * spec.loss_w_per_k / capacity_j_per_k)
    return spec.loss_w_per_k * (coldest_c + (wort_c - coldest_c) * fade - low_c) / (1.0 - fade)


def _off(rig: Rig, plant: str, lost_s: float, wort_c: float) -> tuple[str, bool]:
    out_s, text = None, ""
    while rig.now_s - lost_s < 6.0 * HOUR_S:
        rig.scan()
        alarm = rig.state.alarms.get("fv1/signal")
        if out_s is None and alarm is not None and alarm.phase in ACTIVE:
            out_s, text = rig.now_s - lost_s, alarm.text
    gained_k = rig.plant.truth("fv1").mean_c - wort_c
    # what the beer will do: the way it goes, how fast, and when it would be at its limit
    said = re.search(r"warms by about ([0-9.]+) K an hour and would be at its limit of [0-9.]+ °C in about \d+", text)
    good = out_s is not None and out_s <= LATEST_ALARM_S and said is not None
    after = "no alarm" if out_s is None else f"alarm after {out_s:.0f} s"
    return (
        f"{plant}: {after}, it says: {text!r}; the wort gained {gained_k:.1f} K in 6 h, {gained_k / 6.0:.2f} an hour",
        good,
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Lose the probe in the wanted plants; 0 if every figure is met."""
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--plants", type=int, default=10)
    wanted.add_argument("--seed", type=int, default=0, help="of the first plant")
    chosen = wanted.parse_args(arguments)
    met = True
    for name, figure in LOST.items():
        outcomes = [lost_probe((name, seed)) for seed in range(chosen.seed, chosen.seed + chosen.plants)]
        for sentence, _ in outcomes:
            print(f"    {sentence}")
        good = sum(fine for _, fine in outcomes)
        print(f"{name}: {good} of {len(outcomes)} plants: {figure}", flush=True)
        met &= good == len(outcomes)
    print("all figures are met" if met else "NOT all figures are met")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
