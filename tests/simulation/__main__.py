"""Stories of two simulated days, each from a seed, judged by the rules that are never broken.

    python -m tests.simulation --stories 40 [--seed S] [--workers W] [--hours H]
    python -m tests.simulation --replay 'SEED/LENGTH_S:...'

A broken rule is told with the shortest story found that breaks it, and with the command that plays that story again.
The exit code is 1 then.
"""

import argparse
import multiprocessing
import secrets
import sys
from functools import partial
from time import monotonic

from tests.simulation.rules import judges
from tests.simulation.shrink import parse
from tests.simulation.told import SHRINKS_WITHIN_S, Verdict, judged, lines_of, play, short_of

HOURS = 48.0


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__.split("\n\n")[0])
    parser.add_argument("--stories", type=int, default=40)
    parser.add_argument("--seed", default=None, help="of the first story; a fresh one if left out")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--hours", type=float, default=HOURS)
    parser.add_argument("--replay", default=None, help="a story as a failure has printed it")
    parser.add_argument("--shrink-within", type=float, default=SHRINKS_WITHIN_S, help="s of real time")
    options = parser.parse_args()
    if options.replay is not None:
        return replay(options.replay, options.hours)
    return tell(options.stories, options.seed or secrets.token_hex(4), options.workers, options.hours, options)


def tell(stories: int, seed: str, workers: int, hours: float, options: argparse.Namespace) -> int:
    """Live through so many stories; 1 if a rule was broken."""
    print(f"{stories} stories of {hours:g} h, seeds {seed}-0 to {seed}-{stories - 1}", flush=True)
    began = monotonic()
    seeds = [f"{seed}-{number}" for number in range(stories)]
    with multiprocessing.get_context("fork").Pool(workers) as pool:
        verdicts = []
        for verdict in pool.imap_unordered(partial(judged, hours=hours, judges=judges), seeds):
            verdicts.append(verdict)
            if verdict.breaches:
                first = verdict.breaches[0]
                print(
                    f"{verdict.seed}: rule {first.rule}, {first.at_s:.1f} s, {first.vessel}: {first.sentence}",
                    flush=True,
                )
    each_s = sum(verdict.took_s for verdict in verdicts) / stories
    took_s = monotonic() - began
    print(f"{stories} stories in {took_s:.0f} s; {60.0 / each_s:.1f} a minute of one core, {each_s:.1f} s each")
    broken = sorted((verdict for verdict in verdicts if verdict.breaches), key=lambda verdict: verdict.seed)
    told: set[int] = set()
    for verdict in broken:
        told |= report(verdict, hours, told, options.shrink_within)
    print(f"{len(broken)} of {stories} stories broke a rule" if broken else "no rule was broken")
    return 1 if broken else 0


def report(verdict: Verdict, hours: float, told: set[int], within_s: float) -> set[int]:
    """Say what a story broke; the first of each rule is shrunk. The rules that were told now."""
    for breach in verdict.breaches[:8]:
        print(f"  {verdict.seed}: rule {breach.rule}, {breach.at_s:.1f} s, {breach.vessel}: {breach.sentence}")
    now: set[int] = set()
    for breach in verdict.breaches:
        if breach.rule in told | now:
            continue
        now.add(breach.rule)
        story = short_of(verdict.seed, hours, breach, judges, within_s)
        print(f"  rule {breach.rule}, the shortest story found ({story.length_s:.0f} s):")
        for line in lines_of(story, hours):
            print(f"    {line}")
        more = "" if hours == HOURS else f" --hours {hours:g}"
        print(f"  to play it again: python -m tests.simulation --replay '{story}'{more}", flush=True)
    return now


def replay(text: str, hours: float) -> int:
    """Play a story again, and say what it breaks."""
    story = parse(text)
    outcome = play(story, hours, judges)
    for line in lines_of(story, hours):
        print(line)
    for breach in outcome.breaches:
        print(f"rule {breach.rule}, {breach.at_s:.1f} s, {breach.vessel}: {breach.sentence}")
    print(f"trace {outcome.trace()}")
    return 1 if outcome.breaches else 0


if __name__ == "__main__":
    sys.exit(main())
