"""The one module that reads clocks.

Two lines of time. The *service line* (`now_s`) counts seconds of running, suspend included, and goes on
from where the store left it; nothing that happens to the wall clock moves it, so every timer of the
core uses it. *UTC* (`utc_s`) is only a label in records and serves wishes like "crash Friday 18:00".

When UTC is trusted. A small board without a battery clock starts hours wrong and jumps later, so the
wall clock needs evidence:

- synchronised, says the kernel or the time service: trusted, if not older than this program;
- not synchronised although a time service runs and no battery clock confirms the wall clock: not trusted
  (where no time service is ever going to reach a server, switch it off or fit a battery clock);
- no way of knowing (no time service, or a kernel that does not tell): trusted from the last UTC in the
  store on, since a clock that was lost starts behind it;
- once trusted it stays trusted while it goes on without a jump: a network that is down for a day does
  not make a good clock bad.
"""

import asyncio
import ctypes
import math
import time
from collections.abc import Awaitable, Callable
from functools import cache
from pathlib import Path
from typing import Protocol

BUILD_UTC_S = 1_767_225_600.0  # 2026-01-01T00:00:00Z: no wall clock that is right is older than the program
ASK_EVERY_S = 1.0  # whether the wall clock is right; our choice: five files a message are too many in a flood
JUMP_S = 5.0  # between two looks; a running clock strays by 500 ppm at most (adjtimex(2)), 2.5 ms in 5 s
RTC_AGREES_S = 60.0  # battery clocks count whole seconds and drift by some seconds a day; common practice
_TIME_ERROR = 5  # adjtimex(2): "the system clock is not synchronized to a reliable server"
# Each exists only while that service runs: systemd-timesyncd.service(8); chrony.conf(5); ntpd as commonly packaged.
_TIMESYNCD = "run/systemd/timesync"
_OTHER_TIME_SERVICES = ("run/chrony", "run/ntpd.pid", "run/ntpd.sock")  # these tell the kernel, and nobody else


class Clock(Protocol):
    """What the shell needs of time."""

    def now_s(self) -> float:
        """Seconds on the service's own time line; never runs backwards, never jumps with the wall clock."""

    def utc_s(self) -> float | None:
        """Seconds since 1970-01-01T00:00Z, or None while the wall clock cannot be trusted."""

    async def next_scan(self, period_s: float) -> None:
        """Waits for the next multiple of `period_s` since the first call, which returns at once."""

    def scan_soon(self) -> None:
        """Lets `next_scan` return at once, between two of its multiples, where time is not told by another."""


