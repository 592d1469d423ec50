"""Messages to people: sees every scan, keeps the outbox, delivers. Nothing of it can hold up a scan or the exit.

`see` only puts the result aside. A daemon thread turns results into messages, stores them, and gives each target one
try at a time in a daemon thread of its own, so that a target that hangs holds up nobody else. All time is that of the
scans.
"""

import asyncio
import logging
import threading
from collections import Counter, deque
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import NamedTuple

from controller.control.site import Site
from controller.control.state import SiteState
from controller.control.step import StepResult
from controller.control.values import Record
from controller.display import Display
from controller.hmi.messages import NOTHING, Resumed, Teller, trusted_utc_s
from controller.hmi.notifier_http import CallFailed
from controller.hmi.notifier_send import send, target_fault
from controller.hmi.outbox import USUAL_PACE, Outbox, Pace, Parcel
from controller.hmi.outbox_file import OutboxFile
from controller.installation import Notifications

LOG = logging.getLogger(__name__)

MOST_SCANS = 1000  # put aside while the disk is slow; then the oldest go, and with them at most low messages
HARD_TIMEOUT_S = 60.0  # of one delivery, whatever it does; then the next try may begin beside it
MOST_STUCK = 3  # deliveries to one target that never return; then it gets no more
CLOSE_WITHIN_S, POLL_S = 1.0, 0.01

Send = Callable[[str, str, Parcel], None]


class _Scan(NamedTuple):
    site: Site
    state: SiteState
    records: tuple[Record, ...]
    troubles: Mapping[str, str]


class _Try(NamedTuple):
    parcel: Parcel
    since_s: float


class _Outcome(NamedTuple):
    """What became of a try; without a parcel it is what was found out about the target before any."""

    target: str
    parcel: Parcel | None
    fault: CallFailed | None


