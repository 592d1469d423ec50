"""Rule 7: no setpoint leaves the hard limits; no heat without a batch whose volume is known; no cooling above 40 °C;
heater and hard-limit alarms cannot be put away.

Checked: the setpoints that the service tells of, and those that it accepts from operators; each "on" to a heater
against what operators have said of the batch; each "on" to a cooler against what sound probes show; a wort that is
shown below its low alarm limit for long while it is regulated is told of in the vessel's state, acknowledged or not.
Not seen: the high alarm, which is suppressed by design while the wort comes down to a new setpoint.
"""

import math
from collections.abc import Iterable, Sequence

from tests.simulation.rules.seen import Command, Seen, alarms, breach
from tests.simulation.scene import Answered, Breach, Scene, Vessel

ROUNDED_C = 0.006
HOTTEST_C = 40.0
RELOAD_S = 10.0  # the scene has new figures some seconds after the service, or before it tells of them
SLACK_S = 25.0
LOW_K, LOW_S = 0.3, 20 * 60.0
SOUND_S = 1800.0


class HardLimits:
    """Judges rule 7."""

    rule = 7

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._limits: dict[str, tuple[float, float]] = {}  # as at the last look
        self._before: dict[str, tuple[float, float]] = {}  # those before the last reload
        self._waiting: dict[str, float] = {}  # when a told setpoint outside was told
        self._low_s: dict[str, float] = {}
        self._scanned_s = -math.inf

    def look(self, scene: Scene) -> Iterable[Breach]:
        seen = self._seen
        seen.take(scene)
        found: list[Breach] = []
        if seen.reloaded_s == scene.now_s or not self._limits:
            for name, vessel in scene.vessels.items():
                limits = vessel.low_c, vessel.high_c
                self._before[name] = self._limits.get(name, limits)
                self._limits[name] = limits
        for vessel in seen.said:
            found += self._told(scene, vessel)
        for event in scene.news:
            if isinstance(event, Answered) and event.done and event.verb in ("setpoint", "start"):
                found += self._accepted(scene, event)
        for command in seen.commands:
            relay = scene.relays[command.tag]
            if not command.on or command.held or not relay.vessel:
                continue
            if relay.kind == "heater":
                found += self._heated(scene, scene.vessels[relay.vessel])
            else:
                found += self._cooled(scene, scene.vessels[relay.vessel], command)
        daemon = scene.daemons.get("a")
        if daemon is not None and daemon.scanned_s != self._scanned_s:
            self._scanned_s = daemon.scanned_s
            for vessel in scene.vessels.values():
                found += self._low(scene, vessel)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()

    def _widest(self, scene: Scene, vessel: Vessel) -> tuple[float, float]:
        """The limits, or those of both files shortly before and after a reload."""
        if scene.now_s - self._seen.reloaded_s > RELOAD_S:
            return vessel.low_c, vessel.high_c
        low_c, high_c = self._before[vessel.name]
        return min(low_c, vessel.low_c), max(high_c, vessel.high_c)

    def _told(self, scene: Scene, vessel: Vessel) -> list[Breach]:
        """A setpoint that is told outside counts once it is told again: the file may just be another."""
        said = vessel.said
        low_c, high_c = said.get("setpoint_low_c"), said.get("setpoint_high_c")
        least_c, most_c = self._widest(scene, vessel)
        name = vessel.name
        if low_c is None or high_c is None or (least_c - ROUNDED_C <= low_c <= high_c <= most_c + ROUNDED_C):
            self._waiting.pop(name, None)
            return []
        since_s = self._waiting.setdefault(name, scene.now_s)
        if scene.now_s - since_s < RELOAD_S:
            return []
        self._waiting.pop(name)
        text = f"setpoint {low_c:.2f} to {high_c:.2f} °C, the limits are {least_c:.1f} to {most_c:.1f} °C"
        return breach(7, scene, name, text)

    def _accepted(self, scene: Scene, event: Answered) -> list[Breach]:
        vessel, given = scene.vessels.get(event.vessel), self._seen.asked[event.id].arguments
        celsius = given.get("celsius", given.get("setpoint_c"))
        if vessel is None or not isinstance(celsius, float | int) or scene.now_s - self._seen.reloaded_s < 3600.0:
            return []
        if vessel.low_c <= celsius <= vessel.high_c:
            return []
        return breach(
            7, scene, vessel.name,
            f"a setpoint of {celsius:.1f} °C was accepted; the limits are {vessel.low_c:.1f} to {vessel.high_c:.1f} °C",
        )  # fmt: skip

    def _heated(self, scene: Scene, vessel: Vessel) -> list[Breach]:
        if not self._seen.is_sure(vessel):
            return []
        if vessel.told is None:
            return breach(7, scene, vessel.name, "heater commanded on without a batch")
        if vessel.told.volume_l is None:
            return breach(7, scene, vessel.name, "heater commanded on, and nobody has said the batch's volume")
        return []

    def _cooled(self, scene: Scene, vessel: Vessel, command: Command) -> list[Breach]:
        if command.at_s - self._seen.strange_s < SOUND_S:
            return []
        for probe in vessel.probes:
            readings = [each for each in self._seen.heard[probe.tag].readings if each[0] > command.at_s - probe.quiet_s]
            sound = not probe.faults and command.at_s - probe.faults_since_s > SOUND_S
            if sound and len(readings) > 1 and all(celsius > HOTTEST_C for _, celsius in readings):
                return breach(
                    7, scene, vessel.name, f"cooler commanded on while {probe.tag} shows {readings[-1][1]:.1f} °C"
                )
        return []

    def _low(self, scene: Scene, vessel: Vessel) -> list[Breach]:
        seen, told, now_s, name = self._seen, vessel.told, scene.now_s, vessel.name
        limit_c = vessel.alarm_low_c - LOW_K
        low = all(probe.heard_c is not None and probe.heard_c < limit_c for probe in vessel.probes)
        plain = (
            low
            and told is not None
            and told.state != "aborted"
            and seen.is_sure(vessel)
            and seen.calm_s(scene) > LOW_S
            and now_s - max(seen.strange_s, seen.reloaded_s, scene.daemons["a"].started_s, told.since_s) > LOW_S
            and all(not probe.faults and now_s - probe.faults_since_s > LOW_S for probe in vessel.probes)
        )
        if not plain:
            self._low_s.pop(name, None)
            return []
        since_s = self._low_s.setdefault(name, now_s)
        if now_s - since_s < LOW_S or now_s - vessel.said_s > 400.0:
            return []
        self._low_s[name] = math.inf
        if alarms(vessel).keys() & {"low", "signal"}:
            return []
        celsius = vessel.probes[0].heard_c or 0.0
        return breach(7, scene, name, f"the wort is shown at {celsius:.1f} °C for {LOW_S / 60.0:.0f} min, and no alarm")
