"""What leaves, and how soon the link ends, when the broker hangs; and what two daemons say of each other."""

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import replace

import pytest

from controller.control.values import Command
from controller.field.dispatch import Dispatcher
from controller.field.link import LinkDown
from controller.field.mqtt import MqttLink
from controller.installation import Actuator, Broker
from tests.field.connection import SITE, Wire, linked, listener, stranger, until
from tests.servers import PATIENCE_S, Mosquitto, broker

pytestmark = pytest.mark.servers

COOLER = Actuator("ale/cooler", "plug/ale/cooler", "ON", "OFF", node=False)
ON = Command("ale/cooler", True, 90.0, "test", 1, 1)


@asynccontextmanager
async def link_to_be_stopped(mine: Broker) -> AsyncIterator[tuple[MqttLink, "asyncio.Task[None]"]]:
    link = MqttLink(mine, SITE, (), lambda _: None)
    task = asyncio.create_task(link.run())
    try:
        await until(lambda: link.connected)
        yield link, task
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def stopped(task: "asyncio.Task[None]") -> None:
    """Stop the link as the service does; it must not go on, and not wait for what never comes."""
    task.cancel()
    async with asyncio.timeout(PATIENCE_S):
        await asyncio.wait((task,))
    assert task.cancelled()


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """An acknowledgement is waited for longer than any test: only the goodbye's own bound ends it."""
    monkeypatch.setattr("controller.field.session.TIMEOUT_S", 1000.0)
    monkeypatch.setattr("controller.field.mqtt.GOODBYE_S", 0.05)


def test_the_goodbye_to_a_broker_that_hangs_is_short(
    server: Mosquitto, patient: None, caplog: pytest.LogCaptureFixture
) -> None:
    async def main() -> None:
        async with link_to_be_stopped(broker(server.port)) as (_, task):
            server.freeze()
            await stopped(task)
            server.thaw()

    asyncio.run(main())
    assert "could not say goodbye to the broker: it does not answer" in caplog.text


def test_a_stop_is_a_stop_when_not_even_a_goodbye_fits_into_the_buffers(server: Mosquitto, patient: None) -> None:
    async def main() -> None:
        async with link_to_be_stopped(broker(server.port)) as (link, task):
            server.freeze()
            for _ in range(100):  # 12 MB: more than the buffers of two sockets
                await link.publish("nobody", b"x" * 120_000, qos=0, retain=False)
            await stopped(task)
            server.thaw()

    asyncio.run(main())


def test_no_on_lies_in_a_broker_that_hangs_and_comes_out_when_it_goes_on(
    server: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Message expiry (MQTT 5.0, 3.3.2.3.3) does not help here: the broker counts from the moment it looks at it."""
    monkeypatch.setattr("controller.field.session.ANSWERED_WITHIN_S", 0.0)
    monkeypatch.setattr("controller.field.session.TIMEOUT_S", 0.2)

    async def main() -> None:
        async with listener(server.port, COOLER.topic) as heard, linked(broker(server.port)) as link:
            dispatcher = Dispatcher({"ale/cooler": COOLER}, link)
            server.freeze()
            dispatcher.send([ON])
            await until(lambda: dispatcher.failed["ale/cooler"] == 1)
            assert "it does not answer" in dispatcher.last_failure["ale/cooler"]
            assert await dispatcher.all_off(["ale/cooler"], timeout_s=0.05) == set()
            server.thaw()
            await until(lambda: heard)
            assert [message.payload for message in heard] == [b"OFF"], "only an off may come late"
            assert link.sessions == 1

    asyncio.run(main())


def test_commands_of_one_scan_share_one_question_and_leave_when_it_is_answered(
    server: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def main() -> None:
        async with listener(server.port, "#") as heard, linked(broker(server.port)) as link:
            assert link._session is not None
            link._session._heard_s = 0.0  # nothing has been heard for long
            sending = [link.publish(f"plug/{n}", b"ON", qos=1, retain=False, expiry_s=90) for n in range(12)]
            assert all(await asyncio.gather(*sending))
            await until(lambda: sum(message.topic.matches("plug/+") for message in heard) == 12)
            assert sum(message.payload.startswith(b"asking") for message in heard) == 1

    asyncio.run(main())


def test_a_slow_network_delays_commands_and_loses_none(server: Mosquitto) -> None:
    async def main() -> None:
        async with (
            Wire(server.port, delay_s=0.15).laid() as wire,
            listener(server.port, "plug/#") as heard,
            linked(broker(wire.port)) as link,
        ):
            dispatcher = Dispatcher({"ale/cooler": COOLER}, link)
            dispatcher.send([ON])
            await until(lambda: dispatcher.confirmed["ale/cooler"] or dispatcher.failed["ale/cooler"])
            assert not dispatcher.last_failure
            assert [message.payload for message in heard] == [b"ON"]

    asyncio.run(main())


def test_a_network_that_is_cut_without_a_word_is_noticed_and_nothing_old_comes_through_when_it_is_mended(
    server: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.field.session.ANSWERED_WITHIN_S", 0.0)
    monkeypatch.setattr("controller.field.session.TIMEOUT_S", 0.3)

    async def main() -> None:
        async with (
            Wire(server.port).laid() as wire,
            listener(server.port, "plug/#") as heard,
            linked(replace(broker(wire.port), keepalive_s=1)) as link,
        ):
            wire.is_cut = True
            with pytest.raises(LinkDown, match="it does not answer"):
                await link.publish(COOLER.topic, b"ON", qos=1, retain=False, expiry_s=90)
            await until(lambda: not link.connected)
            assert "has stopped answering" in link.trouble
            wire.is_cut = False
            await until(lambda: link.sessions == 2)
            await link.publish("plug/end", b"", qos=1, retain=False)
            await until(lambda: heard)
            assert [message.topic.value for message in heard] == ["plug/end"]

    asyncio.run(main())


def test_a_message_that_mqtt_cannot_carry_is_one_that_did_not_get_through(server: Mosquitto) -> None:
    """MQTT 5.0, 1.5.4: no text longer than 65,535 bytes. An answer's topic is two bytes longer than its question's."""

    async def main() -> None:
        async with linked(broker(server.port)) as link:
            for topic in ("cellarhand/cellar/" + "v" * 65_535, "a/#"):
                with pytest.raises(LinkDown):
                    await link.publish(topic, b"", qos=1, retain=False)
            assert link.publish_failures == 2
            assert link.connected

    asyncio.run(main())


def test_a_daemon_on_another_machine_hears_that_it_takes_over_only_from_a_living_one(
    server: Mosquitto, caplog: pytest.LogCaptureFixture
) -> None:
    async def main() -> None:
        async with linked(broker(server.port, client_id="old board")):
            pass
        async with linked(broker(server.port, client_id="new board")) as link:
            assert not [record for record in caplog.records if record.levelno >= logging.WARNING]
            async with linked(broker(server.port, client_id="by mistake")), stranger(server.port):
                await until(lambda: link.taken_over)
        assert "another daemon drove this site until a moment ago: this one takes over" in caplog.text

    asyncio.run(main())
