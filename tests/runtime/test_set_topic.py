"""Operator actions over MQTT: each is answered, none is obeyed that should not be."""

import json
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.runtime.daemons import CONE_COOLER, CONE_HEATER, Cellar, Daemon, Heard, example_site, until
from tests.servers import Mosquitto

pytestmark = pytest.mark.servers

WATER = {"batch": "Water", "setpoint_c": 8.0, "volume_l": 100.0}


def topic(vessel: str, name: str) -> str:
    return f"cellarhand/cellar/{vessel}/{name}"


def reply(cellar: Cellar, number: int, where: str) -> Heard:
    """The answer with that id on that topic."""

    def found() -> list[Heard]:
        heard = [message for message in list(cellar.heard) if message.topic == where]
        return [message for message in heard if json.loads(message.payload)["id"] == str(number)]

    until(found, f"an answer to {number} on {where}")
    return found()[-1]


def ask(cellar: Cellar, number: int, vessel: str, do: str, **arguments: object) -> str:
    """Publish one action and give its answer."""
    cellar.heard[:] = [message for message in cellar.heard if not message.topic.endswith("/reply")]
    cellar.publish(topic(vessel, "set"), json.dumps({"id": str(number), "do": do, **arguments}))
    return str(json.loads(reply(cellar, number, topic(vessel, "reply")).payload)["answer"])


def test_actions_over_mqtt_are_answered_and_checked(tmp_path: Path, server: Mosquitto, cellar: Cellar) -> None:
    cellar.publish(topic("cone-120", "set"), json.dumps({"id": "0", "do": "start", **WATER}), retain=True)
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        daemon.wait_until_scanning()
        kept = json.loads(reply(cellar, 0, topic("cone-120", "reply")).payload)["answer"]
        assert kept.startswith("refused: a retained action is from an earlier time")
        cellar.publish(topic("cone-120", "set"), b"", retain=True)
        assert daemon.status()["vessels"]["cone-120"]["batch"] is None

        unknown = ask(cellar, 1, "fv9", "start", **WATER)
        assert unknown.startswith("refused: there is no vessel 'fv9'")
        assert "cone-120, keg-50, pilot-20" in unknown
        assert ask(cellar, 2, "cone-120", "dance").startswith("refused: there is no action 'dance'")
        assert ask(cellar, 3, "cone-120", "start", **WATER) == "Water regulates at 8.0 °C without a profile"
        until(lambda: cellar.is_on(CONE_COOLER), "the cooler's on")

        mismatch = ask(cellar, 4, "cone-120", "setpoint", celsius=9.0, expects="running")
        assert mismatch.startswith("refused: the batch was expected to be 'running', but it is stopped")
        assert ask(cellar, 5, "cone-120", "setpoint", celsius=9.0, expects="stopped") == "setpoint 9.0 °C"
        heat = ask(cellar, 6, "cone-120", "mode", mode="manual", duty=1.0, for_s=60.0)
        assert heat.startswith("refused: manual heat is not accepted over MQTT")
        assert not any(cellar.orders(CONE_HEATER))

        assert ask(cellar, 7, "cone-120", "mode", mode="off").startswith("mode off")
        assert ask(cellar, 8, "cone-120", "mode", mode="auto") == "mode auto"
        assert ask(cellar, 7, "cone-120", "mode", mode="off").startswith("mode off")  # answered, not repeated
        assert daemon.status()["vessels"]["cone-120"]["mode"] == "auto"
        assert not [message for message in cellar.heard if message.topic.endswith("/reply") and message.retained]


def test_an_answer_goes_to_the_topic_that_was_asked_for_if_it_is_ours(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        daemon.wait_until_scanning()
        for number, asked, where in (
            (1, topic("keg-50", "reply/phone"), topic("keg-50", "reply/phone")),
            (2, CONE_HEATER, topic("keg-50", "reply")),  # an answer never becomes a message to a device
        ):
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.ResponseTopic = asked
            properties.CorrelationData = b"call %d" % number
            action = json.dumps({"id": str(number), "do": "hold"})
            cellar.publish(topic("keg-50", "set"), action, properties=properties)
            answer = reply(cellar, number, where)
            assert answer.correlation == b"call %d" % number
            assert json.loads(answer.payload)["answer"].startswith("refused: only a running batch can be held")
        assert [order for order in cellar.orders(CONE_HEATER) if order] == []


def test_rubbish_and_a_flood_of_actions_are_refused_with_a_reason(
    tmp_path: Path, server: Mosquitto, cellar: Cellar
) -> None:
    with Daemon(example_site(tmp_path, server.port)) as daemon:
        daemon.wait_until_scanning()
        cellar.publish(topic("keg-50", "set"), "ON")
        until(lambda: any(b"not JSON" in message.payload for message in list(cellar.heard)), "the refusal")
        assert daemon.metrics()['cellarhand_messages_refused_total{reason="action"}'] == 1.0
        for number in range(200):
            cellar.client.publish(topic("keg-50", "set"), json.dumps({"id": f"f{number}", "do": "hold"}), 1)

        def answers() -> list[str]:
            heard = [message.payload for message in list(cellar.heard) if message.topic == topic("keg-50", "reply")]
            return [entry["answer"] for entry in map(json.loads, heard) if entry["id"].startswith("f")]

        until(lambda: len(answers()) == 200, "an answer to each")
        assert any(answer.startswith("refused: too many actions at once") for answer in answers())
        assert daemon.end() == 0
        assert "Traceback" not in daemon.log()
