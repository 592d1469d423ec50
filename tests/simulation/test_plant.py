"""The test plant against the conservation of heat and against scipy's ODE solver, and what its faults do."""

import math

import pytest
from scipy.integrate import solve_ivp

from tests.simulation.plant import Cellar
from tests.simulation.plant_random import random_spec
from tests.simulation.plant_specs import ALE, BathSpec, CellarSpec, ProbeSpec, RoomSpec, VesselSpec
from tests.simulation.plant_vessel import CALM_COIL, SLACK_COIL, STILL, TUMBLING, Vessel

STEADY_ROOM = RoomSpec(mean_c=20.0, daily_k=0.0, fronts_k=0.0)
SIXTY = VesselSpec(
    "fv1", 60.0, 7000.0, 60.0, 1.8, 0.8, 16.0, 0.045, 0.7, 75.0, flow_wander=0.0, fouling_per_day=0.0,
    probe=ProbeSpec(noise_k=0.0), side_probe=ProbeSpec(noise_k=0.0),
)  # fmt: skip
SMALL = VesselSpec("fv2", 25.0, 3500.0, 35.0, 1.2, 0.45, 8.0, 0.035, 0.4, 40.0)
BATH = BathSpec(90.0, -3.0, 1000.0)


def cellar(*vessels: VesselSpec, room: RoomSpec = STEADY_ROOM) -> Cellar:
    return Cellar(CellarSpec(vessels or (SIXTY,), BATH, room), seed=1)


def test_heat_is_neither_made_nor_lost_in_two_busy_days():
    plant = cellar(SIXTY, SMALL, room=RoomSpec())
    start_j = plant.stored_j()
    plant.fill("fv1", 1.050, 0.8, 55.0, 21.0)
    plant.fill("fv2", 1.050, 0.0, 24.0, 3.0)
    for scan in range(2 * 8640):
        plant.set_output("fv1/cooler", scan % 60 < 20)
        plant.set_output("fv1/heater", scan % 200 > 150)
        plant.set_output("fv2/cooler", scan > 2000)
        if scan == 4000:
            plant.lid("fv1", 900.0)
            plant.door(1800.0)
            plant.sun("fv2", 60.0, 3600.0)
            plant.leak(0.5)
        if scan == 16000:
            plant.drain("fv1")
            plant.clean("fv1", 75.0)
        plant.advance(7.0 if scan % 11 else 3.3)
    assert plant.vessels["fv2"].ice_j > 0.0
    moved_j = plant.bath.removed_j + plant.came_in_j()
    assert plant.stored_j() - start_j == pytest.approx(plant.came_in_j(), abs=1e-6 * abs(moved_j))


def by_scipy(spec: VesselSpec, hours: float, cooler: bool, heater: bool, yeast_w: float) -> tuple[float, ...]:
    """The same network as differential equations: upper, lower, wall, coil, wrap, thermowell after some hours."""
    vessel = Vessel(spec, BATH.j_per_l_k, 20.0)
    capacity = 55.0 * 1.050 * 0.9982 * 3900.0
    up, down = spec.upper_share, 1.0 - spec.upper_share
    litres = capacity / 3900.0
    coil_w = spec.coil_w_per_k * CALM_COIL * (1.0 if cooler else SLACK_COIL)
    flow_w = spec.flow_l_per_s * BATH.j_per_l_k if cooler else 0.0
    wrap_w = vessel.wrap_j_per_k / spec.wrap_lag_s

    def slopes(t_s: float, x: list[float]) -> list[float]:
        u, low, wall, coil, wrap, well = x
        mixing = (TUMBLING if (u < low) == (u + low > 6.0) else STILL) * litres
        low_coil, up_coil = coil_w * spec.coil_low_share, coil_w * (1.0 - spec.coil_low_share)
        inlet = -3.0 if t_s > spec.line_l / spec.flow_l_per_s else 20.0  # dead time of the hose
        return [
            (mixing * (low - u) + spec.film_w_per_k * up * (wall - u) + up_coil * (coil - u) + up * yeast_w)
            / (up * capacity),
            (mixing * (u - low) + spec.film_w_per_k * down * (wall - low) + low_coil * (coil - low) + down * yeast_w)
            / (down * capacity),
            (
                spec.film_w_per_k * (up * (u - wall) + down * (low - wall))
                + spec.loss_w_per_k * (20.0 - wall)
                + (1.0 - spec.wrap_loss_share) * wrap_w * (wrap - wall)
            )
            / spec.wall_j_per_k,
            (flow_w * (inlet - coil) + low_coil * (low - coil) + up_coil * (u - coil)) / vessel.coil_j_per_k,
            (
                (spec.heater_w if heater else 0.0)
                - (1.0 - spec.wrap_loss_share) * wrap_w * (wrap - wall)
                - spec.wrap_loss_share * wrap_w * (wrap - 20.0)
            )
            / vessel.wrap_j_per_k,
            (
                (1.0 - spec.stem_share) * (spec.well_upper_share * u + (1.0 - spec.well_upper_share) * low)
                + spec.stem_share * 20.0
                - well
            )
            / spec.well_lag_s,
        ]

    start = [16.0, 16.0, 20.0, 20.0, 20.0, 20.0]
    solved = solve_ivp(slopes, (0.0, hours * 3600.0), start, method="BDF", rtol=1e-8, atol=1e-8, max_step=20.0)
    return tuple(solved.y[:, -1])


