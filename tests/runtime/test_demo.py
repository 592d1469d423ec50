"""The demo is the daemon: the same service, with a simulated cellar instead of devices."""

import asyncio
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

import controller.demo
from controller import runtime
from controller.cli import main
from controller.clock import SystemClock
from controller.config import load_installation
from controller.control.site import Site
from controller.control.step import StepResult
from controller.demo import Spectator, demo_installation, demo_service
from controller.demo_lockstep import PlantClock
from controller.installation import Broker
from controller.runtime import Service
from controller.shipped import shipped_path
from tests.runtime.daemons import ROOT, until
from tests.servers import program

HOUR_S = 3600.0
SOMEWHERE = Broker("127.0.0.1", 1, None, None, "cellarhand-demo")


def test_the_demo_reads_the_shipped_site_and_changes_only_broker_and_directory(tmp_path: Path) -> None:
    shipped = load_installation(shipped_path("demo-site.yaml"))
    assert demo_installation(SOMEWHERE, tmp_path) == replace(shipped, broker=SOMEWHERE, state_dir=tmp_path)


def test_run_makes_the_same_service_and_adds_only_how_to_read_the_files_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[tuple[tuple[object, ...], dict[str, object]]] = []

    class Noted(Service):
        def __init__(self, *given: object, **named: object) -> None:
            made.append((given, named))
            super().__init__(*given, **named)  # type: ignore[arg-type]

        async def run(self, stop: asyncio.Event) -> None:
            return None

    monkeypatch.setattr(runtime, "Service", Noted)
    site = shipped_path("demo-site.yaml")
    assert main(["run", "--site", str(site)]) == 0
    assert [(given, named.keys()) for given, named in made] == [((load_installation(site),), {"reread"})]


def test_the_demos_service_differs_from_that_of_run_in_clock_and_spectator_only(tmp_path: Path) -> None:
    installation = demo_installation(SOMEWHERE, tmp_path)
    watching = Spectator(Console(quiet=True))
    clock = PlantClock(SOMEWHERE)
    demo, run = demo_service(installation, clock, watching), Service(installation)
    assert type(demo) is type(run) is Service
    assert vars(demo).keys() == vars(run).keys()
    given = ("_make_clock", "_observe")
    assert demo._make_clock(0.0, None) is clock
    assert demo._observe == watching.see
    assert run._make_clock is SystemClock
    for name in vars(run).keys() - given:
        assert type(vars(demo)[name]) is type(vars(run)[name]), name
    assert (demo.installation, demo.site) == (run.installation, run.site)


class Checker(Spectator):
    """Notes the time of each scan, and the age of each signal in it."""

    def __init__(self) -> None:
        super().__init__(Console(quiet=True))
        self.times_s: list[float] = []
        self.ages_s: list[float] = []

    def see(self, site: Site, result: StepResult) -> None:
        super().see(site, result)
        self.times_s.append(result.state.now_s)
        self.ages_s += [result.state.now_s - signal.at_s for signal in result.state.signals.values()]


