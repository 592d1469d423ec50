"""Rule 11: every change of output, step, limit or health is recorded with its reason, and survives a power cut.

Checked, when the story is over, in what the stores hold: each change of an output's command that reached the broker
has the newest record before it; each change of state, step, mode or health that the vessels' states tell of, each
action that was answered as done, and each reload has its record; every record has a reason.
Not counted: what was told in the last second before a power cut or kill (it may be on its way to the disk), and what
was told while the disk took nothing, if the daemon was cut off before it did again.
Not seen: changes that no message tells of.
"""

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from tests.simulation.rules.seen import DRIVERS, RECENT_S, Seen
from tests.simulation.scene import Answered, Breach, Ended, Record, Reloaded, Scene, Vessel

SLACK_S = 1.0  # of answers and messages
SAME_SCAN_S = 0.01
SAID_SLACK_S = 60.0  # between a scan and the state that tells of it
DISK_S = 30.0  # that a slow disk takes for what it had begun before its trouble
REASONED = ("output", "step", "state", "mode", "limit", "health", "alarm", "batch", "action")


class Change(NamedTuple):
    """Something that must be recorded by run `run` of a daemon between `from_s` and `at_s`: one of `kinds`, and what is
    given of `subject` and `value`."""

    daemon: str
    run: int
    vessel: str
    kinds: tuple[str, ...]
    subject: str
    value: str
    from_s: float
    at_s: float
    what: str


class Told(NamedTuple):
    """The newest state of a vessel, by which run, and when it and the one before it were told."""

    daemon: str
    run: int
    before_s: float
    at_s: float
    said: Mapping[str, Any]


