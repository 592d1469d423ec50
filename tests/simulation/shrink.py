"""A story made short: what can be left out, begin earlier or end sooner and still break the same rule, does so.

Leaving out is delta debugging (A. Zeller, R. Hildebrandt, IEEE Trans. Software Eng. 28 (2002) 183-200).
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from time import monotonic
from typing import NamedTuple

from tests.simulation.story import Happening

SOON_S = 300.0  # before a happening that is moved earlier: batches have begun, signals are proven
ROUND_S = 10.0
LEAST_SHARE = 0.1  # of a pause, that is worth a try to take out


class Kept(NamedTuple):
    """One happening of a drawn story: its number, and its time and duration if they are others than drawn."""

    number: int
    at_s: float | None = None
    for_s: float | None = None


class Short(NamedTuple):
    """A shortened story of a seed. As text: "SEED/LENGTH_S:number@at_s~for_s,..."."""

    seed: str
    length_s: float
    kept: tuple[Kept, ...]

    def __str__(self) -> str:
        def text(kept: Kept) -> str:
            at = "" if kept.at_s is None else f"@{kept.at_s:g}"
            lasts = "" if kept.for_s is None else f"~{kept.for_s:g}"
            return f"{kept.number}{at}{lasts}"

        return f"{self.seed}/{self.length_s:g}:{','.join(map(text, self.kept))}"

    def of(self, drawn: Sequence[Happening]) -> list[Happening]:
        """The shortened story's happenings."""
        return [_changed(drawn[kept.number], kept) for kept in self.kept]


def parse(text: str) -> Short:
    """A shortened story from its text.

    Raises:
        ValueError: it is none.
    """
    seed, _, rest = text.partition("/")
    length, colon, items = rest.partition(":")
    if not colon:
        raise ValueError(f"{text!r} is no shortened story; one is SEED/LENGTH_S:NUMBER@AT_S~FOR_S,...")
    kept = []
    for item in items.split(",") if items else []:
        where, _, for_s = item.partition("~")
        number, _, at_s = where.partition("@")
        kept.append(Kept(int(number), float(at_s) if at_s else None, float(for_s) if for_s else None))
    return Short(seed, float(length), tuple(kept))


def whole(seed: str, length_s: float, drawn: Sequence[Happening]) -> Short:
    """The story as it was drawn."""
    return Short(seed, length_s, tuple(Kept(number) for number in range(len(drawn))))


def shrunk(
    story: Short, drawn: Sequence[Happening], broken_at_s: float, breaks: Callable[[Short], bool], within_s: float
) -> Short:
    """The shortest story found `within_s` of real time that still `breaks` what the whole broke at `broken_at_s`."""
    end_at = monotonic() + within_s

    def better(other: Short) -> bool:
        return monotonic() < end_at and breaks(other)

    shorter = story._replace(
        length_s=min(story.length_s, broken_at_s + ROUND_S),
        kept=tuple(kept for kept in story.kept if drawn[kept.number].at_s <= broken_at_s),
    )
    if better(shorter):
        story = shorter
    story = _without(story, better)
    story = _sooner(story, drawn, better)
    story = _briefer(story, drawn, better)
    return _without(story, better)


def _without(story: Short, better: Callable[[Short], bool]) -> Short:
    """Leave out ever smaller pieces while the rest still breaks it."""
    size = max(1, len(story.kept) // 2)
    while story.kept:
        place, left_out = 0, False
        while place < len(story.kept):
            other = story._replace(kept=story.kept[:place] + story.kept[place + size :])
            if better(other):
                story, left_out = other, True
            else:
                place += size
        if size == 1 and not left_out:
            break
        size = size if left_out and size == 1 else max(1, size // 2)
    return story


def _sooner(story: Short, drawn: Sequence[Happening], better: Callable[[Short], bool]) -> Short:
    """Take time out before each happening, and before the end."""
    for place in range(len(story.kept) + 1):
        share = 1.0
        while share > LEAST_SHARE:
            times = [_changed(drawn[kept.number], kept).at_s for kept in story.kept]
            before_s = times[place - 1] if place else 0.0
            at_s = times[place] if place < len(times) else story.length_s
            out_s = share * (at_s - before_s - SOON_S)
            if out_s < ROUND_S:
                break
            moved = tuple(
                kept._replace(at_s=round(time_s - out_s, 2)) if number >= place else kept
                for number, (kept, time_s) in enumerate(zip(story.kept, times, strict=True))
            )
            other = story._replace(kept=moved, length_s=round(story.length_s - out_s, 2))
            if better(other):
                story = other
            else:
                share /= 2.0
    return story


def _briefer(story: Short, drawn: Sequence[Happening], better: Callable[[Short], bool]) -> Short:
    """Let each trouble last shorter."""
    for place, kept in enumerate(story.kept):
        lasts_s = getattr(_changed(drawn[kept.number], kept), "for_s", None)
        for share in (0.1, 0.5) if lasts_s else ():
            other = kept._replace(for_s=round(share * lasts_s, 1))
            candidate = story._replace(kept=(*story.kept[:place], other, *story.kept[place + 1 :]))
            if other.for_s and better(candidate):
                story = candidate
                break
    return story


def _changed(happening: Happening, kept: Kept) -> Happening:
    if kept.at_s is not None:
        happening = replace(happening, at_s=kept.at_s)
    return happening if kept.for_s is None else replace(happening, for_s=kept.for_s)  # type: ignore[call-arg]
