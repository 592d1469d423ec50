"""A machine on which the daemon runs: its clocks, disk, process, and the way operators and signals reach it.

The daemon is the real `Service`. What it finds outside itself is replaced while a story runs (`outside`): the innermost
MQTT library, the store's thread, the operators' Unix socket, and where chance comes from.
"""

import asyncio
import json
import logging
import random
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

from controller.clock import SystemClock
from controller.control.site import Site
from controller.control.step import StepResult
from controller.historian.store import Thinned
from controller.hmi.operator_socket import OperatorSocket
from controller.installation import Installation
from controller.runtime import Service
from tests.simulation.broker import Broker
from tests.simulation.client import VirtualSession, Wire
from tests.simulation.disk import Disk, VirtualPositions, VirtualStore
from tests.simulation.network import Message
from tests.simulation.virtual import Calendar, VirtualLoop

FIRST_UTC_S = 1_790_316_000.0  # 2026-09-25T06:00:00Z: the true time of a story's first moment
UNSET_UTC_S = 1_600_000_000.0  # what a board without a battery clock shows
POLL_S = 0.25  # the service looks every 10 ms for what has changed; so often is enough for scans of 10 s
ENDING_S = 30.0  # virtual time in which what is left of a process may unwind before it is cancelled again


class Run:
    """One process of the daemon. `began` is told where its time line begins, `ended` how it ended ("stopped", "refused"
    or "fault") and why, `arrived` of each message that reaches it."""

    def __init__(
        self,
        board: "Board",
        installation: Installation,
        reread: Callable[[], Installation],
        observe: Callable[[Site, StepResult], None],
        began: Callable[[float], None],
        ended: Callable[[str, str], None],
        arrived: Callable[[str, Message, bool], None],
    ) -> None:
        self.board = board
        self._began, self._arrived = began, arrived
        self.loop = VirtualLoop(self._time)
        self.wires: list[Wire] = []
        self._talks: set[asyncio.Task[None]] = set()
        self.store: VirtualStore | None = None
        self.socket: VirtualSocket | None = None
        self.line_s: float | None = None
        self.chance = random.Random(f"{board.seed}/{board.name}/{board.runs}")
        self.alive = True
        self._ghost_s: float | None = None
        self._ended = ended
        self._stop = asyncio.Event()
        with board.current(self):
            self.service = Service(installation, self._make_clock, observe, reread)
        self._main = self.loop.create_task(self._live())

    async def _live(self) -> None:
        how, why = "stopped", ""
        try:
            await self.service.run(self._stop)
        except BaseExceptionGroup as group:
            how, why = "fault", "; ".join(f"{type(leaf).__name__}: {leaf}" for leaf in _leaves(group))
        except Exception as error:
            how, why = ("refused" if self.line_s is None else "fault"), f"{type(error).__name__}: {error}"
        if self.alive:
            self.alive = False
            self._ended(how, why)

    def stop(self) -> None:
        """SIGTERM."""
        self.loop.call_soon(self._stop.set)

    def reload(self) -> None:
        """SIGHUP."""
        self.loop.call_soon(self.service.reload_soon)

    def kill(self, power: bool) -> None:
        """The process is gone at this instant, and with `power` its machine. What is left of it unwinds where nobody
        sees it, without store and broker."""
        self.alive = False
        if self.store is not None:
            self.store.lose(power)
        for wire in self.wires:
            wire.pull_the_plug() if power else wire.crash()
        self.bury()

    def bury(self) -> None:
        """End what is left of a process that is gone, in a time of its own."""
        self._ghost_s = self.board.calendar.now_s
        with self.board.current(self):
            while left := asyncio.all_tasks(self.loop):
                for task in left:
                    task.cancel()
                end_s = self._ghost_s + ENDING_S
                while self._ghost_s <= end_s and any(not task.done() for task in left):
                    self.loop.run_due()
                    self._ghost_s = max(self._ghost_s, self.loop.next_s)
        self.loop.close()

    def post(self, act: Callable[..., object], *arguments: Any) -> None:
        """Something arrives for the process."""
        if self.alive:
            self.loop.call_soon(act, *arguments)

    def came(self, message: Message, retained: bool) -> None:
        """A message has reached this machine."""
        if self.alive:
            self._arrived(self.board.name, message, retained)

    def keep(self, task: "asyncio.Task[None]") -> None:
        """Hold a task while it runs: an operator's line on the socket."""
        self._talks.add(task)
        task.add_done_callback(self._talks.discard)

    def plug(self, paho: Any) -> Wire:
        """A wire to the broker in place of a socket; one that is dead for a process that is."""
        wire = Wire(paho, self.board.broker, self.board.name, self.post, self.came)
        self.wires = [wire]
        return wire

    def _time(self) -> float:
        return self.board.calendar.now_s if self._ghost_s is None else self._ghost_s

    def _make_clock(self, start_s: float, not_before_utc_s: float | None) -> SystemClock:
        self.line_s = start_s
        self._began(start_s)
        board = self.board
        return VirtualClock(
            start_s,
            not_before_utc_s,
            boottime_s=self._time,
            wall_s=lambda: FIRST_UTC_S + self._time() + board.wall_off_s,
            synchronised=lambda wall_s: board.synchronised,
        )


