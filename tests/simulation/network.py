"""The network between a client and the broker: messages, and one connection with what a cut network does to it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from tests.simulation.broker import Broker

HOP_S = 0.002  # from one machine to the other, on a quiet network
CONNECT_TIMEOUT_S = 3.0
KEEPALIVE_S = 10.0  # all clients'; a broker waits half as long again (MQTT 5.0, 3.1.2.10)
UNSENT_S = 10.0  # after which a machine throws away what it could not send
GOOD, NO_SUBSCRIBERS = 0x00, 0x10
UNSPECIFIED, UNSUPPORTED_VERSION, KEEP_ALIVE_TIMEOUT, TAKEN_OVER = 0x80, 0x84, 0x8D, 0x8E


@dataclass(slots=True)
class Message:
    """A message; the broker enters `at_s`, when it reached it, and changes nothing else but an expiry that its version
    does not know."""

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False
    expiry_s: float | None = None
    reply_to: str | None = None
    correlation: bytes | None = None
    sender: str = ""
    at_s: float = 0.0
    will: bool = False


class End(Protocol):
    """The client's end of a connection; each is called when a packet arrives there."""

    def connack(self, code: int) -> None: ...
    def suback(self, number: int, codes: list[int]) -> None: ...
    def puback(self, number: int, code: int) -> None: ...
    def arrived(self, message: Message, retained: bool, copy: int) -> None: ...
    def closed(self, code: int) -> None: ...


class Line:
    """One TCP connection. What is sent while the network is cut is held, and arrives late if it heals in time."""

    def __init__(self, broker: "Broker", client: str, machine: str, end: End, is_v5: bool) -> None:
        self.client, self.machine, self.is_v5 = client, machine, is_v5
        self._broker, self._end = broker, end
        self.open_here = self.open_there = True  # at the client's end, at the broker's
        self.will: Message | None = None
        self._held_up: list[tuple[float, Callable[..., object], tuple[object, ...]]] = []
        self._held_down: list[tuple[Callable[..., object], tuple[object, ...]]] = []
        self._free_s = 0.0  # when the last packet to the client will have arrived

    # the client's side

    def subscribe(self, number: int, filters: list[str]) -> None:
        self._up(self._broker.subscribed, self, number, filters)

    def publish(self, number: int, message: Message) -> None:
        self._up(self._broker.published, self, number, message)

    def disconnect(self) -> None:
        """Say goodbye and close: no will."""
        if self.open_here:
            self._up(self._broker.disconnected, self, False)
            self.open_here = False

    def abandon(self) -> None:
        """The client is gone without a goodbye: its machine has closed the connection, or has lost its power."""
        if self.open_here:
            self._up(self._broker.disconnected, self, True)
            self.open_here = False

    def vanish(self) -> None:
        """The client's machine has lost its power: the broker hears nothing, not even that."""
        self.open_here = False
        self._broker.calendar.after(1.5 * KEEPALIVE_S, self._broker.disconnected, self, True)

    def send_connect(self) -> None:
        self._up(self._broker.connecting, self)

    def lose(self, code: int) -> None:
        """The client's end finds the connection dead."""
        if self.open_here:
            self._held_up.clear()
            self.open_here = False
            self._end.closed(code)
            self._broker.calendar.after(HOP_S, self._broker.disconnected, self, True)

    def _up(self, act: Callable[..., object], *arguments: object) -> None:
        if not self.open_here:
            return
        if self.machine in self._broker.cut_off:
            self._held_up.append((self._broker.calendar.now_s, act, arguments))
        else:
            self._broker.calendar.after(HOP_S, self._broker.take, act, arguments)

    # the broker's side

    def send(self, act: Callable[..., object], *arguments: object, in_order: bool = True) -> None:
        """Let a packet reach the client's end."""
        if not self.open_there:
            return
        if self.machine in self._broker.cut_off:
            self._held_down.append((act, arguments))
            return
        at_s = self._broker.calendar.now_s + HOP_S
        if in_order:
            at_s = self._free_s = max(at_s, self._free_s)
        self._broker.calendar.at(at_s, self._arrive, act, arguments)

    def close_there(self, code: int) -> None:
        """The broker closes the connection, with a reason that the client is told, if it is one of MQTT 5."""
        if self.open_there:
            self.send(self._closed_by_broker, code)
            self.open_there = False

    def heal(self) -> None:
        """The network is whole again. A connection that the broker has ended meanwhile ends here too: its next packet
        is refused (RFC 9293, 3.10.7.1)."""
        up, self._held_up = self._held_up, []
        down, self._held_down = self._held_down, []
        if not self.open_there:
            self._broker.calendar.after(2.0 * HOP_S, self.lose, UNSPECIFIED)
        for sent_s, act, arguments in up:
            if self._broker.calendar.now_s - sent_s <= UNSENT_S:
                self._broker.calendar.after(HOP_S, self._broker.take, act, arguments)
        for act, arguments in down:
            self._broker.calendar.after(HOP_S, self._arrive, act, arguments)

    @property
    def end(self) -> End:
        return self._end

    def _arrive(self, act: Callable[..., object], arguments: tuple[object, ...]) -> None:
        if self.open_here:
            act(*arguments)

    def _closed_by_broker(self, code: int) -> None:
        self.open_here = False
        self._end.closed(code)
