"""The page: the table, and pictures of what the wort did. One file, no script, no request."""

from collections.abc import Sequence
from html import escape

from controller.hmi.scale import WIDTH, Clock, axis, line
from tests.bench.control.parts import Plot, Result
from tests.bench.control.plants import RANGES
from tests.bench.control.rows import DRIVERS, Row
from tests.bench.control.runs import Run
from tests.bench.control.truth import SAMPLE_S, Trace

HEIGHT, MARGIN = 240.0, 60.0
MOST_POINTS = 1200
CLIPPED_K = 1.5
WHOLE_CELLARS = ("reference", "random", "bath")  # the others are about one crash
INKS = ("#0b7285", "#e8590c", "#9c36b5", "#868e96", "#2f9e44")
STYLE = """body{font:16px/1.4 system-ui,sans-serif;margin:1rem auto;max-width:75rem;padding:0 1rem}
table{border-collapse:collapse;width:100%;font-size:.85rem}td,th{border-bottom:1px solid #ccc;padding:.25rem .5rem;
text-align:left;vertical-align:top}.no{background:#ffe3e3}svg{width:100%;height:auto}text{font-size:12px}"""


def page(results: Sequence[Result]) -> str:
    """The page as text."""
    parts = [
        f"<h2>{escape(result.title)}</h2>{_table(result.rows)}{_notes(result)}{_pictures(result)}" for result in results
    ]
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Control beside its rivals</title>'
        f"<style>{STYLE}</style></head><body><h1>Control beside a thermostat and a plain PID</h1>"
        f"<p>{escape(RANGES)}</p>{''.join(parts)}</body></html>\n"
    )


def _table(rows: Sequence[Row]) -> str:
    if not rows:
        return ""
    head = "".join(f"<th>{escape(driver)}</th>" for driver in DRIVERS)
    body = "".join(
        f"<tr{'' if row.met else ' class=no'}><th>{escape(row.name)}</th><td>{escape(row.asked)}</td>"
        f"<td>{row.verdict.lower()}{_reasons(row)}</td>{''.join(_cell(row, driver) for driver in DRIVERS)}</tr>"
        for row in rows
    )
    return f"<table><tr><th>figure</th><th>asked</th><th></th>{head}</tr>{body}</table>"


def _reasons(row: Row) -> str:
    return "".join(f"<br>{escape(figure.where)}: {escape(figure.reason)}" for figure in row.reasons)


def _cell(row: Row, driver: str) -> str:
    worst = row.worst(driver)
    if worst is None:
        return "<td></td>"
    return f"<td>{row.kept(driver)}; worst {escape(worst.text)}; {escape(worst.where)}</td>"


def _notes(result: Result) -> str:
    return f"<ul>{''.join(f'<li>{escape(note)}</li>' for note in result.notes)}</ul>" if result.notes else ""


def _pictures(result: Result) -> str:
    pictures = [picture(plot) for plot in result.plots]
    for title, runs in _alike(result.runs).items():
        for name in runs[0].traces:
            of_cellar = runs[0].job.cellar in WHOLE_CELLARS
            what, unit = ("wort less setpoint", "K") if of_cellar else ("wort", "°C")
            series = {_driver(run): _points(run.traces[name], of_cellar) for run in runs}
            pictures.append(picture(Plot(f"{title} {name}: {what}", "days", unit, series)))
    return "".join(pictures)


def _driver(run: Run) -> str:
    return run.job.driver + (f", {run.job.budget:g} starts a day" if run.job.driver == "ours" else "")


def _alike(runs: Sequence[Run]) -> dict[str, list[Run]]:
    """Runs of the same plan in one picture."""
    alike: dict[str, list[Run]] = {}
    for run in runs:
        watts = sum(trace.course.steady_w or 0.0 for trace in run.traces.values())
        title = f"{run.job.cellar}, plant {run.job.seed}" + (f", neighbour of {watts:g} W" if watts else "")
        alike.setdefault(title, []).append(run)
    return alike


def _points(trace: Trace, less_setpoint: bool) -> list[tuple[float, float | None]]:
    """The wort, or by how much it is beside its setpoint, which is clipped."""
    stride = max(1, len(trace.mean_c) // MOST_POINTS)
    points: list[tuple[float, float | None]] = []
    for number in range(0, len(trace.mean_c), stride):
        shown = trace.mean_c[number]
        if less_setpoint:
            shown = min(max(shown - trace.setpoints_c[number], -CLIPPED_K), CLIPPED_K)
        points.append((number * SAMPLE_S / 86400.0, shown))
    return points


def picture(plot: Plot) -> str:
    """A plot as SVG with its legend."""
    across = [x for points in plot.series.values() for x, _ in points]
    values = [y for points in plot.series.values() for _, y in points if y is not None]
    if not values or max(across) <= min(across):
        return ""
    along, up = Clock(min(across), max(across)), axis(values, 1e-3)
    sides = axis(across, 1e-3, 10)
    marks = "".join(
        f'<path d="M0 {up.down(tick, HEIGHT):.1f}H{WIDTH:g}" stroke="#ddd"/>'
        f'<text x="-6" y="{up.down(tick, HEIGHT) + 4:.1f}" text-anchor="end">{tick:g}</text>'
        for tick in up.ticks
    )
    marks += "".join(
        f'<text x="{along.across(tick):.1f}" y="{HEIGHT + 16:g}" text-anchor="middle">{tick:g}</text>'
        for tick in sides.ticks
        if along.from_s <= tick <= along.to_s
    )
    lines, legend = "", ""
    for number, (name, points) in enumerate(plot.series.items()):
        ink = INKS[number % len(INKS)]
        placed = [(along.across(x), None if y is None else up.down(y, HEIGHT)) for x, y in points]
        lines += f'<path d="{line(placed)}" fill="none" stroke="{ink}"><title>{escape(name)}</title></path>'
        legend += f'<tspan fill="{ink}" dx="14">{escape(name)}</tspan>'
    box = f"{-MARGIN:g} -24 {WIDTH + MARGIN + 20:g} {HEIGHT + 64:g}"
    return (
        f'<h3>{escape(plot.title)}</h3><svg viewBox="{box}" role="img" aria-label="{escape(plot.title)}">{marks}{lines}'
        f'<text x="0" y="-8">{escape(plot.down)}{legend}</text>'
        f'<text x="{WIDTH / 2:g}" y="{HEIGHT + 34:g}" text-anchor="middle">{escape(plot.across)}</text></svg>'
    )
