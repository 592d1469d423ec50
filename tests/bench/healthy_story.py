"""What happens in a healthy cellar: one batch after another, and everything that people and weather do meanwhile."""

import random
from dataclasses import dataclass

from controller.control.course import Profile, ProfileStep
from controller.control.state import BatchState
from tests.bench.random_plants import DAY_S, HOUR_S, Rig, crash, free_rise, hold, ramp
from tests.simulation.plant_brew import Brew
from tests.simulation.plant_specs import LAGER, CellarSpec, VesselSpec

LOOKS_S = 600.0  # how often the cellarman looks at each vessel
COLD_C = 5.0  # nobody takes a gravity below
PROFILES = 8  # of each vessel, used in turn


@dataclass(slots=True)
class Bench:
    """One vessel's life: what is in it and what comes next."""

    spec: VesselSpec
    brew: Brew | None = None
    next_s: float = 0.0  # when the next batch begins, while empty
    clean_s: float | None = None
    started: bool = False
    gravity_s: float = 0.0
    ends_s: float = 0.0  # earliest end of the batch
    number: int = 0
    event: str = ""
    event_s: float = -1e9
    back_s: float | None = None  # when the mode goes back to auto


class Cellarman:
    """Fills, takes gravities, packages, cleans; opens lids and doors, touches probes. The same seed does the same."""

    def __init__(self, spec: CellarSpec, seed: int, ends_s: float) -> None:
        self.spec, self.ends_s = spec, ends_s
        self.batches = 0
        self._chance = random.Random(f"{seed}/cellarman")
        self._lives = {
            vessel.name: Bench(vessel, next_s=self._chance.uniform(0.0, 2.0) * DAY_S) for vessel in spec.vessels
        }
        self.profiles = [
            Profile(f"{vessel.name}-{i}", "healthy", _course(vessel, self._chance))
            for vessel in spec.vessels
            for i in range(PROFILES)
        ]
        self._by_the_window = self._chance.choice(("", "", spec.vessels[0].name))
        self._looked_s = -LOOKS_S
        self._away_s = self._chance.uniform(2.0, 20.0) * DAY_S

    def looks(self, rig: Rig) -> bool:
        """Whether the cellarman has looked just before this scan."""
        return rig.now_s - self._looked_s < 1.5 * rig.site.scan_s

    def doing(self, rig: Rig, name: str) -> str:
        """What goes on in a vessel, for a report."""
        life, state = self._lives[name], rig.state.vessels[name]
        step = ""
        if state.program is not None and state.batch is not None and state.batch.profile is not None:
            now = state.batch.profile.steps[state.program.step]
            step = f" {now.name} ({now.kind.value} {now.target_c:.1f} °C, for {state.program.elapsed_s / HOUR_S:.1f} h)"
        event = f", {life.event} {(rig.now_s - life.event_s) / 60.0:.0f} min ago" if life.event else ""
        return f"{state.condition.value}, mode {state.mode.value},{step}{event}"

    def works(self, rig: Rig) -> None:
        """Everything that happens before this scan."""
        now_s = rig.now_s
        if now_s - self._looked_s < LOOKS_S:
            return
        self._looked_s = now_s
        if now_s > self._away_s:
            self._service_away(rig)
        chance = self._chance
        hour = now_s % DAY_S / HOUR_S
        if 7.0 < hour < 20.0 and chance.random() < 0.05:  # four a day
            rig.plant.door(chance.uniform(60.0, 1200.0))
        for name, life in self._lives.items():
            if life.brew is None:
                self._between_batches(rig, name, life)
            else:
                self._during_batch(rig, name, life, hour)

    def _between_batches(self, rig: Rig, name: str, life: Bench) -> None:
        now_s, chance = rig.now_s, self._chance
        if life.clean_s is not None and now_s >= life.clean_s:
            rig.plant.clean(name, chance.uniform(50.0, 80.0))
            life.clean_s = None
            self._note(life, "hot cleaning", now_s)
        if now_s < life.next_s:
            return
        share, og = chance.uniform(0.6, 0.92), chance.uniform(1.038, 1.075)
        warm_c = _pitch_c(life.spec) + chance.uniform(-2.0, 6.0)
        litres = share * life.spec.volume_l
        life.brew = rig.plant.fill(name, og, chance.uniform(0.70, 0.84), litres, warm_c)
        told: dict[str, str | float | bool] = {
            "batch": f"{name} {life.number}",
            "og": round(og, 3),
            "volume_l": share * self.spec.nominal[name].volume_l,
            "profile": f"{name}-{life.number % PROFILES}",
        }
        rig.ask(name, "start", **told)
        life.number += 1
        self.batches += 1
        life.gravity_s = now_s
        life.ends_s = now_s + chance.uniform(6.0, 20.0) * DAY_S
        self._note(life, "filled", now_s)

    def _during_batch(self, rig: Rig, name: str, life: Bench, hour: float) -> None:
        assert life.brew is not None
        now_s, chance, state = rig.now_s, self._chance, rig.state.vessels[name]
        wort_c = rig.plant.vessels[name].mean_c()
        if wort_c > COLD_C and now_s - life.gravity_s > 12 * HOUR_S and 8.0 < hour < 18.0:
            life.gravity_s = now_s
            read = min(life.brew.apparent_gravity() + chance.gauss(0.0, 0.0005), life.brew.og)
            rig.ask(name, "gravity", gravity=round(read, 3))
        last = state.batch is not None and state.batch.profile is not None and state.program is not None
        if last and state.program is not None and state.batch is not None and state.batch.profile is not None:
            last = state.program.step >= len(state.batch.profile.steps) - 1
        if now_s > life.ends_s and (last or state.condition is BatchState.COMPLETE):
            rig.plant.drain(name)
            rig.ask(name, "packaged")
            life.brew = None
            life.clean_s = now_s + chance.uniform(0.2, 6.0) * HOUR_S
            life.next_s = life.clean_s + chance.uniform(4.0, 60.0) * HOUR_S
            self._note(life, "packaged", now_s)
            return
        if life.back_s is not None:
            if now_s >= life.back_s:
                rig.ask(name, "mode", mode="auto")
                life.back_s = None
                self._note(life, "auto again", now_s)
            return
        self._people(rig, name, life, hour)

    def _people(self, rig: Rig, name: str, life: Bench, hour: float) -> None:
        """What may happen to a vessel in these ten minutes."""
        now_s, chance, plant = rig.now_s, self._chance, rig.plant
        if name == self._by_the_window and 10.0 < hour < 16.0 and chance.random() < 0.01:
            # 500 W/m² through glass, half of it taken, on a tenth of a square metre of a 60 L vessel
            size = (life.spec.volume_l / 60.0) ** (2.0 / 3.0)
            plant.sun(name, chance.uniform(5.0, 30.0) * size, chance.uniform(0.3, 2.0) * HOUR_S)
            self._note(life, "sun", now_s)
        if not 7.0 < hour < 22.0:
            if 22.0 <= hour < 22.2 and chance.random() < 0.1:
                rig.ask(name, "quiet", for_s=8 * HOUR_S)
                self._note(life, "quiet hours", now_s)
            return
        what = chance.random()
        if what < 0.003:  # every four days
            plant.lid(name, chance.uniform(180.0, 2400.0))
            self._note(life, "lid off", now_s)
        elif what < 0.005:
            plant.fault(f"{name}/well", "hand", 0.0, chance.uniform(10.0, 90.0))
            self._note(life, "hand on the probe", now_s)
        elif what < 0.006:
            plant.fault(f"{name}/well", "missing", 0.0, chance.uniform(10.0, 600.0))
            self._note(life, "probe silent", now_s)
        elif what < 0.0065:
            rig.ask(name, "mode", mode="off")
            life.back_s = now_s + chance.uniform(0.2, 3.0) * HOUR_S
            self._note(life, "mode off", now_s)
        elif what < 0.007:
            rig.ask(
                name, "mode", mode="manual", duty=chance.choice((-1.0, -0.5, 0.5)), for_s=chance.uniform(300.0, 3600.0)
            )
            self._note(life, "manual", now_s)

    def _service_away(self, rig: Rig) -> None:
        """The service is stopped for some minutes: all outputs end by their own timers."""
        for tag in list(rig.commanded):
            rig.plant.set_output(tag, False)
        rig.plant.advance(self._chance.uniform(60.0, 1800.0) // 10.0 * 10.0)
        for tag, on in rig.commanded.items():
            rig.plant.set_output(tag, on)  # what it commands when it is back, renewed at its first scan
        self._away_s = rig.now_s + self._chance.uniform(5.0, 30.0) * DAY_S

    def _note(self, life: Bench, event: str, now_s: float) -> None:
        life.event, life.event_s = event, now_s


def _pitch_c(vessel: VesselSpec) -> float:
    return 11.0 if vessel.yeast.dormant_c == LAGER.dormant_c else 19.0


def _course(vessel: VesselSpec, chance: random.Random) -> tuple[ProfileStep, ...]:
    """A course of the trade's kinds: primary, warmer rest, down, cold."""
    at = round(_pitch_c(vessel) + chance.uniform(-1.5, 1.5), 1)
    warm_c = round(at + chance.uniform(1.0, 4.5), 1)
    cold_c = chance.choice((1.0, 2.0, 2.0, 4.0))
    primary = hold("primary", at, chance.uniform(2.0, 6.0))
    if chance.random() < 0.4:
        primary = hold("primary", at, 8.0, attenuation=0.5)
    up = (
        free_rise("rise", warm_c, at, chance.uniform(1.0, 3.0))
        if chance.random() < 0.4
        else ramp("up", warm_c, chance.uniform(0.04, 0.4))
    )
    rest = hold("rest", warm_c, chance.uniform(1.0, 3.0))
    down = crash("crash", cold_c) if chance.random() < 0.6 else ramp("down", cold_c, chance.uniform(0.05, 0.6), 20.0)
    return primary, up, rest, down, hold("cold", cold_c, 90.0)
