"""Copies of the service for tests only, changed so that they break one rule."""

import shutil
from pathlib import Path

from tests.simulation.mutants.catalogue import Mutant

SERVICE = Path(__file__).parents[3] / "controller"


class PatchLost(Exception):
    """The text that a patch replaces is not there any more, or more than once."""


def copied(mutant: Mutant | None, folder: Path) -> Path:
    """A copy of the service below `folder`, with the mutant's patches; what is to stand first in the Python path.

    Raises:
        PatchLost: the service has changed where the mutant does.
    """
    shutil.copytree(SERVICE, folder / "controller", ignore=shutil.ignore_patterns("__pycache__"))
    for patch in mutant.patches if mutant is not None else ():
        path = folder / "controller" / patch.file
        text = path.read_text()
        if text.count(patch.old) != 1:
            found = text.count(patch.old)
            raise PatchLost(f"{patch.file} has {patch.old!r} {found} times, not once: mend the mutant")
        path.write_text(text.replace(patch.old, patch.new))
    return folder
