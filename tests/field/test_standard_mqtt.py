"""What the daemon relies on a broker to do, clause by clause, asked of a real mosquitto.

Clauses are those of OASIS MQTT Version 5.0 (07 March 2019), behind a slash those of MQTT Version 3.1.1 (29 October
2014); their numbers are from memory. Each test has our own link on one side.

| clause | what it says | test |
|---|---|---|
| 3.3.2.3.3 [3.3.2-5] | a message that has expired before delivery began is deleted | here |
| 3.3.2.3.3 [3.3.2-6] | what is left of the interval is passed on | here |
| 3.3.2.3.3 | our commands carry an interval | `test_mqtt.py`, a command is not retained and expires |
| 3.1.2.5 [3.1.2-8] / [3.1.2-8] | a lost connection publishes the will | `test_mqtt.py`, availability tells ... |
| 3.1.2.5 [3.1.2-10] / [3.1.2-10] | a polite goodbye deletes it | here; ours sends its own "offline" first |
| 3.1.2.7 [3.1.2-15] / [3.1.2-17] | a will with retain is kept for who comes later | here |
| 3.1.2.10 [3.1.2-22] / [3.1.2-24] | silence of one and a half keepalives is a loss | here |
| 3.3.1.3 [3.3.1-8] / [3.3.1-9] | without retain, nothing is kept or replaced | here |
| 3.3.1.3 [3.3.1-12] / [3.3.1-9] | to a living subscription retain is cleared: such a reading is live | here |
| 3.3.1.3 [3.3.1-9] / [3.3.1-8] | a new subscription gets what was kept, marked | here; `test_mqtt.py` |
| 3.1.4 [3.1.4-3] / [3.1.4-2] | a second connection with a client id ends the first | here; `test_mqtt_troubles.py` |
| 3.1.2.4 [3.1.2-4] / [3.1.2-6] | a clean start discards what was there | here |
| 3.1.2.11.2 / 3.1.2.4 | without an expiry of its own, our session ends with its connection | here |
| 3.3.4 [3.3.4-7] | no more under way than the receive maximum | `test_mqtt.py`, a large site ... |
| 4.3.2 | QoS 1 may deliver twice | `tests/control/test_operate_machine.py`, repeats an id |
"""

import asyncio
import struct
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace

import pytest

from controller.field.inbox import Inbox
from controller.field.link import Arrived
from controller.field.mqtt import MqttLink
from controller.installation import Source
from tests.field.connection import SITE, Wire, linked, listener, stranger, until
from tests.servers import PASSWORD, USER, Mosquitto, broker

pytestmark = pytest.mark.servers

COMMANDS = "node/ale/cooler/set"
AVAILABILITY = f"cellarhand/{SITE}/availability"
SESSION_TAKEN_OVER = 0x8E  # 3.14.2.1
DEVICE = "a device"


