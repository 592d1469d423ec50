"""Operator actions about devices that were found faulty: a person has looked at one."""

from controller.control.diagnosis import taken_back
from controller.control.operate_request import Done, Refused, Request, shown
from controller.control.values import RecordKind


def inspected(request: Request) -> Done:
    """A person has looked at `part`, "cooler", "heater" or the name of a probe: what was held against it is taken
    back, and it is used again. Not over MQTT (design rule 5): who says so should stand beside the vessel."""
    part, was = request.text("part"), request.was
    if request.action.who.startswith("mqtt"):
        raise Refused("that something was inspected is not accepted over MQTT; say it at the controller")
    faults, diagnosis = taken_back(was.faults, was.diagnosis, part)
    memories = was.diagnosis.probes
    probes = {name: memory for name, memory in memories.items() if not (name == part and memory.doubt)}
    if len(faults) == len(was.faults) and len(probes) == len(memories):
        raise Refused(f"nothing is held against {shown(part)} of {request.vessel.name}{_held(request)}")
    vessel = was._replace(faults=faults, diagnosis=diagnosis._replace(probes=probes))
    return Done(vessel, f"{part} inspected: it is used again", RecordKind.HEALTH, part, "inspected")


def _held(request: Request) -> str:
    """What something is held against."""
    probes = request.was.diagnosis.probes
    parts = [kind.partition(" ")[0] for kind in request.was.faults]
    parts += [name for name, memory in probes.items() if memory.doubt]
    return f"; but against {', '.join(sorted(set(parts)))}" if parts else ""
