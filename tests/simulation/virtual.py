"""Virtual time: a calendar of what is to happen, and event loops that live in it without threads and sockets."""

import asyncio
import heapq
import math
import sys
from asyncio import events
from collections.abc import Callable
from contextvars import Context, copy_context
from itertools import count
from typing import Any

SHORTEST_S = 1e-6


class Takes(BaseException):
    """Raised by a blocking call in place of its answer: it takes so many seconds, and then raises `error`."""

    def __init__(self, seconds: float, error: Exception) -> None:
        super().__init__(seconds, error)
        self.seconds, self.error = seconds, error


class Calendar:
    """True time, and what is to be done when. Things of the same moment are done in the order of their entry."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self._entries: list[tuple[float, int, Callable[..., object], tuple[Any, ...]]] = []
        self._numbers = count()

    def at(self, at_s: float, act: Callable[..., object], *arguments: Any) -> None:
        """Enter something for `at_s`, or for now if that is over."""
        heapq.heappush(self._entries, (max(at_s, self.now_s), next(self._numbers), act, arguments))

    def after(self, seconds: float, act: Callable[..., object], *arguments: Any) -> None:
        """Enter something for so many seconds from now."""
        heapq.heappush(self._entries, (self.now_s + max(seconds, 0.0), next(self._numbers), act, arguments))

    @property
    def next_s(self) -> float:
        """When the next thing is due; infinity if there is none."""
        return self._entries[0][0] if self._entries else math.inf

    def do_next(self) -> None:
        """Do what is due next, and be at that time."""
        self.now_s, _, act, arguments = heapq.heappop(self._entries)
        act(*arguments)


class _Handle(asyncio.Handle):
    """A call, made without a look at the loop's debugging: a story makes half a million of them."""

    __slots__ = ()

    def __init__(
        self, callback: Callable[..., object], args: tuple[Any, ...], loop: "VirtualLoop", context: Context | None
    ) -> None:
        self._context = copy_context() if context is None else context
        self._loop = loop
        self._callback = callback
        self._args = args
        self._cancelled = False
        self._repr = None
        self._source_traceback = None


class VirtualLoop(asyncio.BaseEventLoop):
    """An asyncio loop that is stepped: `run_due` runs all that is due at the time that `now` tells, and returns.

    What would go to a thread is done at once. `troubles` collects what reached the loop's exception handler.
    """

    def __init__(self, now: Callable[[], float]) -> None:
        super().__init__()
        self._now = now
        self.troubles: list[str] = []
        self.set_exception_handler(self._note)

    def time(self) -> float:
        """The time of the loop."""
        return self._now()

    @property
    def next_s(self) -> float:
        """When something is due: minus infinity if something is ready."""
        if self._ready:  # type: ignore[attr-defined]
            return -math.inf
        scheduled = self._scheduled  # type: ignore[attr-defined]
        while scheduled and scheduled[0]._cancelled:
            heapq.heappop(scheduled)._scheduled = False
        return float(scheduled[0]._when) if scheduled else math.inf

    def run_due(self) -> None:
        """Run what is due, and what follows from it at once, until nothing is."""
        now_s, ready, scheduled = self._now(), self._ready, self._scheduled  # type: ignore[attr-defined]
        hooks = sys.get_asyncgen_hooks()
        sys.set_asyncgen_hooks(self._asyncgen_firstiter_hook, self._asyncgen_finalizer_hook)  # type: ignore[attr-defined]
        events._set_running_loop(self)
        try:
            while True:
                while scheduled and (scheduled[0]._when <= now_s or scheduled[0]._cancelled):
                    handle = heapq.heappop(scheduled)
                    handle._scheduled = False
                    if not handle._cancelled:
                        ready.append(handle)
                if not ready:
                    return
                for _ in range(len(ready)):
                    handle = ready.popleft()
                    if not handle._cancelled:
                        try:
                            handle._context.run(handle._callback, *handle._args)
                        except Exception as error:
                            self.call_exception_handler({"message": "unhandled", "exception": error})
        finally:
            events._set_running_loop(None)
            sys.set_asyncgen_hooks(*hooks)

    def call_later(
        self, delay: float, callback: Callable[..., object], *args: Any, **named: Any
    ) -> asyncio.TimerHandle:
        """As ever, but what takes time takes at least so much that the clock has moved, as a real one does."""
        return super().call_later(max(delay, SHORTEST_S) if delay > 0.0 else delay, callback, *args, **named)

    def run_in_executor(self, executor: Any, func: Callable[..., Any], *args: Any) -> "asyncio.Future[Any]":  # type: ignore[override]
        """Do it now; a call that `Takes` time answers when that is over."""
        future = self.create_future()

        def fail(error: Exception) -> None:
            if not future.done():
                future.set_exception(error)

        try:
            result = func(*args)
        except Takes as slow:
            self.call_later(slow.seconds, fail, slow.error)
        except Exception as error:
            future.set_exception(error)
        else:
            future.set_result(result)
        return future

    def _write_to_self(self) -> None:
        """Nobody sleeps who would have to be woken."""

    def _note(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        error = context.get("exception")
        self.troubles.append(f"{context.get('message')}: {type(error).__name__}: {error}")
