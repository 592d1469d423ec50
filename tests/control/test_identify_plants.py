"""Step and relay tests on simulated plants of other structure than the fit's model, against what is true of them.

Six random plants for the step test and three for the relay test; `python -m tests.bench.identification` takes fifty.
"""

from dataclasses import replace

import pytest

from controller.control.identify_guard import EXCURSION_K
from controller.display import Display
from controller.hmi.status import status_dict
from controller.vessel_models import LoopPart
from tests.bench.identification import after, found_by, rig_of, true_slope_k_per_j
from tests.bench.random_plants import HOUR_S

STEP_SEEDS = (1, 4, 5, 9, 12, 21)  # 217, 95, 10, 172, 78 and 6 L; three are cooled, three heated
RELAY_SEEDS = (1, 2, 7)  # 217, 21, 41 L


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
