"""The running cellar in a terminal: three vessels, bath and room fit into 80 columns and 24 lines.

`live_view` is drawn anew from each snapshot. Without a terminal, `plain_line` and `event_line` tell the same in lines.
"""

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.rule import Rule
from rich.text import Text

from controller.control.alarms import ACTIVE
from controller.control.site import Site
from controller.control.state import AlarmPhase, SiteState
from controller.control.values import Record, RecordKind
from controller.hmi.status import vessel_dict
from controller.hmi.table import attention_lines
from controller.hmi.words import Json, band_text, difference_text, printable, share_text, temperature_text, trusted_c

HALF_DAY_S = 43200.0
_GAUGE_CELLS = 15  # odd: the middle one is the setpoint
_GAUGE_K = 1.5  # what half the gauge stands for


def live_view(
    site: Site, state: SiteState, begin_s: float, speed: float, recent: Sequence[Record] = (), units: str = "C"
) -> RenderableType:
    """The whole cellar: `begin_s` is where day 0 was, `speed` how many seconds pass in one (1 = as they pass),
    `recent` the newest records; the last two worth reading are shown."""
    pace = "" if speed == 1 else f"   {speed:,.0f} times as fast".replace(",", " ")
    lines: list[RenderableType] = [_line(f"{site.name}   {clock_text(state.now_s - begin_s)}{pace}", "bold")]
    for vessel in site.vessels:
        lines += [Rule(style="dim", characters="─"), *_vessel_lines(vessel_dict(site, vessel, state, units), units)]
    lines += [Rule(style="dim", characters="─"), _line(surroundings_line(site, state, units))]
    for record in [record for record in recent if worth_reading(record)][-2:]:
        lines.append(_line(event_line(record, begin_s), "dim"))
    return Group(*lines)


def plain_line(site: Site, state: SiteState, begin_s: float, units: str = "C") -> str:
    """One line for the moment: every vessel's temperature, setpoint and step; meant for each `HALF_DAY_S`."""
    parts = []
    for vessel in site.vessels:
        seen = vessel_dict(site, vessel, state, units)
        doing = seen["state"] if seen["step"] is None else seen["step"]["name"]
        wort = temperature_text(seen["temperature_c"], units)
        if seen["setpoint_low_c"] is not None:
            wort += f" (set {band_text(seen['setpoint_low_c'], seen['setpoint_high_c'], units)})"
        parts.append(f"{vessel.name} {wort} {doing}")
    active = sum(alarm.phase in ACTIVE for alarm in state.alarms.values())
    alarms = f" | alarms active: {active}" if active else ""
    parts = [clock_text(state.now_s - begin_s), *parts, surroundings_line(site, state, units)]
    return " | ".join(parts) + alarms


def event_line(record: Record, begin_s: float) -> str:
    """One record as a line: when, where, what and why."""
    where = f"{record.vessel}: " if record.vessel else ""
    if record.kind is RecordKind.ACTION:
        what = f"{record.who or 'operator'}: {record.reason}"
    else:
        reason = f" ({record.reason})" if record.reason else ""
        what = f"{_HEADINGS.get(record.kind, record.kind.value)} {record.subject} {record.value}{reason}"
    return printable(f"{clock_text(record.at_s - begin_s)}  {where}{what}")


def worth_reading(record: Record) -> bool:
    """Whether a brewer wants this record among the news: not every pulse, nor an alarm's quiet passages."""
    if record.kind is RecordKind.ACTION:
        return record.value != "repeated"
    if record.kind is RecordKind.ALARM:
        return record.value in _ALARM_NEWS
    return record.kind in _NEWS and not record.who  # what a person did is told by its ACTION record


def clock_text(elapsed_s: float) -> str:
    """ "day 3, 14:05" since the beginning."""
    minutes = int(max(elapsed_s, 0.0) // 60)
    return f"day {minutes // 1440}, {minutes // 60 % 24:02d}:{minutes % 60:02d}"


def surroundings_line(site: Site, state: SiteState, units: str) -> str:
    """Bath and room in a few words."""
    parts = []
    if site.bath is not None:
        waits = " (crashes wait)" if state.bath_crash_pause else ""
        parts.append(f"bath {temperature_text(trusted_c(state.signals, site.bath.probes), units)}{waits}")
    if site.room is not None:
        parts.append(f"room {temperature_text(trusted_c(state.signals, (site.room,)), units)}")
    return ", ".join(parts)


_NEWS = (RecordKind.STEP, RecordKind.STATE, RecordKind.MODE, RecordKind.LIMIT, RecordKind.HEALTH)
_HEADINGS = {RecordKind.HEALTH: "probe", RecordKind.LIMIT: "interlock:"}
_ALARM_NEWS = (AlarmPhase.UNACKNOWLEDGED.value, AlarmPhase.RETURNED.value)


def _vessel_lines(vessel: Json, units: str) -> list[Text]:
    """Always five lines, so that nothing jumps: reading, gauge, position, what it waits for, outputs or alarm."""
    batch, step = vessel["batch"], vessel["step"]
    head = Text(no_wrap=True, overflow="ellipsis")
    head.append(f"{vessel['vessel']:<10.10} ", "bold")
    head.append(f"{temperature_text(vessel['temperature_c'], units):>8} ", "bold")
    head.append(f"{gauge(vessel['deviation_k'])} ", "cyan")
    head.append(f"set {band_text(vessel['setpoint_low_c'], vessel['setpoint_high_c'], units)}")
    if vessel["deviation_k"] is not None:
        head.append(f"  off by {difference_text(vessel['deviation_k'], units)}", "dim")
    name = "no batch" if batch is None else batch["name"]
    gravity = ""
    if batch is not None and batch["gravity"] is not None:
        gone = batch["apparent_attenuation"]
        gravity = f", gravity {batch['gravity']:.3f}" + ("" if gone is None else f" ({share_text(gone)} attenuated)")
    where = vessel["state"] if step is None else f"step {step['number']} of {step['of']}, {step['name']}"
    mode = "" if vessel["mode"] == "auto" else f" [{vessel['mode']}]"
    waiting = "; ".join(step["waits"]) if step else ""
    outputs = [
        f"{'>' if output['on'] else ' '}{name} {'ON' if output['on'] else 'off'}: {printable(output['reason'])}"
        for name, output in vessel["outputs"].items()
    ]
    trouble = attention_lines(vessel)
    lines = [head, _line(f"  {name}{gravity}"), _line(f"  {where}{mode}{': ' if waiting else ''}{waiting}")]
    lines.append(_line("  " + ";  ".join(outputs), "dim"))
    if trouble:
        more = f" (and {len(trouble) - 1} more)" if len(trouble) > 1 else ""
        lines.append(_line(f"  {trouble[0]}{more}", "dim" if trouble[0].startswith("was:") else "bold yellow"))
    else:
        lines.append(_line("  all well", "dim"))
    return lines


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
