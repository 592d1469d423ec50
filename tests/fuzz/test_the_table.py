"""The table of this package names tests that there are."""

import re
from pathlib import Path

import tests.fuzz

ROOT = Path(__file__).parents[2]


def test_every_test_that_the_table_names_exists_and_throws_anything() -> None:
    named = set(re.findall(r"`(?:tests/\w+/)?(test_\w+\.py)`", tests.fuzz.__doc__ or ""))
    assert {path.name for path in Path(__file__).parent.glob("test_*.py")} - {Path(__file__).name} <= named
    for name in named:
        texts = [path.read_text() for path in ROOT.glob(f"tests/*/{name}")]
        assert any(re.search("@given|@rule", text) for text in texts), name
