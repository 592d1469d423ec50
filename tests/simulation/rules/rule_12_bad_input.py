"""Rule 12: bad input never stops the service: it is refused with a reason, and nothing else changes.

Checked: no daemon ends by a fault, nor by an exception that it only logs; while it runs, it scans; each message of a
stranger on a `set` topic is answered, as refused unless it was a whole action. (That no stranger's claim makes a
daemon give way is seen by the judge of rule 10.)
Not seen: the counters, which stand on a page that no judge reads (`tests/runtime` does), and what a stranger may do
with an action that is valid: the broker's access list is there for that.
"""

import json
from collections import deque
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from tests.simulation.rules.seen import DRIVERS, Seen, breach
from tests.simulation.scene import Breach, Ended, Logged, Published, Scene

SCANS_WITHIN_S = 60.0
ANSWERS_WITHIN_S = 45.0


class Waiting(NamedTuple):
    """A stranger's message that wants an answer."""

    at_s: float
    vessel: str
    valid: bool


class BadInput:
    """Judges rule 12."""

    rule = 12

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._waiting: deque[Waiting] = deque()
        self._hung: set[tuple[str, int]] = set()

    def look(self, scene: Scene) -> Iterable[Breach]:
        self._seen.take(scene)
        found: list[Breach] = []
        for event in scene.news:
            if isinstance(event, Ended) and event.how == "fault":
                found += breach(12, scene, "", f'daemon "{event.daemon}" ended by a fault: {event.text}')
            elif isinstance(event, Logged) and event.level == "exception":
                found += breach(12, scene, "", f'an exception in daemon "{event.daemon}": {event.text}')
            elif isinstance(event, Published):
                found += self._published(scene, event)
        for name, daemon in scene.daemons.items():
            if not daemon.running:
                continue
            run, quiet_s = (name, daemon.runs), scene.now_s - max(daemon.scanned_s, daemon.started_s)
            if quiet_s > SCANS_WITHIN_S and run not in self._hung:
                self._hung.add(run)
                found += breach(12, scene, "", f'daemon "{name}" has not scanned for {quiet_s:.0f} s')
        while self._waiting and scene.now_s - self._waiting[0].at_s > ANSWERS_WITHIN_S:
            waiting = self._waiting.popleft()
            if self._heard_all(scene):
                text = f"a stranger's message to it, {ANSWERS_WITHIN_S:.0f} s ago, was not answered"
                found += breach(12, scene, waiting.vessel, text)
        return found

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()

    def _heard_all(self, scene: Scene) -> bool:
        return self._seen.calm_s(scene) > 2.0 * ANSWERS_WITHIN_S and not scene.daemons["b"].running

    def _published(self, scene: Scene, event: Published) -> list[Breach]:
        parts = event.topic.split("/")
        if len(parts) < 4 or parts[:2] != ["cellarhand", scene.site]:
            return []
        vessel = parts[2]
        if event.sender == "stranger" and parts[3:] == ["set"]:
            self._waiting.append(Waiting(event.at_s, vessel, _is_action(event.payload)))
        elif event.sender in DRIVERS and parts[3] == "reply":
            said = json.loads(event.payload)
            if said["id"] in self._seen.asked:
                return []
            for waiting in self._waiting:
                if waiting.vessel == vessel:
                    self._waiting.remove(waiting)
                    if waiting.valid or said["answer"].startswith("refused"):
                        return []
                    return breach(12, scene, vessel, f'a broken action was answered "{said["answer"][:80]}"')
        return []


def _is_action(payload: bytes) -> bool:
    try:
        said = json.loads(payload)
    except (ValueError, RecursionError):
        return False
    return isinstance(said, dict) and isinstance(said.get("id"), str) and isinstance(said.get("do"), str)
