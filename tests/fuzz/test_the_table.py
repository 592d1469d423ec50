"""The table of this package names tests that there are."""

import re
from pathlib import Path

import tests.fuzz

ROOT = Path(__file__).parents[2]


def test_every_test_that_the_table_names_exists_and_throws_anything() -> None:
    named = set(re.findall(r"`(?:tests/\w+/)?(test_\w+\.py)`", tests.fuzz.__doc__ or ""))
    assert {path.name for path in Path(__file__).parent.glob("test_*.py")} - {Path(__file__).name} <= named
    for name in named:
        (path,) = ROOT.glob(f"tests/*/{name}")
        assert re.search("@given|@rule", path.read_text())
