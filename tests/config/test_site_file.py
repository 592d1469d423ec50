"""A brewer's site file: what it becomes, and what is said when it is wrong."""

from pathlib import Path

import pytest

from controller import defaults
from controller.config import load_installation
from controller.control.site import Ending, LoopKind, Place, SignalLoss
from controller.faults import Fault, FileFaults
from tests.config.site_files import SITE, changed, faults_of, load

TEN_ERRORS = """\
site: Cellar One
units: C
time_zone: Europe/Viena
scan: 36:00
state_dir: state
profiles: profiles
broker: {hots: 127.0.0.1, host: 127.0.0.1}
vessels:
  - name: fv1
    volume: 60
    probes:
      - {name: well, topic: cellar/+, unit: C, reports_every: 10 s, place: thermowell}
    heater:
      topic: cellar/relay2/set
      on: "ON"
      off: "OFF"
      power: 100 W
      ends: nothing
    limits: {low: 1 C}
  - name: fv1
    volume: 20 L
    probes:
      - {name: well, topic: cellar/probes, pointer: /b, unit: C, reports_every: 10 s, place: thermowell}
    cooler: {topic: cellar/relay2/set, on: "ON", off: "OFF", power: 100 W, ends: device timer 120 s}
    limits: {low: 1 C, high: 26 C}
"""


def one(faults: list[Fault]) -> Fault:
    assert len(faults) == 1, [str(fault) for fault in faults]
    return faults[0]


def test_a_file_with_ten_different_errors_prints_ten_lines(tmp_path: Path) -> None:
    faults = faults_of(tmp_path, TEN_ERRORS)
    assert [(fault.line, fault.key) for fault in faults] == [
        (1, "site"),
        (3, "time_zone"),
        (4, "scan"),
        (7, "broker.hots"),
        (10, "vessels.fv1.volume"),
        (12, "vessels.fv1.probes.well.topic"),
        (18, "vessels.fv1.heater.ends"),
        (19, "vessels.fv1.limits.high"),
        (20, "vessels.fv1.name"),
        (24, "vessels.fv1.cooler.topic"),
    ]
    for fault in faults:
        assert "\n" not in str(fault)
        assert str(fault).startswith(f"{tmp_path / 'site.yaml'}:{fault.line}: {fault.key}: found ")


def test_an_unknown_key_suggests_the_nearest_known_one(tmp_path: Path) -> None:
    fault = one(faults_of(tmp_path, changed("    volume: 60 L", "    volume: 60 L\n    freeze_margins: 1 K")))
    assert (fault.key, fault.expected) == ("vessels.fv1.freeze_margins", "freeze_margin?")


def test_a_password_in_the_file_is_refused_and_not_repeated(tmp_path: Path) -> None:
    fault = one(faults_of(tmp_path, changed("{host: 127.0.0.1}", "{host: 127.0.0.1, password: geheim}")))
    assert "password_" in fault.expected
    assert "geheim" not in str(fault)


def test_hard_limits_have_no_default(tmp_path: Path) -> None:
    fault = one(faults_of(tmp_path, changed("    limits: {low: 1 C, high: 26 C}\n", "")))
    assert (fault.key, fault.found) == ("vessels.fv1.limits", "nothing")


@pytest.mark.parametrize("ending", ["nothing", "power loss"])
def test_a_heater_that_does_not_end_by_itself_is_refused(tmp_path: Path, ending: str) -> None:
    text = changed("power: 100 W\n      ends: device timer 120 s", f"power: 100 W\n      ends: {ending}")
    fault = one(faults_of(tmp_path, text))
    assert fault.key == "vessels.fv1.heater.ends"
    assert "must switch itself off" in fault.expected


