"""Rule 8: protective off and on times of pumps and compressors hold, across restarts of the service too.

Checked: at the devices, for every output that the site file gives a shortest off time. When one obeys an "on", it has
been off for that time, counted from its own end or from the first "off" that reached the broker, whichever was
earlier.
Not counted: ends that the service could not know of (the device's electronics restarted; renewals that the broker
took did not arrive; another daemon ended it while this one had no connection). An "on" is not cut short in calm: where
nothing has happened for a while, no probe or output is at fault, no limit is near and nothing is alarmed, an output
stays on for its shortest on time, unless the service is stopped.
Not seen: whether an "off" that cuts an "on" short in trouble was one for safety. The budget of starts.
"""

from collections.abc import Iterable, Sequence

from tests.simulation.rules.seen import DRIVERS, Seen, alarms, breach
from tests.simulation.scene import Breach, Delivered, Ended, Relay, Scene

SLACK_S = 15.0  # one scan, and the question to the broker before a command leaves
CALM_S = 1200.0
CLEAR_K = 1.5  # of all limits
FAULTS = ("without effect", "will not stop")
STOPS_S = 30.0  # a service that is stopped commands everything off and ends within this time


class ProtectiveTimes:
    """Judges rule 8."""

    rule = 8

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._cut_short: list[Breach] = []  # in calm; perhaps because the service is being stopped

    def look(self, scene: Scene) -> Iterable[Breach]:
        self._seen.take(scene)
        found: list[Breach] = []
        while self._cut_short and scene.now_s - self._cut_short[0].at_s > STOPS_S:
            found.append(self._cut_short.pop(0))
        for event in scene.news:
            if isinstance(event, Ended):
                self._cut_short = []
            if not isinstance(event, Delivered) or not event.order.obeyed or event.order.sender not in DRIVERS:
                continue
            relay = scene.relays[event.tag]
            if event.order.on and relay.ordered and relay.ordered_since_s == event.at_s:
                found += self._starts(scene, relay, event)
            elif not event.order.on and not relay.ordered and relay.ordered_since_s == event.at_s:
                self._cut_short += self._stops(scene, relay, event)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()

    def _starts(self, scene: Scene, relay: Relay, event: Delivered) -> list[Breach]:
        output, told_s = self._seen.outputs[relay.tag], event.order.sent_s
        since_s = output.rests_since_s(told_s, relay.lifetime_s, event.order.sender)
        if since_s is None:
            return []
        at_device = since_s == output.ended_s
        rested_s = (event.at_s if at_device else told_s) - since_s
        if rested_s >= relay.shortest_off_s - SLACK_S:
            return []
        how = f"it had ended by {output.ended_by}" if at_device else 'it was first told "off"'
        return breach(
            8,
            scene,
            relay.vessel,
            f"{relay.tag} started {rested_s:.0f} s after {how}; its shortest off time is {relay.shortest_off_s:.0f} s",
        )

    def _stops(self, scene: Scene, relay: Relay, event: Delivered) -> list[Breach]:
        output = self._seen.outputs[relay.tag]
        lasted_s = event.at_s - output.begun_s
        if lasted_s >= relay.shortest_on_s - SLACK_S or not self._is_calm(scene, relay):
            return []
        return breach(
            8, scene, relay.vessel,
            f"{relay.tag} stopped after {lasted_s:.0f} s in calm; its shortest on time is {relay.shortest_on_s:.0f} s",
        )  # fmt: skip

    def _is_calm(self, scene: Scene, relay: Relay) -> bool:
        """Whether no reason of safety can be thought of."""
        now_s = scene.now_s
        if now_s - max(self._seen.upset_s, self._seen.strange_s) < CALM_S or self._seen.calm_s(scene) < CALM_S:
            return False
        if relay.kind == "compressor":
            bath, (probe, *_) = scene.bath, scene.bath.probes
            limit_c = bath.glycol_freezing_c + bath.freeze_margin_k + CLEAR_K
            sound = not probe.faults and now_s - probe.faults_since_s >= CALM_S
            return sound and probe.heard_c is not None and probe.heard_c >= limit_c
        if any(each.vessel in ("", relay.vessel) and _fails(each) for each in scene.relays.values()):
            return False  # under a pump that moves nothing a sound probe may look stuck
        for name, vessel in scene.vessels.items():
            if relay.vessel not in ("", name):
                continue
            if any(kind.endswith(FAULTS) for kind in alarms(vessel)):
                return False
            low_c, high_c = max(vessel.low_c, vessel.freeze_margin_k) + CLEAR_K, min(vessel.high_c, 40.0) - CLEAR_K
            for probe in vessel.probes:
                if probe.faults or now_s - probe.faults_since_s < CALM_S or probe.heard_c is None:
                    return False
                if not low_c <= probe.heard_c <= high_c:
                    return False
        return True


def _fails(relay: Relay) -> bool:
    held = relay.welded is not None or relay.by_hand is not None
    return held or relay.broken or relay.stuck or relay.dead