class Board:
    """The machine. `wall_off_s` is by how much its wall clock is wrong; `synchronised` as `SystemClock` asks."""

    running: Run | None = None  # the process whose turn it is, of any board

    def __init__(self, name: str, seed: str, calendar: Calendar, broker: Broker, folder: Path, disk: Disk) -> None:
        self.name, self.seed, self.calendar, self.broker, self.folder = name, seed, calendar, broker, folder
        self.disk = disk
        self.memory: dict[str, Any] = {}
        self.wall_off_s = 0.0
        self.synchronised: bool | None = True
        self.runs = 0
        self.run: Run | None = None

    def start(
        self,
        installation: Installation,
        reread: Callable[[], Installation],
        observe: Callable[[Site, StepResult], None],
        began: Callable[[float], None],
        ended: Callable[[str, str], None],
        arrived: Callable[[str, Message, bool], None],
    ) -> None:
        """Start the daemon; the callbacks are those of `Run` and `Service`."""
        self.runs += 1
        self.disk.begin(self.runs)
        self.run = Run(self, installation, reread, observe, began, ended, arrived)

    def cut(self, power: bool) -> None:
        """Kill the daemon, and with `power` the machine: then its memory is empty and its clock may be unset."""
        run, self.run = self.run, None
        if run is not None:
            run.kill(power)
        if power:
            self.memory.clear()

    @property
    def next_s(self) -> float:
        """When the daemon has something to do."""
        run = self.run
        return run.loop.next_s if run is not None and run.alive else float("inf")

    def run_due(self) -> None:
        """Let the daemon do what is due."""
        run = self.run
        if run is not None:
            Board.running = run
            run.loop.run_due()
            Board.running = None
            if not run.alive:
                run.bury()
                self.run = None

    @contextmanager
    def current(self, run: Run) -> Iterator[None]:
        """What is made within belongs to this process."""
        before, Board.running = Board.running, run
        try:
            yield
        finally:
            Board.running = before


class VirtualClock(SystemClock):
    """The service's clock on virtual ones; it waits with one timer in place of two tasks."""

    async def _sleep_until_soon(self, seconds: float) -> None:
        loop = asyncio.get_running_loop()
        self._waits: asyncio.Future[None] = loop.create_future()
        timer = loop.call_later(seconds, self._wake)
        try:
            await self._waits
        finally:
            timer.cancel()

    def scan_soon(self) -> None:
        super().scan_soon()
        self._wake()

    def _wake(self) -> None:
        waits = getattr(self, "_waits", None)
        if waits is not None and not waits.done():
            waits.set_result(None)


class VirtualSocket(OperatorSocket):
    """The operators' socket without its file: `ask` is a line that comes in."""

    async def serve(self) -> None:
        _running().socket = self
        await asyncio.Event().wait()

    async def ask(self, request: dict[str, object], who: str) -> dict[str, Any]:
        """One request and its reply, through JSON as on the real socket."""
        reply: dict[str, Any] = json.loads(json.dumps(await self._reply(json.dumps(request).encode(), who)))
        return reply


class _Chance:
    """What the connection takes from chance: of the process whose turn it is."""

    @staticmethod
    def uniform(low: float, high: float) -> float:
        return _running().chance.uniform(low, high)

    @staticmethod
    def uuid4() -> uuid.UUID:
        return uuid.UUID(int=_running().chance.getrandbits(128), version=4)


class _Warnings(logging.Handler):
    """Hands the log's warnings to the story."""

    def __init__(self, told: Callable[[str, str, str], None]) -> None:
        super().__init__(logging.WARNING)
        self._told = told

    def emit(self, record: logging.LogRecord) -> None:
        run = Board.running
        if run is not None and run.alive:
            self._told(run.board.name, record.levelname.lower(), record.getMessage())


@contextmanager
def outside(told: Callable[[str, str, str], None]) -> Iterator[None]:
    """Replace what the daemon finds outside itself; `told` gets the name of the board, level and text of a warning."""

    def store(path: Path, history: Any, thinned: Thinned) -> VirtualStore:
        run = _running()
        run.store = VirtualStore(path, history, thinned, run.board.disk)
        return run.store

    handler, log = _Warnings(told), logging.getLogger("controller")
    before = log.level, log.propagate
    log.setLevel(logging.WARNING)
    log.propagate = False
    log.addHandler(handler)
    VirtualSession.plug = staticmethod(lambda paho: _running().plug(paho))
    with ExitStack() as stack:
        for name, other in (
            ("controller.journal.open_store", store),
            ("controller.runtime.new_epoch", lambda: int(FIRST_UTC_S + _running().board.calendar.now_s)),
            ("controller.journal.PositionsFile", lambda *_: VirtualPositions(_running().board.memory)),
            ("controller.runtime.OperatorSocket", VirtualSocket),
            ("controller.runtime.POLL_S", POLL_S),
            ("controller.publications.POLL_S", POLL_S),
            ("controller.field.mqtt.Session", VirtualSession),
            ("controller.field.mqtt.random", _Chance),
            ("controller.field.mqtt.uuid", _Chance),
        ):
            stack.enter_context(patch(name, other))
        try:
            yield
        finally:
            log.removeHandler(handler)
            log.level, log.propagate = before


def _running() -> Run:
    run = Board.running
    assert run is not None, "nothing of the daemon runs outside of its turn"
    return run


def _leaves(group: BaseExceptionGroup[BaseException]) -> Iterator[BaseException]:
    for error in group.exceptions:
        if isinstance(error, BaseExceptionGroup):
            yield from _leaves(error)
        else:
            yield error
