"""Any bytes in the files that stand beside the site file and in the state directory."""

import json
import math
import os
import tempfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from controller import quantities
from controller.config import load_installation
from controller.control.codec import from_json, to_json
from controller.control.state import SiteState
from controller.faults import FileFaults, Wrong
from controller.historian.backup import check_backup
from controller.historian.faults import HistoryError
from controller.historian.positions import Positions, PositionsFile
from controller.historian.saved_state import put_together, take_apart
from controller.hmi.outbox_file import NAME, OutboxFile, Stored
from tests.config.site_files import changed, write_site
from tests.effort import examples
from tests.fuzz.any_json import VALUES, deep, objects
from tests.historian.cellars import FRIDAY, brewing

STATE = brewing(5.0, FRIDAY, 3, ("one", "two"))
WHOLE = json.loads(to_json(STATE))


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None) as name:
        yield Path(name)


QUANTITIES: tuple[Callable[[object], float], ...] = (
    lambda value: quantities.temperature_c(value, "F"), lambda value: quantities.temperature_c(value, None),
    quantities.difference_k, quantities.duration_s, quantities.volume_l, quantities.power_w,
    quantities.heat_capacity_j_per_k, quantities.gain_w_per_k, quantities.percent, quantities.rate_k_per_s,
    quantities.gravity,
)  # fmt: skip
WRITTEN = st.builds(
    lambda parts: "".join(parts),
    st.lists(
        st.sampled_from(["1", "9" * 9, "-", "+", ".", ",", " ", "\u00a0", "P", "T", "H", "D", "W", "S", "C", "F", "K",
                         "L", "%", "°", "diff", "/", "h", "d", "e9", "inf", "nan", "\u0663", "\n"])
        | st.text(max_size=2),
        max_size=8,
    ),
)  # fmt: skip


@examples(300)
@given(st.sampled_from(QUANTITIES), WRITTEN | VALUES)
@example(quantities.duration_s, "P" + "9" * 6 + "W")
@example(quantities.gravity, "1e9 P")
def test_any_value_is_a_finite_quantity_or_wrong(quantity: Callable[[object], float], value: object) -> None:
    try:
        number = quantity(value)
    except Wrong as wrong:
        number, told = 0.0, str(wrong)
    else:
        told = "taken"
    assert told.isprintable()
    assert type(number) is float
    assert math.isfinite(number)


@examples(60)
@given(
    st.binary(max_size=60) | st.sampled_from([b"\n", b"\xef\xbb\xbf", b"x" * 5000, b"a\0b\n", "pässwörd\r\n".encode()])
)
def test_any_bytes_in_a_secrets_file(folder: Path, raw: bytes) -> None:
    secret = folder / "secret"
    secret.write_bytes(raw)
    site = write_site(folder, changed("{host: 127.0.0.1}", "{host: 127.0.0.1, user: ch, password_file: secret}"))
    told_to = "notifications: {targets: [{name: phone, url_file: secret}]}\n"
    for text in (site.read_text(), site.read_text() + told_to):
        site.write_text(text)
        try:
            password = load_installation(site).broker.password or ""
        except FileFaults as error:
            password, told = "refused", str(error)
        else:
            told = ""
        assert 1 <= len(password) <= 4096
        secret_text = raw.decode(errors="ignore").strip()
        assert len(secret_text) < 8 or secret_text not in told


