"""Rule 2: no heat, and no cooling but bounded blind cooling, without a signal that is fit to drive.

Checked: no "on" reaches the broker when no plausible reading of the vessel's wort has reached the daemon for longer
than the probe may be quiet; nor when the only probe has jumped a short while ago; none to a heater when all readings
are ones that no fermenter can have. At the device: a heater or cooler is off once such a time and its own lifetime
are over, whatever has become of daemon and network. Bounded blind cooling: at most 24 h in all, and never below the
hard limit.
Not seen: which of two probes is at fault while both are plausible; drift; maintenance required, which no probe here
reports. A probe that is stuck or out of its well is plausible: only one that is far wrong for hours is held against
the heater, and from the beginning where a person has said meanwhile that he has inspected it.
"""

import math
from collections.abc import Iterable, Sequence

from tests.simulation.rules.seen import Command, Seen, breach, plausible
from tests.simulation.scene import Answered, Breach, Relay, Scene, Vessel

SLACK_S = 25.0  # the scan that finds it out, one more for gaps in the beat, and the question to the broker
JUMP_K, JUMPED_S, SETTLES_S = 8.0, 25.0, 120.0
NEVER_LOW_C, NEVER_HIGH_C = -15.0, 45.0
NO_LOWEST_C, NO_HIGHEST_C = -273.15, 1000.0  # beyond these a number is no temperature: the same as no reading
LONGEST_BLIND_S = 24 * 3600.0
FAR_K, FAR_S = 5.0, 3 * 3600.0  # of a stuck probe whose wort has left it