class Recorded:
    """Judges rule 11."""

    rule = 11

    def __init__(self, seen: Seen | None = None) -> None:
        self._seen = seen or Seen()
        self._changes: list[Change] = []
        self._switched: list[tuple[str, int, str, bool, float]] = []
        self._on: dict[tuple[str, int, str], bool] = {}
        self._told: dict[str, Told] = {}
        self._ends: dict[tuple[str, int], float] = {}  # up to when a run's records must be there
        self._store = "good"
        self._bad_from_s = math.inf  # of the newest trouble of the disk of "a"
        self._bad_to_s = -math.inf

    def look(self, scene: Scene) -> Iterable[Breach]:
        seen = self._seen
        seen.take(scene)
        self._disk(scene)
        for command in seen.commands:
            run = scene.daemons[command.sender].runs
            key = command.sender, run, command.tag
            if self._on.get(key, False) != command.on:
                self._on[key] = command.on
                self._switched.append((*key, command.on, command.at_s))
        for vessel in seen.said:
            if vessel.said_by in DRIVERS:
                self._said(scene, vessel)
        for event in scene.news:
            if isinstance(event, Ended):
                self._ends[event.daemon, event.run] = self._kept_until_s(scene, event)
            elif isinstance(event, Answered) and event.done:
                self._must(
                    scene, event.daemon, event.vessel, ("action",), event.id, "done", -math.inf,
                    f'the action {event.verb} ("{event.id}") was answered as done',
                )  # fmt: skip
            elif isinstance(event, Reloaded) and event.accepted and self._ran_on(scene, event):
                self._must(
                    scene,
                    "a",
                    "",
                    ("action",),
                    "reload",
                    "done",
                    event.at_s - SAID_SLACK_S,
                    "the files were read again",
                )
        return ()

    def end(self, scene: Scene) -> Sequence[Breach]:
        shelves: dict[tuple[str, int, str], list[Record]] = {}
        for record in scene.records:
            shelves.setdefault((record.daemon, record.run, record.vessel), []).append(record)
        found = [
            Breach(11, record.at_s or 0.0, record.vessel, f"a record of {record.kind} {record.subject} has no reason")
            for record in scene.records
            if record.kind in REASONED and not record.reason.strip()
        ]
        for daemon, run, tag, on, at_s in self._switched:
            if not self._must_be_there(daemon, run, at_s):
                continue
            relay = scene.relays[tag]
            name = tag.partition("/")[2]
            outputs = [
                each
                for each in shelves.get((daemon, run, relay.vessel), ())
                if each.kind == "output" and each.subject == name and each.at_s is not None
            ]
            place = bisect_right([each.at_s or 0.0 for each in outputs], at_s + SAME_SCAN_S)
            newest = outputs[max(0, place - 2) : place]  # two may be of one moment
            values = {each.value for each in newest if each.at_s == newest[-1].at_s}
            if ("on" if on else "off") not in values:
                text = f"{tag} was commanded {'on' if on else 'off'} and no record says so"
                found.append(Breach(11, at_s, relay.vessel, text))
        for change in self._changes:
            if not self._must_be_there(change.daemon, change.run, change.at_s):
                continue
            if not any(_fits(change, each) for each in shelves.get((change.daemon, change.run, change.vessel), ())):
                found.append(Breach(11, change.at_s, change.vessel, f"{change.what}, and no record says so"))
        return found

    def _must(
        self, scene: Scene, daemon: str, vessel: str, kinds: tuple[str, ...], subject: str, value: str, from_s: float,
        what: str,
    ) -> None:  # fmt: skip
        run = scene.daemons[daemon].runs
        self._changes.append(Change(daemon, run, vessel, kinds, subject, value, from_s, scene.now_s, what))

    def _ran_on(self, scene: Scene, event: Reloaded) -> bool:
        daemon = scene.daemons[event.daemon]
        return daemon.running and event.at_s - daemon.started_s > SAID_SLACK_S

    # what the states tell of

    def _said(self, scene: Scene, vessel: Vessel) -> None:
        said, run = vessel.said, scene.daemons[vessel.said_by].runs
        before = self._told.get(vessel.name)
        if before is None or before[:2] != (vessel.said_by, run):
            self._told[vessel.name] = Told(vessel.said_by, run, scene.now_s, scene.now_s, said)
            return
        self._told[vessel.name] = Told(vessel.said_by, run, before.at_s, scene.now_s, said)
        # The one before may have waited for a connection: then it tells of a time before the last one before it.
        from_s, was = before.before_s - SAID_SLACK_S, before.said
        name = vessel.name
        for key, kinds in (("state", ("state", "batch", "step")), ("mode", ("mode", "batch"))):
            if said[key] != was[key]:
                what = f"its {key} became {said[key]}"
                self._must(scene, vessel.said_by, name, kinds, "", "", from_s, what)
        if _step(said) != _step(was) and _batch(said) == _batch(was) and _step(said):
            self._must(scene, vessel.said_by, name, ("step", "state"), "", "", from_s, f"the step {_step(said)} began")
        for tag, signal in said["signals"].items():
            if signal["status"] != was["signals"].get(tag, signal)["status"]:
                probe = tag.partition("/")[2]
                what = f"{tag} became {signal['status']}"
                self._must(scene, vessel.said_by, name, ("health",), probe, "", from_s, what)

    # what a power cut may take

    def _disk(self, scene: Scene) -> None:
        daemon = scene.daemons.get("a")
        if daemon is None or daemon.store == self._store:
            return
        if daemon.store == "good":
            self._bad_to_s = daemon.store_since_s
        elif self._store == "good" and daemon.store_since_s - self._bad_to_s > RECENT_S:
            self._bad_from_s = daemon.store_since_s
        self._store = daemon.store

    def _kept_until_s(self, scene: Scene, event: Ended) -> float:
        if event.daemon == "a" and (self._store != "good" or event.at_s - self._bad_to_s < RECENT_S):
            return self._bad_from_s - DISK_S
        return math.inf if event.how == "stopped" else event.at_s - SLACK_S

    def _must_be_there(self, daemon: str, run: int, at_s: float) -> bool:
        return at_s < self._ends.get((daemon, run), math.inf)


def _fits(change: Change, record: Record) -> bool:
    return (
        record.kind in change.kinds
        and record.at_s is not None
        and change.from_s <= record.at_s <= change.at_s + SLACK_S
        and change.subject in ("", record.subject)
        and change.value in ("", record.value)
    )


def _step(said: Mapping[str, Any]) -> str:
    step = said.get("step")
    return str(step["name"]) if step else ""


def _batch(said: Mapping[str, Any]) -> str:
    batch = said.get("batch")
    return str(batch["name"]) if batch else ""
