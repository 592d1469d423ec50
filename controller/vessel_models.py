"""Models of the vessel's part of a site file: probes, outputs, loop, limits, alarms.

Checks that need two keys sit on the later key, so that a fault elsewhere in the block does not hide them."""

from datetime import date
from typing import Annotated, NamedTuple

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator

from controller import defaults
from controller.control.site import UPSTREAM, Ending, Output, SignalLoss
from controller.faults import Wrong, shown
from controller.model_types import (
    Line,
    Part,
    Payload,
    Pointer,
    Slug,
    Topic,
    YesNo,
    a_count,
    a_difference,
    a_duration,
    a_gain,
    a_heat_capacity,
    a_power,
    a_temperature,
    a_volume,
    one_of,
    within,
)
from controller.quantities import POWER, TEMPERATURE, VOLUME, duration_s

_STANDARD = Output("", 0.0, Ending.NOTHING)  # for the defaults of its times
ENDS = '"device timer 120 s", "power loss" or "nothing"'
# A timer much longer than this is no protection. Common practice, no source.
_LONGEST_TIMER_S = 600.0
# A cooler or heater that moves the wort faster than this is a slip of the pen: kW for W, or another vessel's volume.
# Coils and wraps of fermenters make 1 to 10 K an hour. Common practice, no source.
_FASTEST_K_PER_H = 60.0
_BEYOND_HARD_LIMIT_K = 5.0  # an alarm farther outside rings when the harm is done; common practice, no source


class PointPart(Part):
    """What the probe showed, and what a reference thermometer showed."""

    measured: Annotated[float, a_temperature(-30, 130)] = Field(description=TEMPERATURE)
    actual: Annotated[float, a_temperature(-30, 130)] = Field(description=TEMPERATURE)


class CalibrationPart(Part):
    """An offset that is added, or two points; and the day of the comparison."""

    day: str = Field(alias="date", description="the day of the comparison, such as 2026-03-01")
    offset: Annotated[float, a_difference("-5 K", "5 K")] | None = None
    points: list[PointPart] | None = Field(default=None, validate_default=True)

    @field_validator("day", mode="before")
    @classmethod
    def _day(cls, value: object) -> object:
        try:
            return date.fromisoformat(value if isinstance(value, str) else "").isoformat()
        except ValueError:
            raise Wrong(shown(value), "the day of the comparison, such as 2026-03-01") from None

    @field_validator("points")
    @classmethod
    def _one_kind(cls, points: list[PointPart] | None, info: ValidationInfo) -> list[PointPart] | None:
        if (points is None) == (info.data.get("offset") is None) and "offset" in info.data:
            raise Wrong("both or neither", "either offset or points")
        if points is not None:
            if len(points) != 2 or abs(points[0].measured - points[1].measured) < 5.0:
                raise Wrong(f"{len(points)} points", "two points at least 5 K apart")
            gain, offset_k = line_through(points)
            if not 0.9 <= gain <= 1.1 or abs(offset_k) > 5.0:
                raise Wrong(f"points that need a factor of {gain:.2f} and {offset_k:+.1f} K", "0.9 to 1.1 and +/-5 K")
        return points


class RangePart(Part):
    """The sensor's own range; readings outside are a failure."""

    low: Annotated[float, a_temperature(-100, 50)] = Field(description=TEMPERATURE)
    high: Annotated[float, a_temperature(20, 200)] = Field(description=TEMPERATURE)


Codes = Annotated[list[Annotated[float, a_temperature(-300, 1000)]], Field(max_length=4)]


class ProbePart(Part):
    """A probe of the bath or the room. Either it reports regularly, or it reports changes and may be silent."""

    name: Slug = Field(description="a short name, such as well")
    topic: Topic = Field(description="the MQTT topic of its readings, such as cellar/probes")
    pointer: Pointer = ""
    time_pointer: Pointer | None = None
    unit: Annotated[str, one_of("C", "F", "K")] = Field(description="the unit that the probe sends: C, F or K")
    reports_every: Annotated[float, a_duration("1 s", "1 h")] | None = None
    longest_silence: Annotated[float, a_duration("10 s", "12 h")] | None = Field(default=None, validate_default=True)
    calibration: CalibrationPart | None = None
    range: RangePart | None = None
    power_on: Codes | None = None
    disconnected: Codes | None = None

    @field_validator("longest_silence")
    @classmethod
    def _one_of_both(cls, silence: float | None, info: ValidationInfo) -> float | None:
        if "reports_every" in info.data and (silence is None) == (info.data["reports_every"] is None):
            found = "neither reports_every nor longest_silence" if silence is None else "both"
            raise Wrong(found, "reports_every, or longest_silence for a device that publishes only changes")
        return silence


