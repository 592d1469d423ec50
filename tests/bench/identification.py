"""What identification finds on random plants, against what is true of them; exit code 1 if a figure is missed.

The plants (tests/simulation) have layers, a coil with hold-up, a hose, a wrap, a lagging quantised probe and figures in
the site file that are up to 30 % wrong. What is true: the heat capacity of wort and wall, the wrap's watts less its
loss, and the coil's watts at the temperatures of the test, from the plant's own figures.
"""

import argparse
import sys
from dataclasses import replace
from functools import lru_cache

from controller.control.identification import Experiment, Finding
from controller.control.identify_guard import EXCURSION_K
from controller.control.site import Loop, LoopKind
from controller.control.values import Record
from tests.bench.random_plants import HOUR_S, Rig, site_of
from tests.simulation.plant import Cellar
from tests.simulation.plant_random import random_spec
from tests.simulation.plant_vessel import CALM_COIL

TARGET_C, FILLED = 18.0, 0.85
SETTLES_S, LONGEST_S = 6 * HOUR_S, 13 * HOUR_S
PLANTS = 50
ALIKE, LEAST_ALIKE = 0.3, 0.8  # of the true effect, and on this share of the plants


def rig_of(seed: int, loop: Loop | None = None) -> Rig:
    """Water without yeast at 18 °C in the first vessel of a random cellar."""
    spec = random_spec(seed, vessels=1)
    spec = replace(spec, room=replace(spec.room, mean_c=min(max(spec.room.mean_c, 12.0), 24.0)))
    site = site_of(spec, seed, 10.0)
    vessel = site.vessels[0]
    site = replace(site, vessels=(replace(vessel, loop=loop or replace(vessel.loop, kind=LoopKind.PID)),))
    rig = Rig(site, Cellar(spec, seed))
    rig.plant.fill("fv1", 1.0, 0.0, spec.vessels[0].volume_l * FILLED, TARGET_C)
    volume_l = min(spec.nominal["fv1"].volume_l * FILLED, vessel.volume_l)
    rig.ask("fv1", "start", batch="water", volume_l=volume_l, setpoint_c=TARGET_C)
    return rig


@lru_cache
def after(seed: int, test: str) -> tuple[Rig, list[Record], float]:
    """The plant after the test, what was recorded of it, and how far the wort really was from 18 °C meanwhile."""
    rig, records, worst_k, experiment = rig_of(seed), [], 0.0, None
    while rig.now_s < SETTLES_S:
        rig.scan()
    rig.ask("fv1", "identify", test=test)
    while rig.now_s < SETTLES_S + LONGEST_S:
        result = rig.scan()
        records += [record for record in result.records if record.subject == "identification"]
        last, experiment = experiment, result.state.vessels["fv1"].identification.experiment
        if isinstance(last, Experiment) and experiment is None:
            break
        if experiment is not None:
            worst_k = max(worst_k, abs(rig.plant.vessels["fv1"].mean_c() - TARGET_C))
    return rig, records, worst_k


def found_by(rig: Rig) -> Finding:
    finding = rig.state.vessels["fv1"].identification.finding
    assert finding is not None, rig.state.vessels["fv1"].identification.ended
    return finding


def true_slope_k_per_j(rig: Rig, finding: Finding) -> float:
    """K/s per nominal watt: what the loop's watts really do to the wort and the wall around it."""
    spec, vessel = rig.plant.spec, rig.plant.vessels["fv1"]
    figures, nominal = spec.vessels[0], spec.nominal["fv1"]
    capacity = vessel.capacity_j_per_k + figures.wall_j_per_k
    if not finding.cooled:
        return figures.heater_w * (1.0 - figures.wrap_loss_share) / nominal.heater_w / capacity
    coil_w = figures.coil_w_per_k * CALM_COIL * (finding.celsius - spec.bath.setpoint_c)
    return coil_w / nominal.cooler_w / capacity


def main() -> int:
    """The table of all plants of one test."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("test", choices=("step", "relay"))
    parser.add_argument("--plants", type=int, default=PLANTS)
    arguments = parser.parse_args()
    alike = ended = 0
    worst_k = 0.0
    for seed in range(arguments.plants):
        rig, _, away_k = after(seed, arguments.test)
        worst_k = max(worst_k, away_k)
        now, litres = rig.state.vessels["fv1"].identification, rig.plant.vessels["fv1"].litres
        ended += now.experiment is None
        if now.finding is None:
            print(f"plant {seed}, {litres:.0f} L: no result; {now.ended or 'refused'}")
            continue
        fit, share = now.finding.fit, now.finding.fit.slope_k_per_j / true_slope_k_per_j(rig, now.finding)
        alike += abs(share - 1.0) <= ALIKE
        what = "cooled" if now.finding.cooled else "heated"
        print(
            f"plant {seed}, {litres:.0f} L, {what}: effect {share:.2f} of the true one (said to be sure to "
            f"{fit.slope_sd:.0%}), dead time {fit.dead_time_s:.0f} s, lag {fit.lag_s:.0f} s, wort up to "
            f"{away_k:.2f} K away"
        )
    print(
        f"{arguments.test}: within {ALIKE:.0%} on {alike} of {arguments.plants} plants (asked for: {LEAST_ALIKE:.0%}), "
        f"{ended} ended by themselves (all), wort at most {worst_k:.2f} K from its setpoint ({EXCURSION_K:.1f} K)"
    )
    met = alike >= LEAST_ALIKE * arguments.plants and ended == arguments.plants and worst_k <= EXCURSION_K
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
