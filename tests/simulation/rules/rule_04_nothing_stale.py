"""Rule 4: no "on" is retained, replayed, or acted on after its lifetime.

Checked: no command is published retained, none to a node repeats an old epoch and number, none has an expiry longer
than its lifetime; no device obeys an "on" that reached the broker longer than its lifetime ago; none obeys one that
lay in front of a broker that hung for longer than that.
Not seen: for how long a command lay in a machine's buffers of which nothing tells, except in front of a hanging
broker.
"""

from collections.abc import Iterable, Sequence

from tests.simulation.rules.seen import DRIVERS, HELD_S, Command, Seen, breach
from tests.simulation.scene import Breach, Delivered, Scene

SLACK_S = 1.0


class NothingStale:
    """Judges rule 4."""

    rule = 4

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._newest: dict[tuple[str, int, str], tuple[int, int]] = {}  # epoch and number, by run and output

    def look(self, scene: Scene) -> Iterable[Breach]:
        self._seen.take(scene)
        found: list[Breach] = []
        for command in self._seen.commands:
            found += self._said(scene, command)
        for event in scene.news:
            if isinstance(event, Delivered) and event.order.on and event.order.sender in DRIVERS:
                found += self._obeyed(scene, event)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()

    def _said(self, scene: Scene, command: Command) -> list[Breach]:
        relay = scene.relays[command.tag]
        if command.retain:
            return breach(4, scene, relay.vessel, f"a command to {command.tag} was published retained")
        if command.on and command.expiry_s is not None and command.expiry_s > relay.lifetime_s + SLACK_S:
            return breach(
                4, scene, relay.vessel, f'"on" to {command.tag} expires in the broker after {command.expiry_s:.0f} s'
            )
        if command.epoch is None or command.number is None:
            return []
        run = scene.daemons[command.sender].runs
        key, order = (command.sender, run, command.tag), (command.epoch, command.number)
        before = self._newest.get(key, (0, 0))
        self._newest[key] = max(order, before)
        if command.on and order <= before:
            return breach(4, scene, relay.vessel, f'"on" to {command.tag} is {order}, after {before}: a replay')
        return []

    def _obeyed(self, scene: Scene, event: Delivered) -> list[Breach]:
        relay, order = scene.relays[event.tag], event.order
        if order.retained:
            return breach(4, scene, relay.vessel, f'{event.tag} was handed a retained "on"')
        if not order.obeyed:
            return []
        age_s = order.received_s - order.sent_s
        if age_s > relay.lifetime_s + SLACK_S:
            return breach(
                4, scene, relay.vessel,
                f'{event.tag} obeyed an "on" {age_s:.0f} s after it was said; it lives for {relay.lifetime_s:.0f} s',
            )  # fmt: skip
        hung_s = self._seen.went_on_s - self._seen.stalled_s
        if 0.0 <= order.sent_s - self._seen.went_on_s < HELD_S and hung_s > relay.lifetime_s:
            return breach(
                4,
                scene,
                relay.vessel,
                f'{event.tag} obeyed an "on" that had lain in front of a broker for {hung_s:.0f} s',
            )
        return []
