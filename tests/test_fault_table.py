"""`deploy/faults.md`: every row is whole, and names a test that exists and is not skipped."""

import ast
import re
from collections import Counter
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[1]
TABLE = ROOT / "deploy" / "faults.md"
COLUMNS = ("Shows", "Found", "Service", "Only hardware", "You", "Test")
FEWEST_ROWS, MOST_ROWS_OF_A_TEST = 25, 3
_CELL = re.compile(rf"^- \*\*({'|'.join(COLUMNS)}):\*\* ", re.MULTILINE)
_NAMED = re.compile(r"`(tests/(?:\w+/)*test_\w+\.py)::((?:Test\w+::)?test_\w+)(?:\[[^`\]]+\])?`")


class Row(NamedTuple):
    """A fault and its cells by their column, in the order of the file."""

    group: str
    fault: str
    cells: tuple[tuple[str, str], ...]

    @property
    def proof(self) -> str:
        return dict(self.cells).get("Test", "")


def rows_of(text: str) -> list[Row]:
    """All rows of the table: a heading for each fault below one for its group, then a list of its cells."""
    rows = []
    for section in re.split(r"^## ", text, flags=re.MULTILINE)[1:]:
        group, *blocks = re.split(r"^### ", section, flags=re.MULTILINE)
        for block in blocks:
            fault, _, rest = block.partition("\n")
            parts = _CELL.split(rest)[1:]
            words = [" ".join(part.split()) for part in parts]
            rows.append(Row(group.split("\n")[0], fault, tuple(zip(words[::2], words[1::2], strict=True))))
    return rows


ROWS = rows_of(TABLE.read_text(encoding="utf-8"))
NAMES = [f"{row.group}: {row.fault}" for row in ROWS]


@cache
def written_in(path: Path) -> dict[str, list[str]]:
    """The tests that are written in a file, by name (those of a class with its name), with their decorators."""
    found = {}
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        inside = node.body if isinstance(node, ast.ClassDef) else [node]
        before = f"{node.name}::" if isinstance(node, ast.ClassDef) else ""
        for each in inside:
            if isinstance(each, (ast.FunctionDef, ast.AsyncFunctionDef)) and each.name.startswith("test_"):
                found[before + each.name] = [ast.unparse(decorator) for decorator in each.decorator_list]
    return found


def fault_of(row: Row) -> str:
    """What is wrong with a row, or ""."""
    if tuple(column for column, _ in row.cells) != COLUMNS:
        return "its cells are not " + ", ".join(COLUMNS)
    if empty := [column for column, words in row.cells if len(words) < 4]:
        return f"{empty[0]} says nothing"
    named = _NAMED.fullmatch(row.proof)
    if named is None:
        return f"{row.proof} is not one test as `tests/path/test_file.py::test_name`"
    path = ROOT / named[1]
    if not path.is_file():
        return f"there is no {named[1]}"
    if named[2] not in written_in(path):
        return f"{named[1]} has no {named[2]}"
    if any("skip" in decorator or "xfail" in decorator for decorator in written_in(path)[named[2]]):
        return f"{named[2]} is skipped, or is allowed to fail"
    return ""


@pytest.mark.parametrize("row", ROWS, ids=NAMES)
def test_each_row_is_whole_and_its_test_exists(row: Row) -> None:
    assert fault_of(row) == ""


def test_there_are_enough_rows_and_each_fault_is_there_once() -> None:
    assert len(ROWS) >= FEWEST_ROWS
    assert [name for name, times in Counter(NAMES).items() if times > 1] == []
    assert TABLE.read_text(encoding="utf-8").count("\n### ") == len(ROWS)


def test_no_test_is_named_for_many_rows() -> None:
    times = Counter(row.proof.split("[")[0] for row in ROWS)
    assert [name for name, often in times.items() if often > MOST_ROWS_OF_A_TEST] == []


GOOD = """# x
## Probes
### Lost
- **Shows:** alarm
- **Found:** at once,
  in a scan
- **Service:** heater off
- **Only hardware:** cut-out
- **You:** look
- **Test:** `tests/test_fault_table.py::test_no_test_is_named_for_many_rows`
"""


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("alarm", "alarm", ""),
        ("many_rows`", "many_rows[a-1]`", ""),
        ("- **You:** look\n", "", "its cells are not"),
        ("look", "-", "You says nothing"),
        ("many_rows`", "few_rows`", "has no test_no_test_is_named_for_few_rows"),
        ("/test_fault_table", "/test_no_table", "there is no"),
        ("tests/test_fault_table.py::", "", "is not one test"),
    ],
)
def test_what_is_wrong_with_a_row_is_found(old: str, new: str, fault: str) -> None:
    (row,) = rows_of(GOOD.replace(old, new))
    assert (row.group, row.fault) == ("Probes", "Lost")
    assert (fault in fault_of(row)) if fault else fault_of(row) == ""


def test_the_readme_leads_to_the_table() -> None:
    assert "deploy/faults.md" in (ROOT / "README.md").read_text(encoding="utf-8")
