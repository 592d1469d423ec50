"""Any words behind `log` and `export`: done, or one sentence and exit code 2."""

import math
import tempfile
from collections.abc import Iterator
from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller.cli import main
from controller.cli_history import _utc_s
from controller.cli_parser import DONE, FAULTY, REFUSED
from controller.display import Display
from controller.faults import Wrong
from controller.historian.store import open_store
from tests.effort import examples
from tests.historian.cellars import a_record, a_sample, brewing

TIMES = st.one_of(
    st.text(max_size=20),
    st.datetimes(timezones=st.none() | st.just(UTC)).map(str),
    st.dates().map(str),
    st.sampled_from(
        ["9999-12-31", "0001-01-01", "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "2 d", "2 d ago", "now",
         "999999999 d", "-2 d", "1e9 s", "P999999W", "2026-W45-2", "20261103", "24:00", "", " ", "-"]
    ),
)  # fmt: skip
ZONES = st.sampled_from([UTC, ZoneInfo("Europe/Vienna"), ZoneInfo("America/Chicago"), ZoneInfo("Pacific/Kiritimati")])


@examples(300)
@given(TIMES, ZONES, st.booleans())
@example("9999-12-31", UTC, True)
@example("0001-01-01", ZoneInfo("Pacific/Kiritimati"), True)
def test_any_time_is_a_finite_one_or_wrong(text: str, zone: ZoneInfo, date_ends: bool) -> None:
    try:
        utc_s = _utc_s(text, Display(zone=zone), date_ends)
    except Wrong as wrong:
        utc_s, told = 0.0, str(wrong)
    else:
        told = "taken"
    assert told.isprintable()
    assert utc_s is not None
    assert math.isfinite(utc_s)


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        store = open_store(Path(name) / "cellar.sqlite")
        store.save(brewing(5.0), [a_record(1)], [a_sample(0)])
        assert store.close()
        yield Path(name)


WORDS = st.one_of(
    st.tuples(st.sampled_from(["--since", "--until"]), TIMES),
    st.tuples(st.sampled_from(["--vessel", "--batch", "--kind", "--table", "--last"]), st.text(max_size=8)),
    st.tuples(st.sampled_from(["--last"]), st.sampled_from(["0", "9" * 5000, "-1", "\u0663", "1.0", "0x1"])),
    st.tuples(st.sampled_from(["--format"]), st.sampled_from(["csv", "CSV", "xls", ""])),
    st.tuples(st.sampled_from(["--alarms", "--all", "--json", "--wrong", "x\ud800"])),
)


@examples(120)
@given(command=st.sampled_from(["log", "export"]), words=st.lists(WORDS, max_size=3))
@example(command="log", words=[("--until", "9999-12-31")])
@example(command="log", words=[("--last", "9" * 5000)])
def test_any_words(folder: Path, command: str, words: list[tuple[str, ...]]) -> None:
    store = ["--store", str(folder / "cellar.sqlite")]
    said = [command, *([tempfile.mkdtemp(dir=folder)] if command == "export" else []), *store]
    try:
        code = main([*said, *(word for each in words for word in each)])
    except SystemExit as ended:  # argparse's own way
        code = int(ended.code or 0)
    assert code in (DONE, FAULTY, REFUSED)
