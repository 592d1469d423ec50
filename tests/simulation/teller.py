"""Draws a story from a seed: three batches that are begun, and whatever goes wrong meanwhile.

Each story prefers some kinds of trouble, drawn from its seed, and leaves others out: so each kind is met both alone and
in bad company.
"""

import math
import random
from collections.abc import Callable
from typing import Any

from tests.simulation.layout import GATEWAY, PROFILES, SITE, Layout, VesselFigures, command_topic, own_topic
from tests.simulation.story import (
    AS_IT_IS,
    HOUR_S,
    Act,
    BrokerRestart,
    BrokerStall,
    BrokerTrouble,
    ClockJump,
    Happening,
    Hostile,
    Killed,
    NetworkCut,
    PlantTrouble,
    PowerCut,
    ProbeFault,
    ProbesSwapped,
    RelayFault,
    Reload,
    SecondDaemon,
    StoreTrouble,
)

PER_HOUR = 2.0  # happenings, besides the batches' own
QUIET_BEGINNING_S = 300.0
PROBE_FAULTS = (
    "missing", "missing", "stuck", "spike", "power-on value", "disconnected", "drift", "out of its well", "hand",
    "text", "nan", "huge",
)  # fmt: skip
RELAY_FAULTS = (
    "welded closed", "welded open", "stuck", "broken", "dead", "dead", "hand on", "hand off",
)  # fmt: skip
AT_ALL = ("chiller unplugged", "chiller runs on", "thermostat of the chiller turned", "glycol leaks", "door open")
AT_ONE = ("lid off", "sun", "little flow")


