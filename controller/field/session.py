"""One MQTT connection, from connect to loss: aiomqtt's client, with what a long-running controller needs on top.

A `Session` is used once: a second connect on the same object reports success before the broker has answered.
"""

import asyncio
import contextlib
import logging
import math
import socket
from collections.abc import AsyncIterator, Callable
from typing import Any

import aiomqtt
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY, MQTT_ERR_SUCCESS, Client, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from controller.field.own_topics import OFFLINE
from controller.field.tls import TlsContext, tls_context
from controller.installation import Broker

TIMEOUT_S = 3.0
MOST_INCOMING = 1000  # our choice: seconds of a busy site; beyond it the oldest are dropped
LARGEST_PACKET_BYTES = 131_072  # the broker keeps larger ones from us (MQTT 5.0, 3.1.2.11.4); twice our largest payload
MOST_UNDER_WAY = 20  # unacknowledged messages, or what the broker takes (Receive Maximum; mosquitto's default is 20)
CLOSED = "closed before it answered"
ANSWERED_WITHIN_S = 0.25  # our choice: a broker that has answered so lately still does
UNSENT_MS = 10_000  # data that the broker's machine has not taken by then is thrown away with the connection


def socket_options() -> list[tuple[int, int, int]]:
    """No delay for small packets in either direction: without it a QoS 1 exchange takes some 40 ms. And an end
    to a connection whose peer has vanished, so that no old command lies in the kernel and leaves late."""
    options = [(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)]
    for name, value in (("TCP_QUICKACK", 1), ("TCP_USER_TIMEOUT", UNSENT_MS)):
        if hasattr(socket, name):  # Linux only
            options.append((socket.IPPROTO_TCP, getattr(socket, name), value))
    return options


def acknowledge_at_once(client: Client) -> None:
    """Let the kernel acknowledge what has come in before more is read. TCP_QUICKACK does not last (tcp(7)), and
    a broker that waits for acknowledgements before it sends its next small packet would wait 40 ms each time."""
    read = client.loop_read
    quick = getattr(socket, "TCP_QUICKACK", None)

    def loop_read(max_packets: int = 1) -> MQTTErrorCode:
        sock = client.socket()
        if isinstance(sock, socket.socket) and quick is not None:
            with contextlib.suppress(OSError):
                sock.setsockopt(socket.IPPROTO_TCP, quick, 1)
        return read(max_packets)

    client.loop_read = loop_read  # type: ignore[method-assign]


def drop_oldest_queue(on_drop: Callable[[], None]) -> type[asyncio.Queue[aiomqtt.Message]]:
    """A queue type that makes room for the newest message; aiomqtt alone would discard that one."""

    class DropOldest(asyncio.Queue[aiomqtt.Message]):
        def put_nowait(self, item: aiomqtt.Message) -> None:
            if self.full():
                self.get_nowait()
                on_drop()
            super().put_nowait(item)

    return DropOldest


class SteadyClient(aiomqtt.Client):
    """aiomqtt's client, with packets acknowledged at once, and with sockets that are watched only while they are open.

    The library asks the event loop for that from another thread or at the loop's next turn. A connection that is lost
    meanwhile has closed its socket by then, and its number may already be another's.
    """

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        acknowledge_at_once(self._client)

    def _on_socket_open(self, client: Client, userdata: Any, sock: Any) -> None:
        watch = super()._on_socket_open
        self._loop.call_soon_threadsafe(_if_open, sock, lambda: watch(client, userdata, sock))

    def _on_socket_register_write(self, client: Client, userdata: Any, sock: Any) -> None:
        def write() -> None:
            try:
                client.loop_write()
            except Exception as error:  # the connection broke: it ends like any other lost one
                if not self._disconnected.done():
                    self._disconnected.set_exception(error)

        self._loop.call_soon_threadsafe(_if_open, sock, lambda: self._loop.add_writer(sock.fileno(), write))


