"""The rivals do what a thermostat and a plain PID do, within the relay's times."""

from controller.control.site import Ending, Output
from tests.bench.control import plants
from tests.bench.control.rivals import WINDOW_S, FullCooling, PlainPid, Relay, Thermostat
from tests.bench.control.runs import RIVALS, Job, run


def test_a_thermostat_switches_at_half_its_band_and_off_at_the_setpoint() -> None:
    it = Thermostat(0.5)
    assert it.wishes(0.0, 18.2, 18.0, 5.0) == (False, False)
    assert it.wishes(0.0, 18.25, 18.0, 5.0) == (True, False)
    assert it.wishes(0.0, 18.1, 18.0, 5.0) == (True, False)
    assert it.wishes(0.0, 18.0, 18.0, 5.0) == (False, False)
    assert it.wishes(0.0, 17.75, 18.0, 5.0) == (False, True)
    assert it.wishes(0.0, 17.9, 18.0, 5.0) == (False, True)
    assert it.wishes(0.0, 18.1, 18.0, 5.0) == (False, False)


def test_a_relay_keeps_shortest_times_and_change_over() -> None:
    output = Output("fv1/cooler", 100.0, Ending.DEVICE_TIMER)
    cooler, heater = Relay(output, 900.0), Relay(output, 900.0)
    cooler.move(True, heater, 0.0)
    assert cooler.on
    cooler.move(False, heater, 30.0)
    assert cooler.on
    cooler.move(False, heater, 60.0)
    assert not cooler.on
    cooler.move(True, heater, 200.0)
    assert not cooler.on
    heater.move(True, cooler, 900.0)
    assert not heater.on
    heater.move(True, cooler, 960.0)
    assert heater.on
    absent = Relay(None, 900.0)
    absent.move(True, heater, 5000.0)
    assert not absent.on


def test_a_plain_pid_gives_its_share_of_each_window() -> None:
    spec, courses = plants.reference(1)
    vessel = plants.site_for(spec, courses, 1, 5.0, 48.0).vessels[0]
    assert vessel.cooler is not None
    it, error_k = PlainPid(vessel), 0.2
    on_s = sum(5.0 * it.wishes(5.0 * n, 18.0 + error_k, 18.0, 5.0)[0] for n in range(int(WINDOW_S / 5.0)))
    duty = error_k * vessel.loop.gain_w_per_k / vessel.cooler.power_w
    assert 0.8 * duty < on_s / WINDOW_S < 1.2 * duty + 0.01
    assert PlainPid(vessel).wishes(0.0, 17.0, 18.0, 5.0) == (False, True)


def test_full_cooling_begins_with_the_crash_and_never_ends() -> None:
    it = FullCooling()
    assert it.wishes(0.0, 20.0, 20.0, 5.0) == (False, False)
    assert it.wishes(0.0, 20.0, 2.0, 5.0) == (True, False)
    assert it.wishes(0.0, 1.0, 2.0, 5.0) == (True, False)


def test_every_rival_pulls_a_wort_down() -> None:
    for rival in RIVALS:
        trace = run(Job("random", 2, rival, 0.0, 10.0, days=0.7)).traces["fv1"]
        assert min(trace.mean_c) < trace.mean_c[0] - 1.0, rival
        assert trace.cooler_starts[-1] >= 1, rival
