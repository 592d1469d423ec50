"""One story, from the first start of the daemon to the last record: everything around the service, in virtual time.

The plant goes on in steps of a scan; what relays do between two steps reaches it at the next one.
"""

import hashlib
import json
import math
import random
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from functools import cached_property
from pathlib import Path
from typing import Any, NamedTuple

from tests.simulation import scene as seen
from tests.simulation.board import outside
from tests.simulation.broker import Broker
from tests.simulation.daemons import NAMES, Daemons
from tests.simulation.devices import Device
from tests.simulation.layout import GATEWAY, SCAN_S, Layout, own_topic
from tests.simulation.network import Message
from tests.simulation.operators import Operators
from tests.simulation.plant import Cellar
from tests.simulation.stage import scene_of
from tests.simulation.story import Happening
from tests.simulation.troubles import PAYLOADS, Troubles
from tests.simulation.virtual import Calendar

ENDING_S = 20.0  # for an orderly stop of the daemon after the story
MOST_BREACHES = 20  # of a rule
VERSIONS = ("5", "5", "5 without reasons", "3.1.1")  # of brokers


class Outcome(NamedTuple):
    """What became of a story."""

    breaches: tuple[seen.Breach, ...]
    scene: seen.Scene

    def trace(self) -> str:
        """A digest of all that happened: the same for the same seed and story."""
        digest = hashlib.sha256()
        for each in (*self.scene.events, *self.scene.records, *self.scene.vessels.values()):
            digest.update(repr(each).encode())
        return digest.hexdigest()


class Said(Mapping[str, Any]):
    """What a JSON object says, read when somebody looks."""

    def __init__(self, payload: bytes) -> None:
        self._payload = payload

    @cached_property
    def _read(self) -> dict[str, Any]:
        return dict(json.loads(self._payload))

    def __getitem__(self, key: str) -> Any:
        return self._read[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._read)

    def __len__(self) -> int:
        return len(self._read)

    def __repr__(self) -> str:
        return repr(self._payload)


