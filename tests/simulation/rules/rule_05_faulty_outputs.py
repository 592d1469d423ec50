"""Rule 5: an output that does not do what it was told is found from the temperatures, commanded off, and alarmed.

Checked: once the service has told of a fault that latches (heater without effect, heater or cooler that will not
stop), no "on" reaches the broker for that output, nor to a contactor or pump upstream of one that will not stop; the
alarm stays, across restarts, until a person has said "inspected", which is refused over MQTT. A cooler that was told
to be without effect rests before it is tried again. An output that really runs on, or really moves nothing, and has
moved the wort of an otherwise healthy vessel far for hours, or failed to, has been told of.
In a cold wort a coil does little, nobody knows how little: there the wort must have become warmer, too.
Not seen: how fast a fault is found (`tests.bench.detection` measures that), and whose fault it is where several lie
on one vessel at a time.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from tests.simulation.rules.seen import Command, Seen, alarms, breach
from tests.simulation.scene import Answered, Breach, Ended, Relay, Scene, Vessel

LATCHED = {
    "heater without effect": "heater",
    "heater will not stop": "heater",
    "cooler will not stop": "cooler",
}
WITHOUT_EFFECT = "cooler without effect"
SLACK_S = 15.0  # the scan that finds it has sent its commands already
RESTS_S = 600.0  # less than the shortest pause of a cooler without effect
RUNS_ON_K, RUNS_ON_S = 4.0, 4 * 3600.0
DEAD_S = 3 * 3600.0  # of running without effect
COLD_C, COLD_WARMS_K = 6.0, 2.0
CALM_S = 60.0
WORKED_LONG_S = 6 * 3600.0


@dataclass(slots=True)
class Astray:
    """An output that does not do as it was told: since when, the wort then, and how long it has run so."""

    since_s: float = -math.inf
    wort_c: float = 0.0
    ran_s: float = 0.0
    seen_s: float = -math.inf
    told: bool = False


@dataclass(slots=True)
class Held:
    """What daemon "a" has told of one vessel's outputs: kind of fault by part, and since when."""

    faults: dict[str, tuple[str, float]] = field(default_factory=dict)
    rests_from_s: float = -math.inf


