"""A broker in virtual time: MQTT 5 as far as it matters here, and what brokers and networks do wrong.

What holds of the standard (MQTT 5.0): QoS 1 is acknowledged (4.3.2); a message that has waited for longer than its
expiry is not sent (3.3.2.3.3); a retained message goes to each new subscription with the retain flag, a live one
without it (3.3.1.3); an empty retained payload takes the kept one back (3.3.1.3); the will of a connection that ends
without a DISCONNECT is published (3.1.2.5); the same client id takes the session over, and the old connection is told
0x8E and closed (3.1.4, 4.13); messages of one topic keep their order (4.6), unless the story says otherwise.

What is wrong with it is in `Trouble`, and in `stall`, `restart` and `cut`. All sessions are clean.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass

from tests.simulation.network import (
    CONNECT_TIMEOUT_S,
    GOOD,
    HOP_S,
    KEEP_ALIVE_TIMEOUT,
    KEEPALIVE_S,
    NO_SUBSCRIBERS,
    TAKEN_OVER,
    UNSPECIFIED,
    UNSUPPORTED_VERSION,
    End,
    Line,
    Message,
)
from tests.simulation.virtual import Calendar, Takes

LOST_SHARE = 0.3  # of messages that a trouble drops: never sent again


@dataclass(frozen=True, slots=True)
class Trouble:
    """What the broker does to messages that it passes on: each waits up to `delay_s`, the share `drop` is lost at
    first, the share `repeat` comes twice, and with `reorder` none waits for the one before."""

    delay_s: float = 0.0
    drop: float = 0.0
    repeat: float = 0.0
    reorder: bool = False


CALM = Trouble()
NOBODY: dict[str, "Line"] = {}


class Broker:
    """The broker and the network around it. `version` is "5", "5 without reasons" (it closes silently) or "3.1.1".
    `heard` is told of each message that reached it, `expired` of each that it threw away with the client's name."""

    def __init__(
        self,
        calendar: Calendar,
        seed: str,
        version: str,
        heard: Callable[[Message], None],
        expired: Callable[[Message, str], None],
    ) -> None:
        self.calendar, self.version = calendar, version
        self._seed, self._heard, self._expired = seed, heard, expired
        self._dice: dict[str, random.Random] = {}
        self.up, self.stalled = True, False
        self.trouble = CALM
        self.cut_off: set[str] = set()
        self.retained: dict[str, Message] = {}
        self._lines: dict[str, Line] = {}  # by client id: connected and accepted
        self._all: list[Line] = []
        self._exact: dict[str, dict[str, Line]] = {}
        self._filters: list[tuple[list[str], Line]] = []
        self._inbox: list[tuple[Callable[..., object], tuple[object, ...]]] = []
        self._queued_until_s: dict[str, float] = {}

    # clients

    def connect(self, client: str, machine: str, end: End, will: Message | None = None, is_v5: bool = True) -> Line:
        """Open a connection from a machine and send CONNECT; the answer comes to `end`.

        Raises:
            ConnectionRefusedError: no broker runs. Takes: nobody answers, for the time of a connect's time-out.
        """
        if machine in self.cut_off:
            raise Takes(CONNECT_TIMEOUT_S, TimeoutError("timed out"))
        if not self.up:
            raise ConnectionRefusedError(111, "Connection refused")
        line = Line(self, client, machine, end, is_v5)
        line.will = will
        self._all = [each for each in self._all if each.open_here or each.open_there]
        self._all.append(line)
        line.send_connect()
        return line

    def connected(self, client: str) -> bool:
        """Whether the client has a session now."""
        return client in self._lines

    def inject(self, message: Message) -> None:
        """A message from a client that nobody watches."""
        self.take(self._route, (message,))

    # what arrives from the network

    def take(self, act: Callable[..., object], arguments: tuple[object, ...]) -> None:
        """Act on a packet, at once or, if the broker hangs, when it goes on."""
        if self.stalled:
            self._inbox.append((act, arguments))
        elif self.up:
            act(*arguments)

    def connecting(self, line: Line) -> None:
        if not line.open_there:
            return
        if line.is_v5 and self.version == "3.1.1":
            line.send(line.end.connack, UNSUPPORTED_VERSION)
            line.close_there(UNSPECIFIED)
            return
        old = self._lines.get(line.client)
        if old is not None:
            old.close_there(TAKEN_OVER if self.version == "5" and old.is_v5 else UNSPECIFIED)
            self._forget(old, True)
        self._lines[line.client] = line
        line.send(line.end.connack, GOOD)

    def subscribed(self, line: Line, number: int, filters: list[str]) -> None:
        if not line.open_there:
            return
        for each in filters:
            if "+" in each or "#" in each:
                self._filters.append((each.split("/"), line))
            else:
                self._exact.setdefault(each, {})[line.client] = line
        line.send(line.end.suback, number, [1] * len(filters))
        for topic, message in list(self.retained.items()):
            if any(matches(each.split("/"), topic) for each in filters):
                self._pass_on(line, message, True)

    def published(self, line: Line, number: int, message: Message) -> None:
        if not line.open_there:
            return
        listeners = self._route(message)
        if message.qos and line.open_there:
            code = NO_SUBSCRIBERS if not listeners and line.is_v5 and self.version != "3.1.1" else GOOD
            self._acknowledge(line, number, code, message.topic)

    def disconnected(self, line: Line, with_will: bool) -> None:
        if line.open_there:
            line.open_there = False
            self._forget(line, with_will)

    # what goes wrong

    def stall(self) -> None:
        """Hang: connections stay open, nothing is answered."""
        self.stalled = True
        for line in self._all:
            self._keepalive(line, lambda: self.stalled)

    def go_on(self) -> None:
        """Go on where it hung, with all that lies in the buffers."""
        self.stalled = False
        while self._inbox and not self.stalled:
            act, arguments = self._inbox.pop(0)
            act(*arguments)

    def shut_down(self) -> None:
        """Die: every session, and what it had queued, is forgotten."""
        self.up = self.stalled = False
        self._inbox.clear()
        for line in self._all:
            if line.open_there:
                line.open_there = False
                if line.open_here and line.machine not in self.cut_off:
                    self.calendar.after(HOP_S, line.lose, UNSPECIFIED)
        self._lines.clear()
        self._exact.clear()
        self._filters.clear()
        self._queued_until_s.clear()

    def start(self, keeps_retained: bool) -> None:
        """Run again; retained messages are kept, or not."""
        self.up = True
        if not keeps_retained:
            self.retained.clear()

    def cut(self, machine: str) -> None:
        """Cut the network of one machine."""
        self.cut_off.add(machine)
        for line in self._all:
            if line.machine == machine:
                self._keepalive(line, lambda: machine in self.cut_off)
                self.calendar.after(1.5 * KEEPALIVE_S, self._given_up, line)

    def heal(self, machine: str) -> None:
        """Mend it: what was under way arrives now, on connections that were not given up."""
        self.cut_off.discard(machine)
        for line in self._all:
            if line.machine == machine:
                line.heal()

    def _keepalive(self, line: Line, dead: Callable[[], bool]) -> None:
        """The client's pings go unanswered from now on: it gives up one to two keepalives from now."""

        def check() -> None:
            if dead():
                line.lose(KEEP_ALIVE_TIMEOUT)

        self.calendar.after(self._chance(line.machine).uniform(KEEPALIVE_S, 2.0 * KEEPALIVE_S), check)

    def _given_up(self, line: Line) -> None:
        if line.machine in self.cut_off or not line.open_here:
            self.disconnected(line, True)

    # inside

    def _chance(self, what: str) -> random.Random:
        """Dice of its own for each thing, so that a story from which something else is left out goes on as before."""
        if what not in self._dice:
            self._dice[what] = random.Random(f"{self._seed}/{what}")
        return self._dice[what]

    def _forget(self, line: Line, with_will: bool) -> None:
        for lines in self._exact.values():
            if lines.get(line.client) is line:
                del lines[line.client]
        self._filters = [each for each in self._filters if each[1] is not line]
        if self._lines.get(line.client) is line:
            del self._lines[line.client]
        if with_will and line.will is not None:
            self._route(line.will)

    def _route(self, message: Message) -> int:
        """Pass a message on; how many subscribers there are."""
        message.at_s = self.calendar.now_s
        if self.version == "3.1.1":
            message.expiry_s = None
        self._heard(message)
        if message.retain:
            if message.payload:
                self.retained[message.topic] = message
            else:
                self.retained.pop(message.topic, None)
        lines = list(self._exact.get(message.topic, NOBODY).values())
        if self._filters:
            lines += [line for each, line in self._filters if matches(each, message.topic) and line not in lines]
        for line in lines:
            self._pass_on(line, message, False)
        return len(lines)

    def _pass_on(self, line: Line, message: Message, retained: bool) -> None:
        trouble = self.trouble
        if trouble is CALM and not self._queued_until_s:
            self._send(line, message, retained, 1)
            return
        chance = self._chance(f"{line.client} {message.topic} {trouble}")
        now_s = self.calendar.now_s
        at_s = now_s + (chance.uniform(0.0, trouble.delay_s) if trouble.delay_s else 0.0)
        if trouble.drop and chance.random() < trouble.drop:
            if message.qos == 0 or chance.random() < LOST_SHARE:
                return
            at_s += chance.uniform(2.0, 5.0)
        if not trouble.reorder:
            at_s = max(at_s, self._queued_until_s.get(line.client, 0.0))
            self._queued_until_s[line.client] = at_s
            if at_s <= now_s:
                self._queued_until_s.pop(line.client)
        self.calendar.at(at_s, self.take, self._send, (line, message, retained, 1))
        if message.qos and trouble.repeat and chance.random() < trouble.repeat:
            again_s = at_s + chance.uniform(0.5, 20.0)
            self.calendar.at(again_s, self.take, self._send, (line, message, retained, 2))

    def _send(self, line: Line, message: Message, retained: bool, copy: int) -> None:
        if not line.open_there:
            return
        if message.expiry_s is not None and self.calendar.now_s - message.at_s >= message.expiry_s:
            self._expired(message, line.client)
            return
        line.send(line.end.arrived, message, retained, copy)

    def _acknowledge(self, line: Line, number: int, code: int, topic: str) -> None:
        trouble = self.trouble
        if trouble is CALM:
            line.send(line.end.puback, number, code)
            return
        chance = self._chance(f"{line.client} of {topic} {trouble}")
        if not (trouble.drop and chance.random() < trouble.drop * LOST_SHARE):
            late_s = chance.uniform(0.0, min(trouble.delay_s, 5.0))
            self.calendar.after(late_s, self.take, line.send, (line.end.puback, number, code))


def matches(levels: list[str], topic: str) -> bool:
    """Whether a topic filter, split at its slashes, matches (MQTT 5.0, 4.7.1)."""
    parts = topic.split("/")
    for place, level in enumerate(levels):
        if level == "#":
            return True
        if place >= len(parts) or level not in ("+", parts[place]):
            return False
    return len(levels) == len(parts)