class VesselProbePart(ProbePart):
    """A probe of a vessel."""

    place: Annotated[str, one_of("thermowell", "strapped on")] = Field(description="thermowell or strapped on")


class EndsPart(NamedTuple):
    """How an output ends by itself; `timer_s` belongs to a device timer."""

    ending: Ending
    timer_s: float | None


def _ends(value: object) -> EndsPart:
    text = value if isinstance(value, str) else ""
    if text.startswith("device timer"):
        timer_s = duration_s(text.removeprefix("device timer").strip())
        return EndsPart(Ending.DEVICE_TIMER, within(timer_s, 10, _LONGEST_TIMER_S, value, "10 s to 10 min"))
    if text in {"power loss", "nothing"}:
        return EndsPart(Ending(text), None)
    raise Wrong(shown(value), f"how it ends if nobody renews it: {ENDS}")


class SwitchedPart(Part):
    """A device that is switched: where its commands go, how it ends by itself, how long it rests."""

    topic: Topic = Field(description="the MQTT topic of its commands, such as cellar/relay1/set")
    node: YesNo = False
    on: Payload | None = Field(default=None, validate_default=True)
    off: Payload | None = Field(default=None, validate_default=True)
    renew: Annotated[float, a_duration("1 s", "5 min")] = _STANDARD.renew_s
    ends: Annotated[EndsPart, BeforeValidator(_ends)] | None = Field(default=None, validate_default=True)
    lifetime: Annotated[float, a_duration("2 s", "10 min")] | None = Field(default=None, validate_default=True)
    shortest_off: Annotated[float, a_duration("5 s", "30 min")] = _STANDARD.shortest_off_s

    @field_validator("on", "off")
    @classmethod
    def _payload_or_node(cls, payload: str | None, info: ValidationInfo) -> str | None:
        if "node" in info.data and (payload is None) != info.data["node"]:
            found = "nothing" if payload is None else f"{shown(payload)} for a node, which gets JSON"
            expected = 'the payload, such as "ON" or "OFF"' if payload is None else "no payload beside node: true"
            raise Wrong(found, expected)
        if payload is not None and payload == info.data.get("on"):
            raise Wrong(f"{shown(payload)} for on and off", "two different payloads")
        return payload

    @field_validator("ends")
    @classmethod
    def _says_how_it_ends(cls, ends: EndsPart | None, info: ValidationInfo) -> EndsPart | None:
        node, renew_s = info.data.get("node"), info.data.get("renew")
        if ends is None and node is False:
            raise Wrong("nothing", f"how it ends if nobody renews it: {ENDS}")
        if ends is not None and node and ends.ending is not Ending.DEVICE_TIMER:
            raise Wrong(f'"{ends.ending.value}" for a node', "a node ends by its own timer; leave the key out")
        if ends is not None and ends.timer_s is not None and renew_s is not None and ends.timer_s < 2 * renew_s:
            raise Wrong(
                f"a timer of {ends.timer_s:g} s",
                f"at least twice the renewal of {renew_s:g} s, so that one lost command does not stop the output",
            )
        return ends

    @field_validator("lifetime")
    @classmethod
    def _lifetime_fits(cls, lifetime: float | None, info: ValidationInfo) -> float:
        ends, renew_s = info.data.get("ends"), info.data.get("renew", 0.0)
        timer_s = ends.timer_s if ends and ends.timer_s is not None else None
        if lifetime is None:
            usual_s = _STANDARD.lifetime_s if timer_s is None else min(_STANDARD.lifetime_s, timer_s)
            return float(max(usual_s, 2 * renew_s))
        if lifetime < 2 * renew_s:
            raise Wrong(f"{lifetime:g} s", f"at least twice the renewal of {renew_s:g} s")
        if timer_s is not None and lifetime > timer_s:
            raise Wrong(f"{lifetime:g} s", f"at most the device's own timer of {timer_s:g} s")
        return lifetime


