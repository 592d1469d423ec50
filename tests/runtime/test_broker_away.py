"""A broker that is not there yet, or goes away for a while, ends nothing."""

import asyncio
from pathlib import Path

import pytest

from controller.clock import SystemClock
from controller.config import load_installation
from controller.runtime import Service
from tests.runtime.daemons import CONE_COOLER, OUTPUTS, Cellar, Daemon, example_site, until
from tests.servers import Mosquitto

pytestmark = pytest.mark.servers


def test_a_daemon_that_starts_before_its_broker_drives_when_the_broker_comes(tmp_path: Path) -> None:
    server = Mosquitto(tmp_path)
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        until(lambda: daemon.healthz() == 503, "a daemon that is not ready")
        nothing = f"nothing answers at 127.0.0.1:{server.port}"
        assert nothing in daemon.log()
        assert daemon.say("status").stdout.startswith(f"! no readings come in and no commands go out: {nothing}")
        assert daemon.status()["service"]["connected"] is False
        began = daemon.metrics()["cellarhand_scans_total"]
        until(lambda: daemon.metrics()["cellarhand_scans_total"] > began, "scans without a broker")
        server.start()
        try:
            with Cellar(tmp_path, server.port) as cellar:
                until(lambda: all(cellar.orders(topic) == [False] for topic in OUTPUTS), "every output off")
                daemon.wait_until_scanning()
                until(lambda: daemon.say("status").stdout.startswith("cellar, "), "a status without a complaint")
                assert daemon.end() == 0
        finally:
            server.stop()


def test_everything_is_said_again_when_the_broker_returns(tmp_path: Path, server: Mosquitto, cellar: Cellar) -> None:
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        daemon.wait_until_scanning()
        daemon.say("start", "cone-120", "--batch", "Water", "--setpoint", "8 C")
        until(lambda: cellar.is_on(CONE_COOLER), "the cooler's on")
        server.stop()
        until(lambda: daemon.healthz() == 503, "a daemon that knows that it does not drive")
        began = daemon.metrics()["cellarhand_scans_total"]
        until(lambda: daemon.metrics()["cellarhand_scans_total"] >= began + 2, "scans without a broker")
        before = len(cellar.heard)
        server.start()  # as after a power cut: it has kept nothing
        daemon.wait_until_scanning()
        wanted = {*OUTPUTS, *(f"cellarhand/cellar/{name}/state" for name in ("cone-120", "keg-50", "pilot-20"))}
        until(lambda: wanted <= {message.topic for message in cellar.heard[before:]}, "commands and states again")
        until(lambda: cellar.is_on(CONE_COOLER), "the cooler on again")
        assert daemon.end() == 0
        assert "Traceback" not in daemon.log()


def test_commands_leave_anew_as_soon_as_the_broker_is_back_however_far_the_next_scan_is(
    tmp_path: Path, server: Mosquitto
) -> None:
    async def stand_still(seconds: float) -> None:
        await asyncio.Event().wait()

    def clock(start_s: float, not_before_utc_s: float | None) -> SystemClock:
        return SystemClock(start_s, not_before_utc_s, sleep=stand_still)  # after the first scan none is ever due

    def commands() -> list[int]:
        received = [line for line in server.log().splitlines() if "Received PUBLISH from cellarhand" in line]
        return [sum(f"'{topic}'" in line for line in received) for topic in OUTPUTS]

    async def main() -> None:
        stop = asyncio.Event()
        service = Service(load_installation(example_site(tmp_path, server.port)), clock)
        running = asyncio.create_task(service.run(stop))
        await asyncio.to_thread(until, lambda: commands() == [1] * len(OUTPUTS), "the first off of each output")
        await asyncio.to_thread(server.stop)
        await asyncio.to_thread(server.start)
        await asyncio.to_thread(until, lambda: commands() == [2] * len(OUTPUTS), "a command to each again")
        stop.set()
        await running

    asyncio.run(main())
