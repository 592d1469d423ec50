"""Contactors and shared pumps in a site file: what they become, and what is said when they are wrong."""

from pathlib import Path

import pytest

from controller import defaults
from controller.control.site import Ending, Supply
from controller.faults import Fault
from tests.config.site_files import SITE, faults_of, load

CONTACTOR = """\
contactors:
  - name: heat
    topic: cellar/relay8/set
    on: "ON"
    off: "OFF"
    ends: device timer 120 s
    feeds: [fv1/heater]
"""
PUMP = """\
shared_pumps:
  - name: glycol
    topic: cellar/relay9/set
    on: "ON"
    off: "OFF"
    ends: device timer 90 s
    feeds: [fv1/cooler]
"""


def with_parts(old: str = "", new: str = "") -> str:
    """The valid file with a contactor and a shared pump, one passage of these changed."""
    parts = CONTACTOR + PUMP
    assert parts.count(old) == 1 or not old, f"{old!r} must occur once"
    return SITE + (parts.replace(old, new) if old else parts)


def one(faults: list[Fault]) -> Fault:
    assert len(faults) == 1, [str(fault) for fault in faults]
    return faults[0]


def test_a_contactor_and_a_pump_become_part_of_the_site(tmp_path: Path) -> None:
    site = load(tmp_path, with_parts()).site
    pump, contactor = site.upstream
    assert (pump.name, pump.supply, pump.feeds, pump.leads_s) == ("glycol", Supply.PUMP, ("fv1/cooler",), 10.0)
    assert (contactor.name, contactor.supply, contactor.feeds) == ("heat", Supply.CONTACTOR, ("fv1/heater",))
    assert site.fed == {"fv1/cooler": (pump,), "fv1/heater": (contactor,)}


def test_they_end_renew_and_rest_as_other_outputs_do(tmp_path: Path) -> None:
    pump, contactor = (device.output for device in load(tmp_path, with_parts()).site.upstream)
    assert (pump.tag, pump.ending, pump.lifetime_s, pump.renew_s) == (
        "upstream/glycol", Ending.DEVICE_TIMER, 90.0, 25.0,
    )  # fmt: skip
    assert (pump.shortest_on_s, pump.shortest_off_s) == (defaults.PUMP_SHORTEST_ON_S, defaults.PUMP_SHORTEST_OFF_S)
    assert (contactor.shortest_on_s, contactor.shortest_off_s) == (0.0, defaults.CONTACTOR_SHORTEST_OFF_S)


def test_they_are_the_first_to_be_switched_off_pumps_before_contactors(tmp_path: Path) -> None:
    installation = load(tmp_path, with_parts())
    assert list(installation.actuators) == ["upstream/glycol", "upstream/heat", "fv1/cooler", "fv1/heater"]
    assert installation.actuators["upstream/heat"].topic == "cellar/relay8/set"


def test_a_node_of_our_own_may_be_a_contactor(tmp_path: Path) -> None:
    text = with_parts('    on: "ON"\n    off: "OFF"\n    ends: device timer 120 s\n', "    node: true\n")
    assert load(tmp_path, text).actuators["upstream/heat"].node


def test_a_site_without_them_has_nothing_upstream(tmp_path: Path) -> None:
    assert load(tmp_path).site.upstream == ()


