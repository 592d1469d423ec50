"""The faults whose detection is measured, and the phases of a batch in which they happen."""

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

from controller.control.course import Profile, ProfileStep
from tests.bench.random_plants import crash, hold, ramp
from tests.simulation.plant_brew import Brew
from tests.simulation.plant_specs import LAGER, CellarSpec, VesselSpec

ALL = ("active fermentation", "hold", "ramp up", "ramp down", "crash", "cold hold")


@dataclass(frozen=True, slots=True)
class Kind:
    """A fault. `alarm` is the kind of the alarm that finds it, or the cause of the probe's failure. `phases` are those
    in which it can happen; `room` puts the room "colder" or "warmer" than the wort (so that heat or cold is used),
    "apart" by 4 to 12 K either way, or leaves it ("any")."""

    name: str
    alarm: str
    limit: str
    phases: Sequence[str]
    room: str = "any"


_WARM = ("active fermentation", "hold", "ramp up")
_HEATED = ("hold", "ramp up")  # at high kräusen the yeast heats
_COOL = ("active fermentation", "hold", "ramp down", "crash", "cold hold")
KINDS = (
    Kind("heater stuck on (welds while on)", "heater will not stop", "15 min or 0.5 K", _HEATED, "colder"),
    Kind("heater stuck on (closes by itself)", "heater will not stop", "15 min or 0.5 K", _WARM, "colder"),
    Kind("cooler stuck on (welds while on)", "cooler will not stop", "15 min or 0.5 K", _COOL, "warmer"),
    Kind("cooler stuck on (closes by itself)", "cooler will not stop", "15 min or 0.5 K", ALL),
    Kind("pump without effect", "cooler without effect", "20 min of pump time", _COOL, "warmer"),
    Kind("heater without effect", "heater without effect", "40 min of heat", _HEATED, "colder"),
    Kind("probe stuck", "stuck", "wort within 1 K", ALL),
    Kind("probe out of its well", "out of its well", "15 min", ALL, "apart"),
)


@dataclass(frozen=True, slots=True)
class Phase:
    """A batch in a phase: how its wort begins and what it is told to do. `profile` None: regulate at `target_c`."""

    name: str
    target_c: float
    wort_c: float
    activity: str  # "kräusen" | "done"
    fermented: float
    profile: Profile | None
    run_in_s: float  # from the start to the earliest fault


def drawn_phase(name: str, vessel: VesselSpec, chance: random.Random) -> Phase:
    """A phase of this name for a vessel."""
    lager = vessel.yeast.dormant_c == LAGER.dormant_c
    warm_c = chance.uniform(9.0, 13.0) if lager else chance.uniform(17.0, 21.0)
    run_in_s = chance.uniform(3.0, 14.0) * 3600.0
    at = round(warm_c, 1)
    if name == "active fermentation":
        return Phase(name, at, at + chance.uniform(-0.3, 0.3), "kräusen", chance.uniform(0.0, 0.3), None, run_in_s)
    done = chance.uniform(0.93, 1.0)
    if name == "cold hold":
        target_c = round(chance.uniform(1.5, 4.0), 1)
        return Phase(name, target_c, target_c + chance.uniform(-0.2, 0.3), "done", 1.0, None, run_in_s)
    before = hold("before", at, 3.0 / 24.0)
    profile = None
    if name == "ramp up":
        profile = _course(name, before, ramp("up", at + 4.0, chance.uniform(0.12, 0.35)))
    elif name == "ramp down":
        profile = _course(name, before, ramp("down", at - 6.0, chance.uniform(0.15, 0.5)))
    elif name == "crash":
        profile = _course(name, before, crash("down", 2.0))
        run_in_s = chance.uniform(3.2, 12.0) * 3600.0
    return Phase(name, at, at, "done", done, profile, run_in_s)


def _course(name: str, before: ProfileStep, move: ProfileStep) -> Profile:
    return Profile("course", name, (before, move, hold("after", move.target_c, 30.0)))


def begin(brew: Brew, phase: Phase) -> None:
    """Put the yeast where the phase has it."""
    brew.nearly_done(phase.fermented)
    if phase.activity == "kräusen":
        brew.advance(0.0, phase.wort_c)


def with_room(spec: CellarSpec, kind: Kind, phase: Phase, chance: random.Random) -> CellarSpec:
    """The cellar in a room in which the fault can show itself (see `Kind.room`)."""
    vessel, room = spec.vessels[0], spec.room
    if kind.room == "any":
        return spec
    target_c = phase.target_c
    if kind.room == "colder":
        # the heater must be able to hold the wort with a third of its power to spare
        most_k = 0.66 * vessel.heater_w * (1.0 - vessel.wrap_loss_share) / vessel.loss_w_per_k
        mean_c = target_c - min(chance.uniform(3.0, 12.0), most_k)
    elif kind.room == "warmer":
        mean_c = target_c + chance.uniform(3.0, 12.0)
    else:
        mean_c = target_c + chance.choice((-1.0, 1.0)) * chance.uniform(4.0, 12.0)
    return replace(spec, room=replace(room, mean_c=mean_c, daily_k=min(room.daily_k, 1.5)))