@pytest.mark.parametrize(
    ("hours", "cooler", "heater"),
    [(0.2, True, False), (3.0, True, False), (0.5, False, True), (12.0, False, True), (6.0, False, False)],
)
@pytest.mark.parametrize(
    ("dt_s", "within_k"), [(1.0, (0.005, 0.005, 0.01, 0.04, 0.06, 0.005)), (10.0, (0.04, 0.02, 0.06, 0.4, 0.6, 0.03))]
)
def test_temperatures_are_those_of_scipys_solver(
    hours: float, cooler: bool, heater: bool, dt_s: float, within_k: tuple[float, ...]
):
    plant = cellar()
    plant.fill("fv1", 1.050, 0.0, 55.0, 16.0)
    plant.set_output("fv1/cooler", cooler)
    plant.set_output("fv1/heater", heater)
    vessel = plant.vessels["fv1"]
    for _ in range(round(hours * 3600.0 / dt_s)):
        plant.bath.place.celsius = -3.0
        plant.advance(dt_s)
    found = (vessel.upper_c, vessel.lower_c, vessel.wall_c, vessel.coil_c, vessel.wrap_c, vessel.well.celsius)
    expected = by_scipy(SIXTY, hours, cooler, heater, 0.0)
    for celsius, right_c, error_k in zip(found, expected, within_k, strict=True):
        assert celsius == pytest.approx(right_c, abs=error_k)


def test_a_step_of_ten_seconds_and_ten_of_one_second_give_nearly_the_same():
    coarse, fine = cellar(), cellar()
    for plant in (coarse, fine):
        plant.fill("fv1", 1.050, 0.8, 55.0, 18.0).at_high_krausen(18.0)
    for scan in range(2000):
        for plant in (coarse, fine):
            plant.set_output("fv1/cooler", scan % 40 < 12)
        coarse.advance(10.0)
        for _ in range(10):
            fine.advance(1.0)
    assert coarse.truth("fv1").mean_c == pytest.approx(fine.truth("fv1").mean_c, abs=0.05)


def test_a_litre_of_wort_at_high_krausen_gives_the_heat_of_its_extract():
    plant = cellar()
    brew = plant.fill("fv1", 1.050, 0.8, 60.0, 19.0)
    brew.at_high_krausen(19.0)
    # 560 kJ per kg of real extract (Farber & Barth 2019; Williams 1982)
    assert brew.heat_w == pytest.approx(brew.pace_p_per_day / 100.0 * 60.0 * 1.050 * 0.9982 * 560e3 / 86400.0)
    before = brew.apparent_gravity(), brew.alcohol_share()
    for _ in range(5 * 8640):
        plant.vessels["fv1"].upper_c = plant.vessels["fv1"].lower_c = 19.0
        plant.advance(10.0)
    assert plant.truth("fv1").gravity == pytest.approx(1.010, abs=0.002)
    assert before[0] == pytest.approx(1.050, abs=1e-4)
    # 1.050 to 1.010 is 5.27 % by volume (Balling; tests/references has the source), 4.2 % by mass
    assert plant.vessels["fv1"].brew.alcohol_share() == pytest.approx(0.042, abs=0.003)
    # 4.2 % ethanol in water freezes near -1.8 °C: cryoscopic constant of water 1.86 K kg/mol
    assert plant.truth("fv1").freezing_c == pytest.approx(-1.8, abs=0.1)


def test_ice_grows_on_the_coil_of_a_cold_vessel_while_the_probe_stays_above_freezing():
    plant = cellar()
    plant.fill("fv1", 1.050, 0.0, 55.0, 1.0)
    plant.set_output("fv1/cooler", True)
    plant.advance(4 * 3600.0)
    vessel = plant.vessels["fv1"]
    assert vessel.ice_j > 2e4
    assert min(vessel.upper_c, vessel.lower_c) > vessel.ice_c - 0.1
    plant.set_output("fv1/cooler", False)
    plant.advance(48 * 3600.0)
    assert vessel.ice_j == 0.0


def test_an_air_lock_and_slush_and_a_leak_stop_the_flow():
    plant = cellar()
    vessel = plant.vessels["fv1"]
    plant.set_output("fv1/cooler", True)
    assert vessel.flowing
    plant.set_works("fv1/cooler", False)
    assert not vessel.flowing
    plant.set_works("fv1/cooler", True)
    plant.leak(60.0)
    plant.advance(2 * 3600.0)
    assert not vessel.flowing
    frozen = cellar()
    frozen.chiller_runs_on(True)
    frozen.set_output("fv1/cooler", True)
    frozen.advance(2 * 86400.0)
    assert not frozen.vessels["fv1"].flowing
    assert frozen.bath_c >= BATH.freeze_c - 0.2


