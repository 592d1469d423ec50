"""The daemon: one connection, one scan at a time, one store. It decides nothing; the core does.

Messages are put away as they come; each scan takes them, reads the clock once, steps the core and carries
out what it returned. A task that ends unexpectedly ends the daemon, with everything commanded off first.
"""

import asyncio
import logging
import signal
from collections import Counter
from collections.abc import Callable, Coroutine, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any, Protocol

from controller.clock import Clock, SystemClock
from controller.control.site import Ending, Output, Site
from controller.control.state import OutputState, SiteState, initial_state, resumed_state
from controller.control.step import StepResult, step
from controller.control.values import Action, Inputs, Record, RecordKind
from controller.field.dispatch import Dispatcher
from controller.field.inbox import Inbox, Request, Requests
from controller.field.link import Arrived, LinkDown
from controller.field.mqtt import MqttLink
from controller.field.own_topics import (
    action_id,
    parse_action,
    reply_payload,
    reply_topic,
    set_filter,
    state_payload,
    state_topic,
    vessel_of,
)
from controller.historian.sampler import Sampler
from controller.historian.store import Store, open_store
from controller.hmi.operator_socket import OperatorSocket
from controller.hmi.shell import Pulse, ShellCounts, View
from controller.hmi.status import status_dict, vessel_dict
from controller.hmi.words import Json
from controller.installation import Installation

LOG = logging.getLogger(__name__)

OFF_WITHIN_S = 2.0
CONNECT_FIRST_S, POLL_S = 2.0, 0.01  # so that the first "off" need not wait for the second scan
STATE_EVERY_S = 300.0  # a vessel's retained state is said again this often, and at once when it has changed:
STATE_STEP_K = 0.1  # its records, or its wort by this much
STORE_NAME = "history.sqlite"
SOCKET_NAME = "operator.sock"
RECENT_RECORDS = 20
SHORTEST_PATIENCE_S, PATIENCE_SCANS = 15.0, 3  # until an operator is told that no scan answered
ENDS = {
    Ending.DEVICE_TIMER: "its own timer ends it",
    Ending.POWER_LOSS: "it ends when its power is cut",
    Ending.NOTHING: "it does not end by itself: switch it off by hand",
}


class MakeClock(Protocol):
    """Makes the clock of a run: where the service's time line goes on, and the last trusted UTC."""

    def __call__(self, start_s: float, not_before_utc_s: float | None) -> Clock:
        """The clock."""