def test_a_heater_cannot_be_accepted_in_words(tmp_path: Path) -> None:
    words = 'accepted: "I shall watch it all night"'
    text = changed("power: 100 W\n      ends: device timer 120 s", f"power: 100 W\n      ends: nothing\n      {words}")
    assert {fault.key for fault in faults_of(tmp_path, text)} == {
        "vessels.fv1.heater.ends",
        "vessels.fv1.heater.accepted",
    }


@pytest.mark.parametrize("ending", ["nothing", "power loss"])
def test_a_cooler_that_does_not_end_by_itself_needs_the_brewers_words(tmp_path: Path, ending: str) -> None:
    old = "power: 400 W\n      ends: device timer 120 s"
    refused = one(faults_of(tmp_path, changed(old, f"power: 400 W\n      ends: {ending}")))
    assert refused.key == "vessels.fv1.cooler.accepted"
    terse = one(faults_of(tmp_path, changed(old, f"power: 400 W\n      ends: {ending}\n      accepted: yes")))
    assert "in words" in terse.expected
    words = f'power: 400 W\n      ends: {ending}\n      accepted: "the bath is never below 2 C"'
    installation = load(tmp_path, changed(old, words))
    cooler = installation.site.vessels[0].cooler
    assert cooler is not None
    assert cooler.ending is Ending(ending)
    assert any("the bath is never below 2 C" in warning for warning in installation.warnings)


def test_every_output_says_how_it_ends(tmp_path: Path) -> None:
    fault = one(faults_of(tmp_path, changed("power: 400 W\n      ends: device timer 120 s", "power: 400 W")))
    assert (fault.key, fault.found) == ("vessels.fv1.cooler.ends", "nothing")


@pytest.mark.parametrize(
    ("keys", "key"),
    [
        ("ends: device timer 40 s", "ends"),  # less than two renewals of 25 s: one lost command stops the pump
        ("ends: device timer 2 h", "ends"),  # no protection
        ("ends: device timer 120 s\n      lifetime: 150 s", "lifetime"),  # believed to run on after the device ended
        ("ends: device timer 120 s\n      lifetime: 40 s", "lifetime"),
        ("ends: device timer 120 s\n      renew: 4 s", "renew"),  # scans come every 5 s
        ("ends: device timer 120 s\n      shortest_off: 1 s", "shortest_off"),
        ("ends: device timer 120 s\n      shortest_on: 1 h", "shortest_on"),
    ],
)
def test_times_of_an_output_that_contradict_each_other(tmp_path: Path, keys: str, key: str) -> None:
    text = changed("power: 400 W\n      ends: device timer 120 s", f"power: 400 W\n      {keys}")
    assert one(faults_of(tmp_path, text)).key == f"vessels.fv1.cooler.{key}"


def test_a_short_device_timer_shortens_the_lifetime(tmp_path: Path) -> None:
    text = changed("power: 400 W\n      ends: device timer 120 s", "power: 400 W\n      ends: device timer 60 s")
    cooler = load(tmp_path, text).site.vessels[0].cooler
    assert cooler is not None
    assert (cooler.lifetime_s, cooler.renew_s) == (60.0, 25.0)


def test_a_node_of_our_own_gets_json_and_needs_no_payloads(tmp_path: Path) -> None:
    old = 'on: "ON"\n      off: "OFF"\n      power: 400 W\n      ends: device timer 120 s'
    actuator = load(tmp_path, changed(old, "node: true\n      power: 400 W")).actuators["fv1/cooler"]
    assert actuator.node
    both = changed(old, "node: true\n      " + old)
    assert {f.key for f in faults_of(tmp_path, both)} == {"vessels.fv1.cooler.on", "vessels.fv1.cooler.off"}


def test_what_must_not_occur_twice(tmp_path: Path) -> None:
    assert "heater.topic" in one(faults_of(tmp_path, changed("cellar/relay2/set", "cellar/relay1/set"))).key
    assert "probes.well.topic" in one(faults_of(tmp_path, changed("pointer: /fv1", "pointer: /bath"))).key
    listening = changed("topic: cellar/probes, pointer: /fv1", "topic: cellar/relay1/set, pointer: /fv1")
    assert "not one of commands" in one(faults_of(tmp_path, listening)).expected


