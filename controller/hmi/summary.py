"""How well it went: the figures of a tally in words, and as text that fits a terminal."""

import textwrap
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from controller.display import UNKNOWN, Display
from controller.hmi.tally import BAND_K, CONDITIONS_MET, NARROW_K, Raised, Tally, VesselTally, Visit, totals_of
from controller.hmi.waits import ends_by
from controller.hmi.words import duration_text, printable, share_text, short, told


class VesselSummary(NamedTuple):
    """One vessel's figures in words: `facts` by heading, `steps` as rows under `STEP_HEADINGS`, `alarms` as lines."""

    vessel: str
    batch: str
    facts: Mapping[str, str]
    steps: tuple[tuple[str, ...], ...]
    alarms: tuple[str, ...]


STEP_HEADINGS = ("step", "entered", "lasted", "arrived after", "in band", "narrow", "worst", "ended because")
_LEAST_WIDTH = 80
_TIED = "\N{NO-BREAK SPACE}"  # a figure is not torn from its heading


def summaries(tally: Tally, display: Display) -> list[VesselSummary]:
    """The figures of every vessel in words, in the order of the site file."""
    return [_summary(name, vessel, tally, display) for name, vessel in tally.vessels.items()]


def summary_text(tally: Tally, display: Display, width: int = _LEAST_WIDTH) -> str:
    """The figures as plain text for a terminal or a log: no line is longer than `width` characters, 80 or more."""
    width = max(width, _LEAST_WIDTH)
    lines: list[str] = []
    for summary in summaries(tally, display):
        batch = summary.batch or "no batch"
        lines.append(short(f"{short(summary.vessel, 30)}: {batch}", width))
        facts = (f"{heading} {value}".replace(" ", _TIED) for heading, value in summary.facts.items())
        lines += [line.replace(_TIED, " ") for line in _wrapped(", ".join(facts), "  ", width)]
        if summary.steps:
            lines += _step_lines(summary.steps, display, width)
        for alarm in summary.alarms:
            lines += _wrapped(alarm, "  ! ", width)
        if not summary.alarms:
            lines.append("  no alarms")
        lines.append("")
    begin_s = tally.begin_s or 0.0
    for raised in tally.raised:
        if raised.key.rpartition("/")[0] not in tally.vessels:
            lines += _wrapped(_raised_text(raised, begin_s, display), "! ", width)
    return "\n".join(lines).rstrip() + "\n"


def step_headings(display: Display) -> tuple[str, ...]:
    """`STEP_HEADINGS` with the widths of the bands in the units that people see."""
    widths = {"in band": BAND_K, "narrow": NARROW_K}
    return tuple(
        f"in {display.difference_text(widths[heading]).replace('+', '±')}" if heading in widths else heading
        for heading in STEP_HEADINGS
    )


def day_text(at_s: float, begin_s: float) -> str:
    """ "day 3.5" since the beginning."""
    return f"day {max(at_s - begin_s, 0.0) / 86400:.1f}"


def _summary(name: str, vessel: VesselTally, tally: Tally, display: Display) -> VesselSummary:
    begin_s = tally.begin_s or 0.0
    totals = totals_of(vessel.now)
    starts = totals.cool_starts - vessel.begin.cool_starts
    days = vessel.observed_s / 86400
    judged_s = sum(visit.judged_s for visit in vessel.visits)
    in_band = sum(visit.band_s for visit in vessel.visits) / judged_s if judged_s else None
    facts = {
        step_headings(display)[STEP_HEADINGS.index("in band")]: share_text(in_band),
        "worst after arrival": display.difference_text(max((v.worst_k for v in vessel.visits), key=abs, default=None)),
        "pump starts": f"{starts} ({starts / days:.0f} a day)" if days >= 0.5 else f"{starts}",
        "cooled for": duration_text(totals.cool_s - vessel.begin.cool_s),
        "heated for": duration_text(totals.heat_s - vessel.begin.heat_s),
    }
    if vessel.blind_s:
        facts["without a signal for"] = duration_text(vessel.blind_s)
    raised = [r for r in tally.raised if r.key.rpartition("/")[0] == name]
    return VesselSummary(
        name,
        printable(vessel.batch),
        facts,
        tuple(_step_row(visit, begin_s, display) for visit in vessel.visits),
        tuple(_raised_text(each, begin_s, display) for each in raised),
    )


def _step_row(visit: Visit, begin_s: float, display: Display) -> tuple[str, ...]:
    judged_s = visit.judged_s
    return (
        printable(visit.name),
        day_text(visit.entered_s, begin_s),
        duration_text(visit.lasted_s),
        duration_text(visit.arrived_after_s) if visit.arrived_after_s is not None else "not yet",
        share_text(visit.band_s / judged_s if judged_s else None),
        share_text(visit.narrow_s / judged_s if judged_s else None),
        display.difference_text(visit.worst_k) if judged_s else UNKNOWN,
        _ended_text(visit, display),
    )


def _ended_text(visit: Visit, display: Display) -> str:
    """Why a step ended, with the conditions that were met: "conditions are met (75 % attenuation)"."""
    if not visit.ended:
        return "goes on"
    ended = printable(told(visit.ended.removeprefix("its "), display))
    asks = ends_by(visit.step, display) if visit.step is not None and visit.ended == CONDITIONS_MET else ""
    return f"{ended} ({asks})" if asks else ended


def _raised_text(raised: Raised, begin_s: float, display: Display) -> str:
    text = printable(told(raised.text, display)) or raised.key
    return f"{day_text(raised.at_s, begin_s)}: {text} ({raised.key})"


def _step_lines(steps: Sequence[tuple[str, ...]], display: Display, width: int) -> list[str]:
    """A table of the steps; why each ended stands in the last column, or where that is too wide in a line below."""
    headings = tuple("arrived" if heading == "arrived after" else heading for heading in step_headings(display))
    whole = _columns((headings, *steps))
    if max(map(len, whole)) <= width:
        return whole
    figures = [row[1:-1] for row in (headings, *steps)]
    longest = width - max(map(len, _columns(figures))) - len("  ")
    names = [short(row[0], longest) for row in (headings, *steps)]
    lines = _columns([(name, *row) for name, row in zip(names, figures, strict=True)])
    found = lines[:1]
    for line, step in zip(lines[1:], steps, strict=True):
        found += [line, *_wrapped(f"ended: {step[-1]}" if step[-1] != "goes on" else step[-1], "    ", width)]
    return found


def _columns(rows: Sequence[tuple[str, ...]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines = ("  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)) for row in rows)
    return [f"  {line.rstrip()}" for line in lines]


def _wrapped(text: str, lead: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, initial_indent=lead, subsequent_indent=" " * len(lead)) or [lead.rstrip()]
