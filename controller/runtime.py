"""The daemon: one connection, one scan at a time, one store. It decides nothing; the core does.

Messages are put away as they come; each scan takes them, reads the clock once, steps the core and carries
out what it returned. A task that ends unexpectedly ends the daemon, with everything commanded off first.
"""

import asyncio
import logging
import signal
from collections import Counter
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any, Protocol

from controller.clock import Clock, SystemClock
from controller.config import load_installation
from controller.connection import Connection
from controller.control.site import Site
from controller.control.state import SiteState, initial_state, resumed_state, stopped_state
from controller.control.step import StepResult, step
from controller.control.values import Inputs, Record, RecordKind
from controller.faults import FileFaults
from controller.field.dispatch import Dispatcher
from controller.field.inbox import Inbox
from controller.field.link import Arrived
from controller.field.own_topics import set_filter
from controller.historian.sampler import Sampler
from controller.historian.store import Store, open_store
from controller.hmi.operator_socket import OperatorSocket
from controller.hmi.shell import Pulse, ShellCounts, StoreCounts, View
from controller.hmi.status import status_dict
from controller.hmi.words import Json
from controller.installation import Installation
from controller.operators import Operators
from controller.publications import Publications
from controller.reloading import Plan, fingerprint, plan_reload
from controller.shutdown import driven_outputs, off_records, switch_off
from controller.status_line import status_line
from controller.systemd import ServiceManager

LOG = logging.getLogger(__name__)

