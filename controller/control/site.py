"""The plant as the core knows it: frozen figures from the site file, in Celsius, kelvin, seconds, watts, litres."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from controller.control.course import Profile

UPSTREAM = "upstream"  # stands in a tag where a vessel's name does otherwise
COMPRESSOR = f"{UPSTREAM}/compressor"  # the tag of the chiller's


class Place(Enum):
    """Where a probe sits."""

    THERMOWELL = "thermowell"
    STRAPPED = "strapped on"
    ROOM = "room"
    BATH = "bath"


@dataclass(frozen=True, slots=True)
class Probe:
    """A temperature probe. A calibrated value is `gain` x raw + `offset_k`. Readings outside
    `low_c`..`high_c` (the sensor's own range) are a failure; `quiet_s` without one is too."""

    tag: str  # "vessel/name", "bath/name" or "room/name"
    place: Place
    quiet_s: float
    gain: float = 1.0
    offset_k: float = 0.0
    low_c: float = -55.0  # range of the common digital probe: DS18B20 datasheet
    high_c: float = 125.0
    fastest_k_per_s: float = 0.1  # beyond a step of 1 K; common practice, no source
    power_on_c: tuple[float, ...] = (85.0,)  # DS18B20 datasheet, Table 1: power-on reset value
    disconnected_c: tuple[float, ...] = (-127.0,)  # what common drivers report for "no device"; common practice


class Ending(Enum):
    """How an output ends if nobody renews it."""

    DEVICE_TIMER = "device timer"
    POWER_LOSS = "power loss"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Output:
    """A cooler (glycol pump or valve), a heater, or what stands upstream of them. `power_w` is what it moves when on,
    at the wort."""

    tag: str  # "vessel/cooler", "vessel/heater" or "upstream/name"
    power_w: float
    ending: Ending
    lifetime_s: float = 90.0
    renew_s: float = 25.0
    shortest_on_s: float = 60.0
    shortest_off_s: float = 180.0
    # A soft budget (design rule 8). A relay's contacts last 100 000 operations at rated load (data sheets named in
    # deploy/safety.md): ten years of 100 days with pulses, since a vessel is not regulated on every day of the year.
    starts_per_day: float = 100.0


class SignalLoss(Enum):
    """What the cooler does while no signal is fit to drive (design rule 2)."""

    OFF = "off"
    BOUNDED = "bounded"  # blind cooling, for a day at most and never below the wort's lower limit


class Supply(Enum):
    """What a device upstream gives to the outputs that it feeds."""

    CONTACTOR = "contactor"  # power
    PUMP = "pump"  # flow, through valves
    CHILLER = "chiller"  # cold, by its compressor; it feeds the bath and no output


@dataclass(frozen=True, slots=True)
class Upstream:
    """A device that several outputs share: without it none of them does anything. `feeds` are their tags. A pump
    starts when one of its valves has been open for `leads_s`, the time in which a valve opens. A chiller's compressor
    acts half of `deadband_k` above and below the bath's setpoint."""

    supply: Supply
    output: Output
    feeds: tuple[str, ...]
    leads_s: float = 0.0
    deadband_k: float = 0.0

    @property
    def name(self) -> str:
        """Its name in the site file."""
        return self.output.tag.partition("/")[2]


class LoopKind(Enum):
    """The algorithm of a loop."""

    ON_OFF = "on/off"
    PID = "pid"


@dataclass(frozen=True, slots=True)
class Loop:
    """How a vessel is regulated. PID gains act in watts per kelvin; pulses are spread over about `cycle_s`."""

    kind: LoopKind
    deadband_k: float
    gain_w_per_k: float
    integral_s: float
    derivative_s: float
    derivative_filter_s: float
    cycle_s: float
    changeover_s: float


@dataclass(frozen=True, slots=True)
class Limits:
    """No setpoint from any source leaves `low_c`..`high_c` (design rule 7)."""

    low_c: float
    high_c: float


@dataclass(frozen=True, slots=True)
class AlarmLimits:
    """When a vessel alarms: `deviation_k` from the setpoint of the moment for `delay_s`; below `low_c` or
    above `high_c` for `limit_delay_s`; a forgotten "off" every `reminder_s`."""

    deviation_k: float
    delay_s: float
    low_c: float
    high_c: float
    limit_delay_s: float
    deadband_k: float
    reminder_s: float


@dataclass(frozen=True, slots=True)
class Vessel:
    """One fermenter. `heat_capacity_j_per_k` is of the full vessel (wort and wall); `coldest_room_c` is the coldest
    that the air around it can become within a day, whatever fails."""

    name: str
    volume_l: float
    heat_capacity_j_per_k: float
    probes: tuple[Probe, ...]
    cooler: Output | None
    heater: Output | None
    loop: Loop
    limits: Limits
    alarms: AlarmLimits
    freeze_margin_k: float = 0.5
    signal_loss: SignalLoss = SignalLoss.OFF
    coldest_room_c: float = 5.0


@dataclass(frozen=True, slots=True)
class Bath:
    """The glycol reservoir that all coolers share. `chiller_w` is what the chiller can remove for long;
    above `warm_c` it is called warm; `freeze_c` is the glycol's freezing point."""

    probes: tuple[Probe, ...]
    setpoint_c: float
    warm_c: float
    freeze_c: float
    freeze_margin_k: float
    chiller_w: float


@dataclass(frozen=True, slots=True)
class Site:
    """One daemon's whole plant. Vessels are in the order of their names."""

    name: str
    scan_s: float
    vessels: tuple[Vessel, ...]
    bath: Bath | None
    room: Probe | None
    profiles: Mapping[str, Profile] = field(default_factory=dict)
    manual_heat_over_mqtt: bool = False
    upstream: tuple[Upstream, ...] = ()  # pumps first: the order in which everything is switched off
    probes: tuple[Probe, ...] = field(init=False, compare=False)  # all of them: vessels' by name, bath's, room's
    compressor: Upstream | None = field(init=False, compare=False)  # of the chiller
    fed: Mapping[str, tuple[Upstream, ...]] = field(init=False, compare=False)  # by output tag: contactor, then pump

    def __post_init__(self) -> None:
        wort = tuple(probe for vessel in self.vessels for probe in vessel.probes)
        bath = self.bath.probes if self.bath else ()
        object.__setattr__(self, "probes", wort + bath + ((self.room,) if self.room else ()))
        chillers = [each for each in self.upstream if each.supply is Supply.CHILLER]
        object.__setattr__(self, "compressor", chillers[0] if chillers and self.bath else None)
        fed: dict[str, tuple[Upstream, ...]] = {}
        for device in sorted(self.upstream, key=lambda each: each.supply is Supply.PUMP):
            fed.update({tag: (*fed.get(tag, ()), device) for tag in device.feeds})
        object.__setattr__(self, "fed", fed)

    def vessel(self, name: str) -> Vessel | None:
        """The vessel of that name, or None."""
        return next((v for v in self.vessels if v.name == name), None)
