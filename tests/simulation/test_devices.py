"""Relays as devices: what they obey, and how they end whatever is commanded."""

import json
import random

import pytest

from tests.simulation.broker import Broker
from tests.simulation.devices import Device
from tests.simulation.layout import layout_of
from tests.simulation.network import Message
from tests.simulation.scene import Delivered, Event, Switched
from tests.simulation.stage import scene_of
from tests.simulation.virtual import Calendar


class Bench:
    """One relay at a broker."""

    def __init__(self, node: bool) -> None:
        self.calendar = Calendar()
        self.broker = Broker(self.calendar, "seed", "5", lambda message: None, lambda message, to: None)
        self.relay = scene_of(layout_of("devices")).relays["fv1/cooler"]
        self.relay.node, self.relay.timer_s = node, None if node else 120.0
        self.contactor = scene_of(layout_of("devices")).relays["fv2/cooler"]
        self.events: list[Event] = []
        self.device = Device(self.relay, [], self.calendar, self.broker, random.Random(2), self.events.append)
        self.go_on(1.0)

    def go_on(self, seconds: float) -> None:
        end_s = self.calendar.now_s + seconds
        while self.calendar.next_s <= end_s:
            self.calendar.do_next()
        self.calendar.now_s = end_s

    def order(self, on: bool, number: int = 1, epoch: int = 1, lifetime_s: float = 90.0, retain: bool = False) -> None:
        payload = b"ON" if on else b"OFF"
        if self.relay.node:
            said = {"on": on, "lifetime_s": lifetime_s, "number": number, "epoch": epoch}
            payload = json.dumps(said).encode()
        self.broker.inject(Message(self.relay.topic, payload, 1, retain, sender="a"))
        self.go_on(0.1)


def test_a_node_ends_an_on_by_the_lifetime_that_it_was_sent() -> None:
    bench = Bench(node=True)
    bench.order(True, lifetime_s=90.0)
    assert bench.relay.closed
    bench.go_on(89.0)
    assert bench.relay.closed
    bench.go_on(2.0)
    assert not bench.relay.closed
    assert [event.by for event in bench.events if isinstance(event, Switched)] == ["order", "timer"]


def test_a_foreign_relay_ends_an_on_by_its_own_timer_unless_renewed() -> None:
    bench = Bench(node=False)
    bench.order(True)
    bench.go_on(100.0)
    bench.order(True)
    bench.go_on(100.0)
    assert bench.relay.closed
    bench.go_on(21.0)
    assert not bench.relay.closed
    assert bench.relay.starts == 1


@pytest.mark.parametrize(("number", "epoch", "obeyed"), [(6, 3, True), (5, 3, False), (9, 2, False), (1, 4, True)])
def test_a_node_obeys_the_highest_epoch_and_number_only(number: int, epoch: int, obeyed: bool) -> None:
    bench = Bench(node=True)
    bench.order(False, number=5, epoch=3)
    bench.order(True, number=number, epoch=epoch)
    assert bench.relay.closed is obeyed
    assert [event.order.obeyed for event in bench.events if isinstance(event, Delivered)] == [True, obeyed]


def test_a_restart_opens_the_contacts_and_forgets_the_order() -> None:
    bench = Bench(node=True)
    bench.order(True, number=9, epoch=9)
    bench.device.restart(5.0)
    assert not bench.relay.closed
    bench.order(True, number=10, epoch=9)
    assert not bench.relay.closed  # it hears nothing yet
    bench.go_on(15.0)
    bench.order(True, number=1, epoch=1)
    assert bench.relay.closed


def test_welded_contacts_stay_whatever_is_ordered_and_whoever_ends() -> None:
    bench = Bench(node=True)
    bench.device.weld(True)
    bench.order(False)
    assert bench.relay.closed
    bench.device.weld(None)
    assert not bench.relay.closed


def test_a_hand_on_the_switch_wins_over_orders() -> None:
    bench = Bench(node=False)
    bench.device.by_hand(False)
    bench.order(True)
    assert bench.relay.ordered
    assert not bench.relay.closed
    bench.device.by_hand(None)
    assert bench.relay.closed


def test_contacts_that_stick_stay_where_they_are_even_without_power() -> None:
    bench = Bench(node=True)
    bench.order(True)
    bench.device.stick(True)
    bench.order(False, number=2)
    bench.device.restart(1.0)
    assert bench.relay.closed
    bench.device.stick(False)
    assert not bench.relay.closed


def test_nothing_moves_through_a_broken_one_or_without_what_stands_upstream() -> None:
    bench = Bench(node=True)
    bench.device._upstream = [bench.contactor]
    bench.order(True)
    assert not bench.relay.moves
    bench.contactor.closed = True
    bench.device.supplied()
    assert bench.relay.moves
    bench.device.breaks(True)
    assert bench.relay.closed
    assert not bench.relay.moves


def test_noise_is_not_obeyed() -> None:
    for node in (True, False):
        bench = Bench(node)
        for payload in (b"", b"on", b"\xff", b'{"on": "yes"}', b"[" * 100_000, b'{"on": true}'):
            bench.broker.inject(Message(bench.relay.topic, payload, 1, False, sender="stranger"))
        bench.go_on(1.0)
        assert not bench.relay.closed
        assert bench.relay.heard is None
