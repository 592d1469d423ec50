"""Rule 1: cooler and heater of one vessel are never commanded on together, and a change-over time lies between.

Checked: at the devices, whenever one of the two obeys an "on". The other must not be ordered on, and its last order
must have ended a change-over time ago, counted from the device's own end or, if that was earlier, from the first
"off" that reached the broker (a network that passes it on late is not the service's fault).
Not seen: welded contacts and hands, which command nothing. The exception for a heater that is known to be stuck on
needs no word here: it is commanded off then.
"""

from collections.abc import Iterable, Sequence

from tests.simulation.rules.seen import DRIVERS, Seen, breach
from tests.simulation.scene import Breach, Delivered, Scene

SLACK_S = 15.0  # a scan, and the question to the broker before a command leaves
LONGEST_S = 1800.0  # so long a change-over time from before a reload may still be under way


class ChangeOver:
    """Judges rule 1."""

    rule = 1

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._times: dict[str, float] = {}  # change-over by vessel, as it was at the last look
        self._before: dict[str, tuple[float, float]] = {}  # since when it is another, and what it was

    def look(self, scene: Scene) -> Iterable[Breach]:
        self._seen.take(scene)
        found: list[Breach] = []
        for event in scene.news:
            if isinstance(event, Delivered) and event.order.on and event.order.obeyed:
                found += self._began(scene, event)
        if scene.now_s - self._seen.reloaded_s < 1.0 or not self._times:
            for name, vessel in scene.vessels.items():
                if self._times.get(name, vessel.changeover_s) != vessel.changeover_s:
                    self._before[name] = scene.now_s, self._times[name]
                self._times[name] = vessel.changeover_s
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()

    def _began(self, scene: Scene, event: Delivered) -> list[Breach]:
        relay, order = scene.relays[event.tag], event.order
        if order.sender not in DRIVERS or relay.kind not in ("cooler", "heater"):
            return []
        vessel = scene.vessels[relay.vessel]
        other = vessel.heater if relay.kind == "cooler" else vessel.cooler
        if other is None:
            return []
        if other.ordered:
            return breach(1, scene, vessel.name, f"{relay.kind} and {other.kind} are ordered on together")
        output = self._seen.outputs[other.tag]
        since_s = output.ended_s
        if not output.said_on:
            since_s = min(since_s, output.off_from_s)
        rested_s = order.sent_s - since_s
        needs_s = vessel.changeover_s
        changed_s, before_s = self._before.get(vessel.name, (-LONGEST_S, needs_s))
        if scene.now_s - changed_s < LONGEST_S:
            needs_s = min(needs_s, before_s)
        if rested_s >= needs_s - SLACK_S:
            return []
        return breach(
            1,
            scene,
            vessel.name,
            f"the {relay.kind} is on {rested_s:.0f} s after the {other.kind}, not {needs_s:.0f} s",
        )