class FaultyOutputs:
    """Judges rule 5."""

    rule = 5

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._held: dict[str, Held] = {}
        self._astray: dict[str, Astray] = {}
        self._scanned_s = -math.inf

    def look(self, scene: Scene) -> Iterable[Breach]:
        seen = self._seen
        seen.take(scene)
        found: list[Breach] = []
        for event in scene.news:
            if isinstance(event, Answered) and event.verb == "inspected" and event.done:
                found += self._inspected(scene, event)
            elif isinstance(event, Ended) and event.daemon == "a" and seen.forgot_s == event.at_s:
                self._held.clear()
        for command in seen.commands:
            if command.on and command.sender == "a":
                found += self._commanded(scene, command)
        for vessel in seen.said:
            if vessel.said_by == "a":
                found += self._told(scene, vessel)
        daemon = scene.daemons.get("a")
        if daemon is not None and daemon.scanned_s != self._scanned_s:
            self._scanned_s = daemon.scanned_s
            for tag, relay in scene.relays.items():
                if relay.vessel and (relay.moves != relay.ordered or tag in self._astray):
                    found += self._watch(scene, relay)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()

    def _inspected(self, scene: Scene, event: Answered) -> list[Breach]:
        asked = self._seen.asked[event.id]
        if asked.by.startswith("mqtt"):
            return breach(5, scene, event.vessel, '"inspected" was accepted over MQTT')
        held = self._held.get(event.vessel)
        if held is not None:
            held.faults.pop(str(asked.arguments.get("part")), None)
            if asked.arguments.get("part") == "cooler":
                held.rests_from_s = -math.inf
        return []

    def _may_be_inspected(self, vessel: str, part: str) -> bool:
        """Whether an operator has asked for it at the controller, and was not answered yet."""
        asked = (self._seen.asked[name] for name in self._seen.wishes[vessel].open)
        return any(each.verb == "inspected" and each.arguments.get("part") == part for each in asked)

    def _told(self, scene: Scene, vessel: Vessel) -> list[Breach]:
        held = self._held.setdefault(vessel.name, Held())
        now = alarms(vessel)
        found: list[Breach] = []
        for part, (kind, _) in list(held.faults.items()):
            if kind in now:
                continue
            del held.faults[part]
            if not self._may_be_inspected(vessel.name, part):
                found += breach(5, scene, vessel.name, f'"{kind}" went away and nobody has inspected the {part}')
        for kind, part in LATCHED.items():
            if kind in now and part not in held.faults and not self._may_be_inspected(vessel.name, part):
                held.faults[part] = kind, scene.now_s
        if WITHOUT_EFFECT not in now:
            held.rests_from_s = -math.inf
        elif held.rests_from_s == -math.inf and now[WITHOUT_EFFECT].get("age_s", math.inf) < SLACK_S:
            held.rests_from_s = scene.now_s
        return found

    def _commanded(self, scene: Scene, command: Command) -> list[Breach]:
        relay, at_s = scene.relays[command.tag], command.at_s
        for name, held in self._held.items():
            vessel = scene.vessels[name]
            for part, (kind, told_s) in held.faults.items():
                output = vessel.heater if part == "heater" else vessel.cooler
                if output is None or at_s - told_s <= SLACK_S or self._may_be_inspected(name, part):
                    continue
                if relay is output:
                    return breach(5, scene, name, f'{part} commanded on {at_s - told_s:.0f} s after "{kind}" was told')
                if kind.endswith("will not stop") and relay.tag in output.upstream:
                    return breach(5, scene, name, f'{relay.tag} commanded on though "{kind}" was told of {name}')
            rested_s = at_s - held.rests_from_s
            if relay is vessel.cooler and SLACK_S < rested_s < RESTS_S and not self._may_be_inspected(name, "cooler"):
                return breach(
                    5, scene, name, f"cooler tried again {rested_s:.0f} s after it was told to be without effect"
                )
        return []

    def _watch(self, scene: Scene, relay: Relay) -> list[Breach]:
        """An output that runs though it should not, or should run and moves nothing."""
        vessel = scene.vessels[relay.vessel]
        runs_on, dead = relay.moves and not relay.ordered, relay.ordered and not relay.moves
        healthy = self._is_plain(scene, vessel, relay)
        astray = self._astray.get(relay.tag)
        now_s = scene.now_s
        if not healthy or not (runs_on or dead or relay.broken):
            self._astray.pop(relay.tag, None)
            return []
        if astray is None:
            self._astray[relay.tag] = Astray(now_s, vessel.mean_c, 0.0, now_s)
            return []
        if runs_on or dead:
            astray.ran_s += min(now_s - astray.seen_s, 30.0)
        astray.seen_s = now_s
        kind = f"{relay.kind} will not stop" if runs_on else f"{relay.kind} without effect"
        if kind in alarms(vessel) or astray.told:
            astray.told = True
            return []
        moved_k = vessel.mean_c - astray.wort_c
        if relay.kind == "cooler":
            moved_k = -moved_k
        if runs_on and moved_k > RUNS_ON_K and now_s - astray.since_s > RUNS_ON_S:
            astray.told = True
            return breach(
                5, scene, vessel.name,
                f"the {relay.kind} has run on for {(now_s - astray.since_s) / 3600.0:.1f} h and moved the wort by"
                f' {moved_k:.1f} K; "{kind}" was not told',
            )  # fmt: skip
        least_k = -COLD_WARMS_K if relay.kind == "cooler" and astray.wort_c < COLD_C else 0.5
        if dead and astray.ran_s > DEAD_S and moved_k < least_k:
            astray.told = True
            return breach(
                5, scene, vessel.name,
                f'the {relay.kind} was on for {astray.ran_s / 3600.0:.1f} h without effect; "{kind}" was not told',
            )  # fmt: skip
        return []

    def _is_plain(self, scene: Scene, vessel: Vessel, relay: Relay) -> bool:
        """Whether nothing else is wrong that could hide it."""
        seen, told, now_s = self._seen, vessel.told, scene.now_s
        other = vessel.heater if relay is vessel.cooler else vessel.cooler
        return (
            told is not None
            and seen.is_sure(vessel)
            and now_s - told.since_s > WORKED_LONG_S
            and told.state != "aborted"
            and all(not probe.faults for probe in (*vessel.probes, *scene.bath.probes))
            and all(now_s - probe.faults_since_s > WORKED_LONG_S for probe in vessel.probes)
            and (other is None or not (other.broken or other.moves != other.ordered))
            and scene.bath.chiller_plugged
            and seen.calm_s(scene) > CALM_S
            and now_s - scene.daemons["a"].started_s > WORKED_LONG_S
        )
