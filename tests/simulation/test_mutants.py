"""The mutants: each still finds what it changes in the service, and one is caught from end to end. All of them are
run by `python -m tests.simulation.mutants`."""

import ast
from pathlib import Path

import pytest

from tests.simulation.mutants.__main__ import judged
from tests.simulation.mutants.catalogue import MUTANTS, Mutant, Patch
from tests.simulation.mutants.copies import PatchLost, copied
from tests.simulation.told import layout_of


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: f"rule {mutant.rule}")
def test_each_mutant_finds_its_place_and_is_still_python(mutant: Mutant, tmp_path: Path) -> None:
    folder = copied(mutant, tmp_path)
    for patch in mutant.patches:
        text = (folder / "controller" / patch.file).read_text()
        assert patch.new in text
        ast.parse(text)


def test_there_is_one_for_each_rule() -> None:
    assert [mutant.rule for mutant in MUTANTS] == list(range(1, 13))


def test_a_text_that_is_no_longer_there_is_no_mutant(tmp_path: Path) -> None:
    lost = Mutant(1, "nothing", (Patch("clock.py", "what nobody has written", ""),), MUTANTS[0].tells, 1.0)
    with pytest.raises(PatchLost, match=r"clock\.py has 'what nobody has written' 0 times"):
        copied(lost, tmp_path)


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: f"rule {mutant.rule}")
def test_their_stories_are_told_for_any_cellar(mutant: Mutant) -> None:
    for seed in range(5):
        story = mutant.tells(layout_of(f"any-{seed}"))
        assert all(0.0 < happening.at_s < mutant.hours * 3600.0 for happening in story)


def test_one_is_caught_and_the_service_as_it_is_is_not() -> None:
    verdict = judged(MUTANTS[11])
    assert "ended by a fault" in verdict.mutated.breaches[0][3]
    assert verdict.real.played == verdict.mutated.played == 1
    assert verdict.real.breaches == []