@pytest.mark.parametrize("topic", ["a/+/b", "a/#", '""', '"a\\0b"', "$SYS/broker", "5", "x" * 65536])
def test_topics_by_mqtt_5_section_4_7(tmp_path: Path, topic: str) -> None:
    assert one(faults_of(tmp_path, changed("cellar/relay1/set", topic))).key == "vessels.fv1.cooler.topic"


@pytest.mark.parametrize("pointer", ["/foo/0", '""', '"/"', "/a~1b", "/m~0n", '"/ "', "/c%d", "/e^f"])
def test_pointers_of_rfc_6901_section_5_are_taken(tmp_path: Path, pointer: str) -> None:
    source = load(tmp_path, changed("pointer: /fv1", f"pointer: {pointer}")).sources[0]
    assert source.pointer == pointer.strip('"')


@pytest.mark.parametrize("pointer", ["foo", "/a~", "/a~2b", "5"])
def test_what_rfc_6901_does_not_allow_is_refused(tmp_path: Path, pointer: str) -> None:
    assert one(faults_of(tmp_path, changed("pointer: /fv1", f"pointer: {pointer}"))).key.endswith("well.pointer")


def test_ethylene_glycol_is_refused_with_the_reason(tmp_path: Path) -> None:
    fault = one(faults_of(tmp_path, changed("kind: propylene glycol", "kind: ethylene glycol")))
    assert "poisonous" in fault.expected


def test_a_bath_near_its_freezing_point_is_refused(tmp_path: Path) -> None:
    # 30 % by mass freezes near -12.7 C (ASHRAE table for aqueous propylene glycol); 2 K of margin forbid -12 C
    fault = one(faults_of(tmp_path, changed("setpoint: -3 C", "setpoint: -12 C")))
    assert fault.key == "bath.setpoint"
    assert "freezes at -12." in fault.found
    load(tmp_path, changed("setpoint: -3 C", "setpoint: -10 C"))


def test_the_bath_is_warm_four_kelvin_above_its_setpoint_unless_the_file_says_otherwise(tmp_path: Path) -> None:
    bath = load(tmp_path).site.bath
    assert bath is not None
    assert bath.warm_c == pytest.approx(1.0)
    colder = changed("setpoint: -3 C", "setpoint: -3 C\n  warm_limit: -4 C")
    assert one(faults_of(tmp_path, colder)).key == "bath.warm_limit"


def test_a_deadband_that_reads_as_a_temperature_is_refused(tmp_path: Path) -> None:
    fault = one(faults_of(tmp_path, changed("    volume: 60 L", "    volume: 60 L\n    loop: {deadband: 0.5 C}")))
    assert "reads as a temperature" in fault.found


def test_in_a_fahrenheit_file_bare_temperatures_are_fahrenheit_and_differences_are_not(tmp_path: Path) -> None:
    text = changed("units: C\n", "units: F\n").replace("{low: 1 C, high: 26 C}", "{low: 34, high: 77}")
    text = text.replace("    volume: 60 L", "    volume: 15 gal\n    alarms: {deviation: 1.8 F diff}")
    vessel = load(tmp_path, text).site.vessels[0]
    assert vessel.limits.high_c == pytest.approx(25.0)
    assert vessel.alarms.deviation_k == pytest.approx(1.0)
    assert vessel.volume_l == pytest.approx(56.78, abs=0.01)


@pytest.mark.parametrize(
    ("alarms", "key"),
    [("low: -9 C", "low"), ("high: 32 C", "high"), ("low: 20 C, high: 20.5 C", "high"), ("low: 26 C", "low")],
)
def test_alarm_limits_lie_where_they_make_sense_beside_the_hard_limits(tmp_path: Path, alarms: str, key: str) -> None:
    text = changed("    volume: 60 L", f"    volume: 60 L\n    alarms: {{{alarms}}}")
    assert one(faults_of(tmp_path, text)).key == f"vessels.fv1.alarms.{key}"