class Notifier:
    """One for a run. `see` once a scan, `run` for as long as the service lives, `close` at its end."""

    def __init__(
        self,
        notifications: Notifications,
        display: Display,
        site_name: str,
        state_dir: Path,
        resumed: Resumed | None,
        *,
        pace: Pace = USUAL_PACE,
        send: Send = send,
    ) -> None:
        self._urls = {target.name: target.url for target in notifications.targets}
        self._site_name, self._send = site_name, send
        self._outbox = Outbox(notifications, display, site_name, OutboxFile(state_dir), pace)
        self._teller = Teller(display, notifications.daily_at, self._outbox.memory, resumed)
        self._scans: deque[_Scan] = deque(maxlen=MOST_SCANS)
        self._outcomes: deque[_Outcome] = deque()
        self._tries: dict[str, _Try] = {}
        self._stuck: Counter[str] = Counter()
        self._failing: set[str] = set()
        self._told_bug = False
        self._wake, self._stopping = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._work, name="messages", daemon=True)
        self._counts: Mapping[str, int] = self._counted()

    def see(self, site: Site, result: StepResult, troubles: Mapping[str, str] = NOTHING) -> None:
        """Put a scan's result aside for the thread; returns at once and raises nothing. `troubles` names what the
        service itself suffers from, as long as it lasts; see `Teller.see`."""
        self._scans.append(_Scan(site, result.state, result.records, dict(troubles) if troubles else NOTHING))
        self._wake.set()

    def counts(self) -> Mapping[str, int]:
        """Since the start: "sent", "failed" and "dropped" (for each target a message once, a failed try once), and
        how many messages are "waiting" now."""
        return self._counts

    async def run(self) -> None:
        """Deliver until cancelled."""
        self._thread.start()
        await asyncio.Event().wait()

    async def close(self) -> None:
        """Store what waits. Deliveries under way get 1 s to end, the others go on after the next start."""
        self._stopping.set()
        self._wake.set()
        for _ in range(round(CLOSE_WITHIN_S / POLL_S)):
            if not self._thread.is_alive():
                return
            await asyncio.sleep(POLL_S)

    def _work(self) -> None:
        for name, url in self._urls.items():
            self._in_thread(name, None, partial(_checked, url))
        state: SiteState | None = None
        while True:
            stopping = self._stopping.is_set()
            try:
                state = self._once(state, stopping)
            except Exception:  # a fault in here must not end regulation, nor the messages that still get through
                self._tell_bug()
            if stopping and not self._tries:
                return
            self._wake.wait()
            self._wake.clear()

    def _once(self, state: SiteState | None, stopping: bool) -> SiteState | None:
        """Take what has come, store it, and send what is due. Returns the newest state."""
        while self._outcomes:
            self._finish(self._outcomes.popleft(), state)
        while self._scans:
            scan = self._scans.popleft()
            state = scan.state
            try:
                messages = self._teller.see(scan.site, scan.state, scan.records, scan.troubles)
                self._outbox.add(messages, self._teller.memory)
            except Exception:  # one scan that cannot be told must not keep the next one waiting
                self._tell_bug()
            self._outbox.look(state.now_s, trusted_utc_s(state))
        self._outbox.save()
        if state is not None and not stopping:
            self._deliver(state.now_s, trusted_utc_s(state))
        self._counts = self._counted()
        return state

    def _deliver(self, now_s: float, utc_s: float | None) -> None:
        for target, url in self._urls.items():
            under_way = self._tries.get(target)
            if under_way is not None and now_s - under_way.since_s > HARD_TIMEOUT_S:
                del self._tries[target]
                self._stuck[target] += 1
                fault = CallFailed(f"no end of the delivery within {HARD_TIMEOUT_S:.0f} s")
                self._outbox.failed(under_way.parcel, now_s)
                self._tell(target, fault)
            if target in self._tries or self._stuck[target] >= MOST_STUCK:
                continue
            parcel = self._outbox.parcel(target, now_s, utc_s)
            if parcel is not None:
                self._tries[target] = _Try(parcel, now_s)
                self._in_thread(target, parcel, partial(self._send, url, self._site_name, parcel))

    def _in_thread(self, target: str, parcel: Parcel | None, work: Callable[[], None]) -> None:
        def tried() -> None:
            fault = None
            try:
                work()
            except CallFailed as failed:
                fault = failed
            except Exception as error:  # its text may quote the address
                fault = CallFailed(f"the delivery failed ({type(error).__name__})")
            self._outcomes.append(_Outcome(target, parcel, fault))
            self._wake.set()

        threading.Thread(target=tried, name=f"message to {target}", daemon=True).start()

    def _finish(self, outcome: _Outcome, state: SiteState | None) -> None:
        target, parcel, fault = outcome
        if parcel is None:
            if fault is not None:
                self._tell(target, fault)
            return
        current = self._tries.get(target)
        late = current is None or current.parcel is not parcel
        if late:
            self._stuck[target] -= 1
        else:
            del self._tries[target]
        if fault is None:
            self._outbox.delivered(parcel)
            self._tell(target, None)
        elif not late and state is not None:  # a late one has been counted when it was given up
            self._outbox.failed(parcel, state.now_s)
            self._tell(target, fault)

    def _tell(self, target: str, fault: CallFailed | None) -> None:
        """Log once that a target fails, and once that it works again; nothing more after the end."""
        if self._stopping.is_set():
            return
        if fault is not None and target not in self._failing:
            level, hope = (logging.ERROR, "") if fault.lasting else (logging.WARNING, "; they wait and are tried again")
            LOG.log(level, "messages to %s do not get through: %s%s", target, fault, hope)
            self._failing.add(target)
        elif fault is None and target in self._failing:
            LOG.info("messages to %s get through again", target)
            self._failing.discard(target)

    def _tell_bug(self) -> None:
        if not self._told_bug:
            LOG.exception("a message could not be made or sent; this is told once")
        self._told_bug = True

    def _counted(self) -> Mapping[str, int]:
        return {**self._outbox.counts, "waiting": self._outbox.waiting}


def _checked(url: str) -> None:
    fault = target_fault(url)
    if fault:
        raise CallFailed(fault, lasting=True)
