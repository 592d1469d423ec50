"""The end of the daemon in time: what blocks a thread, or is slow to end, holds nothing up."""

import asyncio
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


class Unjoined(ThreadPoolExecutor):
    """An event loop's default executor, each call in a daemon thread of its own that nobody waits for at the end.

    A connection that is being made, or a name that is being looked up, blocks its thread for seconds to minutes; the
    loop's usual executor would keep the process until then.
    """

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> "Future[T]":
        """Start the call."""
        future: Future[T] = Future()

        def work() -> None:
            if not future.set_running_or_notify_cancel():
                return
            try:
                result = fn(*args, **kwargs)
            except BaseException as error:
                future.set_exception(error)
            else:
                future.set_result(result)

        threading.Thread(target=work, name="blocking call", daemon=True).start()
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Wait for nothing."""


async def to_the_end(task: "asyncio.Task[T]") -> T:
    """The result of a task that must not be cut short by a cancellation of whoever waits for it."""
    while not task.done():
        with suppress(asyncio.CancelledError):
            await asyncio.wait((task,))
    return task.result()
