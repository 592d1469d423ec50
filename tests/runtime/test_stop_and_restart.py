"""However a daemon ends, its outputs are off; and it goes on where it was."""

import json
import signal
import sqlite3
from pathlib import Path

import pytest

from tests.runtime.daemons import (
    CONE_COOLER,
    KEG_COOLER,
    NODE_COOLER,
    OUTPUTS,
    PROBES,
    Cellar,
    Daemon,
    example_site,
    until,
)
from tests.servers import Mosquitto

pytestmark = pytest.mark.servers

WATER = ("--batch", "Water", "--setpoint", "8 C", "--volume", "10 L")


def cooling(daemon: Daemon, cellar: Cellar, vessel: str, topic: str) -> None:
    """A batch is started far above its setpoint, and its cooler runs."""
    daemon.wait_until_scanning()
    started = daemon.say("start", vessel, *WATER)
    assert started.returncode == 0, started.stderr
    until(lambda: cellar.is_on(topic), "the cooler's on")


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT], ids=["SIGTERM", "Ctrl-C"])
def test_a_polite_end_commands_everything_off_and_saves(
    tmp_path: Path, server: Mosquitto, cellar: Cellar, how: signal.Signals
) -> None:
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        cooling(daemon, cellar, "cone-120", CONE_COOLER)
        before = {topic: len(cellar.orders(topic)) for topic in OUTPUTS}
        assert daemon.end(how) == 0
        until(lambda: all(len(cellar.orders(topic)) > before[topic] for topic in OUTPUTS), "an off for each output")
        assert not any(cellar.is_on(topic) for topic in OUTPUTS)
        assert "everything is off, confirmed by the broker" in daemon.log()
        assert "Traceback" not in daemon.log()
    with sqlite3.connect(tmp_path / "state" / "history.sqlite") as store:
        last = store.execute(
            "SELECT value, reason FROM records WHERE vessel = 'cone-120' AND subject = 'cooler' ORDER BY rowid DESC"
        ).fetchone()
    assert last == ("off", "the service stops")  # design rule 11: every change of an output, with its reason


def test_a_frozen_broker_does_not_hold_up_the_end(tmp_path: Path, server: Mosquitto, cellar: Cellar) -> None:
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        cooling(daemon, cellar, "cone-120", CONE_COOLER)
        server.freeze()
        assert daemon.end() == 0
        server.thaw()
        log = daemon.log()
        assert "not confirmed off: cone-120/cooler (last on), cone-120/heater (last off), keg-50/cooler" in log
        assert "the broker did not acknowledge it within 2 s; its own timer ends it" in log
        assert "Traceback" not in log


def test_an_output_whose_device_does_not_listen_is_named_once_with_the_cause(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        cooling(daemon, cellar, "keg-50", KEG_COOLER)
        cellar.stop_listening(CONE_COOLER)
        complaint = f"cone-120/cooler does not get its commands: no device listens to {CONE_COOLER}"
        assert daemon.say("start", "cone-120", *WATER).returncode == 0
        until(lambda: complaint in daemon.log(), "the complaint")
        began = daemon.metrics()["cellarhand_scans_total"]
        until(lambda: daemon.metrics()["cellarhand_scans_total"] >= began + 3, "three more scans")
        assert daemon.log().count(complaint) == 1
        assert daemon.status()["service"]["outputs_without_device"] == {
            "cone-120/cooler": f"no device listens to {CONE_COOLER}"
        }
        for words in (["status"], ["status", "cone-120"]):
            assert daemon.say(*words).stdout.startswith(f"! {complaint}")
        assert complaint not in daemon.say("status", "keg-50").stdout
        cellar.client.subscribe(CONE_COOLER, 1)
        until(lambda: "cone-120/cooler gets its commands again" in daemon.log(), "the device's return")
        until(lambda: not daemon.status()["service"]["outputs_without_device"], "a status that is well again")
        cellar.stop_listening(CONE_COOLER)
        assert daemon.end() == 0
        unsure = [line for line in daemon.log().splitlines() if "not confirmed off" in line]
        assert len(unsure) == 1
        assert f"cone-120/cooler (last on): no device listens to {CONE_COOLER}; its own timer ends it" in unsure[0]


def test_after_a_power_cut_everything_goes_off_first_and_the_batch_goes_on(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    site = example_site(tmp_path, server.port)

    def orders() -> list[dict[str, float]]:
        return [json.loads(message.payload) for message in list(cellar.heard) if message.topic == NODE_COOLER]

    cellar.worts["pilot-20"] = 25.0  # far above where the profile begins
    with Daemon(site) as daemon:
        daemon.wait_until_scanning()
        started = daemon.say(
            "start", "pilot-20", "--batch", "Pale", "--profile", "clean-ale", "--og", "1.050", "--volume", "20 L"
        )
        assert started.returncode == 0, started.stderr
        until(lambda: cellar.is_on(NODE_COOLER), "the cooler's on")
        assert daemon.say("gravity", "pilot-20", "1.048").returncode == 0  # a record takes the state to the disk
        step = daemon.status()["vessels"]["pilot-20"]["step"]
        daemon.end(signal.SIGKILL)
    before = orders()
    cellar.reporting = False
    cellar.publish(PROBES, json.dumps(cellar.worts), retain=True)  # what a broker has kept is no reading
    with Daemon(site, 2) as daemon:
        daemon.wait_until_scanning()
        until(lambda: len(orders()) > len(before), "the first command")
        first = orders()[len(before)]
        assert first["on"] is False
        assert first["epoch"] > before[-1]["epoch"]
        assert first["number"] > max(order["number"] for order in before)
        status = daemon.status()["vessels"]["pilot-20"]
        assert (status["batch"]["name"], status["state"], status["batch"]["gravity"]) == ("Pale", "running", 1.048)
        assert status["step"]["name"] == step["name"]
        assert abs(status["step"]["elapsed_s"] - step["elapsed_s"]) <= 60.0  # what a power cut may take
        began = daemon.metrics()["cellarhand_scans_total"]
        until(lambda: daemon.metrics()["cellarhand_scans_total"] >= began + 8, "scans without a reading")
        assert not any(order["on"] for order in orders()[len(before) :])
        cellar.reporting = True
        until(lambda: orders()[-1]["on"], "cooling again, on good signals")
        assert "going on after a stop: pilot-20: Pale running" in daemon.log()
        assert daemon.end() == 0
    assert orders()[-1]["on"] is False
