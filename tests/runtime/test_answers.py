"""Every wish of an operator is answered, and what cannot be is counted."""

import json

from controller.control.values import Action
from controller.display import Display
from controller.field.inbox import MOST_REQUESTS
from controller.field.link import Arrived
from controller.operators import Operators
from controller.publications import MOST_WAITING, Publications
from tests.hmi.factories import busy_cellar, site


class Link:
    """A connection that takes nothing for the moment."""

    connected, sessions = True, 1

    async def publish(self, topic: str, payload: bytes, **how: object) -> bool:
        raise AssertionError("nobody runs the queue here")


def wish(number: int) -> Arrived:
    return Arrived("cellarhand/cellar/ale/set", json.dumps({"id": str(number), "do": "hold"}).encode(), False)


def test_wishes_that_are_too_many_for_one_scan_are_refused_and_counted() -> None:
    operators = Operators("cellar", Publications(Link(), Display()))
    for number in range(MOST_REQUESTS + 3):
        assert operators.hear(wish(number))
    assert operators.refused["too many actions"] == 3
    assert not operators.offer(Action("at the terminal", "ale", "hold", {}, "command line, ann"), lambda text: None)
    assert operators.refused["too many actions"] == 4
    assert len(operators.take()) == MOST_REQUESTS
    assert operators.hear(wish(99))
    assert operators.refused["too many actions"] == 4


def test_answers_that_newer_messages_push_out_are_counted_and_states_are_not() -> None:
    publications = Publications(Link(), Display())
    publications.say_states(site(), busy_cellar(), [], anew=True)  # the two vessels' states are the oldest
    for number in range(MOST_WAITING - 2):
        publications.offer("cellarhand/cellar/ale/reply", b"%d" % number, False)
    assert publications.answers_dropped == 0
    for _ in range(2):
        publications.offer("cellarhand/cellar/ale/reply", b"pushes out a state", False)
    assert publications.answers_dropped == 0
    for _ in range(5):
        publications.offer("cellarhand/cellar/ale/reply", b"pushes out an answer", False)
    assert publications.answers_dropped == 5
