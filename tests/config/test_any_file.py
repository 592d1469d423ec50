"""Whatever stands in a file: it is taken, or faults are told. Nothing else ever comes out."""

import json
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from controller.config import load_installation
from controller.faults import FileFaults
from controller.profiles import load_evidence, load_profile
from tests.config.site_files import PROFILE, SITE, write_site

SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=30)
    | st.sampled_from(["0 C", "5 K", "1 h", "-5 C", "99999 d", "PT1S", "1 F diff", "\0", "a/b", "on", "x" * 300, "/~"])
)
ANYTHING = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3)
)
# Characters that steer YAML come often, so that the parser is reached and not only refused.
YAML_LIKE = st.text(st.sampled_from("ab: -\n[]{}&*!|>'\"%#@?,\\~\t0.xoUu<=") | st.characters(), max_size=200)


@pytest.fixture(scope="module")
def directory(tmp_path_factory: pytest.TempPathFactory) -> Path:
    directory = tmp_path_factory.mktemp("any")
    write_site(directory)
    return directory


def accepted(load: Any, path: Path) -> bool:
    """Whether the file is taken; a refusal must give at least one fault of one line each."""
    try:
        load(path)
    except FileFaults as error:
        faults = error.faults
    else:
        return True
    assert faults
    for fault in faults:
        assert str(fault).isprintable()
        assert str(fault).encode()
    return False


def places(data: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """The paths of all values of a tree."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [path, *(place for key, inner in items for place in places(inner, (*path, key)))]


def replaced(data: Any, path: tuple[str | int, ...], value: Any) -> Any:
    if not path:
        return value
    copy = data.copy()
    copy[path[0]] = replaced(data[path[0]], path[1:], value)
    return copy


def tree(text: str) -> Any:
    return yaml.load(text, yaml.BaseLoader)  # every scalar as text, which is what the test replaces


@settings(deadline=None, max_examples=300)
@given(raw=st.binary(max_size=200) | YAML_LIKE.map(lambda text: text.encode(errors="surrogatepass")))
@example(b"%YAML 1.99999999999999999999\n---\na")
@example(b'"\\UFFFFFFFF"')
@example(b"\xef\xbb\xbfa: 1")
@example(b"a: &b [*b]")
@example(b"!!map [a]")
@example(b"!!str {a: b}")
@example(b"a: 0x" + b"f" * 6000)
@example(b"%YAML " + b"9" * 5000 + b".1\n---\na")
def test_any_bytes_give_faults_and_nothing_else(directory: Path, raw: bytes) -> None:
    path = directory / "any.yaml"
    path.write_bytes(raw)
    assert not accepted(load_installation, path)
    assert not accepted(load_profile, path)
    assert not accepted(load_evidence, path)


@settings(deadline=None, max_examples=400)
@given(data=st.data())
def test_any_value_in_any_place_of_a_site_file(directory: Path, data: st.DataObject) -> None:
    site = tree(SITE)
    path = data.draw(st.sampled_from(places(site)))
    file = directory / "any.yaml"
    file.write_text(json.dumps(replaced(site, path, data.draw(ANYTHING)), ensure_ascii=False), errors="replace")
    accepted(load_installation, file)


@settings(deadline=None, max_examples=300)
@given(data=st.data())
def test_any_value_in_any_place_of_a_profile(directory: Path, data: st.DataObject) -> None:
    why = "    why: {target: {range: 18 C to 20 C, source: a book}}\n"
    profile = tree(PROFILE + why)
    path = data.draw(st.sampled_from(places(profile)))
    file = directory / "any.yaml"
    file.write_text(json.dumps(replaced(profile, path, data.draw(ANYTHING)), ensure_ascii=False), errors="replace")
    assert accepted(load_profile, file) == accepted(load_evidence, file)


def test_the_unchanged_trees_are_taken(directory: Path) -> None:
    file = directory / "any.yaml"
    file.write_text(SITE)
    assert accepted(load_installation, file)
    file.write_text(PROFILE)
    assert accepted(load_profile, file)
