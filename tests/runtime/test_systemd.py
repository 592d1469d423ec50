"""What a service manager hears, by sd_notify(3) and sd_watchdog_enabled(3)."""

import asyncio
import os
import socket
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller import connection
from controller.clock import BUILD_UTC_S, SystemClock
from controller.config import load_installation
from controller.control.site import Site
from controller.control.step import StepResult
from controller.operator_client import socket_path
from controller.runtime import Service
from controller.shipped import shipped_path
from controller.systemd import LONGEST_STATUS, ServiceManager
from tests.runtime.test_clock_jumps import Board, Link


class Ear:
    """The manager's end: a datagram socket."""

    def __init__(self, address: str) -> None:
        self.environment = {"NOTIFY_SOCKET": address}
        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._line.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        self._line.setblocking(False)

    def heard(self) -> list[str]:
        """All datagrams since the last call."""
        found = []
        while True:
            try:
                found.append(self._line.recv(4096).decode())
            except BlockingIOError:
                return found

    def close(self) -> None:
        self._line.close()


@pytest.fixture(params=["path", "abstract"])
def ear(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Ear]:
    """Both kinds of address that sd_notify(3) names: a path, and "@" for the abstract name space."""
    listening = Ear(str(tmp_path / "notify") if request.param == "path" else f"@cellarhand-test-{os.getpid()}")
    yield listening
    listening.close()


def test_the_manager_hears_of_each_turn_in_the_services_life(ear: Ear) -> None:
    manager = ServiceManager(ear.environment)
    manager.ready()
    manager.stopping()
    assert ear.heard() == ["READY=1", "STOPPING=1"]


def test_a_reload_tells_when_it_began_on_the_managers_own_clock(ear: Ear) -> None:
    """sd_notify(3): RELOADING=1 comes with MONOTONIC_USEC, CLOCK_MONOTONIC in microseconds."""
    before = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
    ServiceManager(ear.environment).reloading()
    after = time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000
    (text,) = ear.heard()
    first, second = text.split("\n")
    assert first == "RELOADING=1"
    name, _, microseconds = second.partition("=")
    assert name == "MONOTONIC_USEC"
    assert before <= int(microseconds) <= after


def test_the_status_is_said_when_it_has_changed_and_is_one_short_line(ear: Ear) -> None:
    manager = ServiceManager(ear.environment)
    for status in ("two batches", "two batches", "one\nbatch", "x" * 1000):
        manager.scanned(status)
    assert ear.heard() == ["STATUS=two batches", "STATUS=one batch", f"STATUS={'x' * LONGEST_STATUS}"]


def test_each_scan_feeds_the_watchdog_that_waits_for_this_process(ear: Ear) -> None:
    manager = ServiceManager({**ear.environment, "WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())})
    assert manager.watchdog_s == 30.0
    manager.scanned("calm")
    manager.scanned("calm")
    assert ear.heard() == ["WATCHDOG=1\nSTATUS=calm", "WATCHDOG=1"]


@pytest.mark.parametrize(
    "watchdog",
    [
        {},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "soon"},
        {"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"},  # it waits for another process
    ],
)
def test_no_watchdog_is_fed_that_does_not_wait_for_us(ear: Ear, watchdog: dict[str, str]) -> None:
    manager = ServiceManager({**ear.environment, **watchdog})
    manager.scanned("calm")
    assert ear.heard() == ["STATUS=calm"]


def test_a_scan_that_stands_still_is_not_fed_for_although_all_else_lives(
    ear: Ear, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "MqttLink", Link)
    for name, value in {**ear.environment, "WATCHDOG_USEC": "60000000"}.items():
        monkeypatch.setenv(name, value)
    installation = replace(load_installation(shipped_path("demo-site.yaml")), state_dir=tmp_path, http_port=None)
    board = Board(BUILD_UTC_S + 1.0, True, [])

    async def run() -> tuple[list[str], list[str]]:
        stop, stuck = asyncio.Event(), asyncio.Event()
        scans = 0

        def count(site: Site, result: StepResult) -> None:
            nonlocal scans
            scans += 1

        async def sleep(seconds: float) -> None:
            if scans == 3:
                stuck.set()
                await asyncio.Event().wait()
            await board.sleep(seconds)

        def clock(start_s: float, not_before_utc_s: float | None) -> SystemClock:
            return SystemClock(start_s, not_before_utc_s, boottime_s=lambda: board.ran_s, sleep=sleep)

        service = Service(installation, clock, count)
        running = asyncio.create_task(service.run(stop))
        await stuck.wait()
        fed = ear.heard()
        reader, writer = await asyncio.open_unix_connection(socket_path(tmp_path))
        for _ in range(50):  # operators are still answered
            writer.write(b'{"do": "status"}\n')
            assert b"status" in await reader.readline()
        writer.close()
        unfed = ear.heard()
        stop.set()
        await running
        return fed, unfed

    fed, unfed = asyncio.run(run())
    assert sum("WATCHDOG=1" in text for text in fed) == 3
    assert not any("WATCHDOG" in text for text in unfed)


def test_without_a_manager_nothing_is_said_and_nothing_fails() -> None:
    manager = ServiceManager({})
    for turn in (manager.ready, manager.reloading, manager.stopping):
        turn()
    manager.scanned("calm")


def test_a_manager_that_is_gone_is_told_of_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "nowhere"), "WATCHDOG_USEC": "1000000"})
    manager.ready()
    manager.scanned("calm")
    assert len(caplog.records) == 1
    assert "cannot be told" in caplog.text


def test_a_manager_that_does_not_listen_holds_up_no_scan(ear: Ear) -> None:
    """unix(7): a datagram socket whose queue is full makes a sender wait; this one does not."""
    manager = ServiceManager({**ear.environment, "WATCHDOG_USEC": "1000000"})
    for number in range(2000):
        manager.scanned(f"scan {number}")
    assert 0 < len(ear.heard()) < 2000
