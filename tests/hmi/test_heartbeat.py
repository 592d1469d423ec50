"""The dead man's switch: a watcher outside hears the service while it drives the vessels, and only then."""

import asyncio
import logging
import threading
from contextlib import suppress

import pytest

from controller.hmi.heartbeat import MOST_STUCK, Heartbeat
from controller.installation import Heartbeat as Wanted
from tests.hmi.http_sink import closed_port_url, hanging_sink, sink


@pytest.fixture(autouse=True)
def _no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("no_proxy", "127.0.0.1")


def test_while_the_vessels_are_driven_the_watcher_is_called_again_and_again() -> None:
    async def serve(url: str) -> None:
        beating = asyncio.create_task(Heartbeat(Wanted(f"{url}/s3cret", 0.001), lambda: True).run())
        for _ in range(3):
            got = await asyncio.to_thread(watcher.next)
            assert (got.method, got.path, got.body) == ("GET", "/s3cret", b"")
        beating.cancel()
        with suppress(asyncio.CancelledError):
            await beating

    with sink() as watcher:
        asyncio.run(serve(watcher.url))


def test_while_they_are_not_driven_the_watcher_hears_nothing() -> None:
    driven = [False]
    with sink() as watcher:
        heart = Heartbeat(Wanted(watcher.url, 60.0), lambda: driven[0])
        assert not heart.beat()
        assert watcher.got.empty()
        driven[0] = True
        assert heart.beat()
        assert watcher.next().method == "GET"


def test_a_watcher_that_is_away_is_logged_once_and_so_is_its_return(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    with sink(503, 503, 503) as watcher:
        heart = Heartbeat(Wanted(f"{watcher.url}/s3cret", 60.0), lambda: True)
        assert [heart.beat() for _ in range(5)] == [False, False, False, True, True]
    assert [record.message for record in caplog.records] == [
        "the heartbeat does not reach its watcher: it answers with HTTP status 503; tried again at each beat",
        "the heartbeat reaches its watcher again",
    ]


def test_nobody_there_is_told_without_the_address(caplog: pytest.LogCaptureFixture) -> None:
    assert not Heartbeat(Wanted(f"{closed_port_url()}/s3cret", 60.0), lambda: True).beat()
    assert "Connection refused" in caplog.text
    assert "s3cret" not in caplog.text


def test_a_watcher_that_hangs_is_given_up_and_calls_do_not_pile_up() -> None:
    before = threading.active_count()
    with hanging_sink() as url:
        heart = Heartbeat(Wanted(url, 60.0), lambda: True, hard_timeout_s=0.02)
        assert not any(heart.beat() for _ in range(MOST_STUCK + 5))
        hanging = [thread for thread in threading.enumerate() if thread.name == "heartbeat call"]
        assert len(hanging) == MOST_STUCK
        assert all(thread.daemon for thread in hanging)
    assert threading.active_count() <= before + MOST_STUCK


def test_a_fault_in_asking_whether_they_are_driven_is_no_heartbeat(caplog: pytest.LogCaptureFixture) -> None:
    asked = threading.Event()
    times = [0]

    def driving() -> bool:
        times[0] += 1
        if times[0] == 2:
            asked.set()
        raise RuntimeError("nobody knows")

    async def serve(url: str) -> None:
        beating = asyncio.create_task(Heartbeat(Wanted(url, 0.001), driving).run())
        assert await asyncio.to_thread(asked.wait, 30.0)  # it asks again: the thread lives
        beating.cancel()
        with suppress(asyncio.CancelledError):
            await beating

    with sink() as watcher:
        asyncio.run(serve(watcher.url))
        assert watcher.got.empty()
    assert "a fault in the heartbeat" in caplog.text
