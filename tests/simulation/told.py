"""From a seed to a judged story, and from a broken one to a short one."""

from collections.abc import Callable, Sequence
from functools import cache
from time import process_time
from typing import NamedTuple

from tests.simulation.layout import Layout
from tests.simulation.layout import layout_of as drawn_layout
from tests.simulation.scene import Breach, Judge
from tests.simulation.shrink import Short, shrunk, whole
from tests.simulation.story import Happening, sentences
from tests.simulation.teller import Teller
from tests.simulation.world import Outcome, World

SHRINKS_WITHIN_S = 900.0

Judges = Callable[[], Sequence[Judge]]


class Verdict(NamedTuple):
    """What became of a seed's story: how long it took, s of one core, and what was broken."""

    seed: str
    took_s: float
    scans: int
    trace: str
    breaches: tuple[Breach, ...]


@cache
def layout_of(seed: str) -> Layout:
    """The cellar of a seed."""
    return drawn_layout(seed)


@cache
def drawn(seed: str, hours: float) -> tuple[Happening, ...]:
    """The story of a seed."""
    return tuple(Teller(seed, layout_of(seed), hours * 3600.0).story())


def play(story: Short, hours: float, judges: Judges, stop_at: int | None = None) -> Outcome:
    """Live through a story, whole or short; `hours` is how long it was drawn for."""
    happenings = story.of(drawn(story.seed, hours))
    return World(story.seed, layout_of(story.seed), happenings, story.length_s, judges()).run(stop_at)


def judged(seed: str, hours: float, judges: Judges) -> Verdict:
    """Live through the story of a seed."""
    began_s = process_time()
    outcome = play(whole(seed, hours * 3600.0, drawn(seed, hours)), hours, judges)
    scans = sum(daemon.scans for daemon in outcome.scene.daemons.values())
    return Verdict(seed, process_time() - began_s, scans, outcome.trace(), outcome.breaches)


def short_of(seed: str, hours: float, breach: Breach, judges: Judges, within_s: float = SHRINKS_WITHIN_S) -> Short:
    """The shortest story found that breaks the same rule."""

    def breaks(story: Short) -> bool:
        outcome = play(story, hours, judges, breach.rule)
        return any(found.rule == breach.rule for found in outcome.breaches)

    happenings = drawn(seed, hours)
    return shrunk(whole(seed, hours * 3600.0, happenings), happenings, breach.at_s, breaks, within_s)


def lines_of(story: Short, hours: float) -> list[str]:
    """A story in sentences."""
    return sentences(story.of(drawn(story.seed, hours)))
