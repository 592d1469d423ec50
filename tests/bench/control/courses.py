"""The course of a batch as everybody has to drive it: legs of fixed length, so that all have the same setpoints at the
same time. A crash may end before its length; what follows it is the last leg."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from controller.control.course import Ends, Profile, ProfileStep
from tests.bench import random_plants as steps

HOUR_S = 3600.0
NEVER_S = 1e12


@dataclass(frozen=True, slots=True)
class Leg:
    """A "hold", "ramp" or "crash" at or to `target_c` of `hours`; a hold at another target than before is a pull-down
    (or a jump upwards)."""

    kind: str
    target_c: float
    hours: float


@dataclass(frozen=True, slots=True)
class Course:
    """What one vessel does: filled at `wort_c` with wort of `og` that ferments to `attenuation`, then its legs.
    `steady_w` instead is a yeast that gives the same heat for ever; `krausen` starts it at full activity."""

    legs: tuple[Leg, ...]
    wort_c: float
    og: float = 1.050
    attenuation: float = 0.78
    steady_w: float | None = None
    krausen: bool = False
    filled: float = 0.85  # share of the vessel's volume

    @property
    def hours(self) -> float:
        """Its length."""
        return sum(leg.hours for leg in self.legs)

    def starts_s(self) -> list[float]:
        """When each leg begins."""
        at_s, starts = 0.0, []
        for leg in self.legs:
            starts.append(at_s)
            at_s += leg.hours * HOUR_S
        return starts

    def setpoints(self, times_s: Sequence[float]) -> list[float]:
        """The setpoint at each of these times, which do not fall."""
        starts, number, found = self.starts_s(), 0, []
        for at_s in times_s:
            while number + 1 < len(starts) and at_s >= starts[number + 1]:
                number += 1
            leg = self.legs[number]
            if leg.kind == "ramp":
                from_c = self.legs[number - 1].target_c
                part = min((at_s - starts[number]) / (leg.hours * HOUR_S), 1.0)
                found.append(from_c + part * (leg.target_c - from_c))
            else:
                found.append(leg.target_c)
        return found

    def profile(self, name: str) -> Profile:
        """The same as a profile of the service."""
        made: list[ProfileStep] = []
        for number, leg in enumerate(self.legs, start=1):
            title, days = f"{leg.kind} {number}", leg.hours / 24.0
            if leg.kind == "crash":
                made.append(steps.crash(title, leg.target_c, days))
            elif leg.kind == "ramp":
                span_k = abs(leg.target_c - made[-1].target_c)
                ramp = steps.ramp(title, leg.target_c, span_k / leg.hours, days)
                made.append(replace(ramp, ends=Ends(after_s=NEVER_S)))
            else:
                made.append(steps.hold(title, leg.target_c, days, after_s=NEVER_S))
        return Profile(name, name, tuple(made))