@pytest.mark.parametrize(
    ("old", "new", "key", "found", "expected"),
    [
        ("fv1/heater", "fv2/heater", "contactors.heat.feeds.1", '"fv2/heater", which this file does not have',
         "fv1/heater?"),
        ("fv1/heater", "heater", "contactors.heat.feeds.1", '"heater"',
         'an output as vessel/cooler or vessel/heater, such as "fv1/heater"'),
        ("[fv1/heater]", "[]", "contactors.heat.feeds", "a list", "at least 1 of them"),
        ("    feeds: [fv1/heater]\n", "", "contactors.heat.feeds", "nothing",
         'a list such as ["fv1/heater", "fv2/heater"]'),
        ("fv1/cooler", "fv1/heater", "shared_pumps.glycol.feeds.1", '"fv1/heater"',
         'a cooler, whose valve the pump serves, as vessel/cooler, such as "fv1/cooler"'),
        ("[fv1/cooler]", "[fv1/cooler, fv1/cooler]", "shared_pumps.glycol.feeds.2",
         '"fv1/cooler", the same as shared_pumps.glycol.feeds.1 on line 44', "each output behind one pump only"),
        ("glycol\n", "heat\n", "shared_pumps.heat.name", '"heat", the same as contactors.heat.name on line 32',
         "another name for each contactor and shared pump"),
        ("cellar/relay8/set", "cellar/relay2/set", "contactors.heat.topic",
         "the same as vessels.fv1.heater.topic on line 25",
         "a topic of its own for each output: one command must not move two devices"),
        ("device timer 120 s", "nothing", "contactors.heat.ends", '"nothing" for what several outputs hang on',
         '"device timer 120 s": it must switch itself off when its "on" is not renewed'),
        ("device timer 90 s", "power loss", "shared_pumps.glycol.ends", '"power loss" for what several outputs hang on',
         '"device timer 120 s": it must switch itself off when its "on" is not renewed'),
        ("    feeds: [fv1/cooler]", "    valve_leads: 60 s\n    feeds: [fv1/cooler]", "shared_pumps.glycol.valve_leads",
         "60 s, while fv1/cooler may be open for only 60 s",
         "less than the shortest on time of each valve, or the pump does not even start"),
        ("    feeds: [fv1/heater]", "    renew: 2 s\n    feeds: [fv1/heater]", "contactors.heat.renew", "2 s",
         "at least one scan, 5 s"),
        ("    feeds: [fv1/heater]", "    power: 2 kW\n    feeds: [fv1/heater]", "contactors.heat.power",
         "an unknown key",
         "one of topic, node, on, off, renew, ends, lifetime, shortest_off, name, feeds"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_its_place_and_what_would_be_right(
    tmp_path: Path, old: str, new: str, key: str, found: str, expected: str
) -> None:
    fault = one(faults_of(tmp_path, with_parts(old, new)))
    assert (fault.key, fault.found, fault.expected) == (key, found, expected)


def test_an_output_behind_two_pumps_is_refused(tmp_path: Path) -> None:
    second = PUMP.removeprefix("shared_pumps:\n").replace("glycol", "second").replace("relay9", "relay7")
    fault = one(faults_of(tmp_path, with_parts() + second))
    assert (fault.key, fault.expected) == ("shared_pumps.second.feeds.1", "each output behind one pump only")


def test_a_vessel_cannot_be_called_as_what_stands_upstream(tmp_path: Path) -> None:
    fault = one(faults_of(tmp_path, SITE.replace("name: fv1", "name: upstream")))
    assert (fault.key, fault.found) == ("vessels.upstream.name", '"upstream"')


def test_a_pump_that_would_outlast_its_valve_is_warned_of(tmp_path: Path) -> None:
    assert not any("glycol" in each for each in load(tmp_path, with_parts()).warnings if "against" in each)
    warnings = load(tmp_path, with_parts("device timer 90 s", "device timer 120 s")).warnings
    assert (
        "should this service die, the pump glycol may run for up to 25 s against the valve fv1/cooler, which its own "
        "timer has closed; let the pump's timer be at most 95 s, or the valve's longer"
    ) in warnings


def test_a_contactor_that_is_no_node_is_among_the_devices_that_two_daemons_could_drive(tmp_path: Path) -> None:
    [warning] = [each for each in load(tmp_path, with_parts()).warnings if "two daemons" in each]
    assert "upstream/heat" in warning


CHILLER = """\
  chiller:
    topic: cellar/relay7/set
    on: "ON"
    off: "OFF"
    ends: device timer 120 s
    own_thermostat: yes
    own_freeze_protection: yes
"""


def with_chiller(old: str = "", new: str = "") -> str:
    """The valid file whose chiller's compressor is switched, one passage of that changed."""
    assert CHILLER.count(old) == 1 or not old, f"{old!r} must occur once"
    return SITE.replace("vessels:\n", (CHILLER.replace(old, new) if old else CHILLER) + "vessels:\n")


def test_a_chillers_compressor_becomes_a_device_upstream_that_feeds_no_output(tmp_path: Path) -> None:
    installation = load(tmp_path, with_chiller())
    (device,) = installation.site.upstream
    assert installation.site.compressor == device
    assert (device.supply, device.feeds, device.deadband_k) == (Supply.CHILLER, (), 1.0)
    output = device.output
    assert (output.tag, output.shortest_on_s, output.shortest_off_s) == ("upstream/compressor", 180.0, 300.0)
    assert list(installation.actuators) == ["upstream/compressor", "fv1/cooler", "fv1/heater"]


@pytest.mark.parametrize(
    ("old", "new", "key", "found", "expected"),
    [
        ("    own_thermostat: yes\n", "", "bath.chiller.own_thermostat", "nothing", "yes: you have looked"),
        ("own_thermostat: yes", "own_thermostat: no", "bath.chiller.own_thermostat", "no", "its own thermostat"),
        (
            "freeze_protection: yes", "freeze_protection: maybe", "bath.chiller.own_freeze_protection", "maybe",
            "its own freeze protection whatever this service does",
        ),
        ("yes\n    own_f", "yes\n    shortest_off: 2 min\n    own_f", "bath.chiller.shortest_off", "2 min", "3 min"),
        ("device timer 120 s", "nothing", "bath.chiller.ends", '"nothing"', "device timer 120 s"),
        ("yes\n    own_f", "yes\n    renew: 2 s\n    own_f", "bath.chiller.renew", "2 s", "5 s"),
        ("relay7", "relay1", "vessels.fv1.cooler.topic", "the same as bath.chiller.topic", "a topic of its own"),
    ],
)  # fmt: skip
def test_a_compressor_that_cannot_be_trusted_is_refused(
    tmp_path: Path, old: str, new: str, key: str, found: str, expected: str
) -> None:
    fault = one(faults_of(tmp_path, with_chiller(old, new)))
    assert fault.key == key
    assert found in fault.found
    assert expected in fault.expected


def test_a_compressor_may_not_run_the_bath_down_to_its_freezing_point(tmp_path: Path) -> None:
    text = with_chiller("yes\n    own_f", "yes\n    deadband: 4 K\n    own_f").replace(
        "setpoint: -3 C", "setpoint: -10 C"
    )
    fault = one(faults_of(tmp_path, text))
    assert fault.key == "bath.chiller.deadband"
    assert "down to -12 C" in fault.found


def test_the_name_of_the_compressor_is_taken(tmp_path: Path) -> None:
    fault = one(faults_of(tmp_path, with_chiller() + PUMP.replace("name: glycol", "name: compressor")))
    assert fault.key == "shared_pumps.compressor.name"


def test_check_reminds_of_the_chillers_own_thermostat_and_of_a_lonely_probe(tmp_path: Path) -> None:
    warnings = " ".join(load(tmp_path, with_chiller()).warnings)
    assert "asked for cold down to -3.5 C: its own thermostat must be set warmer" in warnings
    assert "hangs on one bath probe" in warnings
    assert "compressor" not in " ".join(load(tmp_path).warnings)