def test_hard_limits_upside_down(tmp_path: Path) -> None:
    fault = one(faults_of(tmp_path, changed("{low: 1 C, high: 26 C}", "{low: 26 C, high: 1 C}")))
    assert fault.key == "vessels.fv1.limits.high"


def test_a_low_limit_below_freezing_and_foreign_devices_are_worth_a_warning(tmp_path: Path) -> None:
    warnings = load(tmp_path, changed("{low: 1 C, high: 26 C}", "{low: -1 C, high: 26 C}")).warnings
    assert any("freezing limit" in warning for warning in warnings)
    assert any("two daemons" in warning and "fv1/heater" in warning for warning in warnings)
    assert not any("freezing limit" in warning for warning in load(tmp_path).warnings)


def test_a_probe_is_quiet_after_three_missed_reports_or_after_its_own_longest_silence(tmp_path: Path) -> None:
    assert load(tmp_path).site.vessels[0].probes[0].quiet_s == 30.0
    old = "pointer: /fv1, unit: C, reports_every: 10 s"
    silent = load(tmp_path, changed(old, "pointer: /fv1, unit: C, longest_silence: 2 h"))
    assert silent.site.vessels[0].probes[0].quiet_s == 7200.0
    for both in ("unit: C", "unit: C, reports_every: 10 s, longest_silence: 2 h"):
        assert one(faults_of(tmp_path, changed(old, f"pointer: /fv1, {both}"))).key.endswith("longest_silence")


def test_two_point_calibration_puts_both_points_right(tmp_path: Path) -> None:
    points = "[{measured: 0.4 C, actual: 0 C}, {measured: 24.9 C, actual: 25 C}]"
    text = changed("place: thermowell", f"place: thermowell, calibration: {{date: 2026-03-14, points: {points}}}")
    probe = load(tmp_path, text).site.vessels[0].probes[0]
    assert probe.place is Place.THERMOWELL
    assert probe.gain * 0.4 + probe.offset_k == pytest.approx(0.0)
    assert probe.gain * 24.9 + probe.offset_k == pytest.approx(25.0)


@pytest.mark.parametrize(
    "calibration",
    [
        "{offset: 0.2 K}",
        "{date: 14.3.2026, offset: 0.2 K}",
        "{date: 2026-03-14}",
        "{date: 2026-03-14, offset: 0.2 C}",
        "{date: 2026-03-14, offset: 9 K}",
        "{date: 2026-03-14, points: [{measured: 1 C, actual: 0 C}]}",
        "{date: 2026-03-14, points: [{measured: 1 C, actual: 0 C}, {measured: 2 C, actual: 1 C}]}",
        "{date: 2026-03-14, points: [{measured: 1 C, actual: 0 C}, {measured: 20 C, actual: 30 C}]}",
    ],
)
def test_a_calibration_that_cannot_be_is_refused(tmp_path: Path, calibration: str) -> None:
    text = changed("place: thermowell", f"place: thermowell, calibration: {calibration}")
    assert "well.calibration" in one(faults_of(tmp_path, text)).key


def test_the_loop_follows_from_the_vessel_where_the_file_gives_none(tmp_path: Path) -> None:
    text = changed("    volume: 60 L", "    volume: 60 L\n    wall_heat_capacity: 8 kJ/K")
    vessel = load(tmp_path, text).site.vessels[0]
    # 12 P wort: about 3.9 to 4.0 kJ/(kg K) (ICUMSA formula), so 60 L hold about 250 kJ/K, and the wall 8 more
    assert vessel.heat_capacity_j_per_k == pytest.approx(258_000, rel=0.03)
    # Skogestad 2003, integrating process with tau_c = theta: Kc = 0.5/(k' theta), Ti = 8 theta
    assert vessel.loop.gain_w_per_k == pytest.approx(0.5 * vessel.heat_capacity_j_per_k / 900)
    assert vessel.loop.integral_s == pytest.approx(8 * 900)
    assert vessel.loop.derivative_s == 0.0
    assert vessel.loop.kind is LoopKind.PID


