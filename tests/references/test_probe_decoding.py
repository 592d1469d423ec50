"""Decoding held against RFC 6901 (JSON Pointer), RFC 3339 (times) and the definitions of the temperature scales."""

import json

import pytest

from controller.control.decode import Reason, Refusal, Where, decode, decode_message, is_pointer

# The example document of RFC 6901, section 5, with its members' values as printed there.
RFC_6901_DOCUMENT = (
    rb'{"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}'
)


@pytest.mark.parametrize(
    ("pointer", "value"),
    [("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3), ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8)],
)
def test_the_numbers_of_rfc_6901_section_5_are_found(pointer: str, value: int) -> None:
    assert decode(RFC_6901_DOCUMENT, pointer, "C") == value


@pytest.mark.parametrize(("pointer", "found"), [("", "an object"), ("/foo", "an array"), ("/foo/0", "bar")])
def test_the_other_values_of_rfc_6901_section_5_are_found_and_are_no_numbers(pointer: str, found: str) -> None:
    assert decode(RFC_6901_DOCUMENT, pointer, "C") == Refusal(Reason.NOT_A_NUMBER, found)


def test_tilde_one_is_decoded_before_tilde_zero_as_rfc_6901_section_4_requires() -> None:
    """RFC 6901, section 4: "~01" must become "~1", not "/"."""
    assert decode(b'{"~1": 18, "/": 99}', "/~01", "C") == 18


@pytest.mark.parametrize("pointer", ["/foo/-", "/foo/2", "/foo/01", "/foo/+1", "/foo/-1", "/foo/1.0", "/foo/\u0661"])
def test_array_indices_beyond_rfc_6901_section_4_are_not_found(pointer: str) -> None:
    """ "-" names the element after the last, which does not exist; leading zeros and signs are not in the grammar."""
    refusal = decode(RFC_6901_DOCUMENT, pointer, "C")
    assert isinstance(refusal, Refusal)
    assert refusal.reason is Reason.NOT_FOUND


@pytest.mark.parametrize(
    ("text", "valid"),
    [("", True), ("/", True), ("/a~0b~1c", True), ("a", False), ("/a~", False), ("/a~2", False), ("#/a", False)],
)
def test_pointers_follow_the_grammar_of_rfc_6901_section_3(text: str, valid: bool) -> None:
    assert is_pointer(text) is valid


@pytest.mark.parametrize(
    ("value", "unit", "celsius"),
    [
        (0.0, "C", 0.0),
        (273.15, "K", 0.0),  # SI Brochure, 9th edition, 2.3.1: t/°C = T/K - 273.15
        (0.0, "K", -273.15),
        (292.15, "K", 19.0),
        (32.0, "F", 0.0),  # NIST SP 811 (2008), B.8: t/°C = (t/°F - 32)/1.8
        (212.0, "F", 100.0),
        (-40.0, "F", -40.0),
        (68.0, "F", 20.0),
        (66.2, "F", 19.0),
    ],
)
def test_units_become_celsius_by_definition(value: float, unit: str, celsius: float) -> None:
    assert decode(json.dumps(value).encode(), "", unit) == pytest.approx(celsius, abs=1e-9)


@pytest.mark.parametrize("raw_c", [125.0, 85.0, 25.0625, 10.125, 0.5, 0.0, -0.5, -10.125, -25.0625, -55.0])
def test_every_temperature_of_the_ds18b20_data_sheet_passes_unchanged(raw_c: float) -> None:
    """DS18B20 datasheet, Table 1. 85 °C is also its power-on value: to doubt it is the trust stage's work."""
    assert decode(json.dumps({"t": raw_c}).encode(), "/t", "C") == raw_c


@pytest.mark.parametrize(
    ("text", "epoch_s"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),  # RFC 3339, section 5.8, all five examples
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1990-12-31T23:59:60Z", 662688000.0),
        ("1990-12-31T15:59:60-08:00", 662688000.0),
        ("2001-09-09T01:46:40Z", 1e9),  # a billion seconds, as every Unix handbook has it; from memory
    ],
)
def test_the_times_of_rfc_3339_section_5_8_are_read(text: str, epoch_s: float) -> None:
    payload = json.dumps({"t": 19.0, "at": text}).encode()
    wanted = [Where("a", "/t", "C", "/at")]
    for utc_s, expected in [(epoch_s, 19.0), (epoch_s + 1, 19.0), (epoch_s - 1, 19.0)]:
        assert decode_message(payload, wanted, utc_s, late_s=1.001, future_s=1.001) == [("a", expected)]
    [(_, late)] = decode_message(payload, wanted, epoch_s + 1.1, late_s=1.0, future_s=1.0)
    [(_, early)] = decode_message(payload, wanted, epoch_s - 1.1, late_s=1.0, future_s=1.0)
    assert isinstance(late, Refusal)
    assert late.reason is Reason.TOO_OLD
    assert isinstance(early, Refusal)
    assert early.reason is Reason.FROM_THE_FUTURE
