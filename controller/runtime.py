"""The daemon: one connection, one scan at a time, one store. It decides nothing; the core does.

Messages are put away as they come; each scan takes them, reads the clock once, steps the core and carries
out what it returned. A new connection causes a scan out of turn. A task that ends unexpectedly ends the daemon,
with everything commanded off first.
"""

import asyncio
import logging
import signal
from collections import Counter
from collections.abc import Callable, Coroutine, Mapping
from pathlib import Path
from typing import Any, Protocol

from controller.clock import Clock, SystemClock, new_epoch
from controller.config import load_installation
from controller.connection import Connection
from controller.control.site import UPSTREAM, Site
from controller.control.state import SiteState
from controller.control.step import StepResult, step
from controller.control.values import Inputs, Record, RecordKind
from controller.faults import FileFaults
from controller.field.inbox import Inbox
from controller.field.link import Arrived
from controller.field.own_topics import set_filter
from controller.hmi.operator_socket import OperatorSocket
from controller.hmi.service_health import service_dict, troubles, unheard
from controller.hmi.shell import Pulse, ShellCounts, View
from controller.hmi.status import status_dict
from controller.hmi.words import Json
from controller.installation import Installation
from controller.journal import Journal, Moments
from controller.operator_client import socket_path
from controller.operators import Operators
from controller.outputs import Outputs, off_records
from controller.outside import Outside
from controller.publications import Publications
from controller.reloading import Plan, fingerprint, plan_reload
from controller.shutdown import Unjoined, to_the_end
from controller.status_line import status_line
from controller.systemd import ServiceManager

LOG = logging.getLogger(__name__)

CONNECT_FIRST_S, POLL_S = 2.0, 0.01  # so that the first "off" need not wait for the second scan
SHORTEST_PATIENCE_S, PATIENCE_SCANS = 15.0, 3  # until an operator is told that no scan answered
FED_WITHIN_SCANS = 3


class MakeClock(Protocol):
    """Makes the clock of a run: where the service's time line goes on, and the last trusted UTC."""

    def __call__(self, start_s: float, not_before_utc_s: float | None) -> Clock:
        """The clock."""


