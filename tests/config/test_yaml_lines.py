"""YAML by the rules of version 1.2.2, with the line of everything."""

import math

import pytest

from controller.faults import Fault, FileFaults
from controller.yaml_lines import Data, parse_yaml


def data_of(text: str) -> Data:
    return parse_yaml(text.encode(), "f.yaml").data


def faults_of(raw: bytes) -> tuple[Fault, ...]:
    with pytest.raises(FileFaults) as caught:
        parse_yaml(raw, "f.yaml")
    return caught.value.faults


@pytest.mark.parametrize(
    ("text", "value"),
    # YAML 1.2.2 §10.3.2 (core schema), and what YAML 1.1 would have made a boolean, a base-60 number or a date
    [
        ("on", "on"), ("off", "off"), ("yes", "yes"), ("no", "no"), ("y", "y"), ("On", "On"), ("NO", "NO"),
        ("36:00", "36:00"), ("1:30:00", "1:30:00"), ("2026-03-14", "2026-03-14"),
        ("2026-03-14 12:00:00", "2026-03-14 12:00:00"), ("0o17", 15), ("017", 17), ("0x1F", 31), ("0b11", "0b11"),
        ("1_000", "1_000"), ("+12", 12), ("-12", -12), ("1.050", 1.05), ("1e3", 1000.0), ("+.5", 0.5), ("5.", 5.0),
        (".inf", math.inf), ("-.INF", -math.inf), ("true", True), ("False", False), ("TRUE", True), ("tRUE", "tRUE"),
        ("~", None), ("null", None), ("Null", None), ("nULL", "nULL"), ("", None), ("'on'", "on"), ('"12"', "12"),
        ("=", "="), ("<<", "<<"), ("!!str 12", "12"), ("-", [None]), ("1.2.3", "1.2.3"), (".", "."),
    ],
)  # fmt: skip
def test_words_are_read_by_the_core_schema(text: str, value: Data) -> None:
    assert data_of(f"key: {text}" if text != "-" else "key:\n  -") == {"key": value}


def test_not_a_number_is_read_as_such_and_left_to_the_checks() -> None:
    block = data_of("key: .nan")
    assert isinstance(block, dict)
    assert isinstance(block["key"], float)
    assert math.isnan(block["key"])


def test_on_and_off_are_words_as_keys_too() -> None:
    assert data_of("on: ON\noff: OFF\ntrue: 1") == {"on": "ON", "off": "OFF", "true": 1}


def test_a_merge_key_is_a_key_like_any_other() -> None:
    assert data_of("a: &x {b: 1}\nc:\n  <<: *x") == {"a": {"b": 1}, "c": {"<<": {"b": 1}}}


def test_every_key_and_item_knows_its_line() -> None:
    document = parse_yaml(b"site: a\nvessels:\n  - name: fv1\n    probes:\n    - {x: 1,\n       y: 2}\n", "f.yaml")
    assert document.line_of(("site",)) == 1
    assert document.line_of(("vessels", 0, "name")) == 3
    assert document.line_of(("vessels", 0, "probes", 0, "y")) == 6
    assert document.line_of(("vessels", 0, "limits", "low")) == 3
    assert document.key_text(("vessels", 0, "probes", 0, "y")) == "vessels.fv1.probes.1.y"


def test_all_duplicate_keys_are_found_at_once() -> None:
    faults = faults_of(b"a: 1\nb:\n  c: 1\n  c: 2\na: 3\n")
    assert [(fault.line, fault.key) for fault in faults] == [(4, "b.c"), (5, "a")]
    assert "first on line 1" in faults[1].found


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        (b"a: 1\nb: [1, 2\nc: 3\n", 3), (b"a: 1\n\tb: 2\n", 2), (b"a: b: c\n", 1), (b"a: 1\n---\nb: 2\n", 2),
        (b"a: *nowhere\n", 1), (b"a: '\n", 2), (b"a: 1\nb: \xff\n", 2), (b"a: 1\nb: \x07\n", 2),
    ],
)  # fmt: skip
def test_a_fault_of_syntax_names_its_line(raw: bytes, line: int) -> None:
    (fault,) = faults_of(raw)
    assert fault.line == line


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "empty"),
        (b"# only a comment\n", "empty"),
        (b"a: " + b"x" * 300_000, "256 KiB"),
        (b"a: " + b"[" * 30 + b"]" * 30, "too deep"),
        (b"[" * 200_000, "too deep"),
        (b"a: &a [*a]\n", "alias inside itself"),
        (b"a: !!python/object/apply:os.system [echo]\n", "tag"),
        (b"a: !!timestamp 2026-01-01\n", "tag"),
        (b"a: !!int abc\n", "does not fit"),
        (b"? [a, b]\n: 1\n", "not a word"),
        (b"a: " + b"9" * 5000, "too many digits"),
        (b'a: "\\ud800"\n', "surrogate"),
        (b'a: "\\UFFFFFFFF"\n', "impossible escape"),
        (b"x: &a 1\ny: [" + b"*a," * 200 + b"]\n", "too many aliases"),
    ],
)
def test_what_no_person_would_write_is_refused(raw: bytes, words: str) -> None:
    assert words in faults_of(raw)[0].found


def test_aliases_cannot_multiply_without_limit() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, 9)]
    assert "too many values" in faults_of("\n".join(lines).encode())[0].found
