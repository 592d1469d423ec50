"""Rule 3: every "on" ends in the device unless it is renewed; at a start everything is commanded off first.

Checked: each "on" for a node carries a lifetime, no longer than the site file's; each device ends an "on" within that
time of the last one that it obeyed. Of each run of a daemon the first command to every output is "off", and no "on"
reaches the broker before every output has had its "off".
Not seen: whether a real device keeps its own timer. Here the devices are simulated, and do.
"""

from collections.abc import Iterable, Sequence

from tests.simulation.rules.seen import DRIVERS, Command, Seen, breach
from tests.simulation.scene import Breach, Delivered, Scene, Started

SLACK_S = 1.0


class EndsByItself:
    """Judges rule 3."""

    rule = 3

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._unsaid: dict[str, set[str]] = {}  # outputs that have not heard "off" in this run, by daemon

    def look(self, scene: Scene) -> Iterable[Breach]:
        self._seen.take(scene)
        found: list[Breach] = []
        for event in scene.news:
            if isinstance(event, Started):
                self._unsaid[event.daemon] = set(scene.relays)
            elif isinstance(event, Delivered) and event.order.on and event.order.obeyed:
                found += self._lasts(scene, event)
        for command in self._seen.commands:
            found += self._said(scene, command)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()

    def _said(self, scene: Scene, command: Command) -> list[Breach]:
        relay, unsaid = scene.relays[command.tag], self._unsaid.get(command.sender, set())
        if not command.on:
            unsaid.discard(command.tag)
            return []
        if relay.node and not (
            command.lifetime_s is not None and 0.0 < command.lifetime_s <= relay.lifetime_s + SLACK_S
        ):
            text = f"with a lifetime of {command.lifetime_s} s; the file says {relay.lifetime_s:.0f} s"
            return breach(3, scene, relay.vessel, f'"on" to {command.tag} {text}')
        if command.tag in unsaid:
            unsaid.clear()  # told once
            return breach(3, scene, relay.vessel, f'{command.tag} was told "on" before any "off" since the start')
        if unsaid:
            waits = ", ".join(sorted(unsaid))
            unsaid.clear()
            return breach(3, scene, relay.vessel, f'{command.tag} was told "on" before {waits} had been told "off"')
        return []

    def _lasts(self, scene: Scene, event: Delivered) -> list[Breach]:
        relay, order = scene.relays[event.tag], event.order
        if order.sender not in DRIVERS or not relay.ordered:
            return []
        most_s = relay.lifetime_s if relay.timer_s is None else relay.timer_s
        if relay.ends_s - scene.now_s <= most_s + SLACK_S:
            return []
        return breach(3, scene, relay.vessel, f"{event.tag} was switched on for {relay.ends_s - scene.now_s:.0f} s")