class SystemClock:
    """The clocks of a Linux machine; the functions that read them can be replaced for tests.

    `start_s` is where the service line goes on; `not_before_utc_s` the last trusted UTC in the store.
    `missed_scans` counts the scans that were skipped because the one before took too long or the
    machine slept; they are never made up for.
    """

    def __init__(
        self,
        start_s: float,
        not_before_utc_s: float | None,
        *,
        boottime_s: Callable[[], float] = lambda: time.clock_gettime(time.CLOCK_BOOTTIME),
        wall_s: Callable[[], float] = time.time,
        synchronised: Callable[[float], bool | None] | None = None,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self.missed_scans = 0
        self._boottime_s = boottime_s
        self._wall_s = wall_s
        self._synchronised = synchronised or is_synchronised
        self._sleep = sleep
        self._offset_s = start_s - boottime_s()
        self._not_before_utc_s = max(BUILD_UTC_S, not_before_utc_s or 0.0)
        self._trusted_offset_s: float | None = None
        self._asked: tuple[float, float, bool | None] | None = None  # when, with what offset, and the answer
        self._first_scan_s: float | None = None
        self._scan = 0
        self._soon = asyncio.Event()

    def now_s(self) -> float:
        """Seconds on the service line."""
        return self._boottime_s() + self._offset_s

    def utc_s(self) -> float | None:
        """UTC in s, or None while it is not trusted. To be asked at every scan: the gap since the last
        call decides whether the wall clock has jumped."""
        wall_s = self._wall_s()
        offset_s = wall_s - self.now_s()
        match self._is_synchronised(wall_s, offset_s):
            case True:
                trusted = wall_s >= BUILD_UTC_S
            case None:
                trusted = wall_s >= self._not_before_utc_s
            case False:
                trusted = self._trusted_offset_s is not None and abs(offset_s - self._trusted_offset_s) <= JUMP_S
        self._trusted_offset_s = offset_s if trusted else None
        return wall_s if trusted else None

    def _is_synchronised(self, wall_s: float, offset_s: float) -> bool | None:
        """As the machine says, asked anew once a second and when the wall clock has jumped."""
        if self._asked is not None:
            asked_s, asked_offset_s, answer = self._asked
            if self.now_s() - asked_s < ASK_EVERY_S and abs(offset_s - asked_offset_s) <= JUMP_S:
                return answer
        answer = self._synchronised(wall_s)
        self._asked = (self.now_s(), offset_s, answer)
        return answer

    async def next_scan(self, period_s: float) -> None:
        """Waits for the next scan; `period_s` > 0 stays the same from call to call. An early one after `scan_soon`
        leaves the beat of the others as it is."""
        now_s = self.now_s()
        if self._first_scan_s is None:
            self._first_scan_s = now_s
            self._soon.clear()
            return
        due = max(self._scan + 1, math.ceil((now_s - self._first_scan_s) / period_s))
        self.missed_scans += due - self._scan - 1
        self._scan = due
        due_s = self._first_scan_s + due * period_s
        while (left_s := due_s - self.now_s()) > 0.0:
            if self._soon.is_set():
                self._scan -= 1  # the one that was due is still to come
                break
            await self._sleep_until_soon(left_s)
        self._soon.clear()

    def scan_soon(self) -> None:
        """End the wait of `next_scan`, now or when it is called next."""
        self._soon.set()

    async def _sleep_until_soon(self, seconds: float) -> None:
        sleeping, asked = asyncio.ensure_future(self._sleep(seconds)), asyncio.ensure_future(self._soon.wait())
        try:
            await asyncio.wait((sleeping, asked), return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleeping.cancel()
            asked.cancel()


def new_epoch(wall_s: Callable[[], float] = time.time) -> int:
    """The least epoch of the commands of a start or a new connection: the wall clock in whole seconds, at least
    `BUILD_UTC_S`. A start whose store has a higher one adds one to that. So whoever begins or connects last is above
    all before, those of another store or of a run whose disk took nothing included, and nodes go on to obey.

    Trusted or not, there is no better figure; hours wrong it costs this: a clock that is behind may give less than a
    start with another store had, and nodes that have heard that one ignore every command until they are restarted or
    the clock has passed it at another connection; a clock that is ahead does that to the next store that is new.
    """
    return int(max(wall_s(), BUILD_UTC_S))


def monotonic_us() -> int:
    """CLOCK_MONOTONIC in microseconds, as service managers want it: sd_notify(3)."""
    return time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000


def is_synchronised(wall_s: float, root: Path = Path("/")) -> bool | None:
    """Whether the wall clock is known to be right: True, False (known to be still unset), or None (no way
    of knowing). `root` is where the file system begins."""
    kernel = _kernel_says()
    if kernel is True or (root / _TIMESYNCD / "synchronized").exists():
        return True
    services = [_TIMESYNCD] if kernel is None else [_TIMESYNCD, *_OTHER_TIME_SERVICES]
    expected = any((root / service).exists() for service in services)
    return False if expected and not _battery_clock_agrees(wall_s, root) else None


def _battery_clock_agrees(wall_s: float, root: Path) -> bool:
    """Whether the hardware clock (kernel documentation, ABI/testing/sysfs-class-rtc) shows the same time."""
    try:
        rtc_s = float((root / "sys/class/rtc/rtc0/since_epoch").read_text())
    except (OSError, ValueError):
        return False
    return abs(rtc_s - wall_s) <= RTC_AGREES_S


_c_library = cache(lambda: ctypes.CDLL(None))


def _kernel_says() -> bool | None:
    """adjtimex(2) asked to change nothing: whether the kernel's clock is synchronised, None if it does not tell."""
    nothing = ctypes.create_string_buffer(512)  # more than any `struct timex`; zero modes: read only
    try:
        answer = _c_library().adjtimex(nothing)
    except (OSError, AttributeError):
        return None
    return None if answer < 0 else answer != _TIME_ERROR
