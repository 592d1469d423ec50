"""The temperature course of a batch: a profile of named steps, as the core uses it."""

from dataclasses import dataclass
from enum import Enum


class StepKind(Enum):
    """How a step treats its target."""

    HOLD = "hold"  # regulate at the target
    REST = "rest"  # a hold whose time is the point of it: diacetyl, maturation
    RAMP = "ramp"  # move the setpoint to the target at a rate or over a time
    FREE_RISE = "free rise"  # no cooling below the ceiling (the target), no heating above the floor
    CRASH = "crash"  # to the target as fast as the bath allows; waits for active fermentations


@dataclass(frozen=True, slots=True)
class Ends:
    """All that is given must be true before the step ends. Times in s, gravity as specific gravity,
    attenuation as apparent attenuation 0..1."""

    after_s: float | None = None  # step time: good signal and wort within tolerance
    reached: bool = False  # wort within tolerance of the target once
    gravity: float | None = None  # last entered gravity at or below
    attenuation: float | None = None  # last entered apparent attenuation at or above
    steady_s: float | None = None  # entered gravities within 0.001 over at least this long
    confirmed: str = ""  # the question that the brewer answers


@dataclass(frozen=True, slots=True)
class ProfileStep:
    """One step. `rate_k_per_s` or `over_s` belongs to a ramp; `floor_c` to a free rise (None: the setpoint
    at its start). At `at_most_s` an alarm is raised and the step holds, or goes on where `goes_on` says so;
    a confirmation is never skipped. The setpoint of a ramp waits for a wort that is more than `waits_within_k` behind;
    without that it goes on, and it is only reported that the wort is behind."""

    name: str
    kind: StepKind
    target_c: float
    tolerance_k: float
    ends: Ends
    at_most_s: float
    goes_on: bool = False
    rate_k_per_s: float | None = None
    over_s: float | None = None
    floor_c: float | None = None
    waits_within_k: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Profile:
    """A named course. A batch keeps its own copy, so that later edits of the file do not touch it."""

    name: str
    title: str
    steps: tuple[ProfileStep, ...]