def test_a_loop_of_the_brewers_own(tmp_path: Path) -> None:
    loop = "loop: {kind: on/off, deadband: 0.4 K, gain: 100 W/K, integral: 3 h, cycle: 30 min, changeover: 20 min}"
    made = load(tmp_path, changed("    volume: 60 L", f"    volume: 60 L\n    {loop}")).site.vessels[0].loop
    assert (made.kind, made.deadband_k, made.gain_w_per_k) == (LoopKind.ON_OFF, 0.4, 100.0)
    assert (made.integral_s, made.cycle_s, made.changeover_s) == (10_800.0, 1800.0, 1200.0)
    short = changed("    volume: 60 L", "    volume: 60 L\n    loop: {cycle: 3 min}")
    assert one(faults_of(tmp_path, short)).key == "vessels.fv1.loop.cycle"


def test_vessels_come_in_the_order_of_their_names(tmp_path: Path) -> None:
    second = SITE[SITE.index("  - name: fv1") :].replace("fv1", "fv0").replace("relay1", "r3").replace("relay2", "r4")
    assert [vessel.name for vessel in load(tmp_path, SITE + second).site.vessels] == ["fv0", "fv1"]


def test_password_from_a_file_or_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    secret = tmp_path / "secret"
    secret.write_text("hops\n")
    secret.chmod(0o600)
    from_file = changed("{host: 127.0.0.1}", "{host: 127.0.0.1, user: ch, password_file: secret}")
    installation = load(tmp_path, from_file)
    assert installation.broker.password == "hops"
    assert not any("password" in warning for warning in installation.warnings)
    secret.chmod(0o644)
    assert any("chmod" in warning for warning in load(tmp_path, from_file).warnings)
    monkeypatch.setenv("TEST_BROKER_PASSWORD", "malt")
    from_environment = from_file.replace("password_file: secret", "password_env: TEST_BROKER_PASSWORD")
    assert load(tmp_path, from_environment).broker.password == "malt"
    monkeypatch.delenv("TEST_BROKER_PASSWORD")
    assert "not set" in one(faults_of(tmp_path, from_environment)).found


def test_a_password_file_that_is_missing_or_empty(tmp_path: Path) -> None:
    text = changed("{host: 127.0.0.1}", "{host: 127.0.0.1, user: ch, password_file: secret}")
    assert "no such file" in one(faults_of(tmp_path, text)).found
    (tmp_path / "secret").write_text("\n")
    assert "empty" in one(faults_of(tmp_path, text)).found


def test_faults_of_the_profiles_are_reported_with_those_of_the_site_file(tmp_path: Path) -> None:
    (tmp_path / "profiles").mkdir()
    (tmp_path / "profiles" / "bad.yaml").write_text("title: Bad\nsteps: []\n")
    faults = faults_of(tmp_path, changed("    volume: 60 L", "    volume: 60"))
    assert [Path(fault.file).name for fault in faults] == ["site.yaml", "bad.yaml"]


def test_a_page_for_everybody_is_worth_a_warning(tmp_path: Path) -> None:
    text = changed("units: C", "units: C\nhttp: {host: 0.0.0.0, port: 8080}")
    assert any("no login" in warning for warning in load(tmp_path, text).warnings)
    for host in ("127.0.0.1", '"::1"', "localhost"):
        ours = changed("units: C", f"units: C\nhttp: {{host: {host}, port: 8080}}")
        assert not any("no login" in warning for warning in load(tmp_path, ours).warnings)
    assert load(tmp_path).http_host == defaults.HTTP_HOST
    assert load(tmp_path).http_port is None


