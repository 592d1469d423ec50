"""What must not occur twice in a site file. Looked for in the plain data, so that other faults hide nothing."""

from collections.abc import Hashable, Iterator

from controller.faults import Fault, Wrong
from controller.model_faults import fault_at
from controller.yaml_lines import Data, Document, KeyPath

_EACH = {
    "vessel": "another name for each vessel",
    "probe": "another name for each probe of one place",
    "output": "a topic of its own for each output: one command must not move two devices",
    "reading": "a topic and pointer of its own for each probe",
}


def duplicates(document: Document) -> list[Fault]:
    """Vessels and probes of one name, outputs on one topic, probes on one topic and pointer, and a probe that
    listens on the topic of an output's commands."""
    first: dict[tuple[str, Hashable], KeyPath] = {}
    faults = []
    for kind, value, path in sorted(_values(document.data), key=lambda found: document.line_of(found[2])):
        earlier = first.setdefault((kind, value), path)
        if earlier != path:
            found = f"the same as {document.key_text(earlier)} on line {document.line_of(earlier)}"
            faults.append(fault_at(document, path, Wrong(found, _EACH[kind])))
    commands = {value: path for (kind, value), path in first.items() if kind == "output"}
    for (kind, value), path in first.items():
        if kind == "reading" and isinstance(value, tuple) and value[0] in commands:
            found = f"the topic of {document.key_text(commands[value[0]])}"
            expected = "the topic on which the probe reports, not one of commands"
            faults.append(fault_at(document, path, Wrong(found, expected)))
    return faults


def _values(data: Data) -> Iterator[tuple[str, Hashable, KeyPath]]:
    root = _block(data)
    for number, item in enumerate(_list(root.get("vessels"))):
        vessel, path = _block(item), ("vessels", number)
        if isinstance(vessel.get("name"), str):
            yield "vessel", _text(vessel["name"]), (*path, "name")
        for key in ("cooler", "heater"):
            topic = _block(vessel.get(key)).get("topic")
            if isinstance(topic, str):
                yield "output", topic, (*path, key, "topic")
        yield from _probes(vessel.get("probes"), (*path, "probes"))
    for key in ("contactors", "shared_pumps"):
        for number, item in enumerate(_list(root.get(key))):
            topic = _block(item).get("topic")
            if isinstance(topic, str):
                yield "output", topic, (key, number, "topic")
    chiller = _block(_block(root.get("bath")).get("chiller"))
    if isinstance(chiller.get("topic"), str):
        yield "output", _text(chiller["topic"]), ("bath", "chiller", "topic")
    yield from _probes(_block(root.get("bath")).get("probes"), ("bath", "probes"))
    yield from _reading(_block(root.get("room")), ("room",))


def _probes(data: Data, path: KeyPath) -> Iterator[tuple[str, Hashable, KeyPath]]:
    for number, item in enumerate(_list(data)):
        probe = _block(item)
        if isinstance(probe.get("name"), str):
            yield "probe", (path, _text(probe["name"])), (*path, number, "name")
        yield from _reading(probe, (*path, number))


def _reading(probe: dict[str, Data], path: KeyPath) -> Iterator[tuple[str, Hashable, KeyPath]]:
    topic, pointer = probe.get("topic"), probe.get("pointer", "")
    if isinstance(topic, str) and isinstance(pointer, str):
        yield "reading", (topic, pointer), (*path, "topic")


def _block(data: Data) -> dict[str, Data]:
    return data if isinstance(data, dict) else {}


def _list(data: Data) -> list[Data]:
    return data if isinstance(data, list) else []


def _text(data: Data) -> str:
    return data if isinstance(data, str) else ""
