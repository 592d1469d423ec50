"""What devices publish becomes a temperature or a refusal with a reason, whatever they publish."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.decode import LARGEST_PAYLOAD_BYTES, Reason, Refusal, Where, decode, decode_message

NOW_S = 1_760_000_000.0


def reason(result: float | Refusal) -> Reason | float:
    return result.reason if isinstance(result, Refusal) else result


@pytest.mark.parametrize("payload", [b"19.5", b" 19.5\r\n", b"+19.5", b"019.50", b"1.95e1", b'"19.5"', b'" 19.5 "'])
def test_a_plain_number_is_a_temperature(payload: bytes) -> None:
    assert decode(payload, "", "C") == 19.5


@pytest.mark.parametrize("payload", [b'{"a":{"t":[1,19.5]}}', b'{"a":{"t":[1,"19.5"]}}', b'{"a":{"t":["x",1.95E+1]}}'])
def test_a_number_inside_json_is_found_by_its_pointer(payload: bytes) -> None:
    assert decode(payload, "/a/t/1", "C") == 19.5


@pytest.mark.parametrize(
    ("payload", "pointer", "expected"),
    [
        (b"", "", Reason.NOT_JSON),
        (b"hello", "", Reason.NOT_JSON),
        (b"19,5", "", Reason.NOT_JSON),
        (b"19.5 C", "", Reason.NOT_JSON),
        (b"19.5", "/t", Reason.NOT_FOUND),
        (b"{", "/t", Reason.NOT_JSON),
        (b'{"t":19.5}', "/T", Reason.NOT_FOUND),
        (b'{"t":19.5}', "t", Reason.NOT_FOUND),
        (b'{"t":19.5}', "/t/0", Reason.NOT_FOUND),
        (b'{"t":[19.5]}', "/t/" + "9" * 5000, Reason.NOT_FOUND),
        (b'{"t":true}', "/t", Reason.NOT_A_NUMBER),
        (b'{"t":null}', "/t", Reason.NOT_A_NUMBER),
        (b'{"t":[1]}', "/t", Reason.NOT_A_NUMBER),
        (b'{"t":"19,5"}', "/t", Reason.NOT_A_NUMBER),
        (b'{"t":"1_9"}', "/t", Reason.NOT_A_NUMBER),
        (b'{"t":"0x13"}', "/t", Reason.NOT_A_NUMBER),
        ('{"t":"１９"}'.encode(), "/t", Reason.NOT_A_NUMBER),
        (b'{"t":"\\ud800"}', "/t", Reason.NOT_A_NUMBER),
        (b"nan", "", Reason.NOT_FINITE),
        (b"NaN", "", Reason.NOT_FINITE),
        (b"-inf", "", Reason.NOT_FINITE),
        (b'{"t":NaN}', "/t", Reason.NOT_FINITE),
        (b'{"t":-Infinity}', "/t", Reason.NOT_FINITE),
        (b'{"t":"nan"}', "/t", Reason.NOT_FINITE),
        (b'{"t":1e999}', "/t", Reason.NOT_FINITE),
        (b"9" * 5000, "", Reason.NOT_FINITE),
        (b'{"t":"' + b"9" * 60000 + b'"}', "/t", Reason.NOT_FINITE),
        (b"19500", "", Reason.IMPOSSIBLE),
        (b"-273.16", "", Reason.IMPOSSIBLE),
        (b"1e300", "", Reason.IMPOSSIBLE),
        (b"\xff\xfe19.5", "", Reason.NOT_UTF8),
        ("19.5".encode("utf-16"), "", Reason.NOT_UTF8),
        (b"1" + b" " * LARGEST_PAYLOAD_BYTES, "", Reason.TOO_LARGE),
        (b"[" * LARGEST_PAYLOAD_BYTES, "", Reason.TOO_DEEP),
        (b'{"t":19.5,"t":19.5}', "/t", Reason.REPEATED_KEY),
        (b'{"t":19.5,"a":{"b":[{"c":1,"c":2}]}}', "/t", Reason.REPEATED_KEY),
        (b'{"t":' * 10_000 + b"1" + b"}" * 10_000, "/t", Reason.TOO_DEEP),
    ],
)
def test_anything_else_is_refused_with_its_reason(payload: bytes, pointer: str, expected: Reason) -> None:
    assert reason(decode(payload, pointer, "C")) is expected


def test_a_node_that_says_a_temperature_twice_gives_neither_and_the_key_is_named() -> None:
    payload = b'{"ale": 19.0, "lager": 9.0, "ale": 4.0}'
    wanted = [Where("ale/wort", "/ale", "C"), Where("lager/wort", "/lager", "C")]
    refused = Refusal(Reason.REPEATED_KEY, "the key 'ale' stands twice")
    assert decode_message(payload, wanted, None) == [("ale/wort", refused), ("lager/wort", refused)]


def test_the_same_key_in_two_objects_is_no_repetition() -> None:
    assert decode(b'{"ale": {"t": 19.0}, "lager": {"t": 9.0}}', "/lager/t", "C") == 9.0


@pytest.mark.parametrize("celsius", [85.0, -127.0, -273.15, 1000.0])
def test_a_doubtful_number_is_left_to_the_trust_stage(celsius: float) -> None:
    assert decode(json.dumps(celsius).encode(), "", "C") == celsius


def test_one_message_serves_all_probes_of_a_node_and_one_bad_value_spoils_only_itself() -> None:
    payload = b'{"ale": 19.0, "lager": null, "bath": 24.8}'
    wanted = [Where("ale/wort", "/ale", "C"), Where("lager/wort", "/lager", "C"), Where("bath/glycol", "/bath", "F")]
    ale, lager, bath = decode_message(payload, wanted, None)
    assert ale == ("ale/wort", 19.0)
    assert lager == ("lager/wort", Refusal(Reason.NOT_A_NUMBER, "null"))
    assert bath[1] == pytest.approx(-4.0)


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        (NOW_S, 19.0),
        (str(NOW_S), 19.0),
        (NOW_S - 119, 19.0),
        (NOW_S + 59, 19.0),
        (NOW_S - 121, Reason.TOO_OLD),
        (NOW_S + 61, Reason.FROM_THE_FUTURE),
        (0, Reason.TOO_OLD),
        (NOW_S * 1000, Reason.TIME_IN_MILLISECONDS),
        ("2025-10-09T08:53:20Z", 19.0),
        ("2025-10-09 10:53:20+0200", 19.0),
        ("2025-10-09T08:53:20", Reason.TIME_UNREADABLE),  # no zone: could be hours off
        ("2025-02-30T08:53:20Z", Reason.TIME_UNREADABLE),
        ("0000-01-01T00:00:00Z", Reason.TIME_UNREADABLE),
        ("2025-10-09T24:00:00Z", Reason.TIME_UNREADABLE),
        ("2025-10-09T08:53:20+99:00", Reason.TIME_UNREADABLE),
        ("yesterday", Reason.TIME_UNREADABLE),
        (True, Reason.TIME_UNREADABLE),
        (None, Reason.TIME_UNREADABLE),
    ],
)
def test_a_reading_with_its_own_time_is_judged_by_it(at: object, expected: float | Reason) -> None:
    payload = json.dumps({"t": 19.0, "at": at}).encode()
    [(_, result)] = decode_message(payload, [Where("ale/wort", "/t", "C", "/at")], NOW_S)
    assert reason(result) == expected


def test_a_promised_time_that_is_missing_refuses_the_reading() -> None:
    [(_, result)] = decode_message(b'{"t": 19.0}', [Where("ale/wort", "/t", "C", "/at")], NOW_S)
    assert reason(result) is Reason.TIME_NOT_FOUND


def test_the_readings_own_time_is_not_looked_at_while_our_clock_is_not_trusted() -> None:
    wanted = [Where("ale/wort", "/t", "C", "/at")]
    assert decode_message(b'{"t": 19.0, "at": 0}', wanted, None) == [("ale/wort", 19.0)]


JSONISH = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text() | st.sampled_from(["t", "at", "~", "/"]), inner),
    max_leaves=20,
)
PAYLOADS = st.binary() | JSONISH.map(lambda value: json.dumps(value).encode()) | st.text().map(str.encode)
POINTERS = st.sampled_from(["", "/", "/t", "/t/0", "/at", "/~0", "/~1", "/~2", "t"]) | st.text()


@given(PAYLOADS, POINTERS, st.sampled_from("CFK"), st.none() | POINTERS, st.none() | st.floats())
def test_any_bytes_give_a_finite_value_or_a_refusal(
    payload: bytes, pointer: str, unit: str, time_pointer: str | None, utc_s: float | None
) -> None:
    [(tag, result)] = decode_message(payload, [Where("a", pointer, unit, time_pointer)], utc_s)
    assert tag == "a"
    if isinstance(result, Refusal):
        assert len(result.found) <= 60
    else:
        assert math.isfinite(result)
        assert -273.15 <= result <= 1000


@given(st.floats(-55, 125))
def test_a_number_that_was_written_is_the_number_that_is_read(celsius: float) -> None:
    assert decode(json.dumps({"t": celsius}).encode(), "/t", "C") == celsius
    assert decode(repr(celsius).encode(), "", "C") == celsius
