"""Models of a profile file: steps, how each ends, and where its figures come from."""

from itertools import pairwise
from typing import Annotated

from pydantic import Field, ValidationInfo, field_validator

from controller import defaults
from controller.control.course import StepKind
from controller.faults import Wrong, shown
from controller.model_types import (
    Gravity,
    Line,
    Part,
    Prose,
    Source,
    a_difference,
    a_duration,
    a_percentage,
    a_rate,
    a_temperature,
    one_of,
)
from controller.quantities import DURATION, TEMPERATURE

Temperature = Annotated[float, a_temperature(-5, 40)]
StepTime = Annotated[float, a_duration("1 min", "400 d")]
KINDS = tuple(kind.value for kind in StepKind)


def _true(value: bool | None) -> bool | None:
    if value is False:
        raise Wrong("false", "true, or no such key")
    return value


class EndsPart(Part):
    """All that is given must be true before the step ends."""

    after: StepTime | None = None
    reached: bool | None = None
    gravity: Gravity | None = None
    attenuation: Annotated[float, a_percentage("1 %", "100 %")] | None = None
    steady: Annotated[float, a_duration("12 h", "60 d")] | None = None
    confirmed: Line | None = None

    @field_validator("reached")
    @classmethod
    def _only_true(cls, reached: bool | None) -> bool | None:
        return _true(reached)

    def given(self) -> bool:
        """Whether anything at all ends the step."""
        return any(getattr(self, key) is not None for key in type(self).model_fields)


class WhyPart(Part):
    """The published range in which a figure lies, and where it was published."""

    range: Line = Field(description='a range such as "18 C to 20 C"')
    source: Source = Field(description="where the range is published")


class StepPart(Part):
    """One step of a profile."""

    name: Line = Field(description="the step's name")
    kind: Annotated[str, one_of(*KINDS)] = Field(description=" or ".join(KINDS))
    target: Temperature | None = Field(default=None, validate_default=True)
    ceiling: Temperature | None = Field(default=None, validate_default=True)
    floor: Temperature | None = None
    tolerance: Annotated[float, a_difference("0.1 K", "5 K")] = defaults.STEP_TOLERANCE_K
    rate: Annotated[float, a_rate("0.05 K/d", "10 K/h")] | None = None
    over: StepTime | None = Field(default=None, validate_default=True)
    waits_within: Annotated[float, a_difference("0.2 K", "5 K")] | None = None
    ends: EndsPart | None = Field(default=None, validate_default=True)
    at_most: StepTime = Field(description=f"the longest time, after which the step calls for a person: {DURATION}")
    at_longest: Annotated[str, one_of("hold", "go on")] = "hold"
    note: Prose = ""
    why: dict[str, WhyPart] = Field(default_factory=dict)

    @field_validator("target", "ceiling")
    @classmethod
    def _target_or_ceiling(cls, value: float | None, info: ValidationInfo) -> float | None:
        kind = info.data.get("kind")
        if kind is None:
            return value
        wanted = "ceiling" if kind == "free rise" else "target"
        if info.field_name == wanted and value is None:
            raise Wrong("nothing", f"{TEMPERATURE}: a {kind} has a {wanted}")
        if info.field_name != wanted and value is not None:
            raise Wrong(f"{info.field_name} in a {kind}", f"{wanted}")
        return value

    @field_validator("floor")
    @classmethod
    def _floor_of_free_rise(cls, floor: float | None, info: ValidationInfo) -> float | None:
        ceiling = info.data.get("ceiling")
        if floor is not None and info.data.get("kind") not in {None, "free rise"}:
            raise Wrong(f"floor in a {info.data['kind']}", "a floor only in a free rise")
        if floor is not None and ceiling is not None and floor > ceiling:
            raise Wrong(f"{floor:g} C above the ceiling of {ceiling:g} C", "a floor at or below the ceiling")
        return floor

    @field_validator("over")
    @classmethod
    def _ramp_speed(cls, over: float | None, info: ValidationInfo) -> float | None:
        kind = info.data.get("kind")
        if kind is None or "rate" not in info.data:
            return over
        given = (info.data["rate"] is not None) + (over is not None)
        if kind == "ramp" and given != 1:
            raise Wrong("both rate and over" if given else "neither rate nor over", "one of them in a ramp")
        if kind != "ramp" and given:
            raise Wrong(f"rate or over in a {kind}", "rate or over only in a ramp")
        return over

    @field_validator("waits_within")
    @classmethod
    def _of_a_ramp(cls, within: float | None, info: ValidationInfo) -> float | None:
        kind, tolerance_k = info.data.get("kind"), info.data.get("tolerance")
        if within is not None and kind not in {None, "ramp"}:
            raise Wrong(f"waits_within in a {kind}", "waits_within only in a ramp, whose setpoint moves")
        if within is not None and tolerance_k is not None and within > tolerance_k:
            raise Wrong(
                f"{within:g} K with a tolerance of {tolerance_k:g} K",
                "at most the step's tolerance, so that a waiting step can still end",
            )
        return within

    @field_validator("ends")
    @classmethod
    def _ends_somehow(cls, ends: EndsPart | None, info: ValidationInfo) -> EndsPart | None:
        if info.data.get("kind") not in {None, "ramp"} and (ends is None or not ends.given()):
            raise Wrong("nothing that ends the step", "one or more of " + ", ".join(EndsPart.model_fields))
        return ends

    @field_validator("at_most")
    @classmethod
    def _long_enough(cls, at_most: float, info: ValidationInfo) -> float:
        ends = info.data.get("ends")
        least = max(info.data.get("over") or 0.0, *((ends.after or 0.0, ends.steady or 0.0) if ends else (0.0,)))
        if at_most < least:
            raise Wrong(f"{at_most / 3600:g} h", f"at least the {least / 3600:g} h that the step itself takes")
        return at_most

    @field_validator("at_longest")
    @classmethod
    def _never_past_a_question(cls, at_longest: str, info: ValidationInfo) -> str:
        ends = info.data.get("ends")
        if at_longest == "go on" and ends is not None and ends.confirmed is not None:
            raise Wrong('"go on" in a step that asks', "hold: a step never goes on past a confirmation")
        return at_longest


class ProfilePart(Part):
    """A whole profile file."""

    title: Line = Field(description="a title, such as Ale, three weeks")
    about: Prose = ""
    units: Annotated[str, one_of("C", "F")] | None = None
    steps: list[StepPart] = Field(min_length=1, max_length=50, description="a list of at least one step")

    @field_validator("steps")
    @classmethod
    def _names_differ(cls, steps: list[StepPart]) -> list[StepPart]:
        names = [step.name for step in steps]
        for number, name in enumerate(names):
            if name in names[:number]:
                raise Wrong(f"a second step {shown(name)}", "another name for each step", (number, "name"))
        return steps

    @field_validator("steps")
    @classmethod
    def _ramps_arrive(cls, steps: list[StepPart]) -> list[StepPart]:
        """A ramp's longest time is enough for its rate; after a free rise the start is not known."""
        for number, (before, ramp) in enumerate(pairwise(steps), start=1):
            if ramp.rate is None or before.target is None or ramp.target is None:
                continue
            needed_s = abs(ramp.target - before.target) / ramp.rate
            if needed_s > ramp.at_most:
                right = f"at least the {needed_s / 3600:.1f} h that the rate needs"
                raise Wrong(f"{ramp.at_most / 3600:g} h", right, (number, "at_most"))
        return steps