CONNECT_FIRST_S, POLL_S = 2.0, 0.01  # so that the first "off" need not wait for the second scan
STORE_NAME = "history.sqlite"
SOCKET_NAME = "operator.sock"
RECENT_RECORDS = 20
SHORTEST_PATIENCE_S, PATIENCE_SCANS = 15.0, 3  # until an operator is told that no scan answered


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
        self.link = Connection(installation.broker, self.site.name, self._topics(), self._put_away)
        self._dispatcher = Dispatcher(installation.actuators, self.link)
        self._publications = Publications(self.link, installation.display)
        self._operators = Operators(self.site.name, self._publications)
        self._manager = ServiceManager()
        self._reload_asked = asyncio.Event()
        self._reloads: Counter[str] = Counter()
        self._recent: list[Record] = []
        self._told_failures: dict[str, str] = {}
        self._scans = 0
        self._scanned_s: float | None = None
        self._sessions = 0
        self.clock: Clock
        self.state: SiteState
        self._store: Store

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
            await asyncio.to_thread(self._close)

    def _open(self) -> None:
        directory = self.installation.state_dir
        directory.mkdir(parents=True, exist_ok=True)
        self._credentials = fingerprint(self.installation.broker)
        self._store = open_store(directory / STORE_NAME)
        try:
            saved = self._store.load_state()
            if saved is None:
                self.state = initial_state(self.site, 0.0)
            else:
                self.state = resumed_state(self.site, saved, saved.now_s)
                LOG.info("going on after a stop: %s", _where_each_stands(self.state))
        except BaseException:
            self._store.close()
            raise
        self._dispatcher.begin(self.state.epoch, self.state.number)
        self._sampler = Sampler()
        self.clock = self._make_clock(self.state.now_s, self.state.utc_s)

    def _close(self) -> None:
        records = off_records(self.site, self.state, "the service stops")
        self._store.save(stopped_state(self.state), records, self._sampler.rest(), durable=True)
        self._store.close()

    async def _work(self, stop: asyncio.Event) -> None:
        async with asyncio.TaskGroup() as tasks:
            work = {
                "publish": self._publications.run(),
                "operators": self._operator_socket().serve(),
                "reload": self._reload_when_asked(),
            }
            if self.installation.http_port is not None:
                work["http"] = self._serve_http(self.installation.http_host, self.installation.http_port)
            background = [tasks.create_task(_endless(part), name=name) for name, part in work.items()]
            try:
                await self._scan_until(stop)
            finally:  # first of all: any other part may be slow to end
                self._manager.stopping()
                await self._everything_off()
            for task in background:
                task.cancel()

    async def _serve_http(self, host: str, port: int) -> None:
        """Page and metrics. Loaded only after the first scan: the first "off" must not wait for a web server."""
        while not self._scans:
            await asyncio.sleep(POLL_S)
        from controller.hmi.web import application, serve

        view = View(self._snapshot, self._counts, self._pulse, self.installation.display)
        await serve(application(view), host, port)

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

    def _scan(self) -> None:
        """One scan: take what has come, decide, carry out."""
        now_s = self.clock.now_s()
        requests = self._operators.take()
        anew = self.link.sessions != self._sessions
        self._sessions = self.link.sessions
        again = frozenset(self.installation.actuators if anew else self._dispatcher.last_failure)
        actions = tuple(request.action for request in requests)
        inputs = Inputs(now_s, self.clock.utc_s(), self._inbox.take(), actions, again)
        result = step(self.site, self.state, inputs)
        self.state = result.state
        if not self.link.taken_over:
            self._dispatcher.send(result.commands)
        self._tell_failures()
        self._keep(result)
        self._operators.answer(requests, result.records)
        self._publications.say_states(self.site, self.state, result.records, anew)
        self._scans += 1
        self._scanned_s = now_s
        self._observe(self.site, result)
        if self._scans == 1:
            self._manager.ready()
        self._manager.scanned(status_line(self.site, self.state, self.link.trouble, self.installation.display))

    def _tell_failures(self) -> None:
        """Log once, not at every scan, which outputs do not get their commands, and when they do again."""
        if not self.link.connected:  # the connection has told its own trouble
            return
        failing = dict(self._dispatcher.last_failure)
        for tag, cause in failing.items():
            if self._told_failures.get(tag) != cause:
                LOG.warning("%s does not get its commands: %s", tag, cause)
        for tag in self._told_failures.keys() - failing.keys():
            LOG.info("%s gets its commands again", tag)
        self._told_failures = failing

    def _keep(self, result: StepResult) -> None:
        samples = self._sampler.add(result.state)
        self._store.save(result.state, result.records, samples, durable=bool(result.records))
        if result.records:
            self._recent = [*self._recent, *result.records][-RECENT_RECORDS:]
            for record in result.records:
                if record.kind is not RecordKind.ACTION or record.value != "done":  # what was done has told itself
                    level = logging.DEBUG if record.kind is RecordKind.OUTPUT else logging.INFO
                    LOG.log(level, "%s: %s", record.vessel or "site", _in_words(record))

    def _topics(self) -> tuple[str, ...]:
        return (*self._inbox.topics, set_filter(self.site.name))

    def _put_away(self, message: Arrived) -> None:
        """What the connection does with a message: nothing but to put it where the next scan finds it."""
        if not self._operators.hear(message):
            now_s = self.clock.now_s()
            self._inbox.put(message.topic, message.payload, message.retained, now_s, self.clock.utc_s())

    async def _reload_when_asked(self) -> None:
        while True:
            await self._reload_asked.wait()
            self._reload_asked.clear()
            if self._reread is not None and self._scans:
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
            self._remember_reload("refused", f"the files were read again and refused: {error}")
            LOG.error("the files were read again and refused; all goes on as before: %s", error)
            return False
        else:
            await self._go_on_with(plan)
            return True
        finally:
            self._manager.ready()

    async def _go_on_with(self, plan: Plan) -> None:
        old, old_site, old_state, dispatcher = self.installation, self.site, self.state, self._dispatcher
        new = plan.installation
        self.installation, self.site, self.state = new, new.site, plan.state
        self._credentials = plan.credentials
        for (_, reason), count in self._inbox.refused.items():
            self._refused[reason.value.lower()] += count
        self._inbox = Inbox(new.sources)
        self._dispatcher = Dispatcher(new.actuators, self.link)
        self._dispatcher.begin(self.state.epoch, self.state.number)
        self._publications.display = new.display
        self._sessions = -1  # the next scan says everything again
        records = off_records(old_site, old_state, "taken out of the site file", plan.withdrawn)
        self._store.save(self.state, records, durable=True)
        self._remember_reload("applied", "the files were read again and are in use")
        if plan.withdrawn and await switch_off(
            dispatcher, self.link, plan.withdrawn, driven_outputs(old_site, old_state)
        ):
            LOG.info("off, confirmed by the broker, and no longer driven: %s", ", ".join(sorted(plan.withdrawn)))
        for vessel in plan.gone:
            self._publications.forget(old.site.name, vessel)
        if plan.reconnect:
            self.link.renew(new.broker, self._topics())
        LOG.info("the files were read again and are in use")

    def _remember_reload(self, outcome: str, reason: str) -> None:
        self._reloads[outcome] += 1
        record = Record(
            self.state.now_s, self.state.utc_s, "", RecordKind.ACTION, "reload",
            "done" if outcome == "applied" else "refused", reason, "service manager",
        )  # fmt: skip
        self._recent = [*self._recent, record][-RECENT_RECORDS:]
        self._store.save(self.state, [record], durable=True)

    def _operator_socket(self) -> OperatorSocket:
        def status() -> Json:
            return status_dict(self.site, self.state, self.installation.display, self._recent)

        patience_s = max(SHORTEST_PATIENCE_S, PATIENCE_SCANS * self.site.scan_s)
        return OperatorSocket(socket_path(self.installation.state_dir), self._operators.offer, status, patience_s)

    def _snapshot(self) -> tuple[Site, SiteState] | None:
        return (self.site, self.state) if self._scans else None

    def _counts(self) -> ShellCounts:
        refused = self._refused + self._operators.refused
        for (_, reason), count in self._inbox.refused.items():
            refused[reason.value.lower()] += count
        store = self._store.health()
        return ShellCounts(
            self._scans,
            getattr(self.clock, "missed_scans", 0),
            refused,
            self.link.connected,
            self.link.dropped,
            self.link.publish_failures,
            StoreCounts(
                store.healthy, store.failures, store.waiting_records, store.lost_records, store.dropped_samples
            ),
            reloads=self._reloads,
        )

    def _pulse(self) -> Pulse:
        since_s = None if self._scanned_s is None else self.clock.now_s() - self._scanned_s
        undrivable = self.link.trouble if self.link.taken_over else ""
        return Pulse(since_s, self.site.scan_s, self.link.connected, undrivable)

    async def _everything_off(self) -> None:
        """The last thing that a run does, whatever ended it; not where another daemon drives."""
        if self.link.taken_over:
            return
        tags = set(self.installation.actuators)
        if await switch_off(self._dispatcher, self.link, tags, driven_outputs(self.site, self.state)):
            LOG.info("everything is off, confirmed by the broker")