def places(data: object, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """The paths of all values of a tree."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [path, *(place for key, inner in items for place in places(inner, (*path, key)))]


PLACES = places(WHOLE)
MARK = "a mark that stands nowhere else"


def text_with(path: tuple[str | int, ...], text: str) -> str:
    """The saved state with any text in the place of one value."""
    if not path:
        return text
    whole = json.loads(json.dumps(WHOLE))
    inner = whole
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = MARK
    return json.dumps(whole).replace(json.dumps(MARK), text)


@examples(300)
@given(
    st.sampled_from(PLACES),
    VALUES.map(json.dumps)
    | st.sampled_from(["NaN", "1e999", "9" * 4301, deep(950), deep(970), deep(980), deep(3000), ""]),
)
def test_any_value_in_any_place_of_a_saved_state(path: tuple[str | int, ...], text: str) -> None:
    try:
        state = from_json(SiteState, text_with(path, text))
    except ValueError:
        state = STATE
    assert from_json(SiteState, to_json(state)) == state


def test_no_depth_of_nesting_lies_between_reading_and_refusing() -> None:
    """What can just be parsed must not be too deep to be refused."""
    for depth in range(700, 1000, 3):
        for path in ((), ("now_s",), ("vessels", "one", "batch", "name")):
            with pytest.raises(ValueError, match=r"nested too deeply|expected"):
                from_json(SiteState, text_with(path, deep(depth)))


@examples(150)
@given(
    core=objects("vessels", "answers", "version") | st.just(to_json(STATE).encode()),
    parts=st.dictionaries(
        st.sampled_from(["answers", "batch/one", "batch/nobody", "batch/", "what"]), objects("name", "og"), max_size=3
    ),
)
def test_any_parts_of_a_saved_state(core: bytes, parts: dict[str, bytes]) -> None:
    """With a checksum that fits: what another version of the program may have written."""
    saved = take_apart(STATE)._replace(
        core=core.decode(errors="replace"), parts={name: raw.decode(errors="replace") for name, raw in parts.items()}
    )
    try:
        state = put_together(saved)
    except ValueError:
        state = STATE
    assert put_together(take_apart(state)) == state


@examples(100)
@given(st.binary(max_size=300), st.booleans())
def test_any_bytes_as_a_backup(folder: Path, raw: bytes, framed: bool) -> None:
    path = folder / "backup"
    path.write_bytes((b"SQLite format 3\0" if framed else b"") + raw)
    before = path.read_bytes()
    with pytest.raises(HistoryError, match="backup"):
        check_backup(path)
    assert path.read_bytes() == before


@examples(200)
@given(text=objects("epoch", "now_s", "utc_s", "programs"), framed=st.booleans())
@example(text=b"9" * 70_000, framed=True)
@example(text=deep(970).encode(), framed=True)
def test_any_bytes_as_positions(folder: Path, text: bytes, framed: bool) -> None:
    """Also with a length and a checksum that fit."""
    raw = b"%08x %06d %b\n" % (zlib.crc32(text), len(text), text) if framed else text
    (folder / "positions").write_bytes(raw)
    found = PositionsFile(folder, None).read()
    assert found is None or isinstance(found, Positions)


MESSAGE = {
    "number": 1, "targets": ["phone"], "priority": "high", "title": "t", "text": "x", "at_s": 1.0, "utc_s": None,
}  # fmt: skip
OUTBOX = {"version": 1, "number": 3, "waiting": [MESSAGE], "told": {"ale/high": {
    "raised_s": 1.0, "said_s": 2.0, "title": "t", "stands": True, "more": 0, "repeats": 0, "hold_s": 60.0}},
    "daily": "2026-11-03"}  # fmt: skip


@examples(300)
@given(path=st.sampled_from(places(OUTBOX)), value=VALUES | st.just(10**400))
def test_any_value_in_any_place_of_the_outbox(folder: Path, path: tuple[str | int, ...], value: object) -> None:
    whole = json.loads(json.dumps(OUTBOX))
    if path:
        inner = whole
        for key in path[:-1]:
            inner = inner[key]
        inner[path[-1]] = value
    raw = json.dumps(whole if path else value).encode()
    (folder / NAME).write_bytes(raw)
    stored = OutboxFile(folder).load()
    assert isinstance(stored, Stored)
    assert OutboxFile(folder).save(stored)
    assert OutboxFile(folder).load() == stored


@examples(100)
@given(objects("version", "number", "waiting", "told", "daily"))
@example(deep(980).encode())
def test_any_bytes_as_the_outbox(folder: Path, raw: bytes) -> None:
    (folder / NAME).write_bytes(raw)
    assert isinstance(OutboxFile(folder).load(), Stored)
