"""SIGHUP: the files are read again; what is right is in use from the next scan on, what is wrong changes nothing."""

import signal
import subprocess
from pathlib import Path

import pytest

from tests.runtime.daemons import (
    CONE_COOLER,
    KEG_COOLER,
    NODE_COOLER,
    NODE_HEATER,
    PROBES,
    Cellar,
    Daemon,
    example_site,
    reload,
    until,
)
from tests.runtime.manager import Manager
from tests.servers import USER, Mosquitto, program

pytestmark = pytest.mark.servers

IN_USE, REFUSED = "the files were read again and are in use", "the files were read again and refused"
WATER = ("--batch", "Water", "--setpoint", "8 C", "--volume", "10 L")
PILOT = "  - name: pilot-20"
SECOND_KEG = """
  - name: keg-51
    volume: 50 L
    probes: [{name: well, topic: cellar/new, pointer: /keg-51, unit: C, reports_every: 10 s, place: thermowell}]
    cooler: {topic: cellar/relay4/set, on: "ON", off: "OFF", power: 300 W, ends: device timer 120 s}
    limits: {low: 1 C, high: 25 C}
"""


def change(site: Path, *changes: tuple[str, str]) -> None:
    """Edit the site file as a brewer would."""
    text = site.read_text()
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} must occur once"
        text = text.replace(old, new)
    site.write_text(text)


def without_pilot(site: Path) -> None:
    text = site.read_text()
    site.write_text(text[: text.index(PILOT)])


def cooling(daemon: Daemon, cellar: Cellar, vessel: str, topic: str) -> None:
    daemon.wait_until_scanning()
    started = daemon.say("start", vessel, *WATER)
    assert started.returncode == 0, started.stderr
    until(lambda: cellar.is_on(topic), "the cooler's on")


