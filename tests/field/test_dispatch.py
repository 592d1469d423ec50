"""Commands on their way: none waits for a broker, none is sent after a newer one, each outcome is counted."""

import asyncio
import json
from collections.abc import Callable
from dataclasses import replace

import pytest

from controller.control.values import Command
from controller.field.dispatch import Dispatcher, command_payload
from controller.field.link import LinkDown
from controller.installation import Actuator
from tests.field.connection import linked, listener, until
from tests.servers import Mosquitto, broker

NODE_COOLER = Actuator("ale/cooler", "node/ale/cooler", "", "", node=True)
PLUG_HEATER = Actuator("ale/heater", "plug/ale/heater", "ON", "OFF", node=False)
ACTUATORS = {actuator.tag: actuator for actuator in (NODE_COOLER, PLUG_HEATER)}


def order(tag: str, on: bool, number: int = 1) -> Command:
    return Command(tag, on, 90.0, "test", number, 3)


class PaperLink:
    """A link on paper: what would leave is written down, and `gate` decides how the broker answers."""

    def __init__(self, gate: Callable[[], bool] | None = None) -> None:
        self.connected = True
        self.sent: list[tuple[str, bytes, int, bool, float | None]] = []
        self.open = asyncio.Event()
        self._gate = gate or (lambda: True)

    async def publish(
        self,
        topic: str,
        payload: bytes,
        *,
        qos: int,
        retain: bool,
        expiry_s: float | None = None,
        correlation: bytes | None = None,
    ) -> bool:
        self.sent.append((topic, payload, qos, retain, expiry_s))
        await self.open.wait()
        return self._gate()


def refuse() -> bool:
    raise LinkDown("no acknowledgement")


def test_a_node_gets_lifetime_number_and_epoch_and_a_plug_its_own_words() -> None:
    payload = json.loads(command_payload(NODE_COOLER, order("ale/cooler", True, 7)))
    assert payload == {"on": True, "lifetime_s": 90.0, "number": 7, "epoch": 3}
    assert command_payload(PLUG_HEATER, order("ale/heater", True)) == b"ON"
    assert command_payload(PLUG_HEATER, order("ale/heater", False)) == b"OFF"


def test_every_command_leaves_at_qos_1_not_retained_and_with_its_lifetime() -> None:
    async def main() -> None:
        link = PaperLink()
        dispatcher = Dispatcher(ACTUATORS, link)
        dispatcher.send([order("ale/heater", True)])
        link.open.set()
        await until(lambda: dispatcher.confirmed["ale/heater"] == 1)
        assert link.sent == [("plug/ale/heater", b"ON", 1, False, 90.0)]

    asyncio.run(main())


def test_a_newer_command_takes_the_place_of_one_that_has_not_left() -> None:
    async def main() -> None:
        link = PaperLink()
        dispatcher = Dispatcher(ACTUATORS, link)
        dispatcher.send([order("ale/heater", True, 1)])
        dispatcher.send([order("ale/heater", False, 2)])
        link.open.set()
        await until(lambda: dispatcher.confirmed["ale/heater"] == 1)
        assert [payload for _, payload, *_ in link.sent] == [b"OFF"]

    asyncio.run(main())


def test_commands_that_nobody_acknowledges_do_not_pile_up() -> None:
    async def main() -> None:
        link = PaperLink()
        dispatcher = Dispatcher(ACTUATORS, link)
        before = len(asyncio.all_tasks())
        for number in range(100):
            dispatcher.send([order("ale/heater", True, number), order("ale/cooler", False, number)])
            await asyncio.sleep(0)
        assert len(asyncio.all_tasks()) - before <= 4
        assert len(link.sent) == 200

    asyncio.run(main())


