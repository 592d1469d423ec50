"""The whole simulated cellar, commanded as hardware is."""

import csv
import importlib.util
import random
import subprocess
import sys
from pathlib import Path

import pytest

from controller.control.values import Command
from controller.plant.cellar import Cellar, demo_cellar
from controller.plant.demo import DEMO_BEERS
from controller.plant.weather import HOUR_S, HourlyRoom


def pitched(seed=1, room_c=None):
    cellar = demo_cellar(seed, room_c)
    for name, beer in DEMO_BEERS.items():
        cellar.pitch(name, beer.og, beer.attenuation_limit, beer.volume_l, beer.wort_c)
    return cellar


class Thermostat:
    """The plainest controller there is: on above, off below, renewed at each call."""

    def __init__(self, targets_c):
        self.targets_c, self.cooling, self.number = targets_c, dict.fromkeys(targets_c, False), 0

    def __call__(self, cellar: Cellar) -> None:
        commands = []
        for vessel, target_c in self.targets_c.items():
            wort_c = cellar.readings()[f"{vessel}/thermowell"].celsius
            self.cooling[vessel] = wort_c > target_c + (0.0 if self.cooling[vessel] else 0.2)
            for name, on in (("cooler", self.cooling[vessel]), ("heater", wort_c < target_c - 0.3)):
                self.number += 1
                commands.append(Command(f"{vessel}/{name}", on, 90.0, "test", self.number, 1))
        cellar.obey(commands)


def crash_hours(vessel):
    cellar = demo_cellar(room_c=lambda t: 18.0)
    cellar.pitch(vessel, og=1.050, attenuation_limit=0.0, wort_c=20.0)
    cellar.weld(f"{vessel}/cooler", True)
    while cellar.wort_c(vessel) > 2.0:
        cellar.advance(60.0)
        assert cellar.now_s < 3 * 86400.0, f"{vessel} never became cold"
    return cellar.now_s / HOUR_S


def test_the_energy_balance_closes():
    """First law of thermodynamics: what vessels, lines and bath hold has come from somewhere. Rounding only:
    1e-9 of all heat moved. Outputs switch at random, wort is filled and drained, step lengths vary."""
    cellar, chance = pitched(), random.Random(5)
    before = cellar.energy()
    for number in range(1, 4000):
        if number % 3 == 0:
            tag = chance.choice(list(cellar.devices))
            cellar.obey([Command(tag, chance.random() < 0.6, 90.0, "test", number, 1)])
        cellar.advance(chance.choice((5.0, 30.0, 60.0, 130.0)))
        if number == 2000:
            cellar.package("dark")
        if number == 2500:
            cellar.pitch("dark", og=1.060, attenuation_limit=0.75, wort_c=24.0)
    after = cellar.energy()
    came = [b - a for a, b in zip(before[:6], after[:6], strict=True)]
    assert min(abs(part) for part in came) > 1e4, "every way in or out took part"
    assert after.stored_j - before.stored_j == pytest.approx(sum(came), abs=1e-9 * sum(map(abs, came)))


def test_each_vessel_alone_crashes_overnight():
    """Common practice, no source: 20 to 2 °C in about 10 to 24 h."""
    for vessel in DEMO_BEERS:
        assert 10.0 <= crash_hours(vessel) <= 24.0


def test_a_fortnight_of_real_june_weather_with_a_plain_thermostat():
    """TMY3 (NREL) Greensboro NC, from 1 June, packaged with pvlib, behind walls that lag by 10 h. Common
    practice for the rest: a plain thermostat holds within about 1 K and both kinds of beer finish."""
    path = Path(importlib.util.find_spec("pvlib").origin).parent / "data" / "723170TYA.CSV"
    with path.open(newline="") as file:
        next(file)
        outside_c = [float(row["Dry-bulb (C)"]) for row in csv.DictReader(file)]
    june = HourlyRoom(outside_c[24 * 151 : 24 * 181], lag_s=10 * HOUR_S)
    cellar, control = pitched(room_c=june), Thermostat({"amber": 19.0, "dark": 19.0, "gold": 11.0})
    rooms = []
    while cellar.now_s < 14 * 86400.0:
        cellar.advance(30.0)
        control(cellar)
        rooms.append(cellar.room_c)
        if cellar.now_s > 86400.0:
            for vessel, target_c in control.targets_c.items():
                assert cellar.wort_c(vessel) == pytest.approx(target_c, abs=1.0)
    assert max(rooms) - min(rooms) > 6.0
    for vessel, beer in DEMO_BEERS.items():
        final = 1.0 + (beer.og - 1.0) * (1.0 - beer.attenuation_limit)
        assert cellar.gravity(vessel) == pytest.approx(final, abs=0.0015)


