"""Random test plants under the pure core: the site file's wrong figures, relays that weld, what the core is told."""

import random
from collections.abc import Sequence
from dataclasses import replace

from controller import defaults
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import initial_state
from controller.control.site import AlarmLimits, Bath, Ending, Limits, LoopKind, Output, Place, Probe, Site, Vessel
from controller.control.state import SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Inputs, Reading
from controller.simulate import EPOCH_UTC_S
from tests.simulation.plant import Cellar
from tests.simulation.plant_specs import CellarSpec

HOUR_S, DAY_S = 3600.0, 86400.0
LIMITS = Limits(0.5, 30.0)


def site_of(
    spec: CellarSpec, seed: int, scan_s: float, profiles: Sequence[Profile] = (), limits: Limits = LIMITS
) -> Site:
    """The site as its brewer describes it: volumes and powers from `spec.nominal`, everything else by default."""
    chance = random.Random(f"{seed}/site")
    vessels = []
    for vessel in spec.vessels:
        name, nominal = vessel.name, spec.nominal[vessel.name]
        heat_capacity = defaults.vessel_heat_capacity_j_per_k(nominal.volume_l, vessel.wall_j_per_k)
        loop = defaults.loop(heat_capacity)
        if chance.random() < 0.3:
            loop = replace(loop, kind=LoopKind.ON_OFF)
        vessels.append(
            Vessel(
                name=name,
                volume_l=nominal.volume_l,
                heat_capacity_j_per_k=heat_capacity,
                probes=(Probe(f"{name}/well", Place.THERMOWELL, 30.0),),
                cooler=Output(f"{name}/cooler", nominal.cooler_w, Ending.DEVICE_TIMER),
                heater=Output(f"{name}/heater", nominal.heater_w, Ending.DEVICE_TIMER) if nominal.heater_w else None,
                loop=loop,
                limits=limits,
                alarms=AlarmLimits(1.0, 1800.0, limits.low_c - 1.0, limits.high_c + 1.0, 300.0, 0.2, 43200.0),
            )
        )
    glycol = spec.bath
    bath = Bath(
        (Probe("bath/tank", Place.BATH, 30.0),),
        glycol.setpoint_c,
        glycol.setpoint_c + defaults.WARM_ABOVE_SETPOINT_K,
        glycol.freeze_c,
        defaults.BATH_FREEZE_MARGIN_K,
        glycol.chiller_w,
    )
    room = Probe("room/air", Place.ROOM, 60.0)
    return Site("bench", scan_s, tuple(vessels), bath, room, {profile.name: profile for profile in profiles})


class Rig:
    """The core and a test plant, scan by scan. `welded` holds contacts closed or open whatever is commanded;
    `commanded` is what the core wants of each output. Relays' own timers never come to act here: nothing is lost on
    the way."""

    def __init__(self, site: Site, plant: Cellar) -> None:
        self.site, self.plant = site, plant
        self.state: SiteState = initial_state(site, 0.0)
        self.commanded: dict[str, bool] = {}
        self.welded: dict[str, bool] = {}
        self._tags = [probe.tag for probe in site.probes]
        self._ids = 0
        self._next: list[Action] = []

    @property
    def now_s(self) -> float:
        """The plant's time and the service's."""
        return self.plant.now_s

    def ask(self, vessel: str, verb: str, **arguments: str | float | bool) -> None:
        """An operator's action, for the next scan."""
        self._ids += 1
        self._next.append(Action(f"bench-{self._ids}", vessel, verb, arguments, "bench"))

    def scan(self) -> StepResult:
        """One scan, then the plant goes on until the next."""
        plant, now_s = self.plant, self.plant.now_s
        readings = {}
        for tag in self._tags:
            celsius = plant.probe_c(tag)
            if celsius is not None:
                readings[tag] = Reading(celsius, now_s)
        actions: tuple[Action, ...] = ()
        if self._next:
            actions = tuple(self._next)
            self._next.clear()
        result = step(self.site, self.state, Inputs(now_s, EPOCH_UTC_S + now_s, readings, actions))
        for command in result.commands:
            tag = command.tag
            self.commanded[tag] = command.on
            if tag not in self.welded:
                plant.set_output(tag, command.on)
        self.state = result.state
        plant.advance(self.site.scan_s)
        return result

    def weld(self, tag: str, closed: bool) -> None:
        """Weld an output's contacts."""
        self.welded[tag] = closed
        self.plant.set_output(tag, closed)


def hold(name: str, target_c: float, days: float, **ends: float | bool) -> ProfileStep:
    """A hold; it goes on by itself at its longest time."""
    return _step(name, StepKind.HOLD, target_c, days, goes_on=True, ends=Ends(**ends))  # type: ignore[arg-type]


def ramp(name: str, target_c: float, k_per_h: float, days: float = 10.0) -> ProfileStep:
    """A ramp to the target."""
    return replace(_step(name, StepKind.RAMP, target_c, days, goes_on=True), rate_k_per_s=k_per_h / HOUR_S)


def crash(name: str, target_c: float, days: float = 10.0) -> ProfileStep:
    """A crash, until it is reached."""
    return _step(name, StepKind.CRASH, target_c, days, goes_on=True, ends=Ends(reached=True))


def free_rise(name: str, ceiling_c: float, floor_c: float, days: float) -> ProfileStep:
    """A free rise for some time."""
    plain = _step(name, StepKind.FREE_RISE, ceiling_c, days, goes_on=True, ends=Ends(after_s=days * DAY_S))
    return replace(plain, floor_c=floor_c)


def _step(
    name: str, kind: StepKind, target_c: float, days: float, goes_on: bool, ends: Ends | None = None
) -> ProfileStep:
    reached = Ends(reached=True)
    return ProfileStep(name, kind, target_c, defaults.STEP_TOLERANCE_K, ends or reached, days * DAY_S, goes_on)