def without_mosquitto(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.demo_broker.shutil.which", lambda name, path=None: None)


@pytest.mark.parametrize("broker", [pytest.param("mosquitto", marks=pytest.mark.servers), "iotcore"])
def test_every_scan_has_the_readings_of_its_own_moment(monkeypatch: pytest.MonkeyPatch, broker: str) -> None:
    if broker == "iotcore":
        without_mosquitto(monkeypatch)
    else:
        program("mosquitto")
    checker = Checker()
    with tempfile.TemporaryDirectory() as directory:  # not pytest's own, which mosquitto's user may not enter
        asyncio.run(controller.demo._play(Path(directory), 4 * HOUR_S, None, checker))
    scan_s = load_installation(shipped_path("demo-site.yaml")).site.scan_s
    scans = round(4 * HOUR_S / scan_s)
    assert checker.times_s[:scans] == [scan_s * number for number in range(1, scans + 1)]
    assert max(checker.ages_s) <= scan_s
    assert checker.state is not None
    assert checker.state.vessels["amber"].batch is not None  # the brewer got through, over MQTT
    cooler = checker.state.vessels["amber"].cooler
    assert cooler is not None
    assert cooler.on_s > 0.0


def demo(tmp_path: Path, *words: str, path: str | None = None) -> subprocess.Popen[str]:
    """`cellarhand demo` as a shell starts it, in a process group of its own, without a terminal."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **({} if path is None else {"PATH": path})}
    return subprocess.Popen(
        [sys.executable, "-m", "controller", "demo", *words],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=tmp_path, env=environment,
        start_new_session=True,
    )  # fmt: skip


def finished(running: subprocess.Popen[str], code: int = 0) -> str:
    output, _ = running.communicate(timeout=240)
    assert running.returncode == code, output
    assert "Traceback" not in output
    return output


def nobody_listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return True
    return False


def check_the_end(output: str, chart: Path) -> None:
    """A summary of each vessel, the chart's place in the last line, and a chart."""
    for vessel in ("amber: ", "dark: ", "gold: "):
        assert re.search(f"^{vessel}", output, re.MULTILINE)
    assert output.strip().splitlines()[-1] == f"The chart is in {chart}"
    page = chart.read_text()
    assert page.lower().startswith("<!doctype html>")
    assert page.rstrip().endswith("</html>")


@pytest.mark.servers
def test_without_a_terminal_the_demo_prints_plain_lines_a_summary_and_the_chart(tmp_path: Path) -> None:
    output = finished(demo(tmp_path, "--days", "0.2"))
    check_the_end(output, tmp_path / "cellarhand-demo.html")
    assert "\x1b" not in output
    assert re.search(r"^day 0, 00:00 \| amber [0-9.]+ °C idle \| dark", output, re.MULTILINE)
    assert "Amber No. 7 follows Clean ale" in output
    assert "WARNING" not in output


@pytest.mark.servers
def test_a_demo_with_a_speed_runs_no_faster_than_asked(tmp_path: Path) -> None:
    output = finished(demo(tmp_path, "--days", "0.05", "--speed", "2000", "--chart", "slow.html"))
    check_the_end(output, tmp_path / "slow.html")


@pytest.mark.parametrize("broker", [pytest.param("mosquitto", marks=pytest.mark.servers), "iotcore"])
def test_ctrl_c_ends_the_demo_with_summary_and_chart_and_leaves_no_broker(tmp_path: Path, broker: str) -> None:
    empty = tmp_path / "empty"
    empty.mkdir()
    running = demo(tmp_path, "--speed", "3600", path=str(empty) if broker == "iotcore" else None)
    assert running.stdout is not None
    first = running.stdout.readline()
    found = re.search(rf"{broker} on 127\.0\.0\.1:([0-9]+)", first)
    assert found, first
    seen = first
    while "Amber No. 7 follows Clean ale" not in seen:
        line = running.stdout.readline()
        assert line, seen
        seen += line
    os.killpg(running.pid, signal.SIGINT)  # as a terminal does: to the whole group
    output = seen + finished(running)
    check_the_end(output, tmp_path / "cellarhand-demo.html")
    assert "not confirmed off" not in output
    until(lambda: nobody_listens(int(found[1])), "the broker's end")


@pytest.mark.servers
def test_a_demo_whose_broker_dies_says_so(tmp_path: Path) -> None:
    running = demo(tmp_path, "--speed", "600")
    assert running.stdout is not None
    while "| amber" not in (line := running.stdout.readline()):
        assert line
    children = Path(f"/proc/{running.pid}/task/{running.pid}/children").read_text().split()
    for child in children:
        os.kill(int(child), signal.SIGKILL)
    assert len(children) == 1
    assert "the demo's broker has gone away" in finished(running, code=1)


def test_without_any_broker_the_demo_says_how_to_get_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    without_mosquitto(monkeypatch)
    monkeypatch.setitem(sys.modules, "iotcore", None)
    assert main(["demo", "--days", "0.1", "--chart", str(tmp_path / "chart.html")]) == 1
    error = capsys.readouterr().err
    assert "apt install mosquitto" in error
    assert "pip install 'cellarhand[demo]'" in error
    assert len(error.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "complaint"),
    [
        ("nowhere/chart.html", "there is no directory"),
        (".", "is a directory"),
    ],
)
def test_a_chart_that_cannot_be_written_is_found_before_the_fortnight(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, complaint: str
) -> None:
    assert main(["demo", "--days", "0.1", "--chart", str(tmp_path / name)]) == 1
    error = capsys.readouterr().err
    assert complaint in error
    assert error.strip().endswith("nothing was started")
