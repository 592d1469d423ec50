"""What leaves the house: messages to people, and the call to a watcher. Loaded after the first scan, since nothing of
it may keep the first "off" waiting."""

import asyncio
import importlib
from collections import Counter, deque
from collections.abc import Callable, Coroutine, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from controller.control.site import Site
from controller.control.state import SiteState
from controller.control.step import StepResult
from controller.installation import Installation

if TYPE_CHECKING:
    from controller.hmi.notifier import Notifier

MOST_EARLY = 100  # scans that wait for the first notifier to be loaded, which takes a second or two
NOTHING: Mapping[str, str] = MappingProxyType({})
WAITING = "waiting"  # the one of a notifier's counts that is not a running total


class Outside:
    """Messages and heartbeat as the site file wants them, all the life of the daemon. `driving` says whether the
    vessels are being driven now; it is asked from another thread. `resumed` is the state of before the start."""

    def __init__(self, installation: Installation, driving: Callable[[], bool], resumed: SiteState | None) -> None:
        self._installation = installation
        self._driving, self._resumed = driving, resumed
        self._notifier: Notifier | None = None
        self._early: deque[tuple[Site, StepResult, Mapping[str, str]]] = deque(maxlen=MOST_EARLY)
        self._counts: Counter[str] = Counter()  # of earlier notifiers
        self._scanned, self._changed = asyncio.Event(), asyncio.Event()

    def see(self, site: Site, result: StepResult, troubles: Mapping[str, str] = NOTHING) -> None:
        """Take one scan's result in; returns at once. `troubles` is what the service itself suffers from."""
        if self._notifier is not None:
            self._notifier.see(site, result, troubles)
        elif self._installation.notifications is not None:
            self._early.append((site, result, troubles))
        self._scanned.set()

    def counts(self) -> Mapping[str, int]:
        """Messages since the start, by what became of them, and how many wait."""
        now = self._notifier.counts() if self._notifier is not None else {}
        return {name: self._counts[name] + now.get(name, 0) for name in {**self._counts, **now}}

    def change(self, installation: Installation) -> None:
        """Go on as this installation wants it; what waits to be sent is kept."""
        before, self._installation = self._installation, installation
        if _wishes(before) != _wishes(installation):
            self._changed.set()

    async def run(self) -> None:
        """Tell whoever is to be told, until cancelled."""
        await self._scanned.wait()
        while True:
            self._changed.clear()
            parts: list[asyncio.Task[Any]] = [asyncio.create_task(self._changed.wait())]
            try:
                parts += await self._begun()
                done, _ = await asyncio.wait(parts, return_when=asyncio.FIRST_COMPLETED)
                for part in done:
                    part.result()
            finally:
                for part in parts:
                    part.cancel()
                await self._close()

    async def _begun(self) -> list["asyncio.Task[None]"]:
        wanted, parts = self._installation, []
        if wanted.notifications is not None:
            await asyncio.to_thread(importlib.import_module, "controller.hmi.notifier")
            from controller.hmi.messages import Resumed
            from controller.hmi.notifier import Notifier

            was, self._resumed = self._resumed, None
            resumed = None if was is None else Resumed(was.utc_s, was.now_s)
            name = wanted.site.name
            notifier = Notifier(wanted.notifications, wanted.display, name, wanted.state_dir, resumed)
            while self._early:
                notifier.see(*self._early.popleft())
            self._notifier = notifier
            parts.append(asyncio.create_task(_ended(notifier.run()), name="messages"))
        if wanted.heartbeat is not None:
            await asyncio.to_thread(importlib.import_module, "controller.hmi.heartbeat")
            from controller.hmi.heartbeat import Heartbeat

            beating = Heartbeat(wanted.heartbeat, self._driving).run()
            parts.append(asyncio.create_task(_ended(beating), name="heartbeat"))
        return parts

    async def _close(self) -> None:
        notifier, self._notifier = self._notifier, None
        if notifier is not None:
            await notifier.close()
            self._counts.update({name: count for name, count in notifier.counts().items() if name != WAITING})


def _wishes(installation: Installation) -> tuple[object, ...]:
    return installation.notifications, installation.heartbeat, installation.display


async def _ended(work: Coroutine[Any, Any, None]) -> None:
    await work
    raise RuntimeError("a part that tells people ended while the service was running")
