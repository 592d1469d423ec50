"""Virtual time: what is due is done in order, and nothing waits for real."""

import asyncio

import pytest

from tests.simulation.virtual import Calendar, Takes, VirtualLoop


def live(calendar: Calendar, loop: VirtualLoop, until_s: float) -> None:
    """Let a calendar and a loop go on together."""
    while min(calendar.next_s, loop.next_s) <= until_s:
        if calendar.next_s <= max(loop.next_s, calendar.now_s):
            calendar.do_next()
        else:
            calendar.now_s = max(loop.next_s, calendar.now_s)
            loop.run_due()


def test_a_calendar_does_things_in_the_order_of_time_then_of_entry() -> None:
    calendar = Calendar()
    done: list[str] = []
    calendar.at(5.0, done.append, "later")
    calendar.at(2.0, done.append, "first")
    calendar.at(2.0, done.append, "second")
    calendar.after(1.0, calendar.at, 0.5, done.append, "what was over is done now")
    while calendar.next_s < 10.0:
        calendar.do_next()
    assert done == ["what was over is done now", "first", "second", "later"]
    assert calendar.now_s == 5.0


def test_a_loop_sleeps_in_virtual_time() -> None:
    calendar = Calendar()
    loop = VirtualLoop(lambda: calendar.now_s)
    woke: list[float] = []

    async def sleeper(seconds: float) -> None:
        await asyncio.sleep(seconds)
        woke.append(loop.time())

    tasks = [loop.create_task(sleeper(seconds)) for seconds in (7200.0, 0.5)]
    live(calendar, loop, 10_000.0)
    loop.close()
    assert woke == [0.5, 7200.0]
    assert all(task.done() for task in tasks)


def test_time_goes_on_however_short_a_sleep_is() -> None:
    calendar = Calendar()
    calendar.now_s = 100_000.0
    loop = VirtualLoop(lambda: calendar.now_s)
    task = loop.create_task(asyncio.sleep(1e-13))
    live(calendar, loop, 100_001.0)
    loop.close()
    assert task.done()
    assert calendar.now_s > 100_000.0


def test_what_would_go_to_a_thread_is_done_at_once_or_takes_virtual_time() -> None:
    calendar = Calendar()
    loop = VirtualLoop(lambda: calendar.now_s)

    def slow() -> None:
        raise Takes(3.0, TimeoutError("timed out"))

    async def caller() -> str:
        assert await asyncio.to_thread(lambda: 42) == 42
        with pytest.raises(TimeoutError):
            await asyncio.to_thread(slow)
        return f"after {loop.time():.0f} s"

    task = loop.create_task(caller())
    live(calendar, loop, 10.0)
    loop.close()
    assert task.result() == "after 3 s"


def test_an_error_that_nobody_waits_for_is_noted() -> None:
    loop = VirtualLoop(lambda: 0.0)
    loop.call_soon(lambda: 1 / 0)
    loop.run_due()
    loop.close()
    assert loop.troubles == ["unhandled: ZeroDivisionError: division by zero"]
