"""The person of the simulated cellar: fills, pitches, takes gravities, answers prompts, packages.

It sees what any operator sees, each vessel's published state, and answers with actions.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import count

from controller.control.values import Action
from controller.plant.cellar import Cellar
from controller.plant.demo import Beer

COLD_C = 5.0  # nobody samples a beer that is crashed
ANSWERS_AFTER_S = 3600.0  # a person is not at the vessel at once
PACKAGES_AFTER_S = 60 * 3600.0
LOOKS_EVERY_S = 600.0


@dataclass(frozen=True, slots=True)
class Plan:
    """What the brewer means to do with one vessel: which beer by which profile, and when to fill it."""

    vessel: str
    batch: str
    profile: str
    beer: Beer
    fill_at_s: float


class Brewer:
    """Works through its plans. `acts` is to be called at every scan with the vessels' published states."""

    gravity_every_s = 12 * 3600.0

    def __init__(self, cellar: Cellar, plans: tuple[Plan, ...]) -> None:
        self._cellar = cellar
        self._plans = plans
        self._ids = count(1)
        self._looked_s = -LOOKS_EVERY_S
        self._filled: set[str] = set()
        self._started: set[str] = set()
        self._pitched: set[str] = set()
        self._gravity_s: dict[str, float] = {}
        self._asked_s: dict[tuple[str, object], float] = {}

    def acts(self, now_s: float, vessels: Mapping[str, Mapping[str, object]]) -> tuple[Action, ...]:
        """What the brewer does now: nothing between two looks."""
        if now_s - self._looked_s < LOOKS_EVERY_S:
            return ()
        self._looked_s = now_s
        actions: list[Action] = []
        for plan in self._plans:
            seen = vessels.get(plan.vessel)
            if seen is not None and now_s >= plan.fill_at_s:
                actions += self._at_vessel(plan, seen, now_s)
        return tuple(actions)

    def _at_vessel(self, plan: Plan, seen: Mapping[str, object], now_s: float) -> list[Action]:
        beer, name = plan.beer, plan.vessel
        if name not in self._filled:
            self._filled.add(name)
            # Wort without yeast yet: nothing attenuates.
            self._cellar.pitch(name, beer.og, 0.0, beer.volume_l, beer.wort_c)
            return []
        if name not in self._started:
            self._started.add(name)
            return [self._action(name, "start", _wort(plan))]
        actions = []
        step = seen.get("step")
        setpoint_c = seen.get("setpoint_high_c")
        cold = isinstance(setpoint_c, int | float) and setpoint_c < COLD_C
        fermenting = name in self._pitched and seen.get("state") == "running" and not cold
        if fermenting and now_s - self._gravity_s.get(name, -self.gravity_every_s) >= self.gravity_every_s:
            self._gravity_s[name] = now_s
            gravity = min(round(self._cellar.gravity(name), 3), beer.og)
            actions.append(self._action(name, "gravity", {"gravity": gravity}))
        if isinstance(step, Mapping) and self._asked(name, seen, step, now_s):
            if name not in self._pitched:
                self._pitched.add(name)
                wort_c = self._cellar.wort_c(name)
                self._cellar.pitch(name, beer.og, beer.attenuation_limit, beer.volume_l, wort_c)
            actions.append(self._action(name, "confirm", {}))
        if self._cold_enough(name, seen, now_s):
            self._cellar.package(name)
            actions.append(self._action(name, "packaged", {}))
        return actions

    def _cold_enough(self, name: str, seen: Mapping[str, object], now_s: float) -> bool:
        """Whether the profile is complete, or its last step has been cold for long enough to package."""
        step = seen.get("step")
        last = isinstance(step, Mapping) and step.get("number") == step.get("of")
        if not last and seen.get("state") != "complete":
            return False
        since_s = self._asked_s.setdefault((name, "package"), now_s)
        return now_s - since_s >= PACKAGES_AFTER_S

    def _asked(self, name: str, seen: Mapping[str, object], step: Mapping[str, object], now_s: float) -> bool:
        """Whether the profile has been waiting for nothing but the brewer's answer for long enough."""
        if seen.get("state") != "running" or step.get("asks") is not True:
            return False
        since_s = self._asked_s.setdefault((name, step.get("number")), now_s)
        return now_s - since_s >= ANSWERS_AFTER_S

    def _action(self, vessel: str, verb: str, arguments: Mapping[str, str | float | bool]) -> Action:
        return Action(f"brewer-{next(self._ids)}", vessel, verb, arguments, "brewer")


def _wort(plan: Plan) -> Mapping[str, str | float | bool]:
    """The arguments of the action that begins a batch."""
    beer = plan.beer
    return {"batch": plan.batch, "og": beer.og, "volume_l": beer.volume_l, "profile": plan.profile}
