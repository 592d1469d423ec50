"""A contactor and a shared pump on a real broker: what goes out, in which order, and what is shown of it."""

import signal
import sqlite3
from pathlib import Path

import pytest

from controller.config import load_installation
from controller.control.diagnosis import OutputFault
from controller.control.lifecycle import initial_state
from controller.control.state import OutputState
from controller.outputs import driven_outputs, off_records
from controller.reloading import fingerprint, plan_reload
from tests.runtime.daemons import CONE_COOLER, CONE_HEATER, EXAMPLE, Cellar, Daemon, example_site, reload, until
from tests.servers import Mosquitto

CONTACTOR, PUMP = "cellar/relay8/set", "cellar/relay9/set"
SHARED = ["upstream/glycol", "upstream/heat"]
WATER = ("--batch", "Water", "--setpoint", "8 C", "--volume", "10 L")


def shared_site(folder: Path, port: int) -> Path:
    """The example site with the marks before its contactor and pump taken away, and short protective times."""
    site = example_site(folder, port)
    text = site.read_text()
    head, marked = text[: text.index("# contactors:")], text[text.index("# contactors:") :]
    for key in ("contactors:", "shared_pumps:", "  "):  # not the sentences between them
        marked = marked.replace(f"\n# {key}", f"\n{key}").removeprefix("# ")
    for long, short in (("30 s", "5 s"), ("1 min", "5 s"), ("leads: 10 s", "leads: 2 s")):
        assert long in marked
        marked = marked.replace(long, short)
    site.write_text(head + marked)
    return site


def test_the_example_says_how_a_contactor_and_a_shared_pump_are_written(tmp_path: Path) -> None:
    installation = load_installation(shared_site(tmp_path, 1883))
    assert [device.output.tag for device in installation.site.upstream] == SHARED
    assert not any("against the valve" in warning for warning in installation.warnings)
    assert not load_installation(EXAMPLE).site.upstream


def test_all_that_is_to_be_switched_off_begins_with_the_pump_and_the_contactor(tmp_path: Path) -> None:
    installation = load_installation(shared_site(tmp_path, 1883))
    assert list(installation.actuators)[:2] == SHARED
    assert list(driven_outputs(installation.site, initial_state(installation.site, 0.0)))[:2] == SHARED


def test_an_off_from_outside_the_core_is_recorded_for_what_belongs_to_no_vessel(tmp_path: Path) -> None:
    site = load_installation(shared_site(tmp_path, 1883)).site
    state = initial_state(site, 0.0)
    running = OutputState(True, 0.0, 0.0, "a valve asks for flow")
    state = state._replace(upstream={**state.upstream, "upstream/glycol": running})
    [record] = off_records(site, state, "the service stops")
    assert (record.vessel, record.subject, record.value, record.reason) == ("", "glycol", "off", "the service stops")


def test_a_pump_that_moves_is_withdrawn_where_it_was_and_begins_off(tmp_path: Path) -> None:
    path = shared_site(tmp_path, 1883)
    old = load_installation(path)
    path.write_text(path.read_text().replace(PUMP, "cellar/relay7/set"))
    state = initial_state(old.site, 0.0)
    running = OutputState(True, 0.0, 0.0, "a valve asks for flow")
    fault = {"heater will not stop": OutputFault(0.0, "warms when off")}
    state = state._replace(
        upstream=dict.fromkeys(SHARED, running),
        vessels={**state.vessels, "cone-120": state.vessels["cone-120"]._replace(faults=fault)},
    )
    plan = plan_reload(old, fingerprint(old.broker), load_installation(path), state, 100.0)
    assert list(plan.withdrawn) == ["upstream/glycol"]
    assert [plan.state.upstream[tag].on for tag in SHARED] == [False, True]
    assert plan.state.vessels["cone-120"].faults == fault


