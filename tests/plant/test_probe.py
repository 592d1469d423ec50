"""Probes and their faults."""

import math
import statistics

import pytest

from controller.plant.cellar import demo_cellar
from controller.plant.probe import Fault, ProbeUnit
from controller.plant.specs import ProbeSpec

TAG = "dark/thermowell"


def reports(cellar, count, tag=TAG, dt_s=5.0):
    seen = []
    for _ in range(count):
        cellar.advance(dt_s)
        reading = cellar.readings().get(tag)
        seen.append(None if reading is None else reading.celsius)
    return seen


@pytest.fixture
def cellar():
    """Dark beer at 20 °C in a room at 8 °C."""
    plant = demo_cellar(room_c=lambda t: 8.0)
    plant.pitch("dark", og=1.078, attenuation_limit=0.76, wort_c=20.0)
    plant.advance(1200.0)
    return plant


def test_reports_are_sixteenths_with_the_probes_own_offset_and_noise(cellar):
    """DS18B20 datasheet, Table 1: 12 bit, 1/16 °C. The demo's dark probe is 0.15 K low."""
    seen, errors = [], []
    for _ in range(400):
        seen += reports(cellar, 1)
        errors.append(seen[-1] - cellar.vessels["dark"].heat.well_c)
    assert all((value * 16.0).is_integer() for value in seen)
    assert statistics.fmean(errors) == pytest.approx(-0.15, abs=0.01)
    assert 0.01 < statistics.stdev(errors) < 0.1


def test_a_probe_follows_a_step_as_a_first_order_lag():
    """63.2 % after one time constant (definition), to the probe's resolution of 1/16 K."""
    unit = ProbeUnit("bath/supply", ProbeSpec(lag_s=60.0, noise_k=0.0), seed=1, start_c=0.0)
    for second in range(60):
        unit.sample(float(second), 1.0, 20.0, 20.0)
    assert unit.celsius == pytest.approx(20.0 * (1.0 - math.exp(-1.0)), abs=1 / 16)


def test_readings_never_leave_the_sensors_range():
    """DS18B20 datasheet: -55 to +125 °C."""
    unit = ProbeUnit("bath/supply", ProbeSpec(), seed=1, start_c=400.0)
    assert unit.celsius == 125.0


def test_a_missing_probe_is_absent_from_the_readings(cellar):
    cellar.fault(TAG, Fault.MISSING)
    assert reports(cellar, 5) == [None] * 5
    cellar.mend(TAG)
    assert None not in reports(cellar, 5)


def test_a_stuck_probe_repeats_itself_while_the_wort_moves(cellar):
    last = cellar.readings()[TAG].celsius
    cellar.fault(TAG, Fault.STUCK)
    cellar.weld("dark/cooler", True)
    assert set(reports(cellar, 120, dt_s=60.0)) == {last}
    assert cellar.wort_c("dark") < last - 2.0


def test_a_spike_spoils_one_reading(cellar):
    cellar.fault(TAG, Fault.SPIKE, magnitude=9.0)
    first, *rest = reports(cellar, 4)
    assert first == pytest.approx(28.7, abs=0.5)
    assert rest == pytest.approx([19.7] * 3, abs=0.5)


@pytest.mark.parametrize(("kind", "value"), [(Fault.POWER_ON, 85.0), (Fault.DISCONNECTED, -127.0)])
def test_the_codes_of_digital_probes(cellar, kind, value):
    """85 °C: DS18B20 datasheet, Table 1, power-on reset value. -127: what common drivers report for no device."""
    cellar.fault(TAG, kind, for_s=12.0)
    assert reports(cellar, 2) == [value, value]
    assert reports(cellar, 1)[0] == pytest.approx(19.7, abs=0.5)


def test_a_drifting_probe_walks_away_at_its_rate(cellar):
    cellar.fault(TAG, Fault.DRIFT, magnitude=0.5)
    cellar.advance(6 * 3600.0)
    error_k = cellar.readings()[TAG].celsius - cellar.vessels["dark"].heat.well_c
    assert error_k == pytest.approx(3.0 - 0.15, abs=0.15)


def test_a_probe_out_of_its_well_reads_the_room(cellar):
    cellar.fault(TAG, Fault.OUT_OF_WELL)
    cellar.advance(600.0)
    assert cellar.readings()[TAG].celsius == pytest.approx(8.0 - 0.15, abs=0.15)


def test_swapped_probes_read_each_others_vessel(cellar):
    cellar.swap(TAG, "amber/thermowell")
    cellar.advance(600.0)
    shown = cellar.readings()
    assert shown[TAG].celsius == pytest.approx(8.0 - 0.15, abs=0.15)
    assert shown["amber/thermowell"].celsius == pytest.approx(cellar.wort_c("dark") + 0.1, abs=0.25)


def test_asking_twice_gives_the_same_answer(cellar):
    assert cellar.readings() == cellar.readings()
