"""One process of `tests.simulation.mutants`: lives through a mutant's stories with the service that stands first in
the Python path, and prints what the judges found as JSON.

    python -m tests.simulation.mutants.live RULE FOLDER [STORIES]

With STORIES it plays so many and tells all breaches of all rules; without, until the mutant's own rule is broken.
"""

import json
import sys
from pathlib import Path

import controller
from tests.simulation.mutants.catalogue import MUTANTS, Mutant
from tests.simulation.rules import judges
from tests.simulation.scene import Breach
from tests.simulation.story import HOUR_S
from tests.simulation.told import layout_of
from tests.simulation.world import World

MOST_STORIES = 6


def live(mutant: Mutant, story: int, stop_at: int | None) -> tuple[Breach, ...]:
    """The breaches in one story of a mutant."""
    seed = f"mutant-{mutant.rule}-{story}"
    layout = layout_of(seed)
    return World(seed, layout, mutant.tells(layout), mutant.hours * HOUR_S, judges()).run(stop_at).breaches


def main(rule: int, folder: Path, stories: int) -> int:
    """The command."""
    place = Path(controller.__file__ or "").resolve()
    if folder.resolve() not in place.parents:
        print(f"the service is the one in {place.parent}, not that in {folder}", file=sys.stderr)
        return 1
    mutant = next(each for each in MUTANTS if each.rule == rule)
    breaches: list[Breach] = []
    played = 0
    while played < (stories or MOST_STORIES):
        found = live(mutant, played, None if stories else rule)
        played += 1
        breaches += [each for each in found if stories or each.rule == rule]
        if breaches and not stories:
            break
    told = [(each.rule, round(each.at_s), each.vessel, each.sentence) for each in breaches]
    print(json.dumps({"played": played, "breaches": told}))
    return 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]) if len(sys.argv) > 3 else 0))
