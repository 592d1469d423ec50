"""The connection when something is wrong: with the broker, the network, the password, or a second daemon."""

import asyncio
import gc
import logging
import os
import signal
import socket
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import aiomqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.values import Command
from controller.field.causes import explain
from controller.field.dispatch import Dispatcher
from controller.field.link import Arrived, LinkDown
from controller.field.mqtt import longest_pause_s
from controller.field.session import SteadyClient
from controller.installation import Actuator, Broker
from tests.field.connection import linked, listener, running, stranger, until
from tests.servers import Mosquitto, broker, free_port, iotcore_broker

COOLER = Actuator("ale/cooler", "node/ale/cooler/set", "ON", "OFF", node=False)


def cool(on: bool, number: int) -> Command:
    return Command("ale/cooler", on, 90.0, "test", number, 1)


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Short time-outs and pauses, so that many attempts fit into a test."""
    monkeypatch.setattr("controller.field.session.TIMEOUT_S", 0.2)
    monkeypatch.setattr("controller.field.mqtt.SHORTEST_PAUSE_S", 0.001)
    monkeypatch.setattr("controller.field.mqtt.LONGEST_PAUSE_S", 0.01)


@pytest.mark.servers
def test_after_a_power_cut_of_the_broker_readings_flow_again_and_no_command_is_repeated(server: Mosquitto) -> None:
    arrived: list[Arrived] = []

    async def main() -> None:
        async with linked(broker(server.port), "node/ale", on_message=arrived.append) as link:
            dispatcher = Dispatcher({"ale/cooler": COOLER}, link)
            async with listener(server.port, COOLER.topic) as device:
                dispatcher.send([cool(True, 1)])
                await until(lambda: device)
            server.stop(signal.SIGKILL)
            await until(lambda: not link.connected)
            dispatcher.send([cool(True, 2)])  # dropped at once: nothing is kept for later
            assert dispatcher.failed["ale/cooler"] == 1
            server.start()
            async with listener(server.port, "#") as device, stranger(server.port) as node:
                await until(lambda: link.sessions == 2)
                await node.publish("node/ale", b"19.0", qos=1)
                await until(lambda: arrived)
                await link.publish("node/end", b"", qos=1, retain=False)
                await until(lambda: "node/end" in {message.topic.value for message in device})
                assert COOLER.topic not in {message.topic.value for message in device}

    asyncio.run(main())


def noise_of_a_socket_closed_before_the_loop_looks(make: Callable[..., aiomqtt.Client]) -> list[object]:
    """What asyncio complains of when the library wants to write, and the connection is gone a moment later."""
    noise: list[object] = []

    async def main() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda loop, context: noise.append(context))
        client = make("127.0.0.1")
        ours, theirs = socket.socketpair()
        client._on_socket_register_write(client._client, None, ours)
        client._on_socket_open(client._client, None, ours)
        ours.close()
        theirs.close()
        for _ in range(5):
            await asyncio.sleep(0)
        if client._misc_task is not None:
            client._misc_task.cancel()

    asyncio.run(main())
    return noise


def test_a_connection_lost_while_the_library_wants_to_write_makes_no_noise() -> None:
    assert noise_of_a_socket_closed_before_the_loop_looks(aiomqtt.Client), "the library has been mended"
    assert not noise_of_a_socket_closed_before_the_loop_looks(SteadyClient)


def test_a_server_that_never_answers_costs_one_socket_however_often_it_is_tried(hasty: None) -> None:
    attempts = 0
    open_now = most_open = 0

    async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal attempts, open_now, most_open
        attempts, open_now = attempts + 1, open_now + 1
        most_open = max(most_open, open_now)
        await reader.read()  # until the client hangs up
        writer.close()
        await writer.wait_closed()
        open_now -= 1

    async def main() -> None:
        tarpit = await asyncio.start_server(silent, "127.0.0.1", 0)
        async with running(replace(broker(tarpit.sockets[0].getsockname()[1]), keepalive_s=1000)) as link:
            await until(lambda: attempts == 3)
            files, tasks = len(os.listdir("/proc/self/fd")), len(asyncio.all_tasks())
            await until(lambda: attempts == 15)
            assert len(os.listdir("/proc/self/fd")) <= files + 2
            assert len(asyncio.all_tasks()) <= tasks + 2
            assert most_open <= 2
            assert "did not answer in time" in link.trouble
        await until(lambda: open_now == 0)
        tarpit.close()

    asyncio.run(main())


@pytest.mark.servers
def test_a_wrong_password_is_named_once_and_tried_again_with_pauses(
    server: Mosquitto, hasty: None, caplog: pytest.LogCaptureFixture
) -> None:
    async def main() -> None:
        async with running(broker(server.port, password="guess")) as link:
            await until(lambda: server.log().count("denied") + server.log().count("not authorised") >= 4)
            assert not link.connected
            with pytest.raises(LinkDown, match="check the user, the password"):
                await link.publish("a", b"", qos=1, retain=False)

    asyncio.run(main())
    told = [record.message for record in caplog.records if record.levelno >= logging.WARNING]
    assert len(told) == 1
    assert 'refused the user "cellar": check the user, the password' in told[0]


def test_a_broker_that_is_not_running_is_named(hasty: None) -> None:
    async def main() -> None:
        async with running(broker(free_port())) as link:
            await until(lambda: "is the broker running" in link.trouble)

    asyncio.run(main())


def test_an_unknown_host_is_named() -> None:
    error = aiomqtt.MqttError("[Errno -2] Name or service not known")
    error.__context__ = socket.gaierror(-2, "Name or service not known")
    assert 'no machine of the name "brewpi.lan" is known' in explain(error, Broker("brewpi.lan", 1883, None, None, "c"))


@given(st.integers(0, 100_000), st.booleans())
def test_pauses_grow_from_a_fifth_of_a_second_and_stay_short_unless_a_person_has_to_act(
    failures: int, refused: bool
) -> None:
    longest_s = 5.0 if refused else 1.0
    assert 0.2 <= longest_pause_s(failures, refused) <= longest_pause_s(failures + 1, refused) <= longest_s
    assert longest_pause_s(1, refused) == 0.4
    assert longest_pause_s(10, refused) == longest_s


async def second_daemon_takes_over(mine: Broker, other: Broker) -> None:
    async with linked(mine) as first, linked(other) as second:
        await until(lambda: first.taken_over)
        assert not first.connected
        with pytest.raises(LinkDown, match="another daemon drives this site"):
            await first.publish(COOLER.topic, b"ON", qos=1, retain=False)
        await until(lambda: second.connected)
        driven_since, sessions = first.sessions, second.sessions
        for _ in range(20):  # twenty longest pauses: the first would have come back by now
            await asyncio.sleep(0.01)
        assert second.connected
        assert (first.sessions, second.sessions) == (driven_since, sessions)
        assert not second.taken_over


@pytest.mark.servers
@pytest.mark.parametrize("client_id", ["cellarhand", "spare machine"])
def test_a_second_daemon_drives_and_the_first_stays_away(
    server: Mosquitto, hasty: None, caplog: pytest.LogCaptureFixture, client_id: str
) -> None:
    asyncio.run(second_daemon_takes_over(broker(server.port), broker(server.port, client_id=client_id)))
    told = [record.levelno for record in caplog.records if "another daemon drives this site" in record.message]
    assert told == [logging.ERROR]
    theirs = [record for record in caplog.records if "another daemon drove this site" in record.message]
    if client_id != "cellarhand":  # with the same one the broker has cut the first off before the second can see it
        assert [record.levelno for record in theirs] == [logging.WARNING]
    else:
        assert 'another program use the client id "cellarhand"' in "".join(record.message for record in caplog.records)


def test_a_second_daemon_is_noticed_over_mqtt_3_1_1_too(tmp_path: Path, hasty: None) -> None:
    with iotcore_broker(tmp_path) as (_, v4_port):
        asyncio.run(second_daemon_takes_over(broker(v4_port, None, None), broker(v4_port, None, None)))


@pytest.mark.servers
def test_a_restarted_daemon_takes_the_site_over_from_its_former_self(server: Mosquitto) -> None:
    async def main() -> None:
        for _ in range(2):
            async with linked(broker(server.port)) as link:
                assert not link.taken_over
                async with stranger(server.port) as joker:
                    await joker.publish("cellarhand/cellar/driver", b"driving me mad", qos=1)
                    await joker.publish("cellarhand/cellar/driver", b"", qos=1)
                assert await link.publish("cellarhand/cellar/driver", b"x", qos=1, retain=False)
                assert not link.taken_over

    asyncio.run(main())


@pytest.mark.parametrize("at_once", [False, True])
def test_a_broker_that_says_session_taken_over_is_believed(at_once: bool) -> None:
    """MQTT 5.0, section 3.1.4 [MQTT-3.1.4-3] and 3.14: DISCONNECT (0xE0), length 1, reason 0x8E. Also where it comes
    with the answer to the connect, and nothing is left for asyncio to complain of."""
    noise: list[object] = []
    connects = 0

    async def conformant(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal connects
        connects += 1
        await reader.read(1000)
        writer.write(bytes.fromhex("20 03 00 00 00"))  # CONNACK: success, no properties
        if not at_once:
            await reader.read(1000)
        writer.write(bytes.fromhex("e0 01 8e"))
        writer.close()

    async def main() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda loop, context: noise.append(context))
        server = await asyncio.start_server(conformant, "127.0.0.1", 0)
        async with server, running(broker(server.sockets[0].getsockname()[1])) as link:
            await until(lambda: link.taken_over)
        gc.collect()
        assert (connects, noise) == (1, [])

    asyncio.run(main())


@pytest.mark.servers
def test_nothing_waits_on_a_link_whose_broker_hangs(server: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("controller.field.session.TIMEOUT_S", 0.2)
    monkeypatch.setattr("controller.field.session.MOST_UNDER_WAY", 2)

    async def main() -> None:
        async with linked(broker(server.port)) as link:
            server.freeze()
            publishing = [asyncio.create_task(link.publish("a", b"", qos=1, retain=False)) for _ in range(3)]
            answers = await asyncio.gather(*publishing, return_exceptions=True)
            assert all(isinstance(answer, LinkDown) for answer in answers)
            assert "no acknowledgement of the messages before it" in str(answers[2])
            assert link.publish_failures == 3
            assert await Dispatcher({"ale/cooler": COOLER}, link).all_off(["ale/cooler"], timeout_s=0.1) == set()

    asyncio.run(main())


@pytest.mark.servers
def test_a_hanging_broker_is_given_up_by_keepalive_and_found_again(server: Mosquitto, hasty: None) -> None:
    async def main() -> None:
        async with linked(replace(broker(server.port), keepalive_s=1)) as link:
            server.freeze()
            await until(lambda: not link.connected)
            server.thaw()
            await until(lambda: link.sessions == 2)

    asyncio.run(main())


def test_another_broker_serves_with_mqtt_5_and_with_3_1_1(tmp_path: Path) -> None:
    async def round_trip(port: int, is_v5: bool) -> None:
        arrived: list[Arrived] = []
        async with linked(broker(port, None, None), "node/ale", on_message=arrived.append) as link:
            assert link._session is not None
            assert link._session.is_v5 is is_v5
            await link.publish("node/ale", b"19.0", qos=1, retain=False, expiry_s=90)
            await until(lambda: arrived)
            assert arrived == [Arrived("node/ale", b"19.0", False)]

    with iotcore_broker(tmp_path) as (v5_port, v4_port):
        asyncio.run(round_trip(v5_port, True))
        asyncio.run(round_trip(v4_port, False))