class Teller:
    """Draws one story."""

    def __init__(self, seed: str, layout: Layout, length_s: float) -> None:
        self._chance = random.Random(f"{seed}/story")
        self._layout, self._length_s = layout, length_s
        self._batches = 0

    def story(self) -> list[Happening]:
        """The story, in the order of time."""
        chance = self._chance
        kinds: tuple[tuple[float, Callable[[float], Happening]], ...] = (
            (3.0, self._probe), (3.0, self._relay), (1.5, self._plant), (1.5, self._broker_trouble), (1.0, self._stall),
            (1.0, self._restart), (1.5, self._cut), (1.0, self._store), (1.2, self._power), (0.8, self._killed),
            (0.7, self._clock), (0.25, self._second), (5.0, self._act), (0.7, self._reload), (1.2, self._hostile),
        )  # fmt: skip
        weights = [weight * chance.choice((0.0, 0.5, 1.0, 1.0, 3.0)) for weight, _ in kinds]
        if not any(weights):
            weights = [weight for weight, _ in kinds]
        count = round(PER_HOUR * self._length_s / HOUR_S * chance.uniform(0.7, 1.3))
        times = sorted(chance.uniform(QUIET_BEGINNING_S, self._length_s) for _ in range(count))
        story = [chance.choices(kinds, weights)[0][1](round(at_s, 2)) for at_s in times]
        for vessel in self._layout.vessels:
            story += self._batch(vessel, round(chance.uniform(30.0, 1800.0), 2))
        return sorted(story, key=lambda each: each.at_s)

    # batches

    def _batch(self, vessel: VesselFigures, at_s: float) -> list[Happening]:
        """A batch from its start on, with what a brewer does about it in two days."""
        chance, name = self._chance, vessel.name
        start, profile = self._start(vessel, at_s)
        acts: list[Happening] = [start]
        if profile == "quick-ale":
            acts.append(self._said(at_s + chance.uniform(1.5, 5.0) * HOUR_S, name, "confirm"))
        for number in range(1, 7):
            when_s = at_s + (number + chance.uniform(-0.4, 0.4)) * 7.0 * HOUR_S
            acts.append(self._said(when_s, name, "gravity", gravity=AS_IT_IS))
        return [act for act in acts if act.at_s < self._length_s]

    def _start(self, vessel: VesselFigures, at_s: float) -> tuple[Act, str]:
        chance = self._chance
        self._batches += 1
        most_l = min(
            vessel.volume_l, next(each.volume_l for each in self._layout.spec.vessels if each.name == vessel.name)
        )
        litres = round(most_l * chance.uniform(0.6, 0.99), 1)
        og = chance.choice((1.040, 1.050, 1.065, 1.080))
        wort_c = chance.choice((9.0, 14.0, 18.0, 20.0, 22.0, 24.0, 27.0, 35.0, 48.0))
        profile = chance.choice((*PROFILES, *PROFILES, ""))
        given: dict[str, Any] = {"batch": f"No. {self._batches}"}
        given |= {"profile": profile} if profile else {"setpoint_c": chance.choice((2.0, 8.0, 12.0, 19.0))}
        given |= {"volume_l": litres} if chance.random() < 0.85 else {}
        given |= {"og": og} if chance.random() < 0.85 else {}
        brings = (litres, wort_c, og, chance.choice((0.0, 0.7, 0.8)))
        return Act(at_s, vessel.name, "start", given, self._way(False), brings=brings), profile

    def _said(self, at_s: float, vessel: str, verb: str, **given: Any) -> Act:
        return Act(round(at_s, 2), vessel, verb, given, self._way(False))

    def _way(self, retained: bool = True) -> str:
        ways = ("socket", "socket", "socket", "mqtt", "mqtt", "mqtt")
        return self._chance.choice((*ways, "mqtt retained") if retained else ways)

    # troubles

    def _lasts(self, shortest_s: float, longest_s: float) -> float:
        """A duration, as likely short as long."""
        return round(math.exp(self._chance.uniform(math.log(shortest_s), math.log(longest_s))), 1)

    def _vessel(self) -> VesselFigures:
        return self._chance.choice(self._layout.vessels)

    def _probe(self, at_s: float) -> Happening:
        chance, vessel = self._chance, self._vessel()
        tags = [f"{vessel.name}/well"] * 6 + ["bath/tank", "room/air"]
        tags += [f"{vessel.name}/side"] * 3 if vessel.side_probe else []
        if chance.random() < 0.08:
            one, other = chance.sample([f"{each.name}/well" for each in self._layout.vessels], 2)
            return ProbesSwapped(at_s, one, other, self._lasts(600.0, 8 * HOUR_S))
        kind = chance.choice(PROBE_FAULTS)
        magnitude = {"spike": chance.choice((-40.0, -6.0, 0.8, 5.0, 30.0)), "drift": chance.uniform(-1.5, 1.5)}
        return ProbeFault(at_s, chance.choice(tags), kind, self._lasts(20.0, 8 * HOUR_S), magnitude.get(kind, 0.0))

    def _tag(self) -> str:
        vessel = self._vessel()
        return f"{vessel.name}/{self._chance.choice(('cooler', 'heater') if vessel.heater else ('cooler',))}"

    def _relay(self, at_s: float) -> Happening:
        tags = [self._tag()] * 4 + [each.tag for each in self._layout.upstream]
        return RelayFault(
            at_s, self._chance.choice(tags), self._chance.choice(RELAY_FAULTS), self._lasts(20.0, 5 * HOUR_S)
        )

    def _plant(self, at_s: float) -> Happening:
        kind = self._chance.choice(AT_ALL + AT_ONE)
        vessel = self._vessel().name if kind in AT_ONE else ""
        return PlantTrouble(at_s, kind, vessel, self._lasts(300.0, 6 * HOUR_S), round(self._chance.random(), 2))

    def _broker_trouble(self, at_s: float) -> Happening:
        chance = self._chance
        return BrokerTrouble(
            at_s,
            chance.choice((0.0, 1.0, 5.0, 30.0, 120.0)),
            chance.choice((0.0, 0.1, 0.5)),
            chance.choice((0.0, 0.1, 0.5)),
            chance.random() < 0.4,
            self._lasts(60.0, 3 * HOUR_S),
        )

    def _stall(self, at_s: float) -> Happening:
        return BrokerStall(at_s, self._lasts(1.0, 0.5 * HOUR_S))

    def _restart(self, at_s: float) -> Happening:
        return BrokerRestart(at_s, self._lasts(1.0, HOUR_S), self._chance.random() < 0.5)

    def _cut(self, at_s: float) -> Happening:
        client = "a" if self._chance.random() < 0.4 else self._tag()
        return NetworkCut(at_s, client, self._lasts(2.0, 2 * HOUR_S))

    def _store(self, at_s: float) -> Happening:
        return StoreTrouble(at_s, self._chance.choice(("slow", "full", "read-only")), self._lasts(30.0, 6 * HOUR_S))

    def _power(self, at_s: float) -> Happening:
        chance = self._chance
        after_scan_s = None if chance.random() < 0.4 else round(chance.choice((0.001, 0.005, 0.012, 0.03, 0.1)), 3)
        return PowerCut(at_s, self._lasts(5.0, 3 * HOUR_S), after_scan_s, chance.random() < 0.4, chance.random() < 0.4)

    def _killed(self, at_s: float) -> Happening:
        return Killed(at_s, self._chance.random() < 0.5, self._lasts(1.0, 600.0))

    def _clock(self, at_s: float) -> Happening:
        by_s = self._chance.choice((-86400.0 * 400, -HOUR_S, -90.0, 90.0, HOUR_S, 86400.0 * 3))
        return ClockJump(at_s, by_s, self._chance.random() < 0.5, self._lasts(60.0, 6 * HOUR_S))

    def _second(self, at_s: float) -> Happening:
        return SecondDaemon(at_s, self._lasts(30.0, 0.5 * HOUR_S))

    def _reload(self, at_s: float) -> Happening:
        chance, vessel = self._chance, self._vessel()
        if chance.random() < 0.3:
            return Reload(at_s, vessel.name, spoilt=True)
        changes: tuple[dict[str, float | str], ...] = (
            {"low_c": chance.choice((0.0, 2.0, 10.0)), "high_c": chance.choice((16.0, 24.0, 30.0))},
            {"freeze_margin_k": chance.choice((0.5, 1.5))},
            {"changeover_s": chance.choice((600.0, 1500.0))},
            {"loop": chance.choice(("pid", "on/off"))},
            {"deviation_k": chance.choice((1.0, 2.0)), "reminder_s": chance.choice((3600.0, 7200.0))},
        )
        return Reload(at_s, vessel.name, chance.choice(changes))

    def _hostile(self, at_s: float) -> Happening:
        chance, vessel = self._chance, self._vessel()
        payloads = (
            b"NaN", b"", b"null", b"[]", b"\xff\xfe\x00", b"1e999", b"-5", b'{"fv1/well": "warm"}',
            b'{"fv1/well": 4.0, "fv1/well": 30.0}', b"[" * 5000, b'{"id": "x", "do": "abort", "sure": true}',
            b"9" * 100_000, b'{"fv1/well": 3.5, "fv2/well": 3.5, "fv3/well": 3.5}', b"66.2",
        )  # fmt: skip
        topics = (
            GATEWAY, own_topic(vessel.name), f"cellarhand/{SITE}/{vessel.name}/set", f"cellarhand/{SITE}/driver",
            f"cellarhand/{SITE}/availability", f"cellarhand/{SITE}/nobody/set", command_topic(f"{vessel.name}/cooler"),
        )  # fmt: skip
        times = chance.choice((1, 1, 3, 40))
        return Hostile(at_s, chance.choice(topics), chance.choice(payloads), chance.random() < 0.3, times)

    def _act(self, at_s: float) -> Happening:
        """An operator at a bad moment."""
        chance, vessel = self._chance, self._vessel()
        other = chance.choice([each.name for each in self._layout.vessels if each is not vessel] + ["nobody"])
        given: dict[str, Any]
        verb, given = chance.choice(
            (
                ("setpoint", {"celsius": chance.choice((-3.0, 0.0, 1.0, 4.0, 12.0, 18.0, 24.0, 31.0, "warm"))}),
                ("mode", {"mode": "off"}),
                ("mode", {"mode": "auto"}),
                ("mode", self._manual()),
                ("mode", self._manual()),
                ("quiet", {"for_s": chance.choice((0.0, 10.0, 3600.0, 30000.0)), "drift_k": chance.choice((0.5, 2.0))}),
                ("hold", {}),
                ("resume", {}),
                ("stop", {}),
                ("abort", {"sure": chance.random() < 0.5}),
                ("confirm", {}),
                ("extend", {"for_s": chance.choice((1.0, 1800.0, 7200.0))}),
                ("skip", {"sure": chance.random() < 0.5}),
                ("skip", {"to": "crash", "sure": True}),
                ("back", {}),
                ("gravity", {"gravity": AS_IT_IS}),
                ("gravity", {"gravity": chance.choice((0.5, 1.2, "low"))}),
                ("og", {"gravity": chance.choice((1.0, 1.3))}),
                ("acknowledge", {}),
                ("service", {"in_service": chance.random() < 0.5}),
                ("inspected", {"part": chance.choice(("cooler", "heater", "well"))}),
                ("inspected", {"part": chance.choice(("cooler", "heater", "well"))}),
                ("dance", {"with": "wolves"}),
                ("packaged", {}),
                ("move", {"to": other}),
                ("start", {}),
            )
        )
        if verb == "start":
            return self._start(vessel, at_s)[0]
        expects = chance.choice(("", "", "", "running", "held", "idle"))
        empties = verb == "packaged"
        moves_to = other if verb == "move" and other != "nobody" else ""
        return Act(at_s, vessel.name, verb, given, self._way(), expects, empties=empties, moves_to=moves_to)

    def _manual(self) -> dict[str, Any]:
        chance = self._chance
        return {
            "mode": "manual",
            "duty": chance.choice((-1.0, -1.0, 1.0, 1.0, 0.5, 0.0, 7.0)),
            "for_s": chance.choice((30.0, 1800.0, 4 * HOUR_S, 1e7)),
        }
