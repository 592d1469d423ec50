"""The status for a terminal of 80 columns or more: one row for each vessel, bath and room, then the particulars.

Takes the JSON of `status_dict` and nothing else, so that the command line shows what the daemon said. Rows never
wrap; long names are cut with an ellipsis. Long sentences break between words.
"""

from collections.abc import Iterator

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from controller.hmi.service_health import warnings
from controller.hmi.words import Json, duration_text, printable, share_text, short

_INDENT = 2
_LONGEST_NAME = 30


def status_table(status: Json) -> RenderableType:
    """What a terminal shows of a `status_dict`. Free text is shown as it is: neither markup nor terminal codes act."""
    parts: list[RenderableType] = [*warning_texts(status)]
    parts += [Text(_title(status), style="bold"), Text(), _overview(status)]
    for name, vessel in status["vessels"].items():
        lines = [*batch_lines(vessel), *output_lines(vessel)] if _busy(vessel) else []
        parts += _particulars(name, lines, attention_lines(vessel))
    parts += _particulars("upstream", output_lines({"outputs": _shared(status)}), [])
    for name in ("bath", "room"):
        if status[name]:
            parts += _particulars(name, [], attention_lines(status[name]))
    return Group(*parts)


def warning_texts(status: Json, vessel: str | None = None) -> list[Text]:
    """What the service itself suffers from, a line for each: to stand above all else, since it decides what the rest
    is worth. For a vessel alone without the outputs of the others."""
    return [Text(f"! {printable(line, 500)}", style="bold") for line in warnings(status.get("service"), vessel)]


def batch_lines(vessel: Json) -> list[str]:
    """What is in the vessel, where it stands and what it waits for, each in a line."""
    batch, step = vessel["batch"], vessel["step"]
    if batch is None:
        what = "no batch: everything off" if vessel["in_service"] else "out of service (cleaning)"
        return [what if vessel["mode"] == "auto" else f"{what}, {_mode(vessel)}"]
    begun = f"; begun {batch['since_text']}" if batch["since_text"] else ""
    lines = [f"{short(batch['name'], _LONGEST_NAME)}: {vessel['state']}, {_mode(vessel)}{begun}"]
    if vessel["quiet"] is not None:
        lines.append(vessel["quiet"]["text"])
    if vessel["identification"]["running"] is not None:
        lines.append(vessel["identification"]["running"]["text"])
    if vessel["blind"] is not None and vessel["blind"]["cool_w"]:
        lines.append(vessel["blind"]["text"])
    if vessel.get("bath_wait"):
        lines.append(vessel["bath_wait"]["text"])
    if batch["gravity"] is not None:
        lines += fermented_lines(batch)
    if step is None:
        return lines
    lines.append(f"step {step['number']} of {step['of']}, {step['name']} ({step['kind']}){_since(step)}")
    if step["longer_than_profile_s"] is not None:
        lines.append(f"{duration_text(step['longer_than_profile_s'])} longer than its profile says")
    lines += step["waits"]
    if step["overtime"]:
        lines.append(f"longer than its {duration_text(step['at_most_s'])}")
    return lines


def fermented_lines(batch: Json) -> list[str]:
    """How far the beer has come by its newest gravity: extract, attenuation, alcohol, as far as they are known."""
    og = f" of {batch['og_text']}" if batch["og"] is not None else ""
    lines = [f"gravity {batch['gravity_text']}{og}"]
    if batch["apparent_attenuation"] is not None:
        apparent, real = share_text(batch["apparent_attenuation"]), share_text(batch["real_degree_of_fermentation"])
        lines.append(f"{apparent} apparent attenuation, real degree of fermentation {real}, {batch['alcohol_text']}")
    return lines


def output_lines(vessel: Json) -> list[str]:
    """Each output with its reason: why is this pump off."""
    return [
        f"{name} {'ON' if output['on'] else 'off'} {_for_how_long(output)}: {printable(output['reason'])}"
        for name, output in vessel["outputs"].items()
    ]


def attention_lines(subject: Json) -> list[str]:
    """Active alarms, then probes that are not good, then alarms that are over but were not acknowledged."""
    active, over = [], []
    for alarm in subject.get("alarms", ()):
        text = printable(alarm["text"] or alarm["kind"])
        if alarm["phase"].startswith("active"):
            active.append(f"! {text} ({alarm['phase']}{_since(alarm)})")
        else:
            over.append(f"was: {text} ({alarm['phase']}{_since(alarm)})")
    probes = []
    for tag, signal in subject["signals"].items():
        if signal["status"] != "good":
            cause = f", {printable(signal['cause'])}" if signal["cause"] else ""
            probes.append(f"probe {tag}: {signal['status']}{cause}")
    return active + probes + over


