"""A run as one self-contained HTML page to look at and to keep: no request leaves it, it works without script.

The drawing stretches with the window while its text does not, so it reads on a phone and on paper.
"""

import json
from collections.abc import Sequence
from importlib.resources import files
from typing import NamedTuple

from controller.display import Display
from controller.hmi.lanes import Frame, clock_changes, plain
from controller.hmi.panels import Panel, surroundings_panel, vessel_panel
from controller.hmi.recorder import Mark, Surroundings, Trace, thinned
from controller.hmi.scale import Clock
from controller.hmi.summary import VesselSummary, step_headings
from controller.hmi.words import duration_text

_MOST_POINTS = 900  # per vessel: finer than a screen is wide
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'"


class ChartRun(NamedTuple):
    """What the page shows. `start_utc_s` is UTC at `from_s` (None: days are counted only); `subtitle` is free text;
    `marks` are those of the site itself."""

    title: str
    subtitle: str
    from_s: float
    to_s: float
    traces: Sequence[Trace]
    surroundings: Sequence[Surroundings]
    marks: Sequence[Mark]
    summaries: Sequence[VesselSummary]
    display: Display
    start_utc_s: float | None = None


def chart_html(run: ChartRun) -> str:
    """The page as text. All free text is escaped; 14 days of three vessels stay well below 1 MB.

    Raises:
        ValueError: the run has no length.
    """
    if not run.to_s > run.from_s:
        raise ValueError(f"a chart needs a run with a length, found {run.from_s:g} s to {run.to_s:g} s")
    frame = Frame(Clock(run.from_s, run.to_s), run.display, run.start_utc_s)
    summaries = {summary.vessel: summary for summary in run.summaries}
    panels: list[Panel] = []
    for trace in run.traces:
        small = Trace(
            trace.vessel, trace.batch, thinned(trace.points, _MOST_POINTS), trace.spans, trace.gravities, trace.marks
        )
        panels.append(vessel_panel(small, frame, len(panels), _details(summaries.get(trace.vessel), run.display)))
    if any(each.bath_c is not None or each.room_c is not None for each in run.surroundings):
        stride = max(1, len(run.surroundings) // _MOST_POINTS)
        panels.append(surroundings_panel(run.surroundings[::stride], run.marks, frame, len(panels)))
    assets = files("controller.hmi")
    style, script = assets.joinpath("chart.css").read_text("utf-8"), assets.joinpath("chart.js").read_text("utf-8")
    data = {
        "from": run.from_s,
        "to": run.to_s,
        "units": run.display.temperature,
        "utc": run.start_utc_s,
        "ahead": clock_changes(frame),
        "panels": [panel.data for panel in panels],
    }
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<meta name="color-scheme" content="light dark">
<title>{plain(run.title)}</title>
<style>
{style}</style>
</head>
<body>
<header>
<h1>{plain(run.title)}</h1>
<p>{plain(run.subtitle)} {duration_text(run.to_s - run.from_s)} in all.</p>
</header>
{_overview(run.summaries)}
{"".join(panel.html for panel in panels)}
<script type="application/json" id="data">{_json(data)}</script>
<script>
{script}</script>
</body>
</html>
"""


def _json(data: object) -> str:
    """JSON that cannot end the script element it stands in."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _overview(summaries: Sequence[VesselSummary]) -> str:
    if not summaries:
        return ""
    headings = list(dict.fromkeys(heading for summary in summaries for heading in summary.facts))
    head = "".join(f'<th scope="col">{plain(heading)}</th>' for heading in ("vessel", "batch", *headings, "alarms"))
    rows = "".join(
        f'<tr><th scope="row">{plain(each.vessel)}</th><td>{plain(each.batch) or "none"}</td>'
        + "".join(f"<td>{plain(each.facts.get(heading, '–'))}</td>" for heading in headings)
        + f"<td>{len(each.alarms) or 'none'}</td></tr>"
        for each in summaries
    )
    return (
        '<div class="wide" tabindex="0" role="region" aria-label="Overview"><table><thead><tr>'
        f"{head}</tr></thead><tbody>{rows}</tbody></table></div>"
    )


def _details(summary: VesselSummary | None, display: Display) -> str:
    if summary is None or not summary.steps:
        return ""
    head = "".join(f'<th scope="col">{plain(heading)}</th>' for heading in step_headings(display))
    rows = "".join(
        f'<tr><th scope="row">{plain(row[0])}</th>' + "".join(f"<td>{plain(cell)}</td>" for cell in row[1:]) + "</tr>"
        for row in summary.steps
    )
    return (
        "<details><summary>Step by step</summary>"
        f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table></div></details>'
    )