def test_a_new_vessel_is_driven_while_the_others_go_on_undisturbed(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    site = example_site(tmp_path, server.port)
    cellar.client.subscribe("cellar/relay4/set", 1)
    with Daemon(site) as daemon:
        cooling(daemon, cellar, "cone-120", CONE_COOLER)
        before = len(cellar.orders(CONE_COOLER))
        site.write_text(site.read_text() + SECOND_KEG)
        reload(daemon, IN_USE)
        until(lambda: cellar.orders("cellar/relay4/set") == [False], "the new pump's first off")
        until(lambda: "keg-51" in daemon.status()["vessels"], "the new vessel's status")
        cellar.worts["keg-51"] = 19.0

        def trusted() -> bool:
            cellar.publish("cellar/new", '{"keg-51": 19.0}')
            return daemon.status()["vessels"]["keg-51"]["temperature_c"] is not None

        until(trusted, "a reading from a topic that was not in the file before")
        assert False not in cellar.orders(CONE_COOLER)[before:]
        assert daemon.status()["vessels"]["cone-120"]["batch"]["name"] == "Water"
        assert daemon.end() == 0
        assert "Traceback" not in daemon.log()


def test_a_file_with_faults_changes_nothing_and_one_line_names_them_all(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    site = example_site(tmp_path, server.port)
    with Daemon(site) as daemon:
        cooling(daemon, cellar, "cone-120", CONE_COOLER)
        before = len(cellar.orders(CONE_COOLER))
        change(site, ("high: 26 C}", "hihg: 26 C}"), ("deadband: 0.4 K", "deadband: much"))
        told = reload(daemon, REFUSED)
        (line,) = [line for line in told if REFUSED in line]
        assert "ERROR" in line
        assert "hihg" in line
        assert "much" in line
        assert "all goes on as before" in line
        began = daemon.metrics()["cellarhand_scans_total"]
        until(lambda: daemon.metrics()["cellarhand_scans_total"] >= began + 3, "three more scans")
        assert False not in cellar.orders(CONE_COOLER)[before:]
        change(site, ("hihg: 26 C}", "high: 26 C}"), ("deadband: much", "deadband: 0.5 K"))
        reload(daemon, IN_USE)
        assert daemon.end() == 0


def test_a_vessel_with_a_batch_stays_until_the_batch_has_ended(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    site = example_site(tmp_path, server.port)
    cellar.worts["pilot-20"] = 25.0
    with Daemon(site) as daemon:
        cooling(daemon, cellar, "pilot-20", NODE_COOLER)
        without_pilot(site)
        (line,) = [line for line in reload(daemon, REFUSED) if REFUSED in line]
        assert "a batch in pilot-20" in line
        assert cellar.is_on(NODE_COOLER)
        assert "pilot-20" in daemon.status()["vessels"]
        assert daemon.say("packaged", "pilot-20").returncode == 0
        until(lambda: not cellar.is_on(NODE_COOLER), "the cooler's off")
        before = {topic: len(cellar.orders(topic)) for topic in (NODE_COOLER, NODE_HEATER)}
        reload(daemon, "off, confirmed by the broker, and no longer driven: pilot-20/cooler, pilot-20/heater")
        for topic, count in before.items():
            until(
                lambda topic=topic, count=count: cellar.orders(topic)[count:][-1:] == [False], "the off at the device"
            )
        assert "pilot-20" not in daemon.status()["vessels"]
        state = "cellarhand/cellar/pilot-20/state"
        until(lambda: [m.payload for m in cellar.heard if m.topic == state][-1] == b"", "the kept state's end")
        assert daemon.end() == 0


def test_an_output_that_moves_is_switched_off_where_it_was(tmp_path: Path, server: Mosquitto, cellar: Cellar) -> None:
    site = example_site(tmp_path, server.port)
    cellar.client.subscribe("cellar/relay9/set", 1)
    with Daemon(site) as daemon:
        cooling(daemon, cellar, "keg-50", KEG_COOLER)
        change(site, ("topic: cellar/relay3/set", "topic: cellar/relay9/set"))
        reload(daemon, "off, confirmed by the broker, and no longer driven: keg-50/cooler")
        assert not cellar.is_on(KEG_COOLER)
        until(lambda: cellar.is_on("cellar/relay9/set"), "cooling at the new place")
        assert cellar.orders("cellar/relay9/set")[0] is False  # rule 3: off before anything else
        assert not cellar.is_on(KEG_COOLER)
        assert daemon.end() == 0


def test_an_output_taken_away_whose_device_does_not_listen_is_said_not_to_be_confirmed(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    site = example_site(tmp_path, server.port)
    with Daemon(site) as daemon:
        cooling(daemon, cellar, "keg-50", KEG_COOLER)
        cellar.stop_listening(KEG_COOLER)
        change(site, ("topic: cellar/relay3/set", "topic: cellar/relay9/set"))
        told = reload(daemon, "not confirmed off: keg-50/cooler (last on)")
        assert any(f"no device listens to {KEG_COOLER}; its own timer ends it" in line for line in told)
        assert daemon.end() == 0


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("site: cellar ", "site: attic ", "the site's name"),
        ("state_dir: state ", "state_dir: elsewhere ", "the state directory"),
        ("host: 127.0.0.1           # must", "host: localhost # must", "the broker's host or port"),
        ("scan: 1 s ", "scan: 2 s ", "the scan period"),
        ("log: text ", "log: json ", "the log's format"),
    ],
)
def test_what_needs_a_restart_is_refused_and_says_so(
    tmp_path: Path, server: Mosquitto, cellar: Cellar, old: str, new: str, named: str
) -> None:
    site = example_site(tmp_path, server.port)
    with Daemon(site) as daemon:
        daemon.wait_until_scanning()
        change(site, (old, new))
        (line,) = [line for line in reload(daemon, REFUSED) if REFUSED in line]
        assert f"{named} can only change by a restart" in line
        assert not (tmp_path / "elsewhere").exists()
        assert daemon.healthz() == 200


def test_a_renewed_password_is_taken_up_and_a_secret_that_cannot_be_read_is_not(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    site = example_site(tmp_path, server.port)
    secret = tmp_path / "broker-password"
    with Daemon(site) as daemon:
        daemon.wait_until_scanning()
        kept = secret.read_text()
        secret.unlink()
        (line,) = [line for line in reload(daemon, REFUSED) if REFUSED in line]
        assert "broker-password" in line
        assert daemon.healthz() == 200
        secret.write_text(kept)
        secret.chmod(0o600)
        renewed = "a renewed password"
        subprocess.run(
            [program("mosquitto_passwd"), "-b", str(tmp_path / "passwords"), USER, renewed],
            check=True,
            capture_output=True,
        )
        assert server._process is not None
        server._process.send_signal(signal.SIGHUP)  # mosquitto(8): passwords are read again
        cellar.client.username_pw_set(USER, renewed)
        secret.write_text(renewed)
        connected = daemon.log().count("connected to the broker")
        reload(daemon, IN_USE)
        until(lambda: daemon.log().count("connected to the broker") > connected, "a connection with the new password")
        daemon.wait_until_scanning()
        until(cellar.client.is_connected, "the devices' return")
        assert daemon.end() == 0


def test_the_manager_hears_ready_after_the_first_off_and_of_every_reload(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    site = example_site(tmp_path, server.port)
    with Manager(tmp_path) as manager, Daemon(site, manager=manager) as daemon:
        until(lambda: manager.turns() == ["READY=1"], "ready")
        assert cellar.orders(CONE_COOLER)[:1] == [False]
        reload(daemon, IN_USE)
        until(lambda: manager.turns() == ["READY=1", "RELOADING=1", "READY=1"], "reloaded")
        change(site, ("high: 26 C}", "hihg: 26 C}"))
        reload(daemon, REFUSED)
        until(lambda: manager.turns()[3:] == ["RELOADING=1", "READY=1"], "refused, and ready as before")
        began = manager.count("WATCHDOG=1")
        until(lambda: manager.count("WATCHDOG=1") >= began + 2, "the watchdog's food")
        assert daemon.say("start", "cone-120", *WATER).returncode == 0
        until(lambda: "cone-120 17.6 °C" in manager.status(), "a status with the wort's temperature")
        assert daemon.end() == 0
        assert manager.turns()[-1] == "STOPPING=1"


def test_probes_report_to_a_new_topic_after_a_reload_and_no_longer_to_the_old(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    site = example_site(tmp_path, server.port)
    with Daemon(site) as daemon:
        daemon.wait_until_scanning()
        until(lambda: daemon.status()["vessels"]["pilot-20"]["temperature_c"] is not None, "the first reading")
        head, pilot = site.read_text().split(PILOT)
        site.write_text(head + PILOT + pilot.replace(f"topic: {PROBES}", "topic: cellar/moved"))
        reload(daemon, IN_USE)

        def shows(celsius: float) -> bool:
            cellar.publish("cellar/moved", '{"pilot-20": 12.0}')
            seen = daemon.status()["vessels"]["pilot-20"]["temperature_c"]
            return seen is not None and abs(seen - celsius) < 0.1

        until(lambda: shows(12.0), "the reading from the new topic")  # the old topic still says 18 °C
        assert daemon.end() == 0