class OutputPart(SwitchedPart):
    """A cooler or heater: besides, what it moves."""

    power: Annotated[float, a_power("1 W", "50 kW")] = Field(description=POWER)
    shortest_on: Annotated[float, a_duration("5 s", "15 min")] = _STANDARD.shortest_on_s
    starts_per_day: Annotated[int, a_count(4, 2000)] = int(_STANDARD.starts_per_day)


class CoolerPart(OutputPart):
    """A glycol pump or valve. One that does not end by itself needs the brewer's own words."""

    accepted: Line | None = Field(default=None, validate_default=True)

    @field_validator("accepted")
    @classmethod
    def _accepted_in_words(cls, accepted: str | None, info: ValidationInfo) -> str | None:
        ends = info.data.get("ends")
        if ends is not None and ends.ending is not Ending.DEVICE_TIMER:
            if accepted is None:
                raise Wrong(
                    f'a cooler that ends by "{ends.ending.value}" only, so that it can run on and freeze the beer',
                    'a device timer, or `accepted: "..."` with the reason why this can be borne here',
                )
            if len(accepted.split()) < 3:
                raise Wrong(shown(accepted), "the reason in words, at least three")
        return accepted


def ends_by_itself(ends: EndsPart | None, found: str, what: str) -> EndsPart | None:
    """`ends` itself; wrong unless the device ends by a timer of its own. `found` says it with "{}" for the ending."""
    if ends is not None and ends.ending is not Ending.DEVICE_TIMER:
        right = f'"device timer 120 s": {what} must switch itself off when its "on" is not renewed'
        raise Wrong(found.format(ends.ending.value), right)
    return ends


class HeaterPart(OutputPart):
    """A heater. It must end by itself: whatever stops this service or the network must not leave it on."""

    @field_validator("ends")
    @classmethod
    def _ends_by_itself(cls, ends: EndsPart | None) -> EndsPart | None:
        return ends_by_itself(ends, 'a heater that ends by "{}" only', "a heater")


class LoopPart(Part):
    """How the vessel is regulated; figures left out follow from its heat capacity."""

    kind: Annotated[str, one_of("pid", "on/off")] = "pid"
    deadband: Annotated[float, a_difference("0.1 K", "3 K")] = defaults.DEADBAND_K
    gain: Annotated[float, a_gain("0.1 W/K", "100000 W/K")] | None = None
    integral: Annotated[float, a_duration("5 min", "2 d")] | None = None
    derivative: Annotated[float, a_duration("0 s", "2 h")] = defaults.DERIVATIVE_S
    derivative_filter: Annotated[float, a_duration("0 s", "1 h")] = defaults.DERIVATIVE_FILTER_S
    cycle: Annotated[float, a_duration("2 min", "4 h")] = defaults.CYCLE_S
    changeover: Annotated[float, a_duration("1 min", "6 h")] = defaults.CHANGEOVER_S


class LimitsPart(Part):
    """The hard limits: no setpoint from any source leaves them."""

    low: Annotated[float, a_temperature(-5, 40)] = Field(description=f"{TEMPERATURE}; hard limits have no default")
    high: Annotated[float, a_temperature(-5, 40)] = Field(description=f"{TEMPERATURE}; hard limits have no default")

    @field_validator("high")
    @classmethod
    def _above_low(cls, high: float, info: ValidationInfo) -> float:
        low = info.data.get("low")
        if low is not None and high < low + 1.0:
            raise Wrong(f"{high:g} C with a low limit of {low:g} C", "a high limit at least 1 K above the low one")
        return high


class AlarmsPart(Part):
    """When the vessel calls for a person."""

    deviation: Annotated[float, a_difference("0.2 K", "10 K")] = defaults.ALARM_DEVIATION_K
    deviation_for: Annotated[float, a_duration("1 min", "1 d")] = defaults.ALARM_DELAY_S
    low: Annotated[float, a_temperature(-10, 45)] | None = None
    high: Annotated[float, a_temperature(-10, 45)] | None = None
    limit_for: Annotated[float, a_duration("5 s", "6 h")] = defaults.ALARM_LIMIT_DELAY_S
    deadband: Annotated[float, a_difference("0.05 K", "2 K")] = defaults.ALARM_DEADBAND_K
    reminder: Annotated[float, a_duration("10 min", "7 d")] = defaults.ALARM_REMINDER_S


