"""What a service manager hears, by sd_notify(3) and sd_watchdog_enabled(3)."""

import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.systemd import LONGEST_STATUS, ServiceManager


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
