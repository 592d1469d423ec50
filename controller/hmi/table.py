"""The status as a table for a terminal: one row per vessel, then bath and room."""

from rich.table import Table
from rich.text import Text

from controller.hmi.words import (
    Json,
    band_text,
    difference_text,
    duration_text,
    printable,
    share_text,
    temperature_text,
)


def status_table(status: Json) -> Table:
    """The table of a `status_dict`. Free text is shown as it is: neither markup nor terminal codes act."""
    units = str(status["units"])
    table = Table(title=Text(_title(status)), title_justify="left", show_lines=True, expand=True)
    for heading, ratio in (("Vessel", 2), ("Wort", 3), ("Batch and step", 6), ("Outputs", 6), ("Attention", 5)):
        table.add_column(heading, ratio=ratio, overflow="fold")
    for name, vessel in status["vessels"].items():
        table.add_row(
            Text(name, style="bold"),
            Text("\n".join(wort_lines(vessel, units))),
            Text("\n".join(batch_lines(vessel))),
            Text("\n".join(output_lines(vessel))),
            _attention(vessel),
        )
    if status["bath"]:
        bath = status["bath"]
        doing = "crashes wait until the bath is colder" if bath["crashes_wait"] else "serves every vessel"
        wort = f"{temperature_text(bath['temperature_c'], units)}\nset {temperature_text(bath['setpoint_c'], units)}"
        table.add_row(Text("bath", style="bold"), Text(wort), Text("glycol"), Text(doing), _attention(bath))
    if status["room"]:
        room = status["room"]
        table.add_row(
            Text("room", style="bold"), Text(temperature_text(room["temperature_c"], units)), "", "", _attention(room)
        )
    return table


def wort_lines(vessel: Json, units: str) -> list[str]:
    """Temperature, setpoint and deviation, each in a line."""
    lines = [temperature_text(vessel["temperature_c"], units)]
    if vessel["setpoint_low_c"] is not None:
        lines.append(f"set {band_text(vessel['setpoint_low_c'], vessel['setpoint_high_c'], units)}")
    if vessel["deviation_k"] is not None:
        lines.append(f"off by {difference_text(vessel['deviation_k'], units)}")
    if vessel["temperature_c"] is None and vessel["cause"]:
        lines.append(vessel["cause"])
    return lines


def batch_lines(vessel: Json) -> list[str]:
    """What is in the vessel, where it stands and what it waits for, each in a line."""
    mode = vessel["mode"]
    if vessel["manual"]:
        duty = vessel["manual"]["duty"]
        does = "heating" if duty > 0 else "cooling"
        mode = f"manual: {does} at {share_text(abs(duty))} for another {duration_text(vessel['manual']['left_s'])}"
    batch, step = vessel["batch"], vessel["step"]
    if batch is None:
        return ["no batch: everything off" if vessel["in_service"] else "out of service (cleaning)", f"mode {mode}"]
    lines = [f"{batch['name']}: {vessel['state']}, {mode}"]
    if batch["gravity"] is not None:
        attenuation = batch["apparent_attenuation"]
        gone = "" if attenuation is None else f", {share_text(attenuation)} apparent attenuation"
        lines.append(f"gravity {batch['gravity']:.3f}{gone}")
    if step is None:
        return lines
    lines.append(f"step {step['number']} of {step['of']}, {step['name']} ({step['kind']})")
    lines += step["waits"]
    if step["overtime"]:
        lines.append(f"longer than its {duration_text(step['at_most_s'])}")
    return lines


def output_lines(vessel: Json) -> list[str]:
    """Each output with its reason: why is this pump off."""
    lines = [
        f"{name} {'ON ' if output['on'] else 'off'} {duration_text(output['for_s'])}: {printable(output['reason'])}"
        for name, output in vessel["outputs"].items()
    ]
    return lines or ["none"]


def attention_lines(subject: Json) -> list[str]:
    """Active alarms, then probes that are not good, then alarms that are over but were not acknowledged."""
    active, over = [], []
    for alarm in subject.get("alarms", ()):
        text = printable(alarm["text"] or alarm["kind"])
        if alarm["phase"].startswith("active"):
            active.append(f"! {text} ({alarm['phase']})")
        else:
            over.append(f"was: {text} ({alarm['phase']})")
    probes = []
    for tag, signal in subject["signals"].items():
        if signal["status"] != "good":
            cause = f", {printable(signal['cause'])}" if signal["cause"] else ""
            probes.append(f"probe {tag}: {signal['status']}{cause}")
    return active + probes + over


def _attention(subject: Json) -> Text:
    lines = attention_lines(subject)
    if not lines:
        return Text("all well", style="dim")
    return Text("\n".join(lines), style="" if lines[0].startswith("was:") else "bold")


def _title(status: Json) -> str:
    when = f", {status['utc']}" if status["utc"] else ", UTC not known yet"
    active = status["alarms_active"]
    alarms = "no alarm active" if not active else f"{active} alarm{'s' if active > 1 else ''} active"
    return f"{status['site']}{when}: {alarms}"
