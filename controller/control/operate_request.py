"""What every operator action sees and gives: checked arguments, what it changed, why it was refused."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from controller.control.course import ProfileStep
from controller.control.site import Limits, Site, Vessel
from controller.control.state import AlarmState, Batch, BatchState, ProgramState, SiteState, VesselState
from controller.control.values import Action, RecordKind

LONGEST_TEXT = 200


class Refused(Exception):
    """Why an action was not carried out, in the operator's words."""


class Told(NamedTuple):
    """One more record of an action: of which vessel, and what became what for which reason."""

    vessel: str
    kind: RecordKind
    subject: str
    value: str
    reason: str


class Done(NamedTuple):
    """What an action changed: the vessel's new state, the answer, and what is recorded of it. `alarms` and
    `others` (vessels by name) are given where they changed too, `more` where there is more than one record."""

    vessel: VesselState
    answer: str
    kind: RecordKind
    subject: str
    value: str
    alarms: Mapping[str, AlarmState] | None = None
    others: Mapping[str, VesselState] = {}
    more: tuple[Told, ...] = ()


class Request:
    """What a verb gets to see: the action, and the site, vessel and state that it is about."""

    def __init__(self, site: Site, vessel: Vessel, state: SiteState, action: Action, utc_s: float | None) -> None:
        self.site, self.vessel, self.state, self.action, self.utc_s = site, vessel, state, action, utc_s
        self.was = state.vessels[vessel.name]

    def given(self, key: str) -> bool:
        """Whether the argument was given at all."""
        return key in self.action.arguments

    def text(self, key: str, otherwise: str | None = None) -> str:
        """A text argument; refused when it is missing and there is no `otherwise`."""
        return text(self.action, key, otherwise)

    def number(self, key: str, low: float, high: float) -> float:
        """A number argument within low..high."""
        value = self.action.arguments.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float) or value != value:
            raise Refused(f"'{key}' must be a number, found {shown(value)}")
        if not low <= value <= high:
            raise Refused(f"'{key}' must lie between {low:g} and {high:g}, found {shown(value)}")
        return float(value)

    def optional_number(self, key: str, low: float, high: float) -> float | None:
        """The same, or None where it is not given."""
        return self.number(key, low, high) if self.given(key) else None

    def sure(self) -> bool:
        """Whether the operator has said `sure`: exactly true, nothing that merely looks like it."""
        return self.action.arguments.get("sure") is True

    def batch(self) -> Batch:
        """The vessel's batch; refused where there is none."""
        if self.was.batch is None:
            raise Refused(f"{self.vessel.name} has no batch")
        return self.was.batch


def text(action: Action, key: str, otherwise: str | None) -> str:
    """A text argument of the action, printable and short; refused when it is missing without an `otherwise`."""
    value = action.arguments.get(key, otherwise)
    if not isinstance(value, str) or (otherwise is None and not value.strip()):
        raise Refused(f"'{key}' is missing or is not a text")
    # Printable: no control characters, nothing that reverses a line, and no half of a character that no file takes.
    if len(value) > LONGEST_TEXT or not value.isprintable():
        raise Refused(f"'{key}' must be at most {LONGEST_TEXT} printable characters")
    return value


def shown(value: object) -> str:
    """What was found, short enough for an answer."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > 10**20:
        return "a huge number"
    found = ascii(value)
    return found if len(found) <= 60 else f"{found[:60]}..."


def within(limits: Limits, celsius: float) -> float:
    """The temperature itself; refused outside the hard limits (design rule 7)."""
    if not limits.low_c <= celsius <= limits.high_c:
        raise Refused(
            f"{celsius:.1f} °C is outside the vessel's hard limits of {limits.low_c:.1f} to {limits.high_c:.1f} °C"
        )
    return celsius


def lasting(seconds: float) -> str:
    """A duration as an answer says it: "45 min", "36.0 h", "3.0 d"."""
    if seconds < 3600.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.1f} h" if seconds < 72 * 3600.0 else f"{seconds / 86400.0:.1f} d"


def step_name(batch: Batch | None, position: ProgramState | None, condition: BatchState) -> str:
    """The name of the step in which the batch is, running or held; otherwise ""."""
    if batch is None or batch.profile is None or position is None:
        return ""
    if condition not in (BatchState.RUNNING, BatchState.HELD):
        return ""
    return batch.profile.steps[position.step].name


def named_step(steps: Sequence[ProfileStep], name: str) -> int:
    """The number (from 0) of the step of that name; refused with the names that there are."""
    for number, step in enumerate(steps):
        if step.name == name:
            return number
    raise Refused(f"there is no step {shown(name)}; the profile has {', '.join(step.name for step in steps)}")