def test_without_any_controller_high_kraeusen_warms_the_beer():
    """Design rule 2: at high kräusen 60 L without cooling gain kelvins within hours; here 60 L strong ale."""
    cellar, control = pitched(room_c=lambda t: 19.0), Thermostat({"dark": 19.0})
    while cellar.heat_w("dark") < 20.0:
        cellar.advance(30.0)
        control(cellar)
    start_c = cellar.wort_c("dark")
    cellar.advance(6 * HOUR_S)
    assert cellar.wort_c("dark") - start_c > 1.5


def run(seed, hours=30):
    cellar, control = pitched(seed), Thermostat({"amber": 19.0, "dark": 18.0, "gold": 11.0})
    seen = []
    for _ in range(hours * 120):
        cellar.advance(30.0)
        control(cellar)
        seen.append(tuple(cellar.readings().items()))
    return seen, cellar.energy()


def test_one_seed_gives_one_history_and_another_seed_another():
    assert run(3) == run(3)
    assert run(3)[0] != run(4)[0]


def test_the_history_does_not_depend_on_pythons_hash_seed():
    """Python's string hashes change with PYTHONHASHSEED (Python documentation); the cellar must not."""
    code = "from controller.plant.cellar import *; c = demo_cellar(7); c.advance(3600.0); print(c.readings())"
    root = Path(__file__).parents[2]
    outputs = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": str(root)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(outputs) == 1


def test_the_step_length_hardly_matters():
    """Same hour in steps of 5 s and of 60 s with the pump on: 0.02 K, from the bath's explicit step."""
    ends = []
    for dt_s in (5.0, 60.0):
        cellar = pitched(room_c=lambda t: 18.0)
        cellar.weld("gold/cooler", True)
        for _ in range(int(4 * HOUR_S / dt_s)):
            cellar.advance(dt_s)
        ends.append(cellar.wort_c("gold"))
    assert ends[0] == pytest.approx(ends[1], abs=0.02)


def test_a_disabled_heater_clicks_but_does_not_warm():
    """A burnt-out heating element draws no power (first law)."""
    cellar = pitched()
    cellar.disable("gold/heater")
    cellar.weld("gold/heater", True)
    cellar.advance(3600.0)
    assert cellar.output_on("gold/heater")
    assert cellar.energy().heater_j == 0.0
    cellar.disable("gold/heater", False)
    cellar.advance(3600.0)
    assert cellar.energy().heater_j == pytest.approx(140.0 * 3600.0)


def test_an_air_locked_pump_does_not_cool():
    cellar = pitched(room_c=lambda t: 22.0)
    cellar.disable("amber/cooler")
    cellar.weld("amber/cooler", True)
    cellar.advance(2 * HOUR_S)
    assert cellar.wort_c("amber") > 21.9


def test_a_cooler_welded_on_freezes_wort_unless_somebody_notices():
    """12 % sucrose in water freezes near -0.8 °C (CRC Handbook, from memory); the bath is colder."""
    cellar = demo_cellar(room_c=lambda t: 8.0)
    cellar.pitch("gold", og=1.049, attenuation_limit=0.0, wort_c=4.0)
    cellar.weld("gold/cooler", True)
    cellar.advance(36 * HOUR_S)
    assert cellar.wort_c("gold") < -0.8


def test_an_empty_vessel_changes_quickly():
    """No heat capacity, no inertia: why an empty vessel must not be heated (design rule 7)."""
    cellar = demo_cellar(room_c=lambda t: 15.0)
    cellar.weld("gold/heater", True)
    cellar.advance(HOUR_S)
    assert cellar.wort_c("gold") > 25.0


@pytest.mark.parametrize(
    "wrong", [{"og": 0.999}, {"og": float("nan")}, {"attenuation_limit": 1.2}, {"volume_l": 0.0}, {"wort_c": 300.0}]
)
def test_impossible_wort_is_refused_and_nothing_changes(wrong):
    cellar = pitched()
    before = cellar.energy()
    with pytest.raises(ValueError, match="nothing was changed"):
        cellar.pitch("gold", **({"og": 1.050, "attenuation_limit": 0.8} | wrong))
    assert cellar.energy() == before


def test_a_command_for_a_device_that_is_not_there_is_a_wiring_mistake():
    with pytest.raises(KeyError, match="amber/cooler"):
        demo_cellar().obey([Command("amber/cooker", True, 90.0, "test", 1, 1)])


@pytest.mark.parametrize("dt_s", [0.0, -5.0, float("nan"), float("inf")])
def test_time_goes_forward(dt_s):
    cellar = demo_cellar()
    with pytest.raises(ValueError, match="above 0 s"):
        cellar.advance(dt_s)
    assert cellar.now_s == 0.0


def test_readings_carry_the_probes_tags_and_the_time():
    cellar = demo_cellar()
    cellar.advance(5.0)
    shown = cellar.readings()
    wort = {f"{vessel}/thermowell" for vessel in ("amber", "dark", "gold")}
    assert set(shown) == wort | {"bath/supply", "room/air"}
    assert {reading.at_s for reading in shown.values()} == {5.0}
