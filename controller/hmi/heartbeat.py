"""A dead man's switch: a watcher outside the house is called at an interval, but only while the vessels are driven.

The service cannot tell anybody that it is dead, without power or without network. Whoever is called here raises the
alarm when the calls stop. So a call is left out, on purpose and without another word, whenever the vessels are not
really being driven: no scan lately, no broker, session taken over.
"""

import asyncio
import logging
import threading
from collections.abc import Callable

from controller.hmi.notifier_http import CallFailed, call
from controller.installation import Heartbeat as Wanted

LOG = logging.getLogger(__name__)

HARD_TIMEOUT_S = 30.0  # of one call, whatever the other side does; then the next may begin beside it
MOST_STUCK = 3


class Heartbeat:
    """One for a run. `driving` is asked before each call, from another thread; it must answer at once."""

    def __init__(self, wanted: Wanted, driving: Callable[[], bool], hard_timeout_s: float = HARD_TIMEOUT_S) -> None:
        self._wanted, self._driving, self._hard_timeout_s = wanted, driving, hard_timeout_s
        self._stopping = threading.Event()
        self._stuck: list[threading.Thread] = []
        self._failing = False

    async def run(self) -> None:
        """Call at the interval until cancelled. The thread is never waited for."""
        threading.Thread(target=self._work, name="heartbeat", daemon=True).start()
        try:
            await asyncio.Event().wait()
        finally:
            self._stopping.set()

    def beat(self) -> bool:
        """One call, unless the vessels are not driven; whether the watcher was reached. Blocks for as long as it
        takes, `hard_timeout_s` at most."""
        if not self._driving():
            return False
        self._stuck = [thread for thread in self._stuck if thread.is_alive()]
        if len(self._stuck) >= MOST_STUCK:
            return False
        fault = self._called()
        if fault and not self._failing:
            LOG.warning("the heartbeat does not reach its watcher: %s; tried again at each beat", fault)
        elif not fault and self._failing:
            LOG.info("the heartbeat reaches its watcher again")
        self._failing = bool(fault)
        return not fault

    def _called(self) -> str:
        found = [f"no end of the call within {self._hard_timeout_s:g} s"]

        def work() -> None:
            try:
                call(self._wanted.url)
                found[0] = ""
            except CallFailed as failed:
                found[0] = str(failed)

        thread = threading.Thread(target=work, name="heartbeat call", daemon=True)
        thread.start()
        thread.join(self._hard_timeout_s)
        if thread.is_alive():
            self._stuck.append(thread)
            return f"no end of the call within {self._hard_timeout_s:g} s"
        return found[0]

    def _work(self) -> None:
        while True:
            try:
                self.beat()
            except Exception:
                LOG.exception("a fault in the heartbeat; the watcher will raise the alarm if it stays")
            if self._stopping.wait(self._wanted.every_s):
                return