class Service:
    """One daemon for one installation. `run` lives until `stop` is set; `observe` sees each scan's result."""

    def __init__(
        self,
        installation: Installation,
        make_clock: MakeClock = SystemClock,
        observe: Callable[[Site, StepResult], object] = lambda site, result: None,
    ) -> None:
        self.installation = installation
        self.site = installation.site
        self._make_clock = make_clock
        self._observe = observe
        self._inbox = Inbox(installation.sources)
        self._requests = Requests()
        topics = (*self._inbox.topics, set_filter(self.site.name))
        self.link = MqttLink(installation.broker, self.site.name, topics, self._put_away)
        self._dispatcher = Dispatcher(installation.actuators, self.link)
        self._refused_actions: Counter[str] = Counter()
        self._publications: asyncio.Queue[tuple[str, bytes, bool, bytes | None]] = asyncio.Queue(1000)
        self._said: dict[str, tuple[float, float]] = {}
        self._recent: list[Record] = []
        self._told_failures: dict[str, str] = {}
        self._scans = 0
        self._scanned_s: float | None = None
        self._sessions = 0
        self.clock: Clock
        self.state: SiteState
        self._store: Store

    def received(self) -> int:
        """How many messages with readings have come in since the start."""
        return self._inbox.received

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
        self._store.save(self.state, _off_records(self.site, self.state), self._sampler.rest(), durable=True)
        self._store.close()

    async def _work(self, stop: asyncio.Event) -> None:
        async with asyncio.TaskGroup() as tasks:
            background = [
                tasks.create_task(_endless(self._publish_all()), name="publish"),
                tasks.create_task(_endless(self._operator_socket().serve()), name="operators"),
            ]
            if self.installation.http_port is not None:
                http = self._serve_http(self.installation.http_host, self.installation.http_port)
                background.append(tasks.create_task(_endless(http), name="http"))
            try:
                await self._scan_until(stop)
            finally:  # first of all: any other part may be slow to end
                await self._everything_off()
            for task in background:
                task.cancel()

    async def _serve_http(self, host: str, port: int) -> None:
        """Page and metrics. Loaded only after the first scan: the first "off" must not wait for a web server."""
        while not self._scans:
            await asyncio.sleep(POLL_S)
        from controller.hmi.web import application, serve

        view = View(self._snapshot, self._counts, self._pulse, self.installation.units)
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
        requests = self._requests.take()
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
        self._answer(requests, result.records)
        self._say_states(now_s, result.records, anew)
        self._scans += 1
        self._scanned_s = now_s
        self._observe(self.site, result)

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
                    LOG.info("%s: %s", record.vessel or "site", _in_words(record))

    def _answer(self, requests: Iterable[Request], records: Iterable[Record]) -> None:
        answers = {record.subject: record for record in records if record.kind is RecordKind.ACTION}
        for request in requests:
            answer = answers.get(request.action.id)
            request.answer(answer.reason if answer else "the action was not answered; look at the log")

    def _say_states(self, now_s: float, records: Iterable[Record], anew: bool) -> None:
        """Publish a vessel's state when something happened to it, when its wort moved, and now and then."""
        if not self.link.connected:  # all is said anew on return
            return
        changed = {record.vessel for record in records}
        for vessel in self.site.vessels:
            celsius = self.state.vessels[vessel.name].estimate.celsius or 0.0
            said_s, said_c = self._said.get(vessel.name, (-STATE_EVERY_S, 0.0))
            quiet = abs(celsius - said_c) < STATE_STEP_K and now_s - said_s < STATE_EVERY_S
            if quiet and not anew and vessel.name not in changed:
                continue
            self._said[vessel.name] = (now_s, celsius)
            state = vessel_dict(self.site, vessel, self.state, self.installation.units)
            self._offer(state_topic(self.site.name, vessel.name), state_payload(state), True, None)

    def _offer(self, topic: str, payload: bytes, retain: bool, correlation: bytes | None) -> None:
        """Queue a publication; when nobody takes them, the oldest goes: states are said again anyway."""
        if self._publications.full():
            self._publications.get_nowait()
        self._publications.put_nowait((topic, payload, retain, correlation))

    async def _publish_all(self) -> None:
        while True:
            topic, payload, retain, correlation = await self._publications.get()
            while not self.link.connected:  # an answer to what came in while the connection was being made
                await asyncio.sleep(POLL_S)
            with suppress(LinkDown):  # counted by the link; states are said again on return
                await self.link.publish(topic, payload, qos=1, retain=retain, correlation=correlation)

    def _put_away(self, message: Arrived) -> None:
        """What the connection does with a message: nothing but to put it where the next scan finds it."""
        vessel = vessel_of(self.site.name, message.topic)
        if vessel is None:
            now_s = self.clock.now_s()
            self._inbox.put(message.topic, message.payload, message.retained, now_s, self.clock.utc_s())
            return
        topic = reply_topic(self.site.name, vessel, message.reply_to)

        def answer(text: str) -> None:
            name = action.id if isinstance(action, Action) else action_id(message.payload)
            self._offer(topic, reply_payload(name, text), False, message.correlation)

        action = parse_action(vessel, message.payload, message.retained)
        if isinstance(action, Action):
            if not self._requests.offer(Request(action, answer)):
                answer("refused: too many actions at once; wait for the answers; nothing was changed")
        else:
            self._refused_actions["action"] += 1
            answer(f"refused: {action}")

    def _operator_socket(self) -> OperatorSocket:
        def offer(action: Action, answer: Callable[[str], None]) -> bool:
            return self._requests.offer(Request(action, answer))

        def status() -> Json:
            return status_dict(self.site, self.state, self._recent, self.installation.units)

        patience_s = max(SHORTEST_PATIENCE_S, PATIENCE_SCANS * self.site.scan_s)
        return OperatorSocket(socket_path(self.installation.state_dir), offer, status, patience_s)

    def _snapshot(self) -> tuple[Site, SiteState] | None:
        return (self.site, self.state) if self._scans else None

    def _counts(self) -> ShellCounts:
        refused = Counter(self._refused_actions)
        for (_, reason), count in self._inbox.refused.items():
            refused[reason.value.lower()] += count
        missed = getattr(self.clock, "missed_scans", 0)
        return ShellCounts(self._scans, missed, refused, self.link.connected)

    def _pulse(self) -> Pulse:
        since_s = None if self._scanned_s is None else self.clock.now_s() - self._scanned_s
        undrivable = self.link.trouble if self.link.taken_over else ""
        return Pulse(since_s, self.site.scan_s, self.link.connected, undrivable)

    async def _everything_off(self) -> None:
        """The last thing that a run does, whatever ended it: all off, confirmed or given up after 2 s."""
        if self.link.taken_over:
            return
        tags = set(self.installation.actuators)
        confirmed = await self._dispatcher.all_off(tags, OFF_WITHIN_S)
        if confirmed == tags:
            LOG.info("everything is off, confirmed by the broker")
        late = f"the broker did not acknowledge it within {OFF_WITHIN_S:.0f} s"
        unsure: dict[tuple[str, Ending], list[str]] = {}
        for tag, output, was in _outputs(self.site, self.state):
            if tag not in confirmed:
                cause = self._dispatcher.last_failure.get(tag, late) if self.link.connected else self.link.trouble
                unsure.setdefault((cause, output.ending), []).append(f"{tag} (last {'on' if was.on else 'off'})")
        for (cause, ending), outputs in unsure.items():
            LOG.warning("not confirmed off: %s: %s; %s", ", ".join(outputs), cause, ENDS[ending])


async def _endless(work: Coroutine[Any, Any, object]) -> None:
    """Work that must not end while the service runs; if it does, that is a fault like any other."""
    await work
    raise RuntimeError(f"{getattr(work, '__qualname__', work)} ended while the service was running")


def _outputs(site: Site, state: SiteState) -> list[tuple[str, Output, OutputState]]:
    """Every output of the site with its tag and its state."""
    pairs = [
        pair
        for vessel in site.vessels
        for now in [state.vessels[vessel.name]]
        for pair in ((vessel.cooler, now.cooler), (vessel.heater, now.heater))
    ]
    return [(output.tag, output, was) for output, was in pairs if output is not None and was is not None]


def _off_records(site: Site, state: SiteState) -> list[Record]:
    """What is to be remembered of the last "off": a record for each output that was on (design rule 11)."""
    return [
        Record(state.now_s, state.utc_s, vessel, RecordKind.OUTPUT, name, "off", "the service stops")
        for tag, _, was in _outputs(site, state)
        for vessel, _, name in [tag.partition("/")]
        if was.on
    ]


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
