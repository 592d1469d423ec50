"""The running cellar in a terminal: three vessels, bath and room fit into 80 columns and 24 lines.

`live_view` is drawn anew from each snapshot. Without a terminal, `plain_line` and `event_line` tell the same in lines.
"""

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.rule import Rule
from rich.text import Text

from controller.control.alarms import ACTIVE
from controller.control.site import Site
from controller.control.state import SiteState
from controller.control.values import Record
from controller.display import Display
from controller.hmi.news import record_text, worth_reading
from controller.hmi.status import vessel_dict
from controller.hmi.table import attention_lines
from controller.hmi.waits import step_of
from controller.hmi.words import Json, band_text, printable, share_text, short, trusted_c

HALF_DAY_S = 43200.0
_GAUGE_CELLS = 15  # odd: the middle one is the setpoint
_GAUGE_K = 1.5  # what half the gauge stands for
_MOST_IN_FULL = 3  # with more vessels each has one line, and one more when something is wrong


def live_view(
    site: Site, state: SiteState, begin_s: float, speed: float, display: Display, recent: Sequence[Record] = ()
) -> RenderableType:
    """The whole cellar: `begin_s` is where day 0 was, `speed` how many seconds pass in one (1 = as they pass),
    `recent` the newest records; the last two worth reading are shown."""
    pace = "" if speed == 1 else f"   {speed:,.0f} times as fast".replace(",", " ")
    local = "" if state.utc_s is None else f"   {display.local(state.utc_s):%a %d %b %H:%M}"
    head = f"{printable(site.name)}   {clock_text(state.now_s - begin_s)}{local}{pace}"
    lines: list[RenderableType] = [_line(head, "bold")]
    in_full = len(site.vessels) <= _MOST_IN_FULL
    for vessel in site.vessels:
        seen = vessel_dict(site, vessel, state, display)
        if in_full:
            lines += [Rule(style="dim", characters="─"), *_vessel_lines(seen)]
        else:
            lines += [_head(seen), *_trouble(seen)]
    lines += [Rule(style="dim", characters="─"), _line(surroundings_line(site, state, display))]
    for record in [record for record in recent if worth_reading(record)][-2:]:
        lines.append(_line(event_line(record, begin_s, display), "dim"))
    return Group(*lines)


def plain_line(site: Site, state: SiteState, begin_s: float, display: Display) -> str:
    """One line for the moment: every vessel's temperature, setpoint and step; meant for each `HALF_DAY_S`."""
    parts = []
    for vessel in site.vessels:
        now, step = state.vessels[vessel.name], step_of(state.vessels[vessel.name])
        doing = now.condition.value if step is None else printable(step.name)
        wort = display.temperature_text(now.estimate.celsius)
        if now.setpoint is not None:
            wort += f" (set {band_text(*now.setpoint, display)})"
        parts.append(f"{vessel.name} {wort} {doing}")
    active = sum(alarm.phase in ACTIVE for alarm in state.alarms.values())
    alarms = f" | alarms active: {active}" if active else ""
    parts = [clock_text(state.now_s - begin_s), *parts, surroundings_line(site, state, display)]
    return " | ".join(parts) + alarms


def event_line(record: Record, begin_s: float, display: Display) -> str:
    """One record as a line: when, where, what and why."""
    return f"{clock_text(record.at_s - begin_s)}  {record_text(record, display)}"


def clock_text(elapsed_s: float) -> str:
    """ "day 3, 14:05" since the beginning."""
    minutes = int(max(elapsed_s, 0.0) // 60)
    return f"day {minutes // 1440}, {minutes // 60 % 24:02d}:{minutes % 60:02d}"


def surroundings_line(site: Site, state: SiteState, display: Display) -> str:
    """Bath and room in a few words."""
    parts = []
    if site.bath is not None:
        waits = " (crashes wait)" if state.bath_crash_pause else ""
        parts.append(f"bath {display.temperature_text(trusted_c(state.signals, site.bath.probes))}{waits}")
    if site.room is not None:
        parts.append(f"room {display.temperature_text(trusted_c(state.signals, (site.room,)))}")
    return ", ".join(parts)


def _vessel_lines(vessel: Json) -> list[Text]:
    """Always five lines, so that nothing jumps: reading, gauge, position, what it waits for, outputs or alarm."""
    batch, step = vessel["batch"], vessel["step"]
    name = "no batch" if batch is None else short(batch["name"], 30)
    where = _standing(vessel) if step is None else f"step {step['number']} of {step['of']}, {step['name']}"
    mode = "" if vessel["mode"] == "auto" else f" [{vessel['mode']}]"
    mode += " [quiet]" if vessel["quiet"] is not None else ""
    waiting = "; ".join(step["waits"]) if step else ""
    outputs = [
        f"{'>' if output['on'] else ' '}{name} {'ON' if output['on'] else 'off'}: {printable(output['reason'])}"
        for name, output in vessel["outputs"].items()
    ]
    return [
        _head(vessel),
        _line(f"  {name}{_gravity(batch)}"),
        _line(f"  {where}{mode}{': ' if waiting else ''}{waiting}"),
        _line("  " + ";  ".join(outputs), "dim"),
        *(_trouble(vessel) or [_line("  all well", "dim")]),
    ]


def _standing(vessel: Json) -> str:
    if vessel["batch"] is None and not vessel["in_service"]:
        return "out of service (cleaning)"
    return str(vessel["state"])


def _head(vessel: Json) -> Text:
    head = Text(no_wrap=True, overflow="ellipsis")
    head.append(f"{short(vessel['vessel'], 10):<10} ", "bold")
    head.append(f"{vessel['temperature_text']:>8} ", "bold")
    head.append(f"{gauge(vessel['deviation_k'])} ", "cyan")
    head.append(f"set {vessel['setpoint_text']}")
    if vessel["deviation_k"] is not None:
        head.append(f"  off by {vessel['deviation_text']}", "dim")
    return head


def _gravity(batch: Json | None) -> str:
    if batch is None or batch["gravity"] is None:
        return ""
    gone = batch["apparent_attenuation"]
    told = "" if gone is None else f" ({share_text(gone)} attenuated, {batch['alcohol_text']})"
    return f", gravity {batch['gravity_text']}{told}"


def _trouble(vessel: Json) -> list[Text]:
    trouble = attention_lines(vessel)
    if not trouble:
        return []
    more = f" (and {len(trouble) - 1} more)" if len(trouble) > 1 else ""
    return [_line(f"  {trouble[0]}{more}", "dim" if trouble[0].startswith("was:") else "bold yellow")]


def gauge(off_k: float | None) -> str:
    """Where the wort is around its setpoint, drawn in characters: "·······●·······"."""
    middle = _GAUGE_CELLS // 2
    cells = ["·"] * _GAUGE_CELLS
    cells[middle] = "|"
    if off_k is not None:
        place = middle + round(off_k / _GAUGE_K * middle)
        cells[min(max(place, 0), _GAUGE_CELLS - 1)] = "●"
    return "".join(cells)


def _line(text: str, style: str = "") -> Text:
    return Text(text, style=style, no_wrap=True, overflow="ellipsis", end="\n")