def test_a_heater_that_moves_is_another_device_and_what_was_held_against_it_goes(tmp_path: Path) -> None:
    path = example_site(tmp_path, 1883)
    old = load_installation(path)
    path.write_text(path.read_text().replace(CONE_HEATER, "cellar/relay7/set"))
    state = initial_state(old.site, 0.0)
    faults = {"heater will not stop": OutputFault(0.0, "warms when off")}
    vessels = {name: now._replace(faults=faults) for name, now in state.vessels.items() if now.heater}
    assert len(vessels) > 1
    plan = plan_reload(
        old,
        fingerprint(old.broker),
        load_installation(path),
        state._replace(vessels={**state.vessels, **vessels}),
        100.0,
    )
    assert list(plan.withdrawn) == ["cone-120/heater"]
    assert {name for name, now in plan.state.vessels.items() if now.faults} == vessels.keys() - {"cone-120"}


@pytest.mark.servers
def test_the_devices_hear_valve_before_pump_and_at_the_end_pump_before_valve(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    cellar.client.subscribe([(CONTACTOR, 1), (PUMP, 1)])
    with Daemon(shared_site(tmp_path, server.port)) as daemon:
        daemon.wait_until_scanning()
        started = daemon.say("start", "cone-120", *WATER)
        assert started.returncode == 0, started.stderr
        until(lambda: cellar.is_on(CONTACTOR), "the contactor")
        until(lambda: cellar.is_on(PUMP), "the pump")
        until(lambda: daemon.status()["upstream"]["glycol"]["on_s"] >= 1, "a second of flow")
        shown = daemon.status()["upstream"]
        assert (shown["glycol"]["kind"], shown["glycol"]["reason"]) == ("pump", "a valve asks for flow")
        assert shown["heat"]["feeds"] == ["cone-120/heater", "pilot-20/heater"]
        assert daemon.metrics()['cellarhand_output_on{output="glycol",site="cellar"}'] == 1
        assert "pump glycol ON" in daemon.say("status").stdout
        assert daemon.end(signal.SIGTERM) == 0
        until(lambda: not cellar.is_on(CONE_COOLER), "the valve's off")
        log = daemon.log()
        assert "everything is off, confirmed by the broker" in log
        assert "Traceback" not in log
    heard = [message.topic for message in cellar.heard]
    words = [message.payload for message in cellar.heard]
    first = {topic: next(i for i, t in enumerate(heard) if t == topic) for topic in (PUMP, CONTACTOR, CONE_COOLER)}
    assert first[PUMP] < first[CONTACTOR] < first[CONE_COOLER]
    opened = next(i for i, t in enumerate(heard) if t == CONE_COOLER and words[i] == b"ON")
    began = next(i for i, t in enumerate(heard) if t == PUMP and words[i] == b"ON")
    assert opened < began
    last = {topic: max(i for i, t in enumerate(heard) if t == topic) for topic in (PUMP, CONTACTOR, CONE_COOLER)}
    assert last[PUMP] < last[CONTACTOR] < last[CONE_COOLER]
    assert {words[at] for at in last.values()} == {b"OFF"}
    with sqlite3.connect(tmp_path / "state" / "history.sqlite") as store:
        told = store.execute(
            "SELECT subject, value, reason FROM records WHERE vessel = '' AND kind = 'output' ORDER BY rowid"
        ).fetchall()
    assert told == [
        ("heat", "on", "a vessel that it feeds is regulated"),
        ("glycol", "on", "a valve asks for flow"),
        ("glycol", "off", "the service stops"),
        ("heat", "off", "the service stops"),
    ]


@pytest.mark.servers
def test_a_pump_taken_out_of_the_file_is_switched_off_and_its_valve_becomes_a_cooler_of_its_own(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    cellar.client.subscribe([(CONTACTOR, 1), (PUMP, 1)])
    site = shared_site(tmp_path, server.port)
    with Daemon(site) as daemon:
        daemon.wait_until_scanning()
        assert daemon.say("start", "cone-120", *WATER).returncode == 0
        until(lambda: cellar.is_on(PUMP), "the pump")
        text = site.read_text()
        site.write_text(text[: text.index("shared_pumps:")])
        reload(daemon, "off, confirmed by the broker, and no longer driven: upstream/glycol")
        assert not cellar.is_on(PUMP)
        assert cellar.is_on(CONE_COOLER)
        assert list(daemon.status()["upstream"]) == ["heat"]
        assert daemon.end() == 0
