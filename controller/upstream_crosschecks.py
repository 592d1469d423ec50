"""Whether what contactors and shared pumps feed is in the site file, and is fed once. Looked for in the plain data, so
that other faults hide nothing."""

from controller.control.site import COMPRESSOR
from controller.faults import Fault, Wrong, shown
from controller.model_faults import fault_at
from controller.nearest import nearest
from controller.yaml_lines import Data, Document, KeyPath

KINDS = {"contactors": "contactor", "shared_pumps": "pump"}


def feeding_faults(document: Document) -> list[Fault]:
    """Outputs that the file does not have, outputs that are named twice, devices of one name."""
    root = document.data if isinstance(document.data, dict) else {}
    known = _outputs(root.get("vessels"))
    faults: list[Fault] = []
    named: dict[str, KeyPath] = {}
    bath = root.get("bath")
    if isinstance(bath, dict) and isinstance(bath.get("chiller"), dict):
        named[COMPRESSOR.partition("/")[2]] = ("bath", "chiller")
    for key, kind in KINDS.items():
        fed: dict[str, KeyPath] = {}
        for number, item in enumerate(_list(root.get(key))):
            device = item if isinstance(item, dict) else {}
            name = device.get("name")
            if isinstance(name, str):
                path: KeyPath = (key, number, "name")
                faults += _twice(document, named, name, path, "another name for each contactor and shared pump")
            for place, tag in enumerate(_list(device.get("feeds"))):
                path = (key, number, "feeds", place)
                if not isinstance(tag, str) or tag.partition("/")[2] not in {"cooler", "heater"}:
                    continue  # a fault of the key itself, which the model tells
                if tag not in known:
                    near = nearest(tag, sorted(known))
                    right = f"{near}?" if near else f"one of {', '.join(sorted(known)) or 'no outputs'}"
                    faults.append(
                        fault_at(document, path, Wrong(f"{shown(tag)}, which this file does not have", right))
                    )
                else:
                    faults += _twice(document, fed, tag, path, f"each output behind one {kind} only")
    return faults


def _twice(document: Document, first: dict[str, KeyPath], what: str, path: KeyPath, right: str) -> list[Fault]:
    earlier = first.setdefault(what, path)
    if earlier == path:
        return []
    found = f"{shown(what)}, the same as {document.key_text(earlier)} on line {document.line_of(earlier)}"
    return [fault_at(document, path, Wrong(found, right))]


def _outputs(vessels: Data) -> set[str]:
    found = set()
    for item in _list(vessels):
        vessel = item if isinstance(item, dict) else {}
        found |= {f"{vessel.get('name')}/{key}" for key in ("cooler", "heater") if isinstance(vessel.get(key), dict)}
    return found


def _list(data: Data) -> list[Data]:
    return data if isinstance(data, list) else []
