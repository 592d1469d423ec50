"""Any message on any topic that the service listens to."""

import json
import math
import time

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller.control.decode import LARGEST_PAYLOAD_BYTES
from controller.control.values import Action
from controller.field.inbox import MOST_REQUESTS, Inbox
from controller.field.link import Arrived
from controller.field.own_topics import (
    LARGEST_ACTION_BYTES,
    action_id,
    is_claim,
    parse_action,
    reply_payload,
    reply_topic,
    vessel_of,
)
from controller.installation import Source
from controller.operators import Operators
from tests.effort import examples
from tests.fuzz.any_json import deep, objects

SOURCES = (
    Source("ale/plain", "node/plain", "", "C"),
    Source("ale/t", "node/json", "/t", "F"),
    Source("ale/late", "node/json", "/a/0/t", "K", "/at"),
)
TOPICS = st.sampled_from(["node/plain", "node/json", "node/other", ""])
BOUND_S = 1.0  # for one message, on a slow machine; most take a thousandth of it


class Publications:
    """Keeps what would be published."""

    def __init__(self) -> None:
        self.said: list[tuple[str, bytes]] = []

    def offer(self, topic: str, payload: bytes, retain: bool, correlation: bytes | None = None) -> None:
        assert not retain
        self.said.append((topic, payload))


@examples(300)
@given(
    messages=st.lists(st.tuples(TOPICS, objects("t", "a", "at"), st.booleans()), max_size=5),
    utc_s=st.none() | st.floats(),
)
def test_any_reading_is_a_finite_temperature_or_a_counted_refusal(
    messages: list[tuple[str, bytes, bool]], utc_s: float | None
) -> None:
    inbox = Inbox(SOURCES)
    for number, (topic, payload, retained) in enumerate(messages):
        refused, kept = sum(inbox.refused.values()), inbox.overwritten + len(inbox._newest)
        inbox.put(topic, payload, retained, float(number), utc_s)
        wanted = {"node/plain": 1, "node/json": 2}.get(topic, 0)
        assert sum(inbox.refused.values()) - refused + inbox.overwritten + len(inbox._newest) - kept == wanted
        assert not retained or inbox.overwritten + len(inbox._newest) == kept
    for reading in inbox.take().values():
        assert math.isfinite(reading.celsius)
        assert -273.15 <= reading.celsius <= 1000.0
    assert all(len(refusal.found) <= 60 for refusal in inbox.last_refusal.values())


@examples(300)
@given(objects("id", "do", "expects", "celsius"), st.booleans())
@example(b'{"id":"1","do":"hold","' + b"\xff" + b'":1}', False)
def test_any_action_is_taken_or_answered(payload: bytes, retained: bool) -> None:
    publications = Publications()
    operators = Operators("cellar", publications)  # type: ignore[arg-type]
    assert operators.hear(Arrived("cellarhand/cellar/ale/set", payload, retained))
    requests = operators.take()
    assert len(requests) + len(publications.said) == 1
    assert sum(operators.refused.values()) == len(publications.said)
    for request in requests:
        assert not retained
        assert all(isinstance(value, str | bool) or math.isfinite(value) for value in request.action.arguments.values())
        request.answer("done")
    ((topic, answer),) = publications.said
    assert topic == "cellarhand/cellar/ale/reply"
    assert set(json.loads(answer)) == {"id", "answer"}


@examples(50)
@given(st.lists(objects("id", "do"), min_size=1, max_size=5), st.integers(1, 30))
def test_no_flood_of_actions_grows_the_queue(few: list[bytes], times: int) -> None:
    payloads = few * times
    publications = Publications()
    operators = Operators("cellar", publications)  # type: ignore[arg-type]
    for number, payload in enumerate(payloads):
        whole = json.dumps({"id": str(number), "do": "hold"}).encode() if number % 2 else payload
        operators.hear(Arrived("cellarhand/cellar/ale/set", whole, False))
    requests = operators.take()
    assert len(requests) <= MOST_REQUESTS
    assert len(requests) + len(publications.said) == len(payloads)


PIECES = st.lists(
    st.sampled_from(["cellarhand", "cellar", "ale", "set", "reply", "driver", "/", "//", "+", "#", "\0", "\ud800", " "])
    | st.text(max_size=3),
    max_size=8,
).map("".join)


@examples(300)
@given(PIECES, PIECES, st.binary(max_size=60))
@example("cellarhand/cellar/ale/set", "cellarhand/cellar/ale/reply/+", b"driving " + b"0" * 32 + b"\n")
def test_no_topic_and_no_claim_means_more_than_it_says(topic: str, asked: str, claim: bytes) -> None:
    vessel = vessel_of("cellar", topic)
    if vessel is not None:
        assert topic == f"cellarhand/cellar/{vessel}/set"
        assert vessel
        assert "/" not in vessel
    own = "cellarhand/cellar/ale/reply"
    answer = reply_topic("cellar", "ale", asked)
    assert answer == own or answer.startswith(own + "/")
    assert not set(answer) & set("+#\0")
    assert not is_claim(claim) or (len(claim) == 40 and claim.startswith(b"driving "))


@pytest.mark.parametrize(
    "payload",
    [
        deep(30_000).encode(),
        deep(10_000, '{"a":').encode(),
        b'{"t":' + b"9" * 60_000 + b"}",
        b"[" + b"1e308," * 10_000 + b"1]",
        b"{" + b",".join(b'"%d":1' % n for n in range(7000)) + b"}",
        b'"' + b"\\u0041" * 10_000 + b'"',
        b"\xff" * LARGEST_PAYLOAD_BYTES,
        b" " * LARGEST_PAYLOAD_BYTES,
        b"[" * (LARGEST_PAYLOAD_BYTES + 1),
        b"x" * 1_000_000,
    ],
    ids=lambda payload: f"{payload[:6]!a} {len(payload)}",
)
def test_the_worst_payloads_cost_little(payload: bytes) -> None:
    inbox = Inbox(SOURCES)
    begun = time.process_time()
    inbox.put("node/json", payload, False, 0.0, 1.0)
    answer = parse_action("ale", payload, False)
    reply = reply_payload(action_id(payload), str(answer))
    assert time.process_time() - begun < BOUND_S
    assert not inbox.take()
    assert not isinstance(answer, Action)
    assert len(reply) < 1000
    assert len(payload) > LARGEST_ACTION_BYTES
