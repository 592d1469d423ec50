"""The bench's plants, courses and truth: within what the output says, and true by the plant's own doing."""

from dataclasses import replace

import pytest

from tests.bench.control import plants
from tests.bench.control.believed import COIL, HEATER, LOSS, true_per_h
from tests.bench.control.courses import HOUR_S, Course, Leg
from tests.bench.control.judge import judge
from tests.bench.control.runs import OURS, Job, run, run_plan
from tests.bench.control.truth import losses
from tests.simulation.plant import Cellar
from tests.simulation.plant_specs import RoomSpec

SEEDS = range(1, 51)


def test_random_plants_stay_within_the_ranges_that_the_bench_prints() -> None:
    volumes = []
    for seed in SEEDS:
        spec, courses = plants.random_plan(seed)
        (vessel,) = spec.vessels
        usual = plants.sized(vessel.name, vessel.volume_l)
        volumes.append(vessel.volume_l)
        for figure in ("coil_w_per_k", "loss_w_per_k", "well_lag_s", "coil_l", "line_l", "mixing"):
            assert 0.5 <= getattr(vessel, figure) / getattr(usual, figure) <= 1.5, figure
        told = spec.nominal[vessel.name]
        wrong = (told.volume_l / vessel.volume_l, told.cooler_w / plants.nominal_cooler_w(vessel))
        assert all(each == pytest.approx(0.7) or each == pytest.approx(1.3) for each in wrong)
        assert courses[vessel.name].hours < 24.0 * 30.0
    assert min(volumes) < 6.0
    assert max(volumes) > 1700.0


def test_the_same_seed_gives_the_same_plant_and_run() -> None:
    assert plants.random_plan(7, 3) == plants.random_plan(7, 3)
    job = Job("random", 7, "plain PID", 48.0, 10.0, days=0.2)
    assert run(job).traces["fv1"].mean_c == run(job).traces["fv1"].mean_c


def test_the_service_follows_the_course_that_its_rivals_are_given() -> None:
    spec, _ = plants.random_plan(3)
    (vessel,) = spec.vessels
    legs = (Leg("hold", 18.0, 1.0), Leg("ramp", 19.0, 4.0), Leg("hold", 19.0, 1.0))
    course = Course(legs, 18.0, attenuation=0.0)
    done = run_plan(Job("random", 3, OURS, 48.0, 10.0), spec, {vessel.name: course})
    sought = done.traces[vessel.name].sought_c
    for minute in range(2, 6 * 60, 13):
        assert sought[minute] == pytest.approx(course.setpoints([minute * 60.0])[0], abs=0.02)


@pytest.mark.parametrize("seed", [1, 12, 33])
def test_the_true_ratios_are_what_the_plant_does(seed: int) -> None:
    """Heater, coil and loss, each from how a still wort moves when that alone is at work."""
    spec, _ = plants.random_plan(seed)
    (vessel,) = spec.vessels
    spec = plants.cellar((vessel,), seed, RoomSpec(12.0, 0.0, 0.0))
    spec = replace(spec, bath=replace(spec.bath, volume_l=1e6))
    rates = {}
    for what in (LOSS, HEATER, COIL):
        plant = Cellar(spec, seed)
        plant.fill(vessel.name, 1.050, 0.0, 0.85 * vessel.volume_l, 20.0)
        wort = plant.vessels[vessel.name]
        wort.heater_contacts, wort.cooler_contacts = what == HEATER, what == COIL
        plant.advance(900.0 if what == COIL else 3 * HOUR_S)  # wall, wrap and coil have settled
        before_c, bath_k = wort.mean_c(), 0.0
        for _ in range(360):
            plant.advance(10.0)
            bath_k += (wort.mean_c() - plant.bath_c) / 360.0
        rates[what] = (wort.mean_c() - before_c), 0.5 * (wort.mean_c() + before_c) - 12.0, bath_k
    true, (own, own_k, _) = true_per_h(wort), rates[LOSS]
    assert -own / own_k == pytest.approx(true[LOSS], rel=0.05)
    heated, above_k, _ = rates[HEATER]
    assert heated + true[LOSS] * above_k == pytest.approx(true[HEATER], rel=0.05)
    cooled, above_k, reach_k = rates[COIL]
    assert -(cooled + true[LOSS] * above_k) / reach_k == pytest.approx(true[COIL], rel=0.10)
    assert losses(vessel)[0] < vessel.loss_w_per_k + vessel.heater_w / 15.0


def test_the_energy_balance_is_what_a_heater_really_gives() -> None:
    """Two vessels that only need heat, so that what a thermostat gives is what the plant loses: its own solver against
    the balance, neighbours' heat through the walls included."""
    vessels = plants.sized("fv1", 20.0), plants.sized("fv2", 25.0)
    spec = plants.cellar(vessels, 1, RoomSpec(10.0, 1.0, 0.5))
    courses = {
        "fv1": Course((Leg("hold", 20.0, 60.0),), 20.0, attenuation=0.0),
        "fv2": Course((Leg("hold", 14.0, 60.0),), 14.0, attenuation=0.0),
    }
    done = run_plan(Job("random", 1, "on/off 0.5 K", 48.0, 10.0), spec, courses)
    for name, trace in done.traces.items():
        heat = judge(trace, "", 1).heat
        assert trace.cooled_s[-1] == 0.0
        assert heat.needed_h > 5.0
        assert heat.used_h == pytest.approx(heat.needed_h, rel=0.03), name
