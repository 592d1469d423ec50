"""The service's end of a connection: the real `Session` and its aiomqtt client, on the simulated broker.

Only the innermost library is replaced, paho's client, which would open a socket.
"""

from collections.abc import Callable, Sequence
from types import SimpleNamespace
from typing import Any

from paho.mqtt.client import MQTT_ERR_NO_CONN, MQTT_ERR_SUCCESS
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from controller.field.session import Session
from tests.simulation.broker import Broker
from tests.simulation.network import UNSPECIFIED, Line, Message

LARGEST_NUMBER = 65535
GOODBYE = 0x00


class Wire:
    """What stands for paho's client: the same calls, and the callbacks of the client that it replaces, for one
    connection. `post` brings what arrives into the daemon's loop. Messages carry the machine as their sender."""

    def __init__(
        self,
        paho: Any,
        broker: Broker,
        machine: str,
        post: Callable[..., None],
        came: Callable[[Message, bool], None],
    ) -> None:
        self._broker, self._machine, self._post, self._came = broker, machine, post, came
        self._client_id: bytes = paho._client_id
        self._is_v5 = paho._protocol == 5
        self._on = SimpleNamespace(
            connect=paho.on_connect,
            disconnect=paho.on_disconnect,
            subscribe=paho.on_subscribe,
            message=paho.on_message,
            publish=paho.on_publish,
        )
        self._will: Message | None = None
        if paho._will:
            self._will = Message(
                paho._will_topic.decode(), bytes(paho._will_payload), paho._will_qos, paho._will_retain,
                sender=self._machine, will=True,
            )  # fmt: skip
        self._line: Line | None = None
        self._number = 0
        self.connect_timeout = 0.0

    # what aiomqtt and `Session` call

    def connect(self, *arguments: Any) -> None:
        """Open the connection; raises as a socket does."""
        self._line = self._broker.connect(self._client_id.decode(), self._machine, self, self._will, self._is_v5)

    def disconnect(self) -> int:
        """Say goodbye and close."""
        line = self._line
        if line is None or not line.open_here:
            return int(MQTT_ERR_NO_CONN)
        line.disconnect()
        self._post(self._on.disconnect, self, None, None, _code(PacketTypes.DISCONNECT, GOODBYE), None)
        return int(MQTT_ERR_SUCCESS)

    def subscribe(self, topics: Sequence[tuple[str, int]], *others: Any) -> tuple[int, int | None]:
        """Ask for topics."""
        if self._line is None or not self._line.open_here:
            return int(MQTT_ERR_NO_CONN), None
        number = self._next()
        self._line.subscribe(number, [topic for topic, _ in topics])
        return int(MQTT_ERR_SUCCESS), number

    def publish(
        self, topic: str, payload: bytes, qos: int = 0, retain: bool = False, properties: Properties | None = None
    ) -> SimpleNamespace:
        """Send a message."""
        if not topic or "+" in topic or "#" in topic:
            raise ValueError("Publish topic cannot contain wildcards.")
        number = self._next()
        if self._line is None or not self._line.open_here:
            return SimpleNamespace(rc=MQTT_ERR_NO_CONN, mid=number)
        message = Message(
            topic, payload, qos, retain,
            getattr(properties, "MessageExpiryInterval", None), None, getattr(properties, "CorrelationData", None),
            self._machine,
        )  # fmt: skip
        self._line.publish(number, message)
        return SimpleNamespace(rc=MQTT_ERR_SUCCESS, mid=number)

    def socket(self) -> None:
        """There is none."""

    def pull_the_plug(self) -> None:
        """The machine has lost its power."""
        if self._line is not None:
            self._line.vanish()

    def crash(self) -> None:
        """The process was killed: its machine closes the connection."""
        if self._line is not None:
            self._line.abandon()

    # what arrives

    def connack(self, code: int) -> None:
        reason = _code(PacketTypes.CONNACK, code)
        self._post(self._on.connect, self, None, None, reason, None)

    def suback(self, number: int, codes: list[int]) -> None:
        answers = [_code(PacketTypes.SUBACK, code) for code in codes]
        self._post(self._on.subscribe, self, None, number, answers, None)

    def puback(self, number: int, code: int) -> None:
        self._post(self._on.publish, self, None, number, _code(PacketTypes.PUBACK, code), None)

    def arrived(self, message: Message, retained: bool, copy: int) -> None:
        self._came(message, retained)
        properties = None
        if self._is_v5 and (message.reply_to is not None or message.correlation is not None):
            properties = SimpleNamespace(ResponseTopic=message.reply_to, CorrelationData=message.correlation)
        came = SimpleNamespace(
            topic=message.topic,
            payload=message.payload,
            qos=message.qos,
            retain=retained,
            mid=0,
            properties=properties,
        )
        self._post(self._on.message, self, None, came)

    def closed(self, code: int) -> None:
        reason = _code(PacketTypes.DISCONNECT, code if self._is_v5 else UNSPECIFIED)
        self._post(self._on.disconnect, self, None, None, reason, None)

    def _next(self) -> int:
        self._number = self._number % LARGEST_NUMBER + 1
        return self._number


class VirtualSession(Session):
    """`Session` on a `Wire`. `plug` is set by whoever owns the daemon: it gives the wire for a paho client."""

    plug: Callable[[Any], Wire]

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._client = VirtualSession.plug(self._client)  # type: ignore[assignment]


_codes: dict[tuple[int, int], ReasonCode] = {}


def _code(packet: int, number: int) -> ReasonCode:
    found = _codes.get((packet, number))
    if found is None:
        found = _codes[packet, number] = ReasonCode(packet, identifier=number)
    return found