class Raw:
    """A connection of which every byte is ours: CONNECT, and what the broker says."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer
        self.session_present = False

    async def packet(self) -> tuple[int, bytes] | None:
        """Type and content of the next packet, None when the broker has closed. Lengths below 128 only."""
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            first, length = await asyncio.wait_for(self.reader.readexactly(2), 20.0)
            return first >> 4, await self.reader.readexactly(length)
        return None

    async def subscribe(self, topic: str) -> None:
        """SUBSCRIBE (3.8) of MQTT 5 with QoS 1, and its SUBACK."""
        content = struct.pack("!H", 7) + b"\0" + _text(topic) + b"\x01"
        self.writer.write(bytes((0x82, len(content))) + content)
        answer = await self.packet()
        assert answer is not None
        assert answer[0] == 9


def _text(text: str) -> bytes:
    return struct.pack("!H", len(text.encode())) + text.encode()


@asynccontextmanager
async def raw(
    port: int, client_id: str, level: int = 5, clean: bool = True, expiry_s: int | None = None, topic: str = ""
) -> AsyncIterator[Raw]:
    """CONNECT (3.1) with user and password, and subscribe; `level` 5 or 4 (3.1.1). Ends without a DISCONNECT."""
    properties = b"" if expiry_s is None else b"\x11" + struct.pack("!I", expiry_s)
    content = _text("MQTT") + bytes((level, 0xC0 | (0x02 if clean else 0))) + struct.pack("!H", 60)
    content += (bytes((len(properties),)) + properties) if level == 5 else b""
    content += _text(client_id) + _text(USER) + _text(PASSWORD)
    connection = Raw(*await asyncio.open_connection("127.0.0.1", port))
    connection.writer.write(bytes((0x10, len(content))) + content)
    answer = await connection.packet()
    assert answer is not None
    kind, said = answer
    assert (kind, said[1]) == (2, 0)  # CONNACK, success
    connection.session_present = bool(said[0] & 1)
    try:
        if topic:
            await connection.subscribe(topic)
        yield connection
    finally:
        connection.writer.close()
        with suppress(ConnectionError):
            await connection.writer.wait_closed()


@asynccontextmanager
async def linked_with_3_1_1(
    port: int, *topics: str, on_message: Callable[[Arrived], None] = lambda _: None
) -> AsyncIterator[MqttLink]:
    """Our link as it is with a broker that knows no MQTT 5."""
    link = MqttLink(broker(port), SITE, topics, on_message)
    link._older_version = True
    task = asyncio.create_task(link.run())
    try:
        await until(lambda: link.connected)
        assert link._session is not None
        assert not link._session.is_v5
        yield link
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


VERSIONS = pytest.mark.parametrize("level", [5, 4], ids=["MQTT 5.0", "MQTT 3.1.1"])


def link_of(level: int) -> Callable[..., "AsyncIterator[MqttLink]"]:
    if level == 5:
        return lambda port, *topics, **more: linked(broker(port), *topics, **more)  # type: ignore[return-value]
    return linked_with_3_1_1  # type: ignore[return-value]


@pytest.mark.parametrize(("away_s", "comes"), [(0.2, True), (2.5, False)])
def test_a_command_waits_for_a_device_that_is_away_only_until_it_expires(
    server: Mosquitto, away_s: float, comes: bool
) -> None:
    """3.3.2.3.3 [MQTT-3.3.2-5]. The device has a session that lasts, which a brewer's own may have."""

    async def main() -> None:
        async with raw(server.port, DEVICE, clean=False, expiry_s=60, topic=COMMANDS):
            pass
        async with linked(broker(server.port)) as link:
            await link.publish(COMMANDS, b"ON", qos=1, retain=False, expiry_s=1.0)
            await asyncio.sleep(away_s)
            async with raw(server.port, DEVICE, clean=False, expiry_s=60) as again:
                assert again.session_present
                await link.publish(COMMANDS, b"OFF", qos=1, retain=False)
                heard = await again.packet()
                assert heard is not None
                assert heard[1].endswith(b"ON" if comes else b"OFF")

    asyncio.run(main())


def test_what_is_left_of_the_lifetime_goes_with_the_command(server: Mosquitto) -> None:
    """3.3.2.3.3 [MQTT-3.3.2-6]: so that a gateway behind the broker does not begin it anew."""

    async def main() -> None:
        async with raw(server.port, DEVICE, clean=False, expiry_s=60, topic=COMMANDS):
            pass
        async with linked(broker(server.port)) as link:
            await link.publish(COMMANDS, b"ON", qos=1, retain=False, expiry_s=90.0)
            await asyncio.sleep(2.2)
            async with raw(server.port, DEVICE, clean=False, expiry_s=60) as again:
                heard = await again.packet()
            assert heard is not None
            at = heard[1].index(b"\x02", 2 + len(COMMANDS) + 2)  # the property's identifier, 2.2.2.2
            (left_s,) = struct.unpack("!I", heard[1][at + 1 : at + 5])
            assert 80 <= left_s <= 88

    asyncio.run(main())


@VERSIONS
def test_no_command_is_kept_for_a_device_that_comes_later_and_none_replaces_what_is_kept(
    server: Mosquitto, level: int
) -> None:
    """3.3.1.3 [MQTT-3.3.1-8] / 3.1.1 [MQTT-3.3.1-9]: not even where somebody has left a retained one."""

    async def main() -> None:
        async with stranger(server.port) as person, link_of(level)(server.port) as link:
            await person.publish(COMMANDS, b"somebody's", qos=1, retain=True)
            await link.publish(COMMANDS, b"ON", qos=1, retain=False, expiry_s=90.0)
            async with listener(server.port, COMMANDS) as late:
                await until(lambda: late)
                await link.publish(COMMANDS, b"OFF", qos=1, retain=False)
                await until(lambda: len(late) == 2)
            assert [(message.payload, message.retain) for message in late] == [(b"somebody's", True), (b"OFF", False)]

    asyncio.run(main())


@VERSIONS
def test_a_reading_published_with_retain_is_live_for_who_listens_and_history_for_who_comes(
    server: Mosquitto, level: int
) -> None:
    """3.3.1.3 [MQTT-3.3.1-12], retain as published 0 / 3.1.1 [MQTT-3.3.1-9]: many nodes publish so always, and must
    serve. [MQTT-3.3.1-9] / 3.1.1 [MQTT-3.3.1-8]: the same message, kept, makes no signal good."""

    async def main() -> None:
        for fresh, kept in ((True, False), (False, True)):
            inbox = Inbox([Source("ale/well", "node/ale", "", "C")])

            def keep(message: Arrived, inbox: Inbox = inbox) -> None:
                inbox.put(message.topic, message.payload, message.retained, 5.0, None)

            async with link_of(level)(server.port, "node/ale", on_message=keep), stranger(server.port) as node:
                if fresh:
                    await node.publish("node/ale", b"19.0", qos=1, retain=True)
                await until(lambda inbox=inbox: inbox.received)
                assert bool(inbox.take()) is fresh
                assert [reason.value for _, reason in inbox.refused] == (["retained"] if kept else [])

    asyncio.run(main())


