"""Relays as devices at the broker: nodes of our own, which obey only the newest order, and foreign ones.

Each has a timer of its own, contacts that weld or stick, a switch for the hand, and electronics that die and restart.
"""

import json
import math
import random
from collections.abc import Callable, Sequence

from tests.simulation.broker import Broker
from tests.simulation.network import Line, Message
from tests.simulation.scene import Delivered, Event, Order, Relay, Switched
from tests.simulation.virtual import Calendar, Takes

RECONNECT_S = (1.0, 6.0)  # until a device is back at the broker


class Device:
    """Works one `Relay` of the scene, which moves nothing unless those `upstream` are closed too. `tell` takes events;
    the contacts are looked at anew after whatever happens."""

    def __init__(
        self,
        relay: Relay,
        upstream: Sequence[Relay],
        calendar: Calendar,
        broker: Broker,
        chance: random.Random,
        tell: Callable[[Event], None],
    ) -> None:
        self.relay, self._upstream = relay, upstream
        self._calendar, self._broker, self._chance, self._tell = calendar, broker, chance, tell
        self._line: Line | None = None
        self._ends = 0  # number of the timer that counts
        self.name = "relay-" + relay.tag.replace("/", "-")
        self._connect()

    # at the broker

    def connack(self, code: int) -> None:
        if self._line is not None:
            self._line.subscribe(1, [self.relay.topic])

    def suback(self, number: int, codes: list[int]) -> None:
        """It listens."""

    def puback(self, number: int, code: int) -> None:
        """It publishes nothing."""

    def closed(self, code: int) -> None:
        self._line = None
        self._calendar.after(self._chance.uniform(*RECONNECT_S), self._connect)

    def arrived(self, message: Message, retained: bool, copy: int) -> None:
        """An order."""
        relay = self.relay
        order = self._understood(message, retained, copy)
        if order is None:
            return
        relay.heard = order
        if order.obeyed:
            relay.obeyed = order
            lasts_s = (order.lifetime_s if relay.node else relay.timer_s) or 0.0
            self._end_in(lasts_s if order.on else math.inf)
            self._want(order.on, "order")
        self._tell(Delivered(self._calendar.now_s, relay.tag, order))

    # what happens to it

    def weld(self, closed: bool | None) -> None:
        """Weld the contacts closed or open; None mends them."""
        self.relay.welded = closed
        self._look("weld" if closed is not None else "mended")

    def stick(self, stuck: bool) -> None:
        """Let the contacts stay where they are; then free them."""
        self.relay.stuck = stuck
        self._look("mended")

    def breaks(self, broken: bool) -> None:
        """Burn the heater, lock the pump by air; mend it."""
        self.relay.broken = broken
        self._look("mended")

    def by_hand(self, on: bool | None) -> None:
        """A person holds the switch; None lets go of it."""
        self.relay.by_hand = on
        self._look("hand")

    def restart(self, dead_s: float) -> None:
        """Its electronics restart, or are without power for longer. It forgets all orders; contacts open."""
        relay = self.relay
        if relay.dead:
            return
        relay.dead = True
        relay.restarts += 1
        relay.obeyed = None
        self._end_in(math.inf)
        self._want(False, "restart")
        line, self._line = self._line, None
        if line is not None:
            line.vanish()
        self._calendar.after(dead_s, self._alive)

    def supplied(self) -> None:
        """See whether anything moves, with what stands upstream as it is now."""
        relay = self.relay
        relay.moves = relay.closed and not relay.broken and all(each.closed for each in self._upstream)

    def _alive(self) -> None:
        self.relay.dead = False
        self._look("restart")
        self._connect()

    # inside

    def _connect(self) -> None:
        if self._line is not None or self.relay.dead:
            return
        try:
            self._line = self._broker.connect(self.name, self.relay.tag, self, is_v5=False)
        except (Takes, ConnectionRefusedError):
            self._calendar.after(self._chance.uniform(*RECONNECT_S), self._connect)

    def _understood(self, message: Message, retained: bool, copy: int) -> Order | None:
        """The order in a message, or None if it is none."""
        now_s, relay = self._calendar.now_s, self.relay
        common = (message.sender, message.at_s, now_s, retained, copy)
        if not relay.node:
            if message.payload not in (b"ON", b"OFF"):
                return None
            return Order(message.payload == b"ON", None, None, None, *common, obeyed=True)
        try:
            said = json.loads(message.payload)
            on, epoch, number, lifetime_s = said["on"], said["epoch"], said["number"], float(said["lifetime_s"])
        except (ValueError, TypeError, KeyError, RecursionError):
            return None
        if not isinstance(on, bool) or not isinstance(epoch, int) or not isinstance(number, int):
            return None
        last = relay.obeyed
        newer = last is None or (epoch, number) > (last.epoch or 0, last.number or 0)
        return Order(on, epoch, number, lifetime_s, *common, obeyed=newer and not retained)

    def _end_in(self, seconds: float) -> None:
        self._ends += 1
        self.relay.ends_s = self._calendar.now_s + seconds
        if seconds < math.inf:
            self._calendar.after(seconds, self._timer, self._ends)

    def _timer(self, number: int) -> None:
        if number == self._ends:
            self.relay.ends_s = math.inf
            self._want(False, "timer")

    def _want(self, on: bool, by: str) -> None:
        if on != self.relay.ordered:
            self.relay.ordered = on
            self.relay.ordered_since_s = self._calendar.now_s
        self._look(by)

    def _look(self, by: str) -> None:
        relay, now_s = self.relay, self._calendar.now_s
        if relay.stuck:
            closed = relay.closed
        elif relay.welded is not None:
            closed = relay.welded
        elif relay.by_hand is not None:
            closed = relay.by_hand
        else:
            closed = relay.ordered and not relay.dead
        if closed != relay.closed:
            if relay.closed:
                relay.on_s += now_s - relay.closed_since_s
            relay.starts += closed
            relay.closed, relay.closed_since_s = closed, now_s
            self._tell(Switched(now_s, relay.tag, closed, by))
        self.supplied()
