"""The machine's view over HTTP: scrape, health and status; and a server that lets the daemon end as it must."""

import asyncio
import errno
import signal
import socket
from collections.abc import Callable

import httpx
import pytest
import uvicorn

from controller.control.site import Site
from controller.control.state import SiteState
from controller.hmi.shell import Pulse, ShellCounts, View
from controller.hmi.web import Server, application, health, serve
from tests.hmi.factories import CHICAGO, busy_cellar, site
from tests.servers import free_port

WELL = Pulse(4.0, 5.0, True, "")


def view(pulse: Callable[[], Pulse] = lambda: WELL, snapshot: tuple[Site, SiteState] | None = None) -> View:
    return View(lambda: snapshot, lambda: ShellCounts(3, 0, {}, True), pulse, CHICAGO)


def get(path: str, seen: View, accept: str = "*/*", method: str = "GET") -> httpx.Response:
    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(application(seen))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            return await client.request(method, path, headers={"Accept": accept})

    return asyncio.run(ask())


def test_all_is_well_while_scans_progress_the_broker_is_there_and_outputs_can_be_driven() -> None:
    assert health(WELL) == (True, {"ready": True, "live": True, "reasons": []})


def test_before_the_first_scan_the_service_is_not_ready() -> None:
    ready, body = health(WELL._replace(since_scan_s=None))
    assert not ready
    assert body["reasons"] == ["no scan yet"]


def test_three_scans_without_a_scan_are_too_many() -> None:
    assert health(WELL._replace(since_scan_s=15.0))[0]
    ready, body = health(WELL._replace(since_scan_s=15.1))
    assert not ready
    assert body["live"] is False
    assert body["reasons"] == ["no scan for 15 s; there should be one every 5 s"]


def test_a_time_that_is_not_a_number_is_not_health() -> None:
    assert not health(WELL._replace(since_scan_s=float("nan")))[0]


def test_without_a_broker_the_service_is_not_ready_but_a_restart_would_not_help() -> None:
    ready, body = health(WELL._replace(broker_connected=False))
    assert not ready
    assert body["live"] is True
    assert body["reasons"] == ["broker not connected: no readings come in and no commands go out"]


def test_a_session_that_another_daemon_took_over_is_told() -> None:
    ready, body = health(WELL._replace(undrivable="another daemon has taken over the session"))
    assert not ready
    assert body["reasons"] == ["outputs not drivable: another daemon has taken over the session"]


def test_healthz_follows_the_pulse_and_comes_back() -> None:
    pulses = [WELL, WELL._replace(broker_connected=False), WELL]
    seen = view(lambda: pulses.pop(0))
    answers = [get("/healthz", seen) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200, 503, 200]
    assert answers[1].json()["live"] is True
    assert answers[0].headers["cache-control"] == "no-store"


def test_metrics_answers_at_its_path_without_a_redirect_in_the_form_that_was_asked_for() -> None:
    seen = view(snapshot=(site(), busy_cellar()))
    plain = get("/metrics", seen)
    assert plain.status_code == 200
    assert plain.headers["content-type"].startswith("text/plain")
    assert 'cellarhand_vessel_temperature_celsius{site="cellar",vessel="ale"} 19.2' in plain.text
    open_metrics = get("/metrics", seen, "application/openmetrics-text; version=1.0.0")
    assert open_metrics.headers["content-type"].startswith("application/openmetrics-text")
    assert open_metrics.text.endswith("# EOF\n")


def test_status_is_the_same_json_as_the_command_line_shows() -> None:
    answer = get("/status", view(snapshot=(site(), busy_cellar())))
    assert answer.json()["vessels"]["ale"]["temperature_c"] == 19.2
    assert get("/status", view()).status_code == 503


def test_status_over_http_has_base_units_for_machines_and_a_text_for_people() -> None:
    seen = get("/status", view(snapshot=(site(), busy_cellar()))).json()  # a site in Chicago
    ale = seen["vessels"]["ale"]
    assert (ale["temperature_c"], ale["temperature_text"]) == (19.2, "66.6 °F")
    assert (ale["setpoint_low_c"], ale["setpoint_text"]) == (19.0, "66.2 °F")
    assert (ale["deviation_k"], ale["deviation_text"]) == (0.2, "+0.4 °F")
    assert (ale["batch"]["volume_l"], ale["batch"]["volume_text"]) == (25.0, "6.6 gal")
    assert (seen["bath"]["temperature_c"], seen["bath"]["temperature_text"]) == (-1.8, "28.8 °F")
    assert (seen["utc"], seen["time_text"]) == ("2026-05-28T20:26:40Z", "2026-05-28 15:26:40 CDT")
    assert ale["outputs"]["cooler"]["reason"] == "0.4 °F above the setpoint"


@pytest.mark.parametrize("path", ["/", "/metrics/", "/nothing"])
def test_there_is_nothing_elsewhere(path: str) -> None:
    assert get(path, view()).status_code == 404
    assert get("/metrics", view(), method="POST").status_code == 405


def test_the_server_answers_on_its_port_until_it_is_cancelled() -> None:
    async def session() -> tuple[int, bool]:
        port = free_port()
        task = asyncio.create_task(serve(application(view()), "127.0.0.1", port))
        async with httpx.AsyncClient() as client:
            for _ in range(100):
                try:
                    answer = await client.get(f"http://127.0.0.1:{port}/healthz")
                    break
                except httpx.ConnectError:
                    await asyncio.sleep(0.01)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        with socket.socket() as after:
            refused = after.connect_ex(("127.0.0.1", port)) != 0
        return answer.status_code, refused

    assert asyncio.run(session()) == (200, True)


def test_a_port_in_use_is_told_and_does_not_end_the_process() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(OSError, match=f"cannot listen on 127.0.0.1 port {port}") as fault:
            asyncio.run(serve(application(view()), "127.0.0.1", port))
    assert fault.value.errno == errno.EADDRINUSE


def test_the_server_leaves_signals_to_the_daemon() -> None:
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    with Server(uvicorn.Config(application(view()))).capture_signals():
        assert (signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)) == before
