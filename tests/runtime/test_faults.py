"""When the daemon itself fails: everything off first, then a clear end."""

import asyncio
import resource
import socket
from collections.abc import Callable
from pathlib import Path

import pytest

from controller import runtime
from controller.cli import main
from controller.config import load_installation
from controller.control.site import Site
from controller.control.state import SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Inputs
from controller.historian.query import read_saved_state
from controller.hmi.operator_socket import OperatorSocket
from tests.runtime.daemons import CONE_COOLER, OUTPUTS, Cellar, Daemon, example_site, reload, until
from tests.servers import Mosquitto

pytestmark = pytest.mark.servers

START = Action("1", "cone-120", "start", {"batch": "Water", "setpoint_c": 8.0, "volume_l": 100.0}, "test")


def step_until_cooling(cellar: Cellar, then: Callable[[], object]) -> Callable[[Site, SiteState, Inputs], StepResult]:
    """The core, with a batch started at its first scan; `then` is called once the pump has heard its "on"."""

    def scan(site: Site, state: SiteState, inputs: Inputs) -> StepResult:
        if "1" not in state.answers:
            inputs = inputs._replace(actions=(START,))
        if cellar.is_on(CONE_COOLER):
            then()
        return step(site, state, inputs)

    return scan


def test_a_bug_in_the_core_leaves_everything_off_and_the_state_on_disk(
    tmp_path: Path,
    server: Mosquitto,
    cellar: Cellar,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    def stumble() -> None:
        raise ZeroDivisionError("a bug of this test")

    monkeypatch.setattr(runtime, "step", step_until_cooling(cellar, stumble))
    before = {topic: len(cellar.orders(topic)) for topic in OUTPUTS}
    assert main(["run", "--site", str(example_site(tmp_path, server.port))]) == 1
    until(lambda: not cellar.is_on(CONE_COOLER), "the pump's off")
    assert all(len(cellar.orders(topic)) > before[topic] and not cellar.is_on(topic) for topic in OUTPUTS)
    log = capfd.readouterr().err
    assert log.count(" ERROR ") == 1
    assert " ERROR ended by a fault, everything was commanded off: a bug of this test\n" in log
    assert "ZeroDivisionError" in log  # a bug is reported with its trace
    saved = read_saved_state(tmp_path / "state" / "history.sqlite")
    assert saved is not None
    batch = saved.vessels["cone-120"].batch
    assert batch is not None
    assert batch.name == "Water"


def test_the_failure_reaches_whoever_runs_the_service(
    tmp_path: Path, server: Mosquitto, cellar: Cellar, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble() -> None:
        raise ZeroDivisionError("a bug of this test")

    monkeypatch.setattr(runtime, "step", step_until_cooling(cellar, stumble))
    service = runtime.Service(load_installation(example_site(tmp_path, server.port)))
    with pytest.raises(BaseExceptionGroup) as group:
        asyncio.run(service.run(asyncio.Event()))
    assert group.value.subgroup(ZeroDivisionError) is not None
    until(lambda: not cellar.is_on(CONE_COOLER), "the pump's off")


def test_a_part_that_ends_by_itself_ends_the_daemon_with_everything_off(
    tmp_path: Path,
    server: Mosquitto,
    cellar: Cellar,
    monkeypatch: pytest.MonkeyPatch,
    capfd: pytest.CaptureFixture[str],
) -> None:
    over = asyncio.Event()

    async def serve(self: OperatorSocket) -> None:
        await over.wait()

    monkeypatch.setattr(OperatorSocket, "serve", serve)
    monkeypatch.setattr(runtime, "step", step_until_cooling(cellar, over.set))
    assert main(["run", "--site", str(example_site(tmp_path, server.port))]) == 1
    until(lambda: not cellar.is_on(CONE_COOLER), "the pump's off")
    assert "serve ended while the service was running" in capfd.readouterr().err


def test_a_port_in_use_is_named_and_ends_the_daemon(tmp_path: Path, server: Mosquitto, cellar: Cellar) -> None:
    site = example_site(tmp_path, server.port)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        text = site.read_text()
        http = text.index("http:")
        began = text.index("port: ", http)
        site.write_text(f"{text[:began]}port: {port}{text[text.index(chr(10), began) :]}")
        with Daemon(site) as daemon:
            assert daemon.process.wait(60) == 1
            assert f"http: cannot listen on 127.0.0.1 port {port}" in daemon.log()
            assert "choose another port or address" in daemon.log()
            assert "Traceback" not in daemon.log()
    assert not any(any(cellar.orders(topic)) for topic in OUTPUTS)


def test_a_state_directory_too_deep_for_a_socket_is_named(tmp_path: Path, server: Mosquitto) -> None:
    deep = "/".join(["a" * 40] * 3)  # a Unix socket's path has room for 107 bytes: unix(7)
    with Daemon(example_site(tmp_path, server.port, ("state_dir: state ", f"state_dir: {deep} "))) as daemon:
        assert daemon.process.wait(60) == 1
        assert f"operators cannot be served at {tmp_path / deep}/operator.sock" in daemon.log()
        assert "Traceback" not in daemon.log()


def test_a_second_daemon_on_the_same_store_is_refused_and_disturbs_nothing(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    site = example_site(tmp_path, server.port)
    with Daemon(site) as first:
        first.wait_until_scanning()
        first.say("start", "cone-120", "--batch", "Water", "--setpoint", "8 C")
        until(lambda: cellar.is_on(CONE_COOLER), "the cooler's on")
        before = len(cellar.orders(CONE_COOLER))
        with Daemon(site, 2) as second:
            assert second.process.wait(60) == 1
            assert "cannot run: " in second.log()
            assert str(tmp_path / "state" / "history.sqlite") in second.log()
            assert "nothing was changed" in second.log()
            assert "Traceback" not in second.log()
        assert first.healthz() == 200
        assert first.say("status").returncode == 0
        assert False not in cellar.orders(CONE_COOLER)[before:]
        assert first.end() == 0


def test_a_disk_that_fails_is_told_once_and_the_vessels_are_regulated_on(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    state = tmp_path / "state"
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        daemon.wait_until_scanning()
        daemon.say("start", "cone-120", "--batch", "Water", "--setpoint", "8 C")
        until(lambda: cellar.is_on(CONE_COOLER), "the cooler's on")
        limits = resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE)
        small = (16_384, limits[1])  # bytes of a file: the log stays below, the store's write-ahead log does not
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, small)
        complaint = f"{state / 'history.sqlite'} cannot be written"
        until(lambda: complaint in daemon.log(), "the complaint")
        began = daemon.metrics()["cellarhand_scans_total"]
        until(lambda: daemon.metrics()["cellarhand_scans_total"] >= began + 4, "four more scans")
        assert daemon.log().count(complaint) == 1
        assert "the vessels are controlled on" in daemon.log()
        assert daemon.say("status").stdout.startswith("! nothing is stored, the vessels are controlled on: ")
        assert cellar.is_on(CONE_COOLER)
        resource.prlimit(daemon.process.pid, resource.RLIMIT_FSIZE, limits)
        until(lambda: "is written again" in daemon.log(), "the disk's return")
        assert daemon.end() == 0
        assert "Traceback" not in daemon.log()


def test_a_later_daemon_with_a_store_of_its_own_takes_over_and_the_earlier_stops_driving(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    with Daemon(example_site(tmp_path, server.port)) as first:
        first.wait_until_scanning()
        first.say("start", "cone-120", "--batch", "Water", "--setpoint", "8 C")
        until(lambda: cellar.is_on(CONE_COOLER), "the cooler's on")
        with Daemon(example_site(elsewhere, server.port)) as second:
            second.wait_until_scanning()
            until(lambda: "another daemon drives this site" in first.log(), "the first's knowledge of the second")
            assert first.healthz() == 503
            assert first.say("status").stdout.startswith("! another daemon drives this site")
            second.wait_until_scanning()  # the first came back once before it knew, under the same client id
            until(lambda: not cellar.is_on(CONE_COOLER), "the second's first off")
            doubt = 'does another program use the client id "cellarhand-cellar" too?'
            until(lambda: doubt in second.log(), "the second's own word")
            refused = reload(first, "the files were read again and refused")
            assert any("no longer drives the site" in line for line in refused)
            assert first.end() == 0
            assert "everything is off" not in first.log()  # it said nothing to devices that are no longer its own
            assert "not confirmed off" not in first.log()
            second.wait_until_scanning()
            assert second.end() == 0
            assert "everything is off, confirmed by the broker" in second.log()
