"""The connection to a real broker: what goes over it, and how it looks from outside."""

import asyncio
import socket

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from controller.field.inbox import Inbox
from controller.field.link import Arrived, LinkDown
from controller.field.session import drop_oldest_queue
from controller.installation import Source
from tests.field.connection import linked, listener, running, stranger, until
from tests.servers import Mosquitto, broker

pytestmark = pytest.mark.servers

READINGS = "node/ale"
COMMANDS = "node/ale/cooler/set"
PUMP_ON = b'{"on":true}'


def property_of(message: aiomqtt.Message, name: str) -> object:
    return getattr(message.properties, name)


def test_small_packets_leave_at_once(server: Mosquitto) -> None:
    async def main() -> None:
        async with linked(broker(server.port)) as link:
            assert link._session is not None
            sock = link._session._client.socket()
            assert isinstance(sock, socket.socket)
            assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
            assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 10_000

    asyncio.run(main())


def test_a_reading_arrives_and_a_retained_one_is_refused(server: Mosquitto) -> None:
    inbox = Inbox([Source("ale/wort", READINGS, "/t", "C")])

    def keep(message: Arrived) -> None:
        inbox.put(message.topic, message.payload, message.retained, 5.0, None)

    async def main() -> None:
        async with stranger(server.port) as node:
            await node.publish(READINGS, b'{"t": 4.0}', qos=1, retain=True)
            async with linked(broker(server.port), *inbox.topics, on_message=keep):
                await until(lambda: inbox.received == 1)
                assert inbox.take() == {}
                assert [(tag, reason.value) for tag, reason in inbox.refused] == [("ale/wort", "retained")]
                await node.publish(READINGS, b'{"t": 19.0}', qos=1)
                await until(lambda: inbox.received == 2)
                assert inbox.take() == {"ale/wort": (19.0, 5.0)}

    asyncio.run(main())


def test_a_command_is_not_retained_and_expires_in_the_broker(server: Mosquitto) -> None:
    async def main() -> None:
        async with listener(server.port, COMMANDS) as heard, linked(broker(server.port)) as link:
            assert await link.publish(COMMANDS, PUMP_ON, qos=1, retain=False, expiry_s=90.9)
            await until(lambda: heard)
            assert heard[0].payload == PUMP_ON
            assert heard[0].qos == 1
            assert property_of(heard[0], "MessageExpiryInterval") == 90
            async with listener(server.port, "#") as late:
                await link.publish(READINGS, b"", qos=1, retain=False)
                await until(lambda: READINGS in {message.topic.value for message in late})
                assert COMMANDS not in {message.topic.value for message in late}

    asyncio.run(main())


def test_the_broker_tells_that_no_device_listens(server: Mosquitto) -> None:
    async def main() -> None:
        async with linked(broker(server.port)) as link:
            assert not await link.publish(COMMANDS, PUMP_ON, qos=1, retain=False, expiry_s=90)

    asyncio.run(main())


def test_a_command_that_the_access_list_forbids_is_no_success(server: Mosquitto) -> None:
    server.stop()
    server.access.write_text("user cellar\ntopic readwrite cellarhand/#\n")
    server.start()

    async def main() -> None:
        async with linked(broker(server.port)) as link:
            with pytest.raises(LinkDown, match="access list"):
                await link.publish(COMMANDS, PUMP_ON, qos=1, retain=False, expiry_s=90)
            assert link.publish_failures == 1

    asyncio.run(main())


def test_a_large_site_commands_all_its_outputs_in_one_scan_and_never_more_than_the_broker_takes(
    server: Mosquitto,
) -> None:
    """MQTT 5.0, 3.3.4 [MQTT-3.3.4-7]: no more unacknowledged messages than the server's Receive Maximum, 20 here."""

    async def main() -> None:
        async with listener(server.port, "pump/+") as heard, linked(broker(server.port)) as link:
            assert link._session is not None
            server.freeze()
            sending = [
                asyncio.create_task(link.publish(f"pump/{n}", b"ON", qos=1, retain=False, expiry_s=90))
                for n in range(200)
            ]
            await until(lambda: link._session is not None and link._session._unacknowledged)
            for _ in range(10):
                await asyncio.sleep(0)
            assert len(link._session._unacknowledged) == 20
            server.thaw()
            assert all(await asyncio.gather(*sending))
            await until(lambda: len(heard) == 200)
            assert [message.topic.value for message in heard] == [f"pump/{n}" for n in range(200)]
            assert link.sessions == 1

    asyncio.run(main())