class VesselPart(Part):
    """One fermenter."""

    name: Slug = Field(description="a short name, such as fv1")
    volume: Annotated[float, a_volume("1 L", "20000 L")] = Field(description=VOLUME)
    wall_heat_capacity: Annotated[float, a_heat_capacity("0 J/K", "10000 kJ/K")] = 0.0
    probes: list[VesselProbePart] = Field(min_length=1, max_length=4, description="a list of at least one probe")
    cooler: CoolerPart | None = None
    heater: HeaterPart | None = None
    loop: LoopPart = LoopPart()
    limits: LimitsPart = Field(description="the hard limits low and high; they have no default")
    alarms: AlarmsPart = AlarmsPart()
    freeze_margin: Annotated[float, a_difference("0.2 K", "5 K")] = defaults.FREEZE_MARGIN_K
    signal_loss: Annotated[str, one_of(*(each.value for each in SignalLoss))] = SignalLoss.OFF.value
    coldest_room: Annotated[float, a_temperature(-30, 30)] = defaults.COLDEST_ROOM_C

    @field_validator("name")
    @classmethod
    def _not_reserved(cls, name: str) -> str:
        if name in {"bath", "room", "site", UPSTREAM}:
            raise Wrong(shown(name), f"another name: bath, room, site and {UPSTREAM} are taken by the plant itself")
        return name

    @field_validator("cooler", "heater")
    @classmethod
    def _can_be(cls, output: OutputPart | None, info: ValidationInfo) -> OutputPart | None:
        volume_l, wall = info.data.get("volume"), info.data.get("wall_heat_capacity")
        if output is None or volume_l is None or wall is None:
            return output
        capacity_j_per_k = defaults.vessel_heat_capacity_j_per_k(volume_l, wall)
        k_per_h = output.power * 3600.0 / capacity_j_per_k
        if k_per_h > _FASTEST_K_PER_H:
            most_w = _FASTEST_K_PER_H * capacity_j_per_k / 3600.0
            moves = "cool" if info.field_name == "cooler" else "warm"
            raise Wrong(
                f"{output.power:g} W for {volume_l:g} L, which would {moves} the wort by {k_per_h:.0f} K an hour",
                f"at most {most_w:.0f} W for this volume: what reaches the wort, usually 1 to 10 K an hour",
                ("power",),
            )
        return output

    @field_validator("loop")
    @classmethod
    def _pulses_fit(cls, loop: LoopPart, info: ValidationInfo) -> LoopPart:
        for output in (info.data.get("cooler"), info.data.get("heater")):
            if output is not None and loop.cycle < output.shortest_on + output.shortest_off:
                shortest_s = output.shortest_on + output.shortest_off
                raise Wrong(
                    f"{loop.cycle:g} s", f"at least the shortest on and off time together, {shortest_s:g} s", ("cycle",)
                )
        return loop

    @field_validator("alarms")
    @classmethod
    def _alarms_make_sense(cls, alarms: AlarmsPart, info: ValidationInfo) -> AlarmsPart:
        limits = info.data.get("limits")
        if limits is None:
            return alarms
        lowest_c, highest_c = limits.low - _BEYOND_HARD_LIMIT_K, limits.high + _BEYOND_HARD_LIMIT_K
        for key, value in (("low", alarms.low), ("high", alarms.high)):
            if value is not None and not lowest_c <= value <= highest_c:
                right = f"within 5 K of the hard limits: {lowest_c:g} C to {highest_c:g} C"
                raise Wrong(f"{value:g} C", right, (key,))
        low_c = limits.low if alarms.low is None else alarms.low
        high_c = limits.high if alarms.high is None else alarms.high
        if high_c - low_c < 1.0:
            key = "low" if alarms.high is None else "high"
            raise Wrong(f"alarm limits {low_c:g} C and {high_c:g} C", "a high alarm at least 1 K above the low", (key,))
        return alarms


def line_through(points: list[PointPart]) -> tuple[float, float]:
    """Gain and offset in K of the line through two calibration points."""
    first, second = points
    gain = (second.actual - first.actual) / (second.measured - first.measured)
    return gain, first.actual - gain * first.measured
