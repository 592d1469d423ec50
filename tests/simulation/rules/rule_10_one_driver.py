"""Rule 10: two daemons never drive one vessel.

Checked: once a daemon whose run connected later has commanded something, no command of the earlier one reaches the
broker, after a moment in which it finds out; one that gives way says so in its log as an error, and does so only where
there is another; each run commands its nodes with a higher epoch than every run before that connected earlier, so that
they obey it, and a node that is commanded by one daemon alone obeys it. Epochs count seconds: two that push each other
off the broker within one may share it for that long.
Not seen: foreign devices, which take every order; for them the first check is all there is.
"""

import math
from collections.abc import Iterable, Sequence

from tests.simulation.rules.seen import DRIVERS, Command, Seen, breach
from tests.simulation.scene import Breach, Delivered, Logged, Scene

FINDS_OUT_S = 20.0
TELLS_WITHIN_S = 60.0
DEAF_S = 300.0
EPOCH_S = 1.0


class OneDriver:
    """Judges rule 10."""

    rule = 10

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._joined: dict[tuple[str, int], float] = {}  # first connection of each run
        self._commanded: dict[tuple[str, int], float] = {}  # first command of each run
        self._epochs: dict[tuple[str, int], int] = {}
        self._since_s: dict[int, float] = {}  # first command of each epoch
        self._taken: dict[tuple[str, int], float] = {}  # runs that gave way, and when
        self._deaf_s: dict[str, float] = {}  # since when a node obeys nobody
        self._told: set[object] = set()

    def look(self, scene: Scene) -> Iterable[Breach]:
        self._seen.take(scene)
        found: list[Breach] = []
        for name, daemon in scene.daemons.items():
            if daemon.connected_s is not None:
                self._joined.setdefault((name, daemon.runs), daemon.connected_s)
            if daemon.taken_over and (name, daemon.runs) not in self._taken:
                self._taken[name, daemon.runs] = scene.now_s
                if not any(other.runs for other in scene.daemons.values() if other is not daemon):
                    found += breach(10, scene, "", f'daemon "{name}" gave way, and there is no other')
        for command in self._seen.commands:
            if (command.sender, scene.daemons[command.sender].runs) not in self._joined:
                continue  # the run has not been connected yet: a broker that hung passes on what the one before said
            found += self._second(scene, command)
            if command.epoch is not None:
                found += self._epoch(scene, command, command.epoch)
        for event in scene.news:
            if isinstance(event, Delivered) and event.order.sender in DRIVERS and scene.relays[event.tag].node:
                found += self._heard(scene, event)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        errors = [event for event in scene.events if isinstance(event, Logged) and event.level == "error"]
        return [
            Breach(10, at_s, "", f'daemon "{name}" gave way to another and told nobody')
            for (name, _), at_s in self._taken.items()
            if not any(each.daemon == name and abs(each.at_s - at_s) < TELLS_WITHIN_S for each in errors)
        ]

    def _second(self, scene: Scene, command: Command) -> list[Breach]:
        sender, at_s = scene.daemons[command.sender], command.at_s
        told = command.sender, sender.runs
        self._commanded.setdefault(told, at_s)
        joined_s = self._joined[told]
        for name, other in scene.daemons.items():
            if name == command.sender or not other.running or self._joined.get((name, other.runs), 0.0) <= joined_s:
                continue
            since_s = self._commanded.get((name, other.runs), math.inf)
            # Two that push each other off the broker again and again are never connected for long.
            if at_s - since_s > FINDS_OUT_S and self._seen.broker_calm_s(scene) > FINDS_OUT_S:
                if told in self._told:
                    continue
                self._told.add(told)
                text = f'commanded by daemon "{command.sender}" {at_s - since_s:.0f} s after "{name}" began'
                return breach(10, scene, scene.relays[command.tag].vessel, f"{command.tag} is {text}")
        return []

    def _epoch(self, scene: Scene, command: Command, epoch: int) -> list[Breach]:
        run = command.sender, scene.daemons[command.sender].runs
        if self._epochs.get(run) == epoch:
            return []
        earlier = [kept for other, kept in self._epochs.items() if other != run]
        self._epochs[run] = epoch
        shared = command.at_s - self._since_s.setdefault(epoch, command.at_s) < EPOCH_S
        if not earlier or epoch + shared > max(earlier) or "epoch" in self._told:
            return []
        self._told.add("epoch")
        return breach(
            10, scene, "", f'run {run[1]} of daemon "{run[0]}" has epoch {epoch}; an earlier start had {max(earlier)}'
        )

    def _heard(self, scene: Scene, event: Delivered) -> list[Breach]:
        relay, order = scene.relays[event.tag], event.order
        if event.tag in self._told:
            return []
        if order.obeyed or relay.dead or order.copy > 1 or self._seen.calm_s(scene, order.sender) < DEAF_S:
            self._deaf_s.pop(event.tag, None)
            return []
        since_s = self._deaf_s.setdefault(event.tag, scene.now_s)
        if scene.now_s - since_s < DEAF_S:
            return []
        self._told.add(event.tag)
        return breach(
            10,
            scene,
            relay.vessel,
            f'{event.tag} has ignored daemon "{order.sender}" for {scene.now_s - since_s:.0f} s',
        )