def test_response_topic_and_correlation_data_reach_the_caller(server: Mosquitto) -> None:
    arrived: list[Arrived] = []
    asked = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    asked.ResponseTopic = "cellarhand/cellar/ale/reply/phone"
    asked.CorrelationData = b"\x00\x01"

    async def main() -> None:
        async with (
            linked(broker(server.port), "cellarhand/cellar/+/set", on_message=arrived.append) as link,
            listener(server.port, "cellarhand/cellar/+/reply/#") as heard,
        ):
            async with stranger(server.port) as phone:
                await phone.publish("cellarhand/cellar/ale/set", b"{}", qos=1, properties=asked)
            await until(lambda: arrived)
            [message] = arrived
            assert message.correlation == b"\x00\x01"
            assert message.reply_to == "cellarhand/cellar/ale/reply/phone"
            await link.publish(message.reply_to, b"done", qos=1, retain=False, correlation=message.correlation)
            await until(lambda: heard)
            assert property_of(heard[0], "CorrelationData") == b"\x00\x01"

    asyncio.run(main())


def test_a_flood_pushes_out_the_oldest_and_the_newest_survives() -> None:
    async def main() -> None:
        dropped: list[int] = []
        queue = drop_oldest_queue(lambda: dropped.append(1))(maxsize=3)
        for number in range(10):
            queue.put_nowait(aiomqtt.Message(READINGS, b"%d" % number, 0, False, 0, None))
        assert [queue.get_nowait().payload for _ in range(3)] == [b"7", b"8", b"9"]
        assert len(dropped) == 7

    asyncio.run(main())


def test_a_flood_that_arrives_while_nobody_reads_leaves_the_newest(
    server: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.field.session.MOST_INCOMING", 5)
    arrived: list[bytes] = []

    async def main() -> None:
        async with running(broker(server.port), READINGS, on_message=lambda m: arrived.append(m.payload)) as link:

            async def closed_ears(session: object) -> None:
                await until(lambda: link.dropped == 47)  # its own claim and "online", then 45 readings
                await type(link)._listen(link, session)  # type: ignore[arg-type]

            monkeypatch.setattr(link, "_listen", closed_ears)
            await until(lambda: link.connected)
            async with stranger(server.port) as node:
                for number in range(50):
                    await node.publish(READINGS, b"%d" % number)
            await until(lambda: len(arrived) == 5)
            assert arrived == [b"45", b"46", b"47", b"48", b"49"]

    asyncio.run(main())


def test_a_huge_message_stays_in_the_broker_and_the_next_one_arrives(server: Mosquitto) -> None:
    arrived: list[bytes] = []

    async def main() -> None:
        async with linked(broker(server.port), READINGS, on_message=lambda m: arrived.append(m.payload)) as link:
            async with stranger(server.port) as node:
                await node.publish(READINGS, b"x" * 300_000, qos=1)
                await node.publish(READINGS, b"19.0", qos=1)
            await until(lambda: arrived)
            assert arrived == [b"19.0"]
            assert link.sessions == 1

    asyncio.run(main())


def test_availability_tells_online_a_cut_and_a_goodbye(server: Mosquitto) -> None:
    async def main() -> None:
        async with listener(server.port, "cellarhand/cellar/availability") as heard:
            async with linked(broker(server.port)) as link:
                await until(lambda: len(heard) == 1)
                assert link._session is not None
                sock = link._session._client.socket()
                assert isinstance(sock, socket.socket)
                sock.shutdown(socket.SHUT_RDWR)  # as if the cable were cut: no goodbye
                await until(lambda: len(heard) == 3)
                await until(lambda: link.sessions == 2)
            await until(lambda: len(heard) == 4)
            assert [message.payload for message in heard] == [b"online", b"offline", b"online", b"offline"]
        async with listener(server.port, "cellarhand/cellar/availability") as kept:
            await until(lambda: kept)
            assert (kept[0].payload, kept[0].retain) == (b"offline", True)

    asyncio.run(main())