class FitSignals:
    """Judges rule 2."""

    rule = 2

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._told: set[tuple[str, float]] = set()
        self._inspected_s: dict[str, float] = {}  # when a person last said so, by vessel

    def look(self, scene: Scene) -> Iterable[Breach]:
        seen = self._seen
        seen.take(scene)
        found: list[Breach] = []
        for event in scene.news:
            if isinstance(event, Answered) and event.verb == "inspected" and event.done:
                self._inspected_s[event.vessel] = event.at_s
        for command in seen.commands:
            relay = scene.relays[command.tag]
            if command.on and not command.held and relay.vessel:
                found += self._commanded(scene, scene.vessels[relay.vessel], relay, command)
        for vessel in scene.vessels.values():
            for each in (vessel.heater, vessel.cooler):
                if each is not None and each.ordered:
                    found += self._ordered(scene, vessel, each)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()

    def _commanded(self, scene: Scene, vessel: Vessel, relay: Relay, command: Command) -> list[Breach]:
        unfit_s = self._seen.unfit_s(scene, vessel, command.at_s)
        # Of readings that come late and in disorder, a look sees only the last.
        quiet_s = max(probe.quiet_s for probe in vessel.probes) + self._seen.late_s(scene)
        if unfit_s > quiet_s + SLACK_S:
            if relay.kind == "cooler" and vessel.signal_loss == "bounded":
                return self._blind(scene, vessel, unfit_s)
            last = "none ever" if unfit_s == math.inf else f"the last {unfit_s:.0f} s ago"
            return breach(2, scene, vessel.name, f"{relay.kind} commanded on with no plausible reading, {last}")
        if command.at_s - self._seen.strange_s < 600.0:
            return []
        if all(self._has_jumped(scene, probe.tag, command.at_s) for probe in vessel.probes):
            if relay.kind == "cooler" and vessel.signal_loss == "bounded":
                return self._blind(scene, vessel, 0.0)
            return breach(2, scene, vessel.name, f"{relay.kind} commanded on after an impossible jump of its probe")
        if relay.kind == "heater":
            newest = [self._seen.heard[probe.tag].readings for probe in vessel.probes]
            if all(self._never(readings, command.at_s) for readings in newest):
                readings = newest[0]
                return breach(2, scene, vessel.name, f"heater commanded on at a reading of {readings[-1][1]:.1f} °C")
            return self._far(scene, vessel)
        return []

    def _blind(self, scene: Scene, vessel: Vessel, unfit_s: float) -> list[Breach]:
        if unfit_s > LONGEST_BLIND_S:
            return breach(2, scene, vessel.name, f"cooled blindly for {unfit_s / 3600.0:.1f} h")
        if vessel.mean_c < vessel.low_c:
            return breach(
                2, scene, vessel.name,
                f"cooled blindly at {vessel.mean_c:.1f} °C, below its limit of {vessel.low_c:.1f} °C",
            )  # fmt: skip
        return []

    def _ordered(self, scene: Scene, vessel: Vessel, relay: Relay) -> list[Breach]:
        if relay.kind == "cooler" and vessel.signal_loss == "bounded":
            return []
        lasts_s = relay.lifetime_s if relay.timer_s is None else relay.timer_s
        most_s = max(probe.quiet_s for probe in vessel.probes) + SLACK_S + relay.lifetime_s + lasts_s
        most_s += self._seen.late_s(scene)
        heard_s = max(self._seen.heard[probe.tag].fit_s for probe in vessel.probes)
        if scene.now_s - heard_s <= most_s or (relay.tag, heard_s) in self._told:
            return []
        if self._seen.unfit_s(scene, vessel, scene.now_s) <= most_s:
            return []
        self._told.add((relay.tag, heard_s))
        return breach(
            2, scene, vessel.name,
            f"{relay.kind} still on {scene.now_s - heard_s:.0f} s after the last plausible reading",
        )  # fmt: skip

    def _has_jumped(self, scene: Scene, tag: str, at_s: float) -> bool:
        """Whether all readings of some scans are far from the last one before them, and that is a short while ago."""
        probe = scene.probes[tag]
        shown = [celsius for _, celsius in self._seen.heard[tag].readings]
        if not shown or max(shown) - min(shown) <= JUMP_K:
            return False
        readings = [
            (heard_s, celsius)
            for heard_s, celsius in self._seen.heard[tag].readings
            if heard_s < at_s - SLACK_S and plausible(probe, celsius)
        ]
        for (_, steady_c), (before_s, before_c), (first_s, first_c) in zip(
            readings, readings[1:], readings[2:], strict=False
        ):
            if (
                at_s - first_s < SETTLES_S
                and abs(before_c - steady_c) < 1.0
                and first_s - before_s < 2.0 * SLACK_S
                and readings[-1][0] - first_s >= JUMPED_S
                and all(
                    abs(celsius - before_c) > JUMP_K and abs(celsius - first_c) < 1.0
                    for heard_s, celsius in readings
                    if heard_s >= first_s
                )
            ):
                return True
        return False

    @staticmethod
    def _never(readings: Iterable[tuple[float, float]], at_s: float) -> bool:
        """Whether the newest two readings, a scan old at least, are such as no fermenter has."""
        old = [celsius for heard_s, celsius in readings if heard_s < at_s - SLACK_S][-2:]
        new = [celsius for heard_s, celsius in readings if heard_s >= at_s - SLACK_S]
        return len(old) == 2 and all(
            NO_LOWEST_C <= celsius <= NO_HIGHEST_C and not NEVER_LOW_C <= celsius <= NEVER_HIGH_C
            for celsius in old + new
        )

    def _far(self, scene: Scene, vessel: Vessel) -> list[Breach]:
        """Heat on a probe that has been stuck for hours, while the wort is far from what it shows."""
        inspected_s = self._inspected_s.get(vessel.name, -math.inf)
        if not all(
            "stuck" in probe.faults
            and scene.now_s - max(probe.faults_since_s, inspected_s) > FAR_S
            and probe.heard_c is not None
            and abs(vessel.mean_c - probe.heard_c) > FAR_K
            for probe in vessel.probes
        ):
            return []
        return breach(
            2, scene, vessel.name,
            f"heater commanded on by a probe that is stuck at {vessel.probes[0].heard_c:.1f} °C;"
            f" the wort is at {vessel.mean_c:.1f} °C",
        )  # fmt: skip
