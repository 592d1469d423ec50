"""`cellarhand`, every command of it, with the cellar's time in place of the machine's clocks.

    python -m tests.month.daemon TIME_SOCKET run --site SITE

The time comes over a Unix socket, one line for each moment: "seconds utc-seconds-or-a-dash readings". When a scan is
over, the answer is "seconds commands-sent-so-far", so that the cellar can wait for what was sent.
"""

import asyncio
import sys
from collections.abc import Callable
from time import monotonic
from typing import Any

from controller import cli, runtime
from controller.control.site import Site
from controller.control.step import StepResult
from controller.hmi import notifier
from controller.installation import Installation

READINGS_LATE_S = 0.2  # of real time, after which a scan does without them


class CellarClock:
    """The clock of `Service`, told by the cellar. The service's line goes on from `start_s`, however long the service
    was away; UTC is what the cellar's machine would show."""

    def __init__(self, path: str, start_s: float, received: Callable[[], int], sent: Callable[[], int]) -> None:
        self._path = path
        self._start_s = start_s
        self._received, self._sent = received, sent
        self._first_s: float | None = None
        self._heard_s = 0.0
        self._utc_s: float | None = None
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._readings_before = 0

    def now_s(self) -> float:
        """Seconds on the service's line."""
        return self._start_s + (0.0 if self._first_s is None else self._heard_s - self._first_s)

    def utc_s(self) -> float | None:
        """What the wall clock shows, None while it is not to be trusted."""
        return self._utc_s

    async def next_scan(self, period_s: float) -> None:
        """Say that the scan is over, and wait for the next moment and its readings."""
        await asyncio.sleep(0)  # the commands of the last scan leave first
        if self._streams is None:
            self._streams = await asyncio.open_unix_connection(self._path)
        else:
            self._streams[1].write(f"{self._heard_s} {self._sent()}\n".encode())
        line = (await self._streams[0].readline()).split()
        if not line:  # the cellar is gone: time stands still
            await asyncio.Event().wait()
        self._heard_s = float(line[0])
        self._first_s = self._heard_s if self._first_s is None else self._first_s
        self._utc_s = None if line[1] == b"-" else float(line[1])
        late_at = monotonic() + READINGS_LATE_S
        while line[2] == b"1" and self._received() == self._readings_before and monotonic() < late_at:
            await asyncio.sleep(0)
        self._readings_before = self._received()

    def scan_soon(self) -> None:
        """Nothing: the cellar says when the next moment is."""


def _service_in_the_cellar(path: str) -> type[runtime.Service]:
    class MonthService(runtime.Service):
        def __init__(self, installation: Installation, *others: Any, **named: Any) -> None:
            sent = 0

            def count(site: Site, result: StepResult) -> None:
                nonlocal sent
                if self.link.connected:
                    sent += len(result.commands)

            def clock(start_s: float, not_before_utc_s: float | None) -> CellarClock:
                return CellarClock(path, start_s, self.received, lambda: sent)

            super().__init__(installation, clock, count, *others, **named)

    return MonthService


def main() -> int:
    """As `cellarhand`, after the path of the time socket."""
    notifier.HARD_TIMEOUT_S = 365 * 86400.0  # in the cellar's time, of which a minute of a delivery's is weeks
    runtime.Service = _service_in_the_cellar(sys.argv[1])  # type: ignore[misc]
    return cli.main(sys.argv[2:])


if __name__ == "__main__":
    sys.exit(main())