class Service:
    """One daemon for one installation. `run` lives until `stop` is set; `observe` sees each scan's result;
    `reread` reads the files again for a reload and raises FileFaults as `config.load_installation` does."""

    def __init__(
        self,
        installation: Installation,
        make_clock: MakeClock = SystemClock,
        observe: Callable[[Site, StepResult], object] = lambda site, result: None,
        reread: Callable[[], Installation] | None = None,
    ) -> None:
        self.installation = installation
        self.site = installation.site
        self._make_clock = make_clock
        self._observe = observe
        self._reread = reread
        self._inbox = Inbox(installation.sources)
        self._refused: Counter[str] = Counter()  # by inboxes of earlier files
        broker, name = installation.broker, self.site.name
        self.link = Connection(broker, name, self._topics(), self._put_away, self._scan_soon)
        self._publications = Publications(self.link, installation.display)
        self._operators = Operators(self.site.name, self._publications)
        self._manager = ServiceManager()
        self._reload_asked = asyncio.Event()
        self._reloads: Counter[str] = Counter()
        self._view: View | None = None
        self._scans = 0
        self._scanned_s: float | None = None
        self._off_at: Moments | None = None  # when everything was commanded off
        self.clock: Clock
        self.state: SiteState

    def received(self) -> int:
        """How many messages with readings have come in since the files were read last."""
        return self._inbox.received

    def reload_soon(self) -> None:
        """Read the files again between two scans; what becomes of it is in the log."""
        self._reload_asked.set()

    async def run(self, stop: asyncio.Event) -> None:
        """Drive the site until `stop` is set, then command everything off, save and return.

        Raises:
            ExceptionGroup: a part of the service failed; everything was commanded off before.
            HistoryError, ValueError, OSError: it could not start; the text says why, and nothing was driven.
        """
        self._open()
        try:
            async with asyncio.TaskGroup() as connection:
                link = connection.create_task(self.link.run(), name="mqtt")
                try:
                    await self._work(stop)
                finally:
                    link.cancel()
        finally:
            await asyncio.to_thread(lambda: self._journal.close(self.site, self.state, self._off_at))

    def _open(self) -> None:
        self._credentials = fingerprint(self.installation.broker)
        self._journal = Journal(self.installation)
        try:
            self.state = self._journal.begin(self.site)
        except BaseException:
            self._journal.discard()
            raise
        self.clock = self._make_clock(self.state.now_s, self.state.utc_s)
        watchdog_s = self._manager.watchdog_s
        if watchdog_s is not None and watchdog_s < FED_WITHIN_SCANS * self.site.scan_s:
            LOG.warning(
                "the service manager's watchdog waits %.0f s, scans come every %.0f s: set WatchdogSec= to at least "
                "%d scans, or it ends a healthy service", watchdog_s, self.site.scan_s, FED_WITHIN_SCANS,
            )  # fmt: skip
        self._outputs = Outputs(self.installation.actuators, self.link, self.state)
        self._outside = Outside(self.installation, self._is_driving, self._journal.resumed)

    async def _work(self, stop: asyncio.Event) -> None:
        async with asyncio.TaskGroup() as tasks:
            work = {
                "publish": self._publications.run(),
                "operators": self._operator_socket().serve(),
                "reload": self._reload_when_asked(),  # once the service is ready
                "outside": self._outside.run(),
            }
            if self.installation.http_port is not None:
                work["http"] = self._serve_http(self.installation.http_host, self.installation.http_port)
            background = [tasks.create_task(_endless(part), name=name) for name, part in work.items()]
            try:
                await self._scan_until(stop)
            finally:  # first of all: any other part may be slow to end
                self._manager.stopping()
                self._off_at = self.clock.now_s(), self.clock.utc_s()
                off = asyncio.create_task(self._switch_off(), name="off")
                await asyncio.sleep(0)  # the commands have left, or wait for the broker; meanwhile the others may end
                for task in background:
                    task.cancel()
                await to_the_end(off)

    async def _switch_off(self) -> None:
        if await self._outputs.switch_off(self.installation.actuators, self.site, self.state):
            LOG.info("everything is off, confirmed by the broker")

    async def _serve_http(self, host: str, port: int) -> None:
        """Page and metrics. Loaded only after the first scan: the first "off" must not wait for a web server."""
        while not self._scans:
            await asyncio.sleep(POLL_S)
        from controller.hmi.web import application, serve

        self._view = View(self._snapshot, self._counts, self._pulse, self.installation.display)
        await serve(application(self._view), host, port)

    async def _scan_until(self, stop: asyncio.Event) -> None:
        scanning = asyncio.create_task(self._scan_forever(), name="scan")
        stopped = asyncio.create_task(stop.wait())
        try:
            await asyncio.wait((scanning, stopped), return_when=asyncio.FIRST_COMPLETED)
            if scanning.done():
                scanning.result()
        finally:
            stopped.cancel()
            scanning.cancel()  # a scan is never cut in two: it only waits between them

    async def _scan_forever(self) -> None:
        for _ in range(round(CONNECT_FIRST_S / POLL_S)):
            if self.link.connected:
                break
            await asyncio.sleep(POLL_S)
        while True:
            await self.clock.next_scan(self.site.scan_s)
            self._scan()

    def _scan_soon(self) -> None:
        """What a new connection causes: commands that wait for the next scan of the beat are up to 60 s late."""
        self.clock.scan_soon()

    def _scan(self) -> None:
        """One scan: take what has come, decide, carry out."""
        now_s = self.clock.now_s()
        requests = self._operators.take()
        told = self._outputs.told()
        actions = tuple(request.action for request in requests)
        readings = self._inbox.take()
        epoch = new_epoch() if told.anew else 0
        inputs = Inputs(now_s, self.clock.utc_s(), readings, actions, told.again, told.unheard, told.under_way, epoch)
        result = step(self.site, self.state, inputs)
        self.state = result.state
        self._outputs.send(result.commands)
        self._journal.keep(result)
        self._operators.answer(requests, result.records)
        self._publications.say_states(self.site, self.state, result.records, told.anew)
        self._scans += 1
        self._scanned_s = now_s
        self._outside.see(self.site, result, self._troubles())
        self._observe(self.site, result)
        self._manager.scanned(status_line(self.site, self.state, self.link.trouble, self.installation.display))

    def _troubles(self) -> Mapping[str, str]:
        """What the service itself suffers from at the moment, as people are told: of outputs that do not get their
        commands those with a beer, since a device of an empty vessel may well be put away."""
        service = service_dict(self._pulse())
        brewing = [name for name, vessel in self.state.vessels.items() if vessel.batch]
        outputs = [line for name in [*brewing, *([UPSTREAM] if brewing else [])] for line in unheard(service, name)]
        return {**troubles(service), **({"outputs": "; ".join(outputs)} if outputs else {})}

    def _topics(self) -> tuple[str, ...]:
        return (*self._inbox.topics, set_filter(self.site.name))

    def _put_away(self, message: Arrived) -> None:
        """What the connection does with a message: nothing but to put it where the next scan finds it."""
        if not self._operators.hear(message):
            now_s = self.clock.now_s()
            self._inbox.put(message.topic, message.payload, message.retained, now_s, self.clock.utc_s())

    async def _reload_when_asked(self) -> None:
        while not (self._scans and self._outputs.all_said):  # everything has been commanded off, or cannot be
            await asyncio.sleep(POLL_S)
        self._manager.ready()
        while True:
            await self._reload_asked.wait()
            self._reload_asked.clear()
            if self._reread is not None:
                await self.reload(self._reread)

    async def reload(self, reread: Callable[[], Installation]) -> bool:
        """Read the files again and go on with them, between two scans. False if they were refused: the log has
        every reason, and nothing was changed."""
        self._manager.reloading()
        try:
            new = await asyncio.to_thread(reread)
            if self.link.taken_over:
                raise ValueError("this daemon no longer drives the site; nothing was changed")
            plan = plan_reload(self.installation, self._credentials, new, self.state, self.clock.now_s())
        except (FileFaults, ValueError, OSError) as error:
            faults = "; ".join(map(str, error.faults)) if isinstance(error, FileFaults) else str(error)
            LOG.error("the files were read again and refused, all goes on as before: %s", faults)
            self._journal.note(self.state, [self._reloaded("refused", faults)])
            return False
        else:
            await self._go_on_with(plan)
            return True
        finally:
            self._manager.ready()

    async def _go_on_with(self, plan: Plan) -> None:
        old, state, new = self.installation, self.state, plan.installation
        self.installation, self.site, self.state = new, new.site, plan.state
        self._credentials = plan.credentials
        for (_, reason), count in self._inbox.refused.items():
            self._refused[reason.value.lower()] += count
        self._inbox = Inbox(new.sources)
        self._outputs.change(new.actuators)
        self._publications.display = self._journal.display = new.display
        if self._view is not None:
            self._view.display = new.display
        self._outside.change(new)
        gone = off_records(old.site, state, "taken out of the site file", plan.withdrawn)
        self._journal.note(self.state, [*gone, self._reloaded("applied", "the files were read again and are in use")])
        LOG.info("the files were read again and are in use")
        withdrawn = Outputs(plan.withdrawn, self.link, self.state)
        if plan.withdrawn and await withdrawn.switch_off(plan.withdrawn, old.site, state):
            LOG.info("off, confirmed by the broker, and no longer driven: %s", ", ".join(sorted(plan.withdrawn)))
        for vessel in plan.gone:
            self._publications.forget(old.site.name, vessel)
        if plan.reconnect:
            self.link.renew(new.broker, self._topics())

    def _reloaded(self, outcome: str, reason: str) -> Record:
        self._reloads[outcome] += 1
        value = "done" if outcome == "applied" else "refused"
        return Record(
            self.state.now_s, self.state.utc_s, "", RecordKind.ACTION, "reload", value, reason, "service manager"
        )

    def _operator_socket(self) -> OperatorSocket:
        def status() -> Json:
            display, recent = self.installation.display, self._journal.recent
            return status_dict(self.site, self.state, display, recent, self._pulse())

        patience_s = max(SHORTEST_PATIENCE_S, PATIENCE_SCANS * self.site.scan_s)
        return OperatorSocket(socket_path(self.installation.state_dir), self._operators.offer, status, patience_s)

    def _snapshot(self) -> tuple[Site, SiteState] | None:
        return (self.site, self.state) if self._scans else None

    def _counts(self) -> ShellCounts:
        refused = self._refused + self._operators.refused
        for (_, reason), count in self._inbox.refused.items():
            refused[reason.value.lower()] += count
        return ShellCounts(
            self._scans,
            getattr(self.clock, "missed_scans", 0),
            refused,
            self.link.connected,
            self.link.dropped,
            self.link.publish_failures,
            self._journal.counts(),
            self._outside.counts(),
            self._reloads,
            self._publications.answers_dropped,
        )

    def _pulse(self) -> Pulse:
        since_s = None if self._scanned_s is None else self.clock.now_s() - self._scanned_s
        link = self.link
        undrivable = link.trouble if link.taken_over else ""
        unheard, fault = self._outputs.unheard, self._journal.fault
        return Pulse(since_s, self.site.scan_s, link.connected, undrivable, link.trouble, unheard, fault)

    def _is_driving(self) -> bool:
        """Whether the vessels are being driven now. Asked from another thread."""
        pulse = self._pulse()
        return pulse.live and pulse.broker_connected and not pulse.undrivable


async def serve(site_file: Path, installation: Installation) -> None:
    """Drive an installation until SIGTERM or Ctrl-C; on SIGHUP read `site_file` again. Raises as `Service.run`."""
    stop = asyncio.Event()
    asyncio.get_running_loop().set_default_executor(Unjoined())
    service = Service(installation, reread=lambda: load_installation(site_file))
    stop_on_signals(stop)
    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, service.reload_soon)
    await service.run(stop)


async def _endless(work: Coroutine[Any, Any, object]) -> None:
    """Work that must not end while the service runs; if it does, that is a fault like any other."""
    await work
    raise RuntimeError(f"{getattr(work, '__qualname__', work)} ended while the service was running")


def stop_on_signals(stop: asyncio.Event) -> None:
    """Set `stop` on SIGTERM, Ctrl-C, and when the terminal is closed (unless nohup(1) says to stay)."""
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        if number is not signal.SIGHUP or signal.getsignal(number) is not signal.SIG_IGN:
            asyncio.get_running_loop().add_signal_handler(number, stop.set)