async def serve(site_file: Path, installation: Installation) -> None:
    """Drive an installation until SIGTERM or Ctrl-C; on SIGHUP read `site_file` again. Raises as `Service.run`."""
    stop = asyncio.Event()
    service = Service(installation, reread=lambda: load_installation(site_file))
    stop_on_signals(stop)
    asyncio.get_running_loop().add_signal_handler(signal.SIGHUP, service.reload_soon)
    await service.run(stop)


async def _endless(work: Coroutine[Any, Any, object]) -> None:
    """Work that must not end while the service runs; if it does, that is a fault like any other."""
    await work
    raise RuntimeError(f"{getattr(work, '__qualname__', work)} ended while the service was running")


def _in_words(record: Record) -> str:
    if record.who:
        return f"{record.reason} ({record.who})"
    subject = record.subject if record.subject == record.kind.value else f"{record.kind.value} {record.subject}"
    return f"{subject} {record.value}: {record.reason}"


def _where_each_stands(state: SiteState) -> str:
    batches = [f"{name}: {now.batch.name} {now.condition.value}" for name, now in state.vessels.items() if now.batch]
    return "; ".join(batches) or "no batches"


def stop_on_signals(stop: asyncio.Event) -> None:
    """Set `stop` on SIGTERM, Ctrl-C, and when the terminal is closed (unless nohup(1) says to stay)."""
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        if number is not signal.SIGHUP or signal.getsignal(number) is not signal.SIG_IGN:
            asyncio.get_running_loop().add_signal_handler(number, stop.set)


def socket_path(state_dir: Path) -> Path:
    """Where the daemon of this state directory listens for operators."""
    return state_dir / SOCKET_NAME
