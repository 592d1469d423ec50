"""A cellar of one vessel for the tests of the judges: time goes on, devices obey, people and the service say things."""

import json
import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from tests.simulation.scene import (
    Answered,
    Asked,
    Bath,
    Breach,
    Broker,
    Daemon,
    Delivered,
    Ended,
    Event,
    Judge,
    Order,
    Probe,
    Published,
    Record,
    Relay,
    Scene,
    Started,
    Told,
    Vessel,
)

SCAN_S, QUIET_S, LIFETIME_S, SHORTEST_OFF_S, CHANGEOVER_S = 10.0, 30.0, 90.0, 180.0, 900.0


def _relay(kind: str) -> Relay:
    return Relay(
        f"fv1/{kind}", "fv1", kind, f"story/fv1/{kind}/set", True, None, 100.0, LIFETIME_S, 25.0, 60.0, SHORTEST_OFF_S
    )


def _probe(tag: str, place: str) -> Probe:
    vessel = tag.partition("/")[0] if place == "thermowell" else ""
    return Probe(tag, vessel, place, QUIET_S, -55.0, 125.0, (85.0,), (-127.0,))


class Cellar:
    """The scene, and the judge that looks at it. `breaches` are those found so far. Readings come at each scan."""

    def __init__(self, judge: Judge, compressor: bool = False) -> None:
        self.judge, self.breaches = judge, list[Breach]()
        self.cooler, self.heater = _relay("cooler"), _relay("heater")
        self.contactor = Relay(
            "upstream/heat", "", "contactor", "story/upstream/heat/set", True, None, 1.0, LIFETIME_S, 25.0, 60.0, 30.0
        )
        self.heater.upstream = (self.contactor.tag,)
        self.well, self.tank = _probe("fv1/well", "thermowell"), _probe("bath/tank", "bath")
        self.vessel = Vessel(
            "fv1", 20.0, 1.0, 25.0, 0.5, CHANGEOVER_S, 0.0, 26.0, 1.0, 1800.0, 3600.0, "off",
            self.cooler, self.heater, [self.well],
        )  # fmt: skip
        self.vessel.wort_l = 18.0
        self.daemon, self.second = Daemon("a", "cellarhand-story"), Daemon("b", "cellarhand-story")
        tag = "upstream/compressor"
        chiller = [replace(self.contactor, tag=tag, kind="compressor", topic=f"story/{tag}/set")] if compressor else []
        relays = {each.tag: each for each in (self.cooler, self.heater, self.contactor, *chiller)}
        self.bath = Bath(-3.0, 1.0, -16.0, 2.0, 1000.0, [self.tank])
        self.scene = Scene(
            0.0, SCAN_S, "story", {"fv1": self.vessel}, relays, {"fv1/well": self.well, "bath/tank": self.tank},
            self.bath, 20.0, Broker(since_s=0.0), {"a": self.daemon, "b": self.second},
        )  # fmt: skip
        self.shows_c: float | None = 18.0
        self.bath_c: float | None = -3.0
        self.epochs = {"a": 1, "b": 2}
        self._number = 0

    # time

    def happens(self, *events: Event) -> None:
        """A look of the judge, with these as news."""
        self.scene.news = list(events)
        self.scene.events += events
        self.breaches += self.judge.look(self.scene)

    def begin(self, says_off: bool = True) -> None:
        """The daemon "a" starts, connects, and commands everything off."""
        self.daemon.running, self.daemon.started_s, self.daemon.connected_s = True, self.now_s, self.now_s
        self.daemon.runs += 1
        self.happens(Started(self.now_s, "a", self.daemon.runs, 0.0))
        if says_off:
            for tag in self.scene.relays:
                self.command(tag, False)

    def passes(self, seconds: float, renew: bool = True) -> None:
        """Time goes on, with readings, scans, and the renewal of whatever is on."""
        end_s = self.now_s + seconds
        while self.now_s + SCAN_S <= end_s + 1e-6:
            self.scene.now_s += SCAN_S
            for probe in self.scene.probes.values():
                if probe is not self.well and self.bath_c is not None:
                    probe.heard_c, probe.heard_s = self.bath_c, self.now_s
            if self.shows_c is not None:
                self.well.heard_c, self.well.heard_s = self.shows_c, self.now_s
            self._time_out()
            if self.daemon.running:
                self.daemon.scanned_s = self.now_s
                self.daemon.scans += 1
            self.happens()
            for tag, relay in self.scene.relays.items():
                if renew and relay.ordered and self.daemon.running and self.now_s % 20.0 < SCAN_S:
                    self.command(tag, True)
        self.scene.now_s = end_s

    @property
    def now_s(self) -> float:
        return self.scene.now_s

    def _time_out(self) -> None:
        for relay in self.scene.relays.values():
            if relay.ordered and relay.ends_s <= self.now_s:
                relay.ordered, relay.ordered_since_s, relay.ends_s = False, relay.ends_s, math.inf
                relay.closed = relay.moves = False

    # messages

    def command(
        self,
        tag: str,
        on: bool,
        sender: str = "a",
        late_s: float = 0.0,
        retain: bool = False,
        arrives: bool = True,
        **said: Any,
    ) -> None:
        """A daemon commands an output, and the device obeys after `late_s`."""
        self._number += 1
        relay, sent_s = self.scene.relays[tag], self.now_s
        order = {"on": on, "lifetime_s": LIFETIME_S, "number": self._number, "epoch": self.epochs[sender], **said}
        payload = json.dumps(order).encode()
        self.happens(Published(sent_s, sender, relay.topic, payload, 1, retain, LIFETIME_S))
        if not arrives:
            return
        self.scene.now_s += late_s
        obeyed = Order(
            on, order["epoch"], order["number"], order["lifetime_s"], sender, sent_s, self.now_s, retain, 1, obeyed=True
        )
        relay.obeyed = relay.heard = obeyed
        relay.ends_s = self.now_s + order["lifetime_s"] if on else math.inf
        if relay.ordered != on:
            relay.ordered, relay.ordered_since_s = on, self.now_s
            relay.closed = relay.moves = on
        self.happens(Delivered(self.now_s, tag, obeyed))

    def restarts(self, tag: str) -> None:
        """A device's electronics restart."""
        relay = self.scene.relays[tag]
        relay.restarts += 1
        relay.ordered, relay.ordered_since_s, relay.obeyed = False, self.now_s, None
        self.happens()

    def says(self, sender: str = "a", **changed: Any) -> None:
        """A daemon tells of the vessel's state."""
        state: dict[str, Any] = {
            "state": "stopped", "mode": "auto", "alarms": [], "batch": None, "step": None,
            "setpoint_low_c": 18.0, "setpoint_high_c": 18.0, "signals": {"fv1/well": {"status": "good"}},
        }  # fmt: skip
        state |= changed
        self.vessel.said, self.vessel.said_s, self.vessel.said_by = state, self.now_s, sender
        self.happens(Published(self.now_s, sender, "cellarhand/story/fv1/state", b"{}", 1, True, None))

    def asks(
        self, verb: str, by: str = "socket", answer: str | None = "done", given: Mapping[str, Any] | None = None
    ) -> None:
        """An operator asks for something, and is answered unless `answer` is None."""
        self._number += 1
        name = f"{verb}-{self._number}"
        self.happens(Asked(self.now_s, name, "fv1", verb, dict(given or {}), "", by, "a"))
        if answer is not None:
            done = not answer.startswith("refused")
            self.happens(Answered(self.now_s, name, "fv1", verb, answer, done, "a"))

    def batch(self, **known: Any) -> Told:
        """An operator begins a batch."""
        told = Told("One", self.now_s, **known)
        self.vessel.told = told
        self.asks("start", given={"batch": "One", "setpoint_c": 18.0, **known})
        return told

    def stranger(self, topic: str, payload: bytes) -> None:
        """A stranger says something."""
        self.happens(Published(self.now_s, "stranger", topic, payload, 1, False, None))

    def ends(self, how: str = "power", text: str = "") -> None:
        """The daemon is no more."""
        self.daemon.running, self.daemon.connected_s = False, None
        self.happens(Ended(self.now_s, "a", self.daemon.runs, how, None, text))

    def record(self, kind: str, subject: str, value: str, reason: str = "because", at_s: float | None = None) -> None:
        """A row in the store, of the vessel and the present run."""
        now_s = self.now_s if at_s is None else at_s
        rows = self.scene.records
        rows.append(
            Record(
                len(rows), "a", self.daemon.runs, now_s, now_s, None, "fv1", kind, subject, value, reason, ""
            )
        )  # fmt: skip

    def over(self) -> list[str]:
        """The story is over: all that was found."""
        self.breaches += self.judge.end(self.scene)
        return self.said()

    def said(self) -> list[str]:
        """The breaches' sentences."""
        return [each.sentence for each in self.breaches]


def alarm(kind: str, phase: str = "active, unacknowledged", age_s: float = 0.0) -> dict[str, Any]:
    """An alarm as a vessel's state tells of it."""
    return {"kind": kind, "phase": phase, "age_s": age_s}
