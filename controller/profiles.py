"""Profile files to the core's `Profile`, and the evidence that a file gives for its figures."""

import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

from controller import quantities
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.faults import Fault, FileFaults, Wrong, shown
from controller.model_faults import fault_at, validated
from controller.model_types import SLUG, FileContext
from controller.profile_models import ProfilePart, StepPart
from controller.yaml_lines import Document, read_yaml

_SUFFIXES = (".yaml", ".yml")
_MOST_PROFILES = 200


class Evidence(NamedTuple):
    """Where one figure of a profile comes from. `low` and `high` are in the code's units: °C, K, s, K/s,
    specific gravity, attenuation 0..1; `value_text` is the figure as the file writes it."""

    step: str
    key: str
    value_text: str
    low: float
    high: float
    source: str


def load_profile(path: Path) -> Profile:
    """Read one profile; its name is the file's, without the ending.

    Raises:
        FileFaults: with every fault of the file.
    """
    return _load(path)[0]


def load_evidence(path: Path) -> list[Evidence]:
    """What a profile's `why:` blocks say of its figures, in the order of the file.

    Raises:
        FileFaults: with every fault of the file; a figure outside its own range is one.
    """
    return _load(path)[1]


def load_profiles(directory: Path) -> dict[str, Profile]:
    """All profiles (`*.yaml`, `*.yml`) of a directory by name, in the order of their names.

    Raises:
        FileFaults: the directory cannot be read or holds none, or any file has faults; with all of them.
    """
    try:
        paths = sorted(path for path in directory.iterdir() if path.suffix in _SUFFIXES)
    except (OSError, ValueError):
        paths = []
    if not 0 < len(paths) <= _MOST_PROFILES:
        found = f"{len(paths)} profiles" if paths else "no profile"
        right = f"a directory that can be read, with 1 to {_MOST_PROFILES} files *.yaml"
        raise FileFaults((Fault(str(directory), 0, "", found, right),))
    profiles: dict[str, Profile] = {}
    faults: list[Fault] = []
    for path in paths:
        try:
            profile = load_profile(path)
            if profile.name in profiles:
                faults.append(Fault(str(path), 0, "", f"a second profile {profile.name}", "one file for each name"))
            profiles[profile.name] = profile
        except FileFaults as error:
            faults.extend(error.faults)
    if faults:
        raise FileFaults(tuple(faults))
    return profiles


def _load(path: Path) -> tuple[Profile, list[Evidence]]:
    document = read_yaml(path)
    units = document.data.get("units") if isinstance(document.data, dict) else None
    units = units if units in ("C", "F") and isinstance(units, str) else None
    part, faults = validated(document, ProfilePart, FileContext(path.absolute().parent, units))
    evidence, doubts = _evidence(document, units)
    faults = sorted([*faults, *doubts], key=lambda fault: fault.line)
    name = path.stem
    if not re.fullmatch(r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?", name):
        faults.append(Fault(str(path), 0, "", f"the file name {shown(path.name)}", f"{SLUG}, with .yaml"))
    if faults or part is None:
        raise FileFaults(tuple(faults))
    return Profile(name, part.title, tuple(_step(step) for step in part.steps)), evidence


def _step(part: StepPart) -> ProfileStep:
    target_c = part.ceiling if part.target is None else part.target
    assert target_c is not None  # the model demands the one or the other
    return ProfileStep(
        name=part.name,
        kind=StepKind(part.kind),
        target_c=target_c,
        tolerance_k=part.tolerance,
        ends=_ends(part),
        at_most_s=part.at_most,
        goes_on=part.at_longest == "go on",
        rate_k_per_s=part.rate,
        over_s=part.over,
        waits_within_k=part.waits_within,
        floor_c=part.floor,
        note=part.note,
    )


def _ends(part: StepPart) -> Ends:
    ends = part.ends
    if ends is None:
        return Ends()
    return Ends(
        after_s=ends.after,
        reached=ends.reached is True,
        gravity=ends.gravity,
        attenuation=None if ends.attenuation is None else ends.attenuation / 100.0,
        steady_s=ends.steady,
        confirmed=ends.confirmed or "",
    )


def _parsers(units: str | None) -> dict[str, Callable[[object], float]]:
    """How each figure that may have a `why:` is read."""

    def temperature(value: object) -> float:
        return quantities.temperature_c(value, units)

    return {
        **dict.fromkeys(("target", "ceiling", "floor"), temperature),
        **dict.fromkeys(("over", "at_most", "after", "steady"), quantities.duration_s),
        "tolerance": quantities.difference_k,
        "rate": quantities.rate_k_per_s,
        "gravity": quantities.gravity,
        "attenuation": lambda value: quantities.percent(value) / 100.0,
    }


def _evidence(document: Document, units: str | None) -> tuple[list[Evidence], list[Fault]]:
    """Read from the plain data, because the figure's own text belongs to it; other faults are the models'."""
    data = document.data
    steps = data.get("steps") if isinstance(data, dict) else None
    evidence: list[Evidence] = []
    faults: list[Fault] = []
    for number, step in enumerate(steps if isinstance(steps, list) else []):
        why = step.get("why") if isinstance(step, dict) else None
        if not isinstance(step, dict) or not isinstance(why, dict):
            continue
        ends = step.get("ends")
        figures = {**step, **(ends if isinstance(ends, dict) else {})}
        for key, reason in why.items():
            if not isinstance(reason, dict):
                continue
            try:
                low, high = _range(reason.get("range"), key, figures, _parsers(units))
            except Wrong as wrong:
                faults.append(fault_at(document, ("steps", number, "why", key), wrong))
                continue
            name, source = str(step.get("name")), str(reason.get("source")).strip()
            evidence.append(Evidence(name, key, str(figures[key]), low, high, source))
    return evidence, faults


def _range(
    text: object, key: str, figures: Mapping[str, object], parsers: dict[str, Callable[[object], float]]
) -> tuple[float, float]:
    if key not in parsers:
        raise Wrong("an unknown key", "one of " + ", ".join(parsers))
    if key not in figures:
        raise Wrong(f"a reason for {key}, which the step does not give", "a key that the step gives")
    ends = text.split(" to ") if isinstance(text, str) else []
    if len(ends) != 2:
        raise Wrong(f"the range {shown(text)}", 'two values of the same kind, such as "18 C to 20 C"')
    parse = parsers[key]
    low, high = (parse(end.strip()) for end in ends)
    if low > high:
        raise Wrong(f"the range {shown(text)}", "the lower value first")
    try:
        value = parse(figures[key])
    except Wrong:
        return low, high  # the figure's own fault is reported at its own place
    if not low - 1e-9 <= value <= high + 1e-9:
        raise Wrong(f"{key} {shown(figures[key])}, outside its own range {shown(text)}", "a value inside the range")
    return low, high