def test_a_missing_file_is_a_fault_too(tmp_path: Path) -> None:
    with pytest.raises(FileFaults, match="no such file"):
        load_installation(tmp_path / "nowhere.yaml")


# A lost signal, and the budget of starts


def test_a_lost_signal_stops_the_cooler_unless_the_file_says_bounded(tmp_path: Path) -> None:
    (plain,) = load(tmp_path).site.vessels
    assert plain.signal_loss is SignalLoss.OFF
    text = changed("    volume: 60 L", "    volume: 60 L\n    signal_loss: bounded\n    coldest_room: 8 C")
    (bounded,) = load(tmp_path, text).site.vessels
    assert (bounded.signal_loss, bounded.coldest_room_c) == (SignalLoss.BOUNDED, 8.0)
    fault = one(faults_of(tmp_path, changed("    volume: 60 L", "    volume: 60 L\n    signal_loss: full")))
    assert (fault.key, fault.expected) == ("vessels.fv1.signal_loss", "off or bounded")


def test_bounded_warns_where_it_can_do_little(tmp_path: Path) -> None:
    cold = changed("    volume: 60 L", "    volume: 60 L\n    signal_loss: bounded\n    coldest_room: -10 C")
    assert any("only a wort above" in warning for warning in load(tmp_path, cold).warnings)
    mild = changed("    volume: 60 L", "    volume: 60 L\n    signal_loss: bounded")
    assert not any("blind" in warning for warning in load(tmp_path, mild).warnings)


def test_off_warns_of_a_big_vessel(tmp_path: Path) -> None:
    big = changed("    volume: 60 L", "    volume: 600 L")
    assert any("can warm by 3 K in 6 h" in warning for warning in load(tmp_path, big).warnings)
    assert not any("can warm" in warning for warning in load(tmp_path).warnings)


def test_a_budget_of_starts_is_a_whole_number_and_warns_of_shorter_cycles(tmp_path: Path) -> None:
    text = changed("power: 400 W", "power: 400 W\n      starts_per_day: 50")
    installation = load(tmp_path, text)
    (fermenter,) = installation.site.vessels
    assert fermenter.cooler is not None
    assert fermenter.heater is not None
    assert (fermenter.cooler.starts_per_day, fermenter.heater.starts_per_day) == (50.0, 100.0)
    assert any("fv1/cooler: a cycle of 20 min can mean 72 starts" in warning for warning in installation.warnings)
    fault = one(faults_of(tmp_path, changed("power: 400 W", "power: 400 W\n      starts_per_day: many")))
    assert (fault.key, fault.expected) == ("vessels.fv1.cooler.starts_per_day", "a whole number from 4 to 2000")


@pytest.mark.parametrize(
    ("old", "new", "key", "found"),
    [
        ("    volume: 60 L", "    volume: -60 L", "vessels.fv1.volume", "-60 L"),
        ("    volume: 60 L", "    volume: 1 L", "vessels.fv1.cooler.power", "would cool the wort by"),
    ],
)
def test_figures_of_a_vessel_that_cannot_be_are_refused(
    tmp_path: Path, old: str, new: str, key: str, found: str
) -> None:
    fault = next(each for each in faults_of(tmp_path, changed(old, new)) if each.key == key)
    assert found in fault.found


def test_a_coil_of_ten_kilowatts_in_a_small_vessel_is_refused_in_words(tmp_path: Path) -> None:
    power = next(line for line in SITE.splitlines() if line.strip().startswith("power:"))
    fault = next(
        each
        for each in faults_of(tmp_path, changed(power, power.split("power:")[0] + "power: 50 kW"))
        if each.key.endswith("cooler.power")
    )
    assert "50000 W for 60 L, which would cool the wort by" in fault.found
    assert "usually 1 to 10 K an hour" in fault.expected