class World:
    """Everything around the service in one story of `length_s`."""

    def __init__(
        self, seed: str, layout: Layout, story: Sequence[Happening], length_s: float, judges: Sequence[seen.Judge]
    ) -> None:
        self._seed, self._layout, self._length_s, self._judges = seed, layout, length_s, judges
        self._story = story
        self._calendar = Calendar()
        self._scene = scene_of(layout)
        version = random.Random(f"{seed}/world").choice(VERSIONS)
        self._broker = Broker(self._calendar, seed, version, self._heard, self._expired)
        self._plant = Cellar(layout.spec, layout.plant_seed)
        self._devices: dict[str, Device] = {}
        for tag, relay in self._scene.relays.items():
            upstream = [self._scene.relays[each] for each in relay.upstream]
            chance = random.Random(f"{seed}/{tag}")
            self._devices[tag] = Device(relay, upstream, self._calendar, self._broker, chance, self._tell)
        self._own_topics = {each.name for each in layout.vessels if each.own_topic}
        self._reported_s = -math.inf
        self._gateway: tuple[bytes, dict[str, float]] = (b"", {})  # its newest message
        self._breaches: list[seen.Breach] = []
        self._news: list[seen.Event] = []

    def run(self, stop_at: int | None = None) -> Outcome:
        """Live through the story and judge it all the way, or until the rule `stop_at` is broken."""
        scene, calendar, broker, tell = self._scene, self._calendar, self._broker, self._tell
        with tempfile.TemporaryDirectory(prefix="story-") as folder:
            daemons = self._daemons = Daemons(
                self._seed, self._layout, scene, calendar, broker, Path(folder), tell, self._arrived
            )
            self._operators = Operators(scene, calendar, broker, daemons.boards["a"], self._plant, tell)
            self._troubles = Troubles(
                scene, calendar, broker, self._plant, self._devices, daemons, self._operators, tell
            )
            for each in self._story:
                calendar.at(each.at_s, self._troubles.happen, each)
            calendar.at(0.0, daemons.start, "a")
            calendar.at(SCAN_S / 2.0, self._tick)
            for name in NAMES:
                calendar.at(self._length_s, daemons.stop, name)
            with outside(daemons.log):
                self._live(self._length_s + ENDING_S, stop_at)
                for board in daemons.boards.values():
                    board.cut(False)
            scene.records = daemons.records()
        if not self._is_broken(stop_at):
            for judge in self._judges:
                self._breaches += judge.end(scene)
        return Outcome(tuple(self._breaches), scene)

    def _live(self, until_s: float, stop_at: int | None) -> None:
        calendar, daemons = self._calendar, self._daemons
        one, other = daemons.boards.values()
        while True:
            one_s, other_s = one.next_s, other.next_s
            first_s = min(one_s, other_s)
            if calendar.next_s <= max(first_s, calendar.now_s):
                if calendar.next_s > until_s:
                    return
                calendar.do_next()
            else:
                if first_s > until_s:
                    return
                calendar.now_s = max(first_s, calendar.now_s)
                (one if one_s <= other_s else other).run_due()
            if daemons.scanned or self._news:
                self._look()
                if self._breaches and self._is_broken(stop_at):
                    return

    def _is_broken(self, rule: int | None) -> bool:
        return any(breach.rule == rule for breach in self._breaches)

    def _look(self) -> None:
        scene = self._scene
        scene.now_s = self._calendar.now_s
        scene.news, self._news = self._news, []
        self._daemons.scanned = False
        for judge in self._judges:
            found = judge.look(scene)
            if found and sum(breach.rule == judge.rule for breach in self._breaches) < MOST_BREACHES:
                self._breaches += found

    def _tell(self, event: seen.Event) -> None:
        self._scene.events.append(event)
        self._news.append(event)

    # plant and probes

    def _tick(self) -> None:
        """One step of the plant; its probes report."""
        plant, scene = self._plant, self._scene
        self._calendar.after(SCAN_S, self._tick)
        for tag, relay in scene.relays.items():
            if relay.vessel or relay.kind == "compressor":
                self._devices[tag].supplied()
                plant.set_output(tag, relay.moves)
        plant.advance(SCAN_S)
        scene.bath.true_c, scene.room_c = plant.bath_c, plant.room_c
        for name, vessel in scene.vessels.items():
            (
                vessel.mean_c, vessel.coldest_c, vessel.warmest_c, vessel.wort_l, vessel.og, vessel.gravity,
                vessel.yeast_w, vessel.freezing_c,
            ) = plant.truth(name)  # fmt: skip
        for tag, probe in scene.probes.items():
            probe.true_c = plant.probes[tag].home.celsius
        if self._calendar.now_s - self._reported_s > self._layout.reports_every_s - SCAN_S / 2.0:
            self._reported_s = self._calendar.now_s
            self._report()

    def _report(self) -> None:
        now_s, faults, plant = self._calendar.now_s, self._troubles.payload_faults, self._plant
        values: dict[str, float] = {}
        wrong: list[tuple[str, str]] = []
        for tag, probe in self._scene.probes.items():
            celsius = plant.probe_c(tag)
            if celsius is None:
                continue
            probe.reported_c, probe.reported_s = celsius, now_s
            if tag in faults:
                probe.reported_c = None
            if probe.vessel in self._own_topics and tag.endswith("/well"):
                payload = PAYLOADS[faults[tag]] if tag in faults else f"{celsius * 1.8 + 32.0:.3f}"
                self._broker.inject(Message(own_topic(probe.vessel), payload.encode(), sender="gateway"))
            elif tag in faults:
                wrong.append((tag, PAYLOADS[faults[tag]]))
            else:
                values[tag] = celsius
        payload = json.dumps(values)
        for tag, text in wrong:
            comma = ", " if len(payload) > 2 else ""
            payload = f'{payload[:-1]}{comma}"{tag}": {text}}}'
        self._gateway = (payload.encode(), values)
        self._broker.inject(Message(GATEWAY, self._gateway[0], sender="gateway"))

    # the broker

    def _heard(self, message: Message) -> None:
        """A message has reached the broker."""
        sender = message.sender
        if sender == "gateway":
            return
        now_s, topic = self._calendar.now_s, message.topic
        if topic.endswith("/state") and sender in NAMES:
            vessel = self._scene.vessels.get(topic.split("/")[2])
            if vessel is not None and message.payload:
                vessel.said, vessel.said_s, vessel.said_by = Said(message.payload), now_s, sender
        self._tell(
            seen.Published(
                now_s, sender, topic, message.payload, message.qos, message.retain, message.expiry_s, will=message.will
            )
        )
        if sender in NAMES:
            self._operators.heard(message)

    def _expired(self, message: Message, client: str) -> None:
        self._tell(seen.Expired(self._calendar.now_s, message.topic, client, message.at_s))

    def _arrived(self, daemon: str, message: Message, retained: bool) -> None:
        """A message has reached a daemon."""
        if message.sender != "gateway" or retained or self._scene.daemons[daemon].taken_over:
            return
        now_s, probes = self._calendar.now_s, self._scene.probes
        if message.topic == GATEWAY:
            payload, values = self._gateway
            if message.payload is not payload:
                values = json.loads(message.payload)
            for tag, celsius in values.items():
                if isinstance(celsius, float) and math.isfinite(celsius):
                    probe = probes[tag]
                    probe.heard_c, probe.heard_s = celsius, now_s
            return
        probe = probes[message.topic.split("/")[1] + "/well"]
        try:
            fahrenheit = float(message.payload)
        except ValueError:
            return
        if math.isfinite(fahrenheit):
            probe.heard_c, probe.heard_s = (fahrenheit - 32.0) / 1.8, now_s