def _if_open(sock: Any, act: Callable[[], object]) -> None:
    if sock.fileno() >= 0:
        act()


class Session(SteadyClient):
    """One connection attempt and, if it succeeds, the connection. Clean session, last will `OFFLINE` retained.

    `question` is a message that means nothing to anyone: a broker that acknowledges it answers.
    """

    def __init__(
        self,
        broker: Broker,
        protocol: aiomqtt.ProtocolVersion,
        will_topic: str,
        question: tuple[str, bytes],
        queue_type: type[asyncio.Queue[aiomqtt.Message]],
        logger: logging.Logger,
    ) -> None:
        self.is_v5 = protocol is aiomqtt.ProtocolVersion.V5
        limits = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        limits.MaximumPacketSize = LARGEST_PACKET_BYTES
        super().__init__(
            broker.host,
            broker.port,
            username=broker.user,
            password=broker.password,
            logger=logger,
            identifier=broker.client_id,
            queue_type=queue_type,
            protocol=protocol,
            will=aiomqtt.Will(will_topic, OFFLINE, qos=1, retain=True),
            clean_session=None if self.is_v5 else True,
            clean_start=True if self.is_v5 else MQTT_CLEAN_START_FIRST_ONLY,
            timeout=TIMEOUT_S,
            keepalive=broker.keepalive_s,
            max_queued_incoming_messages=MOST_INCOMING,
            max_inflight_messages=0,  # messages wait for a slot here, not in the library: there they would leave late
            properties=limits if self.is_v5 else None,
            socket_options=socket_options(),
        )
        self._client.connect_timeout = TIMEOUT_S
        self._tls = broker.tls
        self._tls_context: TlsContext | None = None
        self._question = question
        self._asking: asyncio.Task[bool] | None = None
        self._heard_s = -math.inf  # on the loop's clock
        self._abandoned = False
        self._slots = asyncio.Semaphore(MOST_UNDER_WAY)
        self._unacknowledged: dict[int, asyncio.Future[ReasonCode]] = {}
        self._loss: BaseException | None = None

    @property
    def loss(self) -> BaseException | None:
        """Why the connection was lost, None while it is not. Carries the broker's reason code if it gave one."""
        lost = self._disconnected
        return self._loss or (lost.exception() if lost.done() and not lost.cancelled() else None)

    async def arrivals(self) -> AsyncIterator[aiomqtt.Message]:
        """The messages as they come, until the connection is lost (aiomqtt.MqttError). `messages` of the library takes
        several turns of the event loop for each, while every turn brings one more: in a flood its queue runs over."""
        while True:
            while not self._queue.empty():
                yield self._queue.get_nowait()
            yield await anext(self.messages)

    async def deliver(
        self, topic: str, payload: bytes, qos: int, retain: bool, properties: Properties | None, now: bool = False
    ) -> int:
        """Publish; with QoS 1 wait for the acknowledgement and return its reason code (0 for QoS 0 and 3.1.1).

        Unlike `publish` of the base class it does not take a refusal by the broker for a success. With `now` the
        message leaves only when the broker has just shown that it answers: a broker that hangs would find it in its
        machine's buffers when it goes on, however much later, and pass it on as new.

        Raises:
            aiomqtt.MqttError: not connected, connection lost, or no acknowledgement within `TIMEOUT_S`.
        """
        if now and not self._answers:
            await self._ask()
        if qos == 0:
            self._send(topic, payload, qos, retain, properties)
            return 0
        try:
            async with asyncio.timeout(TIMEOUT_S):
                await self._slots.acquire()
        except TimeoutError:
            raise aiomqtt.MqttError("no acknowledgement of the messages before it") from None
        try:
            if now and not self._answers:
                raise aiomqtt.MqttError("no acknowledgement of the messages before it")
            return await self._acknowledgement(self._send(topic, payload, qos, retain, properties))
        finally:
            self._slots.release()

    @property
    def _answers(self) -> bool:
        return self._loop.time() - self._heard_s <= ANSWERED_WITHIN_S

    async def _ask(self) -> None:
        """Wait for an answer to the question, which all who need one share."""
        if self._asking is None or self._asking.done():
            self._asking = asyncio.create_task(self._answer(), name="ask the broker")
        if not await asyncio.shield(self._asking):
            raise aiomqtt.MqttError("it does not answer")

    async def _answer(self) -> bool:
        try:
            await self.deliver(*self._question, 1, False, None)
        except aiomqtt.MqttError:
            return False
        return True

    def _send(self, topic: str, payload: bytes, qos: int, retain: bool, properties: Properties | None) -> int:
        try:
            info = self._client.publish(topic, payload, qos, retain, properties)
        except ValueError as error:  # a topic or payload that MQTT cannot carry
            raise aiomqtt.MqttError(str(error)) from error
        if info.rc != MQTT_ERR_SUCCESS:
            raise aiomqtt.MqttCodeError(info.rc)
        return info.mid

    async def _acknowledgement(self, number: int) -> int:
        answer: asyncio.Future[ReasonCode] = asyncio.get_running_loop().create_future()
        self._unacknowledged[number] = answer
        try:
            await asyncio.wait((answer, self._disconnected), timeout=TIMEOUT_S, return_when=asyncio.FIRST_COMPLETED)
        finally:
            del self._unacknowledged[number]
        if not answer.done():
            raise aiomqtt.MqttError("no acknowledgement")
        return int(answer.result().value)

    def abandon(self) -> None:
        """Close the socket, and with it the library's task, whatever state the connection is in. A failed
        connect would otherwise keep both until the keepalive has passed."""
        self._abandoned = True
        self._client.disconnect()

    def _client_connect(self) -> None:  # in a thread: it may open the socket after we have been cancelled
        if self._tls is not None:
            self._tls_context = tls_context(self._tls)
            self._client.tls_set_context(self._tls_context)
        try:
            super()._client_connect()
        except ValueError as error:  # a name of the host that none can have
            raise error if isinstance(error, OSError) else OSError(str(error)) from error
        if self._abandoned:
            self._loop.call_soon_threadsafe(self._client.disconnect)

    def _on_connect(
        self, client: Client, userdata: Any, flags: Any, reason_code: ReasonCode, properties: Properties | None = None
    ) -> None:
        self._heard_s = self._loop.time()
        most = min(MOST_UNDER_WAY, getattr(properties, "ReceiveMaximum", MOST_UNDER_WAY))
        self._slots = asyncio.Semaphore(most)
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(self, client: Client, userdata: Any, *details: Any) -> None:
        if not self._connected.done():  # the base class would wait for an answer until the time is out
            error = aiomqtt.MqttError(CLOSED)
            error.__cause__ = self._tls_context.alert if self._tls_context else None
            self._connected.set_exception(error)
        if self._connected.cancelled():  # the base class would raise, and the socket would stay open
            return
        super()._on_disconnect(client, userdata, *details)
        self._loss = self.loss  # the base class forgets it if the broker ends a connection as it begins

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        self._heard_s = self._loop.time()
        with contextlib.suppress(ValueError):  # a topic that no broker should pass on: not UTF-8, or with wildcards
            super()._on_message(client, userdata, message)

    def _on_publish(
        self, client: Client, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        self._heard_s = self._loop.time()
        answer = self._unacknowledged.get(mid)
        if answer is not None and not answer.done():
            answer.set_result(reason_code)


def message_properties(expiry_s: float | None, correlation: bytes | None) -> Properties:
    """MQTT 5 properties of a message: it expires in the broker `expiry_s` seconds after arrival (3.3.2.3.3), whole
    seconds, at least one; `correlation` tells the asker which answer it is (3.3.2.3.6)."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    if expiry_s is not None:
        properties.MessageExpiryInterval = max(1, math.floor(expiry_s))
    if correlation is not None:
        properties.CorrelationData = correlation
    return properties
