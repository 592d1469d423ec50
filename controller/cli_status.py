"""`cellarhand status`: the site as a table, one vessel in detail, or either as JSON."""

import argparse
import json
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from controller.cli_parser import DONE
from controller.cli_site import socket_of
from controller.control.values import RecordKind
from controller.faults import Wrong, shown
from controller.hmi.table import batch_lines, output_lines, status_table, warning_texts
from controller.hmi.words import duration_text, printable
from controller.nearest import nearest
from controller.operator_client import status_of

Json = dict[str, Any]


def run_status(arguments: argparse.Namespace) -> int:
    """The command. Returns 0.

    Raises:
        Wrong: there is no vessel of that name.
        NoDaemon: as `operator_client.ask`.
    """
    status: Json = status_of(socket_of(arguments))
    name = arguments.vessel
    if name is not None and name not in status["vessels"]:
        known = list(status["vessels"])
        near = nearest(name, known)
        raise Wrong(f"the vessel {shown(name)}", near or ", ".join(known))
    if arguments.json:
        print(json.dumps(status["vessels"][name] if name else status, indent=2, ensure_ascii=False))
        return DONE
    console = Console()
    with console.capture() as captured:  # so that a reader who leaves early is met by `print`, not by rich
        if name:
            console.print(*warning_texts(status, name), vessel_table(status, name), sep="\n")
        else:
            console.print(status_table(status))
    print(captured.get(), end="")
    return DONE


def vessel_table(status: Json, name: str) -> Table:
    """One vessel of a `status_dict` in detail: every output with its reason, every alarm with what to do."""
    vessel = status["vessels"][name]
    title = f"{name}, {status['time_text'] or 'UTC not known yet'}"
    table = Table(
        title=Text(title, style="bold"), title_justify="left", show_header=False, box=None, padding=(0, 2, 1, 0)
    )
    table.add_column(style="dim")
    table.add_column(overflow="fold")
    rows = (
        ("wort", _wort_lines(vessel, status["units"])),
        ("batch", [*batch_lines(vessel), *_batch_facts(vessel)]),
        ("outputs", output_lines(vessel) or ["none"]),
        ("identified", _identified(vessel["identification"])),
        ("probes", [_signal_line(tag, signal) for tag, signal in vessel["signals"].items()]),
        ("alarms", [line for alarm in vessel["alarms"] for line in _alarm_lines(alarm)] or ["none"]),
        ("recently", [_record_line(record, name) for record in status["recent"] if _is_news(record, name)]),
    )
    for heading, lines in rows:
        if lines:
            table.add_row(heading, Text("\n".join(lines)))
    return table


def _wort_lines(vessel: Json, units: str) -> list[str]:
    lines = [f"{vessel['temperature_text']}{_trend(vessel['rate_k_per_h'], units)}"]
    if vessel["setpoint_low_c"] is not None:
        off_by = f", off by {vessel['deviation_text']}" if vessel["deviation_k"] is not None else ""
        lines.append(f"setpoint {vessel['setpoint_text']}{off_by}")
    return [*lines, printable(vessel["cause"])] if vessel["cause"] else lines


def _trend(rate_k_per_h: float | None, units: str) -> str:
    if rate_k_per_h is None:
        return ""
    size, unit = (abs(rate_k_per_h) * 1.8, "°F") if units == "F" else (abs(rate_k_per_h), "K")
    return f", {'rising' if rate_k_per_h > 0 else 'falling'} {size:.1f} {unit}/h" if size >= 0.05 else ", steady"


def _batch_facts(vessel: Json) -> list[str]:
    batch, step = vessel["batch"], vessel["step"]
    if batch is None:
        return []
    facts = [f"volume {batch['volume_text']}" if batch["volume_l"] is not None else "volume unknown: no heat"]
    facts += [f"OG {batch['og_text']}" if batch["og"] is not None else "no OG entered"]
    facts += [f"yeast {batch['yeast']}"] if batch["yeast"] else []
    facts += [f"profile {batch['profile']}"] if batch["profile"] else []
    return [", ".join(facts), *([step["note"]] if step and step["note"] else [])]


def _identified(found: Json) -> list[str]:
    if found["result"]:
        return [found["result"]["text"]]
    return [printable(found["ended"])] if found["ended"] else []


def _signal_line(tag: str, signal: Json) -> str:
    age = "" if signal["age_s"] is None else f", {duration_text(signal['age_s'])} ago"
    cause = f": {printable(signal['cause'])}" if signal["cause"] else ""
    return f"{tag} {signal['status']}, {signal['temperature_text']}{age}{cause}"


def _alarm_lines(alarm: Json) -> list[str]:
    since = f", since {alarm['since_text']}" if alarm["since_text"] else ""
    lines = [f"{alarm['kind']} ({alarm['priority']}, {alarm['phase']}{since}): {printable(alarm['text'])}"]
    return [*lines, f"  what to do: {alarm['action']}"] if alarm["action"] else lines


def _is_news(record: Json, name: str) -> bool:
    """What a person did is told once, by its answer."""
    return bool(record["vessel"] == name and (record["kind"] == RecordKind.ACTION.value or not record["who"]))


def _record_line(record: Json, name: str) -> str:
    return f"{record['time_text'] or 'before UTC was known'} {printable(record['text']).removeprefix(f'{name}: ')}"