def _overview(status: Json) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim", pad_edge=False)
    for heading in ("vessel", "wort", "setpoint", "off by", "step", "output"):
        table.add_column(heading, no_wrap=heading not in ("vessel", "step"), overflow="ellipsis")
    for row in _rows(status):
        table.add_row(*(Text(cell, no_wrap=True, overflow="ellipsis", style=style) for cell, style in row))
    return table


def _rows(status: Json) -> Iterator[list[tuple[str, str]]]:
    for name, vessel in status["vessels"].items():
        loud = "bold" if attention_lines(vessel) else ""
        off_by = vessel["deviation_text"] if vessel["deviation_k"] is not None else ""
        yield [
            (short(name, _LONGEST_NAME), loud or "bold"),
            (vessel["temperature_text"], loud),
            (vessel["setpoint_text"], ""),
            (off_by, ""),
            (_doing(vessel), ""),
            (_runs(vessel), ""),
        ]
    if status["bath"]:
        bath = status["bath"]
        doing = _bath_does(bath)
        yield [(cell, "") for cell in ("bath", bath["temperature_text"], bath["setpoint_text"], "", doing, "")]
    if status["room"]:
        yield [(cell, "") for cell in ("room", status["room"]["temperature_text"], "", "", "", "")]


def _bath_does(bath: Json) -> str:
    if bath.get("nominal"):
        return "not measured: shared with care"
    return "short of cold: some wait" if bath.get("waiting") or bath["crashes_wait"] else "serves every vessel"


def _particulars(name: str, lines: list[str], attention: list[str]) -> list[RenderableType]:
    if not lines and not attention:
        return []
    texts = [Text(line) for line in lines]
    texts += [Text(line, style="" if line.startswith("was:") else "bold") for line in attention]
    head = Text(short(name, _LONGEST_NAME), style="bold", no_wrap=True, overflow="ellipsis")
    return [Text(), head, *(Padding(text, (0, 0, 0, _INDENT), expand=False) for text in texts)]


def _shared(status: Json) -> Json:
    """Contactors and shared pumps under a name that says which is which; none of a daemon that does not tell."""
    return {f"{each['kind']} {name}": each for name, each in status.get("upstream", {}).items()}


def _busy(vessel: Json) -> bool:
    """Whether there is more to say of a vessel than its row: empty ones are told in one line."""
    runs = any(output["on"] for output in vessel["outputs"].values())
    return vessel["batch"] is not None or vessel["mode"] != "auto" or runs


def _mode(vessel: Json) -> str:
    if not vessel["manual"]:
        return str(vessel["mode"])
    duty = vessel["manual"]["duty"]
    does = "heating" if duty > 0 else "cooling"
    return f"manual: {does} at {share_text(abs(duty))} for another {duration_text(vessel['manual']['left_s'])}"


def _doing(vessel: Json) -> str:
    if vessel["batch"] is None:
        return "no batch" if vessel["in_service"] else "out of service"
    step = vessel["step"]
    if step is None:
        return str(vessel["state"])
    held = "" if vessel["state"] == "running" else f" {vessel['state']}"
    return f"{step['number']}/{step['of']} {step['name']}{held}"


def _runs(vessel: Json) -> str:
    running = [name for name, output in vessel["outputs"].items() if output["on"]]
    quiet = ["quiet"] if vessel["quiet"] is not None else []
    quiet += ["test"] if vessel["identification"]["running"] is not None else []
    mode = [vessel["mode"]] if vessel["mode"] != "auto" else []
    return ", ".join((*running, *quiet, *mode))


def _since(subject: Json) -> str:
    return f", since {subject['since_text']}" if subject["since_text"] else ""


def _for_how_long(output: Json) -> str:
    since = f" (since {output['since_text']})" if output["since_text"] else ""
    return f"{duration_text(output['for_s'])}{since}"


def _title(status: Json) -> str:
    when = f", {status['time_text']}" if status["time_text"] else ", UTC not known yet"
    active = status["alarms_active"]
    alarms = "no alarm active" if not active else f"{active} alarm{'s' if active > 1 else ''} active"
    return f"{printable(status['site'])}{when}: {alarms}"
