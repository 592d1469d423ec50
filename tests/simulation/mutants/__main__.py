"""Run every mutant: is each caught by the judge of its rule, and is the real service clean in the same stories?

    python -m tests.simulation.mutants [--workers W] [--rule R]

The exit code is 1 if a mutant is not caught, or if a judge complains of the service as it is.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from time import monotonic
from typing import NamedTuple

from tests.simulation.mutants.catalogue import MUTANTS, Mutant
from tests.simulation.mutants.copies import SERVICE, copied

ROOT = SERVICE.parent


class Found(NamedTuple):
    """What a process has said: how many stories it played, and the breaches (rule, time, vessel, sentence)."""

    played: int
    breaches: Sequence[tuple[int, int, str, str]]


class Verdict(NamedTuple):
    """A mutant, and the service as it is in the same stories."""

    mutant: Mutant
    mutated: Found
    real: Found


def judged(mutant: Mutant) -> Verdict:
    """Live through a mutant's stories until it is caught, then through the same ones with the real service."""
    with tempfile.TemporaryDirectory(prefix="mutant-") as folder:
        mutated = lived(mutant, copied(mutant, Path(folder)), 0)
    with tempfile.TemporaryDirectory(prefix="service-") as folder:
        real = lived(mutant, copied(None, Path(folder)), mutated.played)
    return Verdict(mutant, mutated, real)


def lived(mutant: Mutant, folder: Path, stories: int) -> Found:
    """Play with the service in `folder`.

    Raises:
        RuntimeError: the process failed.
    """
    command = [sys.executable, "-m", "tests.simulation.mutants.live", str(mutant.rule), str(folder), str(stories)]
    environment = {**os.environ, "PYTHONPATH": f"{folder}{os.pathsep}{ROOT}", "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"the process for rule {mutant.rule} failed: {done.stderr.strip()[-2000:]}")
    said = json.loads(done.stdout.splitlines()[-1])
    return Found(said["played"], [tuple(each) for each in said["breaches"]])


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation.mutants", description=__doc__.split("\n\n")[0])
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rule", type=int, default=None, help="only the mutant of this rule")
    options = parser.parse_args()
    began = monotonic()
    mutants = [each for each in MUTANTS if options.rule in (None, each.rule)]
    missed = unclean = 0
    with ThreadPoolExecutor(options.workers) as pool:
        for verdict in pool.map(judged, mutants):
            missed += not verdict.mutated.breaches
            unclean += bool(verdict.real.breaches)
            report(verdict)
    print(f"{len(mutants) - missed} of {len(mutants)} mutants caught in {monotonic() - began:.0f} s")
    if unclean:
        print(f"the service as it is broke a rule in the stories of {unclean} of them")
    return 1 if missed or unclean or not mutants else 0


def report(verdict: Verdict) -> None:
    """A mutant's lines of the table."""
    mutant, played = verdict.mutant, verdict.mutated.played
    print(f"rule {mutant.rule:2d}  {mutant.sentence}")
    stories = "1 story" if played == 1 else f"{played} stories"
    if verdict.mutated.breaches:
        _, at_s, vessel, sentence = verdict.mutated.breaches[0]
        print(f"         caught after {stories}, at {at_s} s: {f'{vessel}: ' if vessel else ''}{sentence}")
    else:
        print(f"         NOT CAUGHT in {stories}")
    for rule, at_s, vessel, sentence in verdict.real.breaches[:5]:
        print(f"         BUT THE SERVICE ITSELF: rule {rule} at {at_s} s: {vessel}: {sentence}")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
