"""An operator's action over MQTT is read strictly; its answer goes nowhere else than to a reply topic."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.values import Action
from controller.field.own_topics import (
    action_id,
    availability_topic,
    parse_action,
    reply_payload,
    reply_topic,
    set_filter,
    state_payload,
    state_topic,
    vessel_of,
)


def test_topics_lie_below_the_site() -> None:
    assert availability_topic("cellar") == "cellarhand/cellar/availability"
    assert state_topic("cellar", "ale") == "cellarhand/cellar/ale/state"
    assert set_filter("cellar") == "cellarhand/cellar/+/set"
    assert reply_topic("cellar", "ale") == "cellarhand/cellar/ale/reply"


@pytest.mark.parametrize(
    ("topic", "vessel"),
    [
        ("cellarhand/cellar/ale/set", "ale"),
        ("cellarhand/cellar/no such vessel/set", "no such vessel"),
        ("cellarhand/cellar//set", None),
        ("cellarhand/cellar/set", None),
        ("cellarhand/cellar/a/b/set", None),
        ("cellarhand/attic/ale/set", None),
        ("cellarhand/cellar/ale/state", None),
        ("x", None),
        ("", None),
    ],
)
def test_the_vessel_is_read_from_the_topic(topic: str, vessel: str | None) -> None:
    assert vessel_of("cellar", topic) == vessel


def test_a_whole_action_is_read() -> None:
    payload = b'{"id": "7f", "do": "setpoint", "expects": "running", "celsius": 18, "hours": 2.5, "why": "\xc3\xa9"}'
    expected = Action("7f", "ale", "setpoint", {"celsius": 18.0, "hours": 2.5, "why": "é"}, "mqtt", "running")
    assert parse_action("ale", payload, False) == expected


def test_a_retained_action_is_refused() -> None:
    answer = parse_action("ale", b'{"id": "1", "do": "hold"}', True)
    assert isinstance(answer, str)
    assert "retained" in answer


@pytest.mark.parametrize(
    ("payload", "cause"),
    [
        (b"", "not JSON"),
        (b"hold", "not JSON"),
        (b"\xff", "not JSON"),
        (b"[" * 4000, "not JSON"),
        (b'{"id": "1", "id": "2", "do": "hold"}', "the key 'id' stands twice"),
        (b"[]", "not a JSON object"),
        (b'"hold"', "not a JSON object"),
        (b"{}", '"id" must be'),
        (b'{"id": 1, "do": "hold"}', '"id" must be'),
        (b'{"id": "", "do": "hold"}', '"id" must be'),
        (b'{"id": "a\\nb", "do": "hold"}', '"id" must be'),
        (b'{"id": "\\ud800", "do": "hold"}', '"id" must be'),
        (b'{"id": "' + b"1" * 65 + b'", "do": "hold"}', '"id" must be'),
        (b'{"id": "1"}', '"do" must be'),
        (b'{"id": "1", "do": ""}', '"do" must be'),
        (b'{"id": "1", "do": ["hold"]}', '"do" must be'),
        (b'{"id": "1", "do": "hold", "expects": null}', '"expects" must be'),
        (b'{"id": "1", "do": "setpoint", "celsius": NaN}', '"celsius" must be'),
        (b'{"id": "1", "do": "setpoint", "celsius": 1e999}', '"celsius" must be'),
        (b'{"id": "1", "do": "setpoint", "celsius": [18]}', '"celsius" must be'),
        (b'{"id": "1", "do": "note", "text": "' + b"x" * 201 + b'"}', '"text" must be'),
        (b'{"id": "1", "do": "x", ' + b", ".join(b'"k%d": 1' % n for n in range(17)) + b"}", "17 arguments"),
        (b'{"id": "1", "do": "hold"}' + b" " * 4096, "larger than 4096"),
    ],
)
def test_a_wrong_action_is_refused_with_its_cause(payload: bytes, cause: str) -> None:
    answer = parse_action("ale", payload, False)
    assert isinstance(answer, str)
    assert cause in answer
    assert answer.endswith("nothing was changed")


@given(st.binary() | st.dictionaries(st.text(), st.text() | st.floats()).map(lambda d: json.dumps(d).encode()))
def test_any_bytes_give_an_action_or_an_answer(payload: bytes) -> None:
    assert isinstance(parse_action("ale", payload, False), Action | str)
    json.loads(reply_payload(action_id(payload), "refused"))


def test_an_answer_carries_the_id_even_of_a_refused_action() -> None:
    assert action_id(b'{"id": "7f", "do": ""}') == "7f"
    assert action_id(b'{"id": 7}') == ""
    assert json.loads(reply_payload("7f", "done")) == {"id": "7f", "answer": "done"}


@pytest.mark.parametrize(
    ("asked", "topic"),
    [
        ("cellarhand/cellar/ale/reply/phone", "cellarhand/cellar/ale/reply/phone"),
        (None, "cellarhand/cellar/ale/reply"),
        ("node/ale/heater/set", "cellarhand/cellar/ale/reply"),
        ("cellarhand/cellar/lager/set", "cellarhand/cellar/ale/reply"),
        ("cellarhand/cellar/ale/reply/#", "cellarhand/cellar/ale/reply"),
        ("cellarhand/cellar/ale/replyx", "cellarhand/cellar/ale/reply"),
    ],
)
def test_no_stranger_makes_an_answer_a_message_to_a_device(asked: str | None, topic: str) -> None:
    assert reply_topic("cellar", "ale", asked) == topic


def test_a_state_goes_out_as_json_and_nan_does_not() -> None:
    assert json.loads(state_payload({"wort_c": 19.0, "name": "Märzen"})) == {"wort_c": 19.0, "name": "Märzen"}
    with pytest.raises(ValueError, match="not JSON compliant"):
        state_payload({"wort_c": float("nan")})
