"""A link under test that is up, strangers on the same broker, and patience without fixed sleeps."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress

import aiomqtt

from controller.field.link import Arrived
from controller.field.mqtt import MqttLink
from controller.installation import Broker
from tests.servers import PASSWORD, PATIENCE_S, USER

SITE = "cellar"


async def until(condition: Callable[[], object]) -> None:
    """Wait until the condition is true; fail if it never becomes so."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():
            await asyncio.sleep(0.005)


@asynccontextmanager
async def running(
    broker: Broker, *topics: str, on_message: Callable[[Arrived], None] = lambda _: None
) -> AsyncIterator[MqttLink]:
    """A link that tries to be connected."""
    link = MqttLink(broker, SITE, topics, on_message)
    task = asyncio.create_task(link.run())
    try:
        yield link
        assert not task.done(), "the link's task has ended by itself"
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


@asynccontextmanager
async def linked(
    broker: Broker, *topics: str, on_message: Callable[[Arrived], None] = lambda _: None
) -> AsyncIterator[MqttLink]:
    """A link that is connected."""
    async with running(broker, *topics, on_message=on_message) as link:
        await until(lambda: link.connected)
        yield link


def stranger(port: int, identifier: str | None = None) -> aiomqtt.Client:
    """Another MQTT 5 client of the same mosquitto: a device, or a person with a terminal."""
    return aiomqtt.Client(
        "127.0.0.1",
        port,
        username=USER,
        password=PASSWORD,
        identifier=identifier,
        protocol=aiomqtt.ProtocolVersion.V5,
    )


@asynccontextmanager
async def listener(port: int, topic: str) -> AsyncIterator[list[aiomqtt.Message]]:
    """A stranger that listens to a topic: gives the growing list of what it hears."""
    heard: list[aiomqtt.Message] = []

    async def listen(client: aiomqtt.Client) -> None:
        async for message in client.messages:
            heard.append(message)

    async with stranger(port) as client:
        await client.subscribe(topic, 1)
        task = asyncio.create_task(listen(client))
        try:
            yield heard
        finally:
            task.cancel()
            with suppress(asyncio.CancelledError, aiomqtt.MqttError):
                await task


class Wire:
    """A network between us and the broker, with a delay in each direction, that can be cut without a word."""

    def __init__(self, port: int, delay_s: float = 0.0) -> None:
        self._to, self.delay_s, self.is_cut = port, delay_s, False
        self.port = 0
        self._flows: set[asyncio.Task[None]] = set()

    @asynccontextmanager
    async def laid(self) -> AsyncIterator["Wire"]:
        """The wire while it is laid; `port` is its near end."""
        server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            for flow in self._flows:
                flow.cancel()
            await asyncio.gather(*self._flows, return_exceptions=True)

    async def _accept(self, near: asyncio.StreamReader, to_near: asyncio.StreamWriter) -> None:
        far, to_far = await asyncio.open_connection("127.0.0.1", self._to)
        for reader, writer in ((near, to_far), (far, to_near)):
            flow = asyncio.create_task(self._carry(reader, writer))
            self._flows.add(flow)

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while data := await reader.read(65536):
                await asyncio.sleep(self.delay_s)
                while self.is_cut:
                    await asyncio.sleep(0.01)
                writer.write(data)
        except OSError:
            pass
        finally:
            writer.close()
