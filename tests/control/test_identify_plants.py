"""Step and relay tests on simulated plants of other structure than the fit's model, against what is true of them.

The plants (tests/simulation) have layers, a coil with hold-up, a hose, a wrap, a lagging quantised probe and figures in
the site file that are up to 30 % wrong. What is true: the heat capacity of wort and wall, the wrap's watts less its
loss, and the coil's watts at the temperatures of the test, from the plant's own figures.
"""

from dataclasses import replace
from functools import lru_cache

import pytest

from controller.control.identification import Experiment, Finding
from controller.control.identify_guard import EXCURSION_K
from controller.control.site import Loop, LoopKind
from controller.control.values import Record
from controller.display import Display
from controller.hmi.status import status_dict
from controller.vessel_models import LoopPart
from tests.bench.random_plants import HOUR_S, Rig, site_of
from tests.simulation.plant import Cellar
from tests.simulation.plant_random import random_spec
from tests.simulation.plant_vessel import CALM_COIL

TARGET_C, FILLED = 18.0, 0.85
SETTLES_S, LONGEST_S = 6 * HOUR_S, 13 * HOUR_S
STEP_SEEDS = (1, 4, 5, 9, 12, 21)  # 217, 95, 10, 172, 78 and 6 L; three are cooled, three heated
RELAY_SEEDS = (1, 2, 7)  # 217, 21, 41 L


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


@pytest.mark.parametrize("seed", STEP_SEEDS)
def test_a_step_test_finds_what_is_true_of_the_plant(seed: int) -> None:
    rig, records, worst_k = after(seed, "step")
    finding = found_by(rig)
    assert [record.value for record in records] == ["step", "over"]
    assert records[-1].reason.endswith("nothing was written")
    assert finding.fit.slope_k_per_j == pytest.approx(true_slope_k_per_j(rig, finding), rel=0.3)
    assert 60.0 < finding.fit.dead_time_s + finding.fit.lag_s < 1500.0
    assert worst_k < EXCURSION_K


@pytest.mark.parametrize("seed", RELAY_SEEDS)
def test_a_relay_test_swings_and_finds_it_too(seed: int) -> None:
    rig, records, worst_k = after(seed, "relay")
    finding = found_by(rig)
    assert [record.value for record in records] == ["relay", "over"]
    assert finding.fit.slope_k_per_j == pytest.approx(true_slope_k_per_j(rig, finding), rel=0.3)
    assert finding.swing is not None
    assert finding.swing.seen == 3
    assert finding.swing.spread_k < 0.3 * finding.swing.half_k
    assert worst_k < EXCURSION_K


@pytest.mark.parametrize("seed", STEP_SEEDS[:3])
def test_the_settings_settle_the_plant_that_they_were_found_on(seed: int) -> None:
    """From 18 to 16 °C: the mean of the last six hours at the probe within 0.1 K of it, no swing of 0.5 K."""
    tested_rig = after(seed, "step")[0]
    finding = found_by(tested_rig)
    vessel = tested_rig.site.vessels[0]
    rig = rig_of(seed, replace(vessel.loop, gain_w_per_k=finding.gain_w_per_k, integral_s=finding.integral_s))
    rig.ask("fv1", "setpoint", celsius=16.0)
    shown = []
    while rig.now_s < 36 * HOUR_S:
        now = rig.scan().state.vessels["fv1"]
        if rig.now_s > 30 * HOUR_S:
            shown.append(now.estimate.celsius)
    assert sum(shown) / len(shown) == pytest.approx(16.0, abs=0.1)
    assert max(shown) - min(shown) < 0.5


def test_the_fragment_is_what_the_site_file_takes() -> None:
    rig, _, _ = after(STEP_SEEDS[0], "step")
    finding = found_by(rig)
    status = status_dict(rig.site, rig.state, Display())["vessels"]["fv1"]["identification"]
    lines = status["result"]["fragment"].splitlines()
    comments = [line for line in lines if line.startswith("#")]
    keys = [line for line in lines if not line.startswith("#")]
    assert any("How sure" in line and "sure to" in line for line in comments)
    assert any("Nothing was written" in line for line in comments)
    assert keys[0] == "loop:"
    part = LoopPart.model_validate(dict(line.strip().split(": ") for line in keys[1:]))
    assert part.kind == "pid"
    assert part.gain == pytest.approx(finding.gain_w_per_k, rel=0.03)
    assert part.integral == pytest.approx(finding.integral_s, abs=3.1)
    assert part.cycle == rig.site.vessels[0].loop.cycle_s
    assert status["running"] is None
    assert "cellarhand identify fv1" in status["result"]["text"]
