"""The list of alarms and the alarms that can be raised are the same set.

Each row tells cause, consequence and action, as the rationalisation of ISA-18.2 asks (from memory).
"""

import ast
from pathlib import Path

import pytest

from controller.control import watch
from controller.control.alarm_list import ALARMS, Priority
from controller.control.diagnosis import FAULTS

KINDS = sorted(ALARMS)


def raised_in(source: str) -> set[str]:
    """The kinds that a call of `consider` names in a source text, and the faults of outputs, which it takes by name."""
    calls = [node for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Call)]
    considered = [c for c in calls if isinstance(c.func, ast.Attribute) and c.func.attr == "consider"]
    kinds = [call.args[1] for call in considered]
    plain = {str(kind.value) for kind in kinds if isinstance(kind, ast.Constant)}
    assert sum(not isinstance(kind, ast.Constant) for kind in kinds) == 1, "only the faults go by name"
    return plain | set(FAULTS)


def test_every_alarm_that_can_be_raised_has_its_row_and_every_row_can_be_raised() -> None:
    assert raised_in(Path(watch.__file__).read_text(encoding="utf-8")) == set(ALARMS)


@pytest.mark.parametrize("kind", KINDS)
def test_each_row_tells_cause_consequence_and_what_to_do(kind: str) -> None:
    row = ALARMS[kind]
    for text in (row.cause, row.consequence, row.action):
        assert len(text.split()) >= 3
        assert text == text.strip()
    assert len({row.cause, row.consequence, row.action}) == 3


@pytest.mark.parametrize("kind", ["signal", "high", "low", "bath freezing"])
def test_what_can_spoil_beer_or_break_the_chiller_is_of_high_priority(kind: str) -> None:
    assert ALARMS[kind].priority is Priority.HIGH


def test_few_alarms_are_of_high_priority() -> None:
    """EEMUA 191 suggests about 5 % high, 15 % medium of many; of so few, at most two fifths (our own rule)."""
    high = [kind for kind in KINDS if ALARMS[kind].priority is Priority.HIGH]
    assert len(high) * 5 <= len(KINDS) * 2


def test_a_question_of_the_profile_wakes_nobody() -> None:
    assert ALARMS["prompt"].priority is Priority.LOW