def test_what_has_become_of_a_command_outlives_another_site_file_where_its_device_stays() -> None:
    """Design rule 8: a device whose renewals do not arrive has ended by its own timer."""

    async def main() -> None:
        link = PaperLink()
        dispatcher = Dispatcher(ACTUATORS, link)
        dispatcher.send([order("ale/cooler", True), order("ale/heater", True)])
        await until(lambda: len(link.sent) == 2)
        moved = replace(PLUG_HEATER, topic="plug/other/heater")
        dispatcher.change({"ale/cooler": NODE_COOLER, "ale/heater": moved})
        assert dispatcher.under_way == {"ale/cooler"}
        link.connected = False
        dispatcher.send([order("ale/cooler", True, 2), order("ale/heater", True, 2)])
        dispatcher.change(ACTUATORS)
        assert dispatcher.unheard == set(dispatcher.last_failure) == {"ale/cooler"}

    asyncio.run(main())


def test_nothing_is_kept_for_later_while_there_is_no_connection() -> None:
    async def main() -> None:
        link = PaperLink()
        link.open.set()
        link.connected = False
        dispatcher = Dispatcher(ACTUATORS, link)
        dispatcher.send([order("ale/heater", True)])
        link.connected = True
        dispatcher.send([order("ale/cooler", True)])
        await until(lambda: dispatcher.confirmed["ale/cooler"] == 1)
        assert [topic for topic, *_ in link.sent] == ["node/ale/cooler"]
        assert dispatcher.failed == {"ale/heater": 1}
        assert dispatcher.last_failure == {"ale/heater": "not connected to the broker"}

    asyncio.run(main())


@pytest.mark.parametrize(("gate", "cause"), [(refuse, "no acknowledgement"), (lambda: False, "no device listens")])
def test_a_failure_is_counted_with_its_cause_until_the_next_success(gate: Callable[[], bool], cause: str) -> None:
    async def main() -> None:
        link = PaperLink(gate)
        link.open.set()
        dispatcher = Dispatcher(ACTUATORS, link)
        dispatcher.send([order("ale/cooler", True)])
        await until(lambda: dispatcher.failed["ale/cooler"] == 1)
        assert cause in dispatcher.last_failure["ale/cooler"]
        link._gate = lambda: True
        dispatcher.send([order("ale/cooler", True)])
        await until(lambda: dispatcher.confirmed["ale/cooler"] == 1)
        assert dispatcher.last_failure == {}

    asyncio.run(main())


def test_all_off_says_which_outputs_the_broker_has_confirmed() -> None:
    async def main() -> None:
        link = PaperLink()
        dispatcher = Dispatcher(ACTUATORS, link)
        dispatcher.send([order("ale/cooler", True, 41)])
        assert await dispatcher.all_off(ACTUATORS, timeout_s=0.01) == set()
        link.open.set()
        assert await dispatcher.all_off(ACTUATORS) == {"ale/cooler", "ale/heater"}
        last = json.loads([payload for topic, payload, *_ in link.sent if topic == "node/ale/cooler"][-1])
        assert last["on"] is False
        assert (last["epoch"], last["number"]) > (3, 41)
        link.connected = False
        assert await dispatcher.all_off(ACTUATORS) == set()

    asyncio.run(main())


def test_a_command_for_an_unknown_output_is_a_bug_and_says_so() -> None:
    async def main() -> None:
        with pytest.raises(KeyError, match="stout/cooler"):
            Dispatcher(ACTUATORS, PaperLink()).send([order("stout/cooler", True)])

    asyncio.run(main())


@pytest.mark.servers
def test_a_device_that_listens_confirms_and_one_that_does_not_is_noticed(server: Mosquitto) -> None:
    async def main() -> None:
        async with linked(broker(server.port)) as link, listener(server.port, "plug/ale/heater") as device:
            dispatcher = Dispatcher(ACTUATORS, link)
            dispatcher.send([order("ale/heater", False), order("ale/cooler", False)])
            await until(lambda: dispatcher.confirmed["ale/heater"] and dispatcher.failed["ale/cooler"])
            await until(lambda: device)
            assert device[0].payload == b"OFF"
            assert dispatcher.last_failure == {"ale/cooler": "no device listens to node/ale/cooler"}

    asyncio.run(main())