@VERSIONS
def test_the_will_is_kept_for_who_looks_later(server: Mosquitto, level: int) -> None:
    """3.1.2.7 [MQTT-3.1.2-15] / 3.1.1 [MQTT-3.1.2-17]: an app that is opened after the crash sees "offline"."""

    async def main() -> None:
        async with link_of(level)(server.port) as link:
            assert link._session is not None
            sock = link._session._client.socket()
            async with listener(server.port, AVAILABILITY) as present:
                await until(lambda: [message.payload for message in present] == [b"online"])
                sock.shutdown(2)  # type: ignore[union-attr]
                await until(lambda: b"offline" in [message.payload for message in present])
            server.access.write_text(f"user {USER}\ntopic read #\n")  # it may not come back and say "online"
            async with listener(server.port, AVAILABILITY) as late:
                await until(lambda: late)
                assert late[0].retain

    asyncio.run(main())


def test_a_goodbye_leaves_no_will_behind_and_says_offline_itself(server: Mosquitto) -> None:
    """3.1.2.5 [MQTT-3.1.2-10]: exactly one "offline", not two."""

    async def main() -> None:
        async with listener(server.port, AVAILABILITY) as heard, stranger(server.port) as person:
            async with linked(broker(server.port)):
                await until(lambda: [message.payload for message in heard] == [b"online"])
            await person.publish(AVAILABILITY, b"the end", qos=1)
            await until(lambda: heard[-1].payload == b"the end")
            assert [message.payload for message in heard] == [b"online", b"offline", b"the end"]

    asyncio.run(main())


def test_a_daemon_that_falls_silent_is_offline_after_one_and_a_half_keepalives(server: Mosquitto) -> None:
    """3.1.2.10 [MQTT-3.1.2-22]: a network that swallows everything, without a word to either end. mosquitto looks for
    the silent only every few seconds: up to three more were measured, ten are allowed here."""

    async def main() -> None:
        async with Wire(server.port).laid() as wire, listener(server.port, AVAILABILITY) as heard:
            ours = replace(broker(wire.port), keepalive_s=2)
            async with linked(ours):
                await until(lambda: heard)
                wire.is_cut = True
                begun = asyncio.get_running_loop().time()
                await until(lambda: heard[-1].payload == b"offline")
                waited_s = asyncio.get_running_loop().time() - begun
                assert 0.5 * ours.keepalive_s <= waited_s <= 1.5 * ours.keepalive_s + 10.0
                wire.is_cut = False

    asyncio.run(main())


@VERSIONS
def test_a_second_connection_with_our_client_id_ends_the_first_and_the_reason_is_no_other(
    server: Mosquitto, level: int
) -> None:
    """3.1.4 [MQTT-3.1.4-3]: DISCONNECT with 0x8E should come before, but not every broker sends it; the link does
    without (`field/mqtt.py` says how). 3.1.1 [MQTT-3.1.4-2] closes without a word."""

    async def main() -> None:
        async with raw(server.port, "cellarhand", level) as first, linked(broker(server.port)) as link:
            said = await first.packet()
            assert said is None or (level == 5 and (said[0], said[1][0]) == (14, SESSION_TAKEN_OVER))
            assert said is None or await first.packet() is None
            assert link.connected

    asyncio.run(main())


@VERSIONS
def test_our_clean_start_discards_what_another_has_left_under_our_client_id(server: Mosquitto, level: int) -> None:
    """3.1.2.4 [MQTT-3.1.2-4] / 3.1.1 [MQTT-3.1.2-6]: no subscription and no message of another time."""
    heard: list[Arrived] = []

    async def main() -> None:
        async with raw(server.port, "cellarhand", 5, clean=False, expiry_s=600, topic="node/#"):
            pass
        async with stranger(server.port) as node:
            await node.publish("node/other", b"old", qos=1)
            async with link_of(level)(server.port, "node/ale", on_message=heard.append):
                await node.publish("node/other", b"new", qos=1)
                await node.publish("node/ale", b"19.0", qos=1)
                await until(lambda: heard)
        assert [message.topic for message in heard] == ["node/ale"]

    asyncio.run(main())


@VERSIONS
def test_our_session_ends_with_its_connection(server: Mosquitto, level: int) -> None:
    """3.1.2.11.2, no session expiry / 3.1.1, 3.1.2.4: the broker keeps nothing for us while we are away."""

    async def main() -> None:
        async with link_of(level)(server.port, "node/ale"):
            pass
        async with raw(server.port, "cellarhand", 5, clean=False) as after:
            assert not after.session_present

    asyncio.run(main())
