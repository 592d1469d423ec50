"""What is no fault of one device: probes put into each other's wells, a lid off, a silent room, a silent gateway.

On the simulation's own plant, which has layers, doors and a lid; the limits are this project's own figures.
"""

from dataclasses import replace

import pytest

from controller.control.alarms import ACTIVE
from controller.control.values import Status
from tests.bench.random_plants import HOUR_S, LIMITS, Rig, site_of
from tests.simulation.plant import Cellar
from tests.simulation.plant_random import random_spec

COLD, WARM = "fv1", "fv2"
SETPOINT_C = {COLD: 12.0, WARM: 19.0}
SEEDS = [1, 2, 3]


def two_beers(seed: int) -> Rig:
    """Two beers at high kräusen, 7 K apart, regulated for some hours in a room of 23 °C."""
    spec = random_spec(seed, vessels=2)
    spec = replace(spec, room=replace(spec.room, mean_c=23.0, daily_k=0.5, fronts_k=0.3))
    rig = Rig(site_of(spec, seed, 10.0, (), LIMITS), Cellar(spec, seed))
    for name, setpoint_c in SETPOINT_C.items():
        litres = 0.8 * spec.nominal[name].volume_l
        rig.plant.fill(name, 1.050, 0.8, litres, setpoint_c).nearly_done(0.1)
        rig.ask(name, "start", batch=name, og=1.050, volume_l=litres, setpoint_c=setpoint_c)
    passes(rig, 8.0)
    assert alarms(rig) == set()
    return rig


def passes(rig: Rig, hours: float) -> None:
    until_s = rig.now_s + hours * HOUR_S
    while rig.now_s < until_s:
        rig.scan()


def alarms(rig: Rig) -> set[str]:
    return {key for key, alarm in rig.state.alarms.items() if alarm.phase in ACTIVE}


@pytest.mark.parametrize("seed", SEEDS)
def test_probes_that_change_places_drive_nothing_for_five_minutes_and_both_vessels_go_on_complaining(seed: int) -> None:
    rig = two_beers(seed)
    rig.plant.swap(f"{COLD}/well", f"{WARM}/well")
    passes(rig, 120.0 / HOUR_S)
    assert alarms(rig) == {f"{COLD}/signal", f"{WARM}/signal"}
    while rig.state.signals[f"{WARM}/well"].status is not Status.GOOD:
        assert not any(rig.commanded.values())
        rig.scan()
        assert rig.now_s < 9 * HOUR_S
    passes(rig, 0.75)
    assert {key.partition("/")[0] for key in alarms(rig)} == {COLD, WARM}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_lid_that_is_off_for_half_an_hour_is_no_fault_of_pump_heater_or_probe(seed: int) -> None:
    rig = two_beers(seed)
    rig.plant.lid(COLD, 1800.0)
    for _ in range(16):
        passes(rig, 0.25)
        assert alarms(rig) == set()
        assert rig.state.signals[f"{COLD}/well"].status is Status.GOOD
    assert abs(rig.plant.truth(COLD).mean_c - SETPOINT_C[COLD]) < 0.7


@pytest.mark.parametrize("seed", SEEDS)
def test_without_the_probe_of_the_room_the_beers_are_regulated_on(seed: int) -> None:
    rig = two_beers(seed)
    rig.plant.fault("room/air", "missing")
    passes(rig, 8.0)
    assert rig.state.signals["room/air"].status is Status.FAILURE
    assert alarms(rig) == set()
    for name, setpoint_c in SETPOINT_C.items():
        assert abs(rig.plant.truth(name).mean_c - setpoint_c) < 0.7
        assert not rig.state.vessels[name].faults


def test_a_gateway_that_falls_silent_switches_everything_off_and_each_vessel_complains() -> None:
    rig = two_beers(1)
    while not any(rig.commanded.values()):
        rig.scan()
    tags = [probe.tag for probe in rig.site.probes]
    for tag in tags:
        rig.plant.fault(tag, "missing")
    passes(rig, 50.0 / HOUR_S)  # probes are quiet after 30 s, and a scan is 10 s
    assert not any(rig.commanded.values())
    passes(rig, 70.0 / HOUR_S)
    assert alarms(rig) == {f"{COLD}/signal", f"{WARM}/signal", "bath/bath signal"}
    for tag in tags:
        rig.plant.mend(tag)
    passes(rig, 1.0)
    assert alarms(rig) == set()