def test_a_pulled_plug_warms_the_bath():
    plant = cellar()
    plant.chiller(False)
    plant.advance(24 * 3600.0)
    assert plant.bath_c > 5.0


def test_an_asked_chiller_makes_more_cold_than_its_own_thermostat_wants_and_protects_itself():
    plant = cellar()
    own_c = BATH.setpoint_c
    plant.advance(6 * 3600.0)
    assert plant.bath_c == pytest.approx(own_c, abs=BATH.deadband_k)
    plant.set_output("upstream/compressor", True)
    plant.advance(3600.0)
    assert plant.bath_c < own_c - BATH.deadband_k
    plant.advance(48 * 3600.0)
    assert plant.bath_c > BATH.freeze_c + 0.5
    plant.set_output("upstream/compressor", False)
    plant.advance(48 * 3600.0)
    assert plant.bath_c == pytest.approx(own_c, abs=BATH.deadband_k)


@pytest.mark.parametrize(
    ("kind", "magnitude", "seen"),
    [
        ("power-on value", 0.0, 85.0),
        ("disconnected", 0.0, -127.0),
        ("missing", 0.0, None),
        ("spike", 9.0, 25.0),
        ("drift", 2.0, 18.0),
    ],
)
def test_probe_faults_show_and_end(kind: str, magnitude: float, seen: float | None):
    plant = cellar()
    plant.fill("fv1", 1.050, 0.0, 55.0, 16.0)
    plant.advance(3600.0)
    plant.fault("fv1/well", kind, magnitude, 3600.0)
    plant.advance(3590.0)
    found = plant.probe_c("fv1/well")
    assert found == seen if seen is None else found == pytest.approx(seen, abs=0.5)
    plant.advance(20.0)
    assert plant.probe_c("fv1/well") == pytest.approx(16.4, abs=0.2)


def test_a_stuck_probe_keeps_its_last_report_and_one_out_of_its_well_follows_the_room():
    plant = cellar()
    plant.fill("fv1", 1.050, 0.0, 55.0, 10.0)
    plant.advance(3600.0)
    plant.fault("fv1/well", "stuck")
    stuck_c = plant.probe_c("fv1/well")
    plant.fault("fv1/side", "out of its well", 120.0)
    plant.set_output("fv1/cooler", True)
    plant.advance(120.0)
    after_one_lag_c = plant.probe_c("fv1/side")
    plant.advance(3600.0)
    assert plant.probe_c("fv1/well") == stuck_c
    assert plant.probe_c("fv1/side") == pytest.approx(20.0, abs=0.1)
    wall_c = 0.8 * plant.vessels["fv1"].wall_c + 0.2 * 20.0
    assert wall_c < after_one_lag_c < 20.0


def test_swapped_probes_show_each_others_wort():
    plant = cellar(SIXTY, SMALL)
    plant.fill("fv1", 1.050, 0.0, 55.0, 5.0)
    plant.fill("fv2", 1.050, 0.0, 20.0, 18.0)
    plant.advance(1800.0)
    plant.swap("fv1/well", "fv2/well")
    plant.advance(600.0)
    assert plant.probe_c("fv1/well") == pytest.approx(18.0, abs=0.5)
    plant.mend("fv1/well")
    plant.mend("fv2/well")
    plant.advance(600.0)
    assert plant.probe_c("fv1/well") == pytest.approx(6.1, abs=0.3)


def test_the_same_seed_gives_the_same_readings():
    readings = []
    for _ in range(2):
        plant = Cellar(CellarSpec((SIXTY, SMALL), BATH), seed=7)
        plant.fill("fv2", 1.060, 0.8, 20.0, 18.0, ALE)
        plant.set_output("fv2/cooler", True)
        plant.advance(5 * 3600.0)
        readings.append([plant.probe_c(tag) for tag in plant.probes])
    assert readings[0] == readings[1]


def test_time_goes_forward():
    with pytest.raises(ValueError, match="nothing was changed"):
        cellar().advance(0.0)
    with pytest.raises(ValueError, match="nothing was changed"):
        cellar().advance(math.inf)


def test_fifty_random_plants_hold_all_sizes_and_their_figures_fit_together():
    specs = [random_spec(seed) for seed in range(50)]
    litres = sorted(spec.vessels[0].volume_l for spec in specs)
    assert litres[0] < 7.0
    assert litres[-1] > 1500.0
    for spec in specs:
        for vessel in spec.vessels:
            per_l = vessel.coil_w_per_k * 15.0 / vessel.volume_l
            assert 0.8 < per_l < 12.0  # W per litre of wort
            # in an hour a heater warms its wort by 0.15 to 6 K, losses left out
            assert 0.15 < vessel.heater_w * 3600.0 / (vessel.volume_l * 4000.0 + vessel.wall_j_per_k) < 6.0
            nominal = spec.nominal[vessel.name]
            assert nominal.volume_l == pytest.approx(vessel.volume_l, rel=0.3001)
            assert nominal.heater_w == pytest.approx(vessel.heater_w, rel=0.3001)
        Cellar(spec, seed=3).advance(600.0)
