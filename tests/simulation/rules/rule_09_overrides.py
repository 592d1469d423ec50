"""Rule 9: a manual override has an end; a forgotten "off" on a vessel with beer in it is reminded.

Checked: no manual override is accepted without an end, nor for longer than a day, nor with heat over MQTT unless the
site file allows it; the service does not tell of mode manual any more once the asked time is over; when the mode has
been off for the site file's time, with beer in the vessel, its state has told of it. Times are those in which the
service lived: what it sleeps through need not count, nor the hours before an end in which the disk took nothing.
Not seen: what the outputs do when the override is over, beyond what the other rules see.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tests.simulation.rules.seen import Seen, alarms, breach
from tests.simulation.scene import Answered, Breach, Scene, Told, Vessel

LONGEST_S = 24 * 3600.0
SLACK_S = 120.0
RESTART_S = 90.0  # that a start may set the service's clock back
SAID_AGAIN_S = 400.0


@dataclass(slots=True)
class Chosen:
    """A mode that an operator chose: when, in time that the service has lived; and what became of it."""

    since_s: float
    lived_s: float
    runs: int
    begun_s: float
    reminder_s: float = 0.0
    told: bool = False


class Overrides:
    """Judges rule 9."""

    rule = 9

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._chosen: dict[str, Chosen] = {}
        self._scanned_s = -math.inf

    def look(self, scene: Scene) -> Iterable[Breach]:
        self._seen.take(scene)
        found: list[Breach] = []
        for event in scene.news:
            if isinstance(event, Answered) and event.verb == "mode" and event.done:
                found += self._accepted(scene, event)
        for vessel in self._seen.said:
            found += self._said(scene, vessel)
        daemon = scene.daemons.get("a")
        if daemon is not None and daemon.scanned_s != self._scanned_s:
            self._scanned_s = daemon.scanned_s
            for vessel in scene.vessels.values():
                if vessel.told is not None and vessel.told.mode == "off":
                    found += self._forgotten(scene, vessel, vessel.told)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()

    def _accepted(self, scene: Scene, event: Answered) -> list[Breach]:
        asked = self._seen.asked[event.id]
        given = asked.arguments
        if given.get("mode") != "manual":
            return []
        for_s = given.get("for_s")
        if not isinstance(for_s, int | float) or not 0.0 < for_s <= LONGEST_S:
            return breach(9, scene, event.vessel, f"a manual override was accepted for {for_s} s")
        if asked.by.startswith("mqtt") and given.get("duty", 0.0) > 0.0 and not scene.manual_heat_over_mqtt:
            return breach(9, scene, event.vessel, "manual heat was accepted over MQTT; the site file does not allow it")
        return []

    def _since(self, scene: Scene, vessel: Vessel, told: Told) -> Chosen:
        chosen = self._chosen.get(vessel.name)
        if chosen is None or chosen.since_s != told.mode_since_s or chosen.begun_s < self._seen.forgot_s:
            chosen = Chosen(told.mode_since_s, self._seen.lived_s, scene.daemons["a"].runs, scene.now_s)
            self._chosen[vessel.name] = chosen
        return chosen

    def _slack_s(self, scene: Scene, chosen: Chosen) -> float:
        return SLACK_S + RESTART_S * (scene.daemons["a"].runs - chosen.runs)

    def _said(self, scene: Scene, vessel: Vessel) -> list[Breach]:
        told = vessel.told
        if told is None or vessel.said_by != "a" or told.mode != "manual":
            return []
        chosen = self._since(scene, vessel, told)
        for_s = told.manual_until_s - told.mode_since_s
        lived_s = self._seen.lived_s - chosen.lived_s
        over = lived_s > for_s + self._slack_s(scene, chosen)
        if not over or chosen.told or not self._seen.is_sure(vessel) or vessel.said.get("mode") != "manual":
            return []
        chosen.told = True
        return breach(9, scene, vessel.name, f"still in mode manual after {lived_s:.0f} s; asked for {for_s:.0f} s")

    def _forgotten(self, scene: Scene, vessel: Vessel, told: Told) -> list[Breach]:
        chosen = self._since(scene, vessel, told)
        chosen.reminder_s = max(chosen.reminder_s, vessel.reminder_s)
        lived_s = self._seen.lived_s - chosen.lived_s
        if vessel.said_s > chosen.since_s and "reminder" in alarms(vessel, active=False):
            chosen.told = True
        if chosen.told or lived_s < chosen.reminder_s:
            return []
        if (
            lived_s < chosen.reminder_s + self._slack_s(scene, chosen)
            or self._seen.calm_s(scene) < SAID_AGAIN_S
            or not self._seen.is_sure(vessel)
        ):
            return []
        chosen.told = True
        return breach(
            9, scene, vessel.name, f"the mode has been off for {lived_s / 3600.0:.1f} h and nobody was reminded"
        )
