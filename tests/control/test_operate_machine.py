"""Every operator action in any order with any arguments, from every side: done, or refused with nothing changed.

Beside the cellar stands a plain-Python notebook of what cannot be argued about: which batch is in which vessel, which
gravities were entered, which ids were answered and how. ISA-88 says what may follow what (`test_batch_states.py`); here
whatever the program allows is held against the notebook.
"""

import json
from collections.abc import Mapping

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from controller.control.codec import from_json, to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.diagnosis import (
    COOLER_NO_EFFECT,
    COOLER_WILL_NOT_STOP,
    HEATER_WILL_NOT_STOP,
    OutputFault,
)
from controller.control.lifecycle import initial_state, resumed_state
from controller.control.operate import KEPT_ANSWERS, VERBS, operate
from controller.control.state import BatchState, Mode, SiteState
from controller.control.values import Action, Record, RecordKind
from controller.field.own_topics import parse_action
from tests.effort import examples
from tests.factories import DAY_S, UTC_S, scan, site, vessel

STEPS = (
    ProfileStep("pitch", StepKind.HOLD, 19.0, 0.5, Ends(confirmed="Is the yeast in?"), DAY_S),
    ProfileStep("rise", StepKind.FREE_RISE, 24.0, 0.5, Ends(attenuation=0.5), DAY_S, goes_on=True),
    ProfileStep("rest", StepKind.REST, 20.0, 2.0, Ends(after_s=60.0), DAY_S),
    ProfileStep("crash", StepKind.CRASH, 3.0, 0.5, Ends(reached=True), DAY_S),
)
CELLAR = site(vessel("one"), vessel("two"), vessel("three", heater_w=None), profile=Profile("hold", "All kinds", STEPS))
NAMES = tuple(each.name for each in CELLAR.vessels)

Arguments = Mapping[str, str | float | bool]
VALUES = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False), st.floats(-5.0, 35.0), st.floats(0.98, 1.18), st.booleans(),
    st.text(max_size=12), st.sampled_from(["auto", "manual", "off", "one", "two", "hold", "rest", "x" * 200]),
)  # fmt: skip
KEYS = st.sampled_from(
    ["batch", "og", "volume_l", "yeast", "profile", "setpoint_c", "celsius", "mode", "duty", "for_s", "sure", "gravity",
     "alarm", "step", "to", "in_service", "drift_k", "output", "part", "nonsense"]
)  # fmt: skip
STARTS: tuple[Arguments, ...] = (
    {"og": 1.05, "volume_l": 40.0, "profile": "hold"},
    {"setpoint_c": 18.0},
    {"og": 1.05, "gravity": 1.02, "profile": "hold", "step": "rest"},
)
WISHES: tuple[tuple[str, Arguments], ...] = (
    ("move", {"to": "one"}), ("move", {"to": "two"}), ("move", {"to": "three"}), ("packaged", {}),
    ("service", {"in_service": True}), ("service", {"in_service": False}),
    ("setpoint", {"celsius": 12.0}), ("setpoint", {"celsius": 35.0}), ("setpoint", {"celsius": True}),
    ("mode", {"mode": "auto"}), ("mode", {"mode": "off"}), ("mode", {"mode": "manual", "duty": 1.0, "for_s": 600.0}),
    ("mode", {"mode": "manual", "duty": -1.0, "for_s": 5.0}), ("mode", {"mode": "manual", "duty": 1.0, "for_s": 1e9}),
    ("quiet", {"for_s": 600.0}), ("quiet", {"for_s": 0.0}), ("hold", {}), ("resume", {}), ("stop", {}),
    ("abort", {}), ("abort", {"sure": True}), ("abort", {"sure": "yes"}), ("confirm", {}), ("extend", {"for_s": 60.0}),
    ("skip", {}), ("skip", {"sure": True}), ("skip", {"to": "crash", "sure": 1.0}), ("back", {}),
    ("back", {"to": "pitch"}), ("gravity", {"gravity": 1.03}), ("gravity", {"gravity": 1.012}),
    ("og", {"gravity": 1.06}), ("acknowledge", {}), ("start", {"batch": "again", "setpoint_c": 18.0}),
    ("inspected", {"part": "cooler"}), ("inspected", {"part": "heater"}), ("inspected", {"part": "well"}),
    ("inspected", {}),
)  # fmt: skip
WHO = st.sampled_from(["mqtt", "command line, jo", "page"])


class OperateMachine(RuleBasedStateMachine):
    """Three vessels, and operators who press anything."""

    @initialize()
    def begin(self) -> None:
        self.state: SiteState = scan(CELLAR, initial_state(CELLAR, 0.0), 20.0).state
        self.batches: dict[str, str] = {}
        self.gravities: dict[str, list[float]] = {}
        self.answers: dict[str, str] = {}
        self.number = 0

    @precondition(lambda self: len(self.batches) < len(NAMES))
    @rule(data=st.data(), arguments=st.sampled_from(STARTS), who=WHO)
    def starts(self, data: st.DataObject, arguments: Arguments, who: str) -> None:
        name = data.draw(st.sampled_from([each for each in NAMES if each not in self.batches]))
        self._act(Action(self._new_id(), name, "start", {"batch": f"batch {self.number}", **arguments}, who))

    @precondition(lambda self: self.batches)
    @rule(
        data=st.data(),
        wishes=st.lists(st.sampled_from(WISHES), min_size=1, max_size=8),
        who=WHO,
        expects=st.sampled_from(["", "", "running"]),
    )
    def acts_on_a_batch(self, data: st.DataObject, wishes: list[tuple[str, Arguments]], who: str, expects: str) -> None:
        name = data.draw(st.sampled_from(sorted(self.batches)))
        for wish in wishes:
            self._act(Action(self._new_id(), name, *wish, who, expects))
            self.the_state_is_sound()

    @rule(
        name=st.sampled_from([*NAMES, "bath", "", "four", "\ud800"]),
        verb=st.sampled_from([*VERBS, "", "explode", "inspected"]) | st.text(max_size=5),
        arguments=st.dictionaries(KEYS, VALUES | st.just(10**400), max_size=5),
        who=WHO,
        expects=st.sampled_from(["", "", "running", "idle/", "held/rest", "/", "?"]) | st.text(max_size=5),
    )
    def acts_wildly(self, name: str, verb: str, arguments: Arguments, who: str, expects: str) -> None:
        self._act(Action(self._new_id(), name, verb, arguments, who, expects))

    @rule(
        name=st.sampled_from(NAMES),
        wish=st.sampled_from(WISHES) | st.tuples(st.sampled_from([*VERBS]), st.dictionaries(KEYS, VALUES, max_size=4)),
        retained=st.booleans(),
    )
    def publishes(self, name: str, wish: tuple[str, Arguments], retained: bool) -> None:
        """The way in over MQTT: a retained action never gets as far as the core."""
        verb, arguments = wish
        payload = json.dumps({"id": self._new_id(), "do": verb, **arguments}).encode()
        action = parse_action(name, payload, retained)
        if isinstance(action, str):
            assert action.endswith("nothing was changed")
            assert retained or len(payload) > 4000
            return
        assert not retained
        assert action.arguments == arguments
        self._act(action)

    @precondition(lambda self: self.answers)
    @rule(data=st.data(), name=st.sampled_from(NAMES), wish=st.sampled_from(WISHES))
    def repeats_an_id(self, data: st.DataObject, name: str, wish: tuple[str, Arguments]) -> None:
        """Delivered twice, or used again by mistake for something else: the first answer, and nothing else."""
        number = data.draw(st.sampled_from(sorted(self.answers)))
        before = self.state
        self.state, records = operate(CELLAR, before, Action(number, name, *wish, "mqtt"), UTC_S)
        assert self.state is before
        (answer,) = records
        assert (answer.kind, answer.value, answer.reason) == (RecordKind.ACTION, "repeated", self.answers[number])

    @rule(celsius=st.sampled_from([3.0, 19.0, 24.0]), scans=st.integers(1, 20))
    def time_passes(self, celsius: float, scans: int) -> None:
        for _ in range(scans):
            self.state = scan(CELLAR, self.state, celsius).state

    @rule(
        name=st.sampled_from(NAMES),
        kind=st.sampled_from([COOLER_NO_EFFECT, COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP]),
    )
    def is_found_faulty(self, name: str, kind: str) -> None:
        """What the diagnosis leaves behind, so that there is something to inspect."""
        now = self.state.vessels[name]
        if kind == HEATER_WILL_NOT_STOP and now.heater is None:
            return
        now = now._replace(faults={**now.faults, kind: OutputFault(self.state.now_s, "0.5 K too far")})
        self.state = self.state._replace(vessels={**self.state.vessels, name: now})

    @rule()
    def restart(self) -> None:
        saved = from_json(SiteState, to_json(self.state))
        assert repr(saved) == repr(self.state)
        self.state = resumed_state(CELLAR, saved, saved.now_s)

    @invariant()
    def the_notebook_is_right(self) -> None:
        there = {name: now.batch for name, now in self.state.vessels.items() if now.batch is not None}
        assert {name: batch.name for name, batch in there.items()} == self.batches
        assert {n: [r.gravity for r in batch.gravities] for n, batch in there.items()} == self.gravities
        assert dict(self.state.answers) == self.answers

    @invariant()
    def the_state_is_sound(self) -> None:
        assert from_json(SiteState, to_json(self.state)) == self.state
        for each in CELLAR.vessels:
            now = self.state.vessels[each.name]
            assert (now.batch is None) == (now.condition is BatchState.IDLE)
            assert now.in_service or now.batch is None
            assert (now.manual is not None) == (now.mode is Mode.MANUAL)
            assert now.batch is not None or (now.quiet, now.setpoint, now.program, now.manual) == (None,) * 4
            if now.setpoint is not None:
                assert each.limits.low_c <= now.setpoint.low_c <= now.setpoint.high_c <= each.limits.high_c

    def _new_id(self) -> str:
        self.number += 1
        return f"{self.number:06}"

    def _act(self, action: Action) -> None:
        before = self.state
        self.state, records = operate(CELLAR, before, action, UTC_S)
        answer = records[-1]
        assert (answer.kind, answer.subject, answer.who) == (RecordKind.ACTION, action.id, action.who)
        self.answers[action.id] = answer.reason
        for old in sorted(self.answers)[:-KEPT_ANSWERS]:
            del self.answers[old]
        if answer.value == "refused":
            assert records == [answer]
            assert answer.reason.endswith("nothing was changed")
            assert self.state._replace(answers={}) == before._replace(answers={})
            return
        assert answer.value == "done"
        self._done(action, before, records[:-1])

    def _done(self, action: Action, before: SiteState, records: list[Record]) -> None:
        name, arguments = action.vessel, action.arguments
        changed = {each for each in NAMES if self.state.vessels[each] != before.vessels[each]}
        assert records
        assert all(record.reason and record.who == action.who for record in records)
        assert {record.vessel for record in records} >= changed  # design rule 11
        touched = {name, str(arguments["to"])} if action.verb == "move" else {name}
        assert changed <= touched
        assert self.state._replace(vessels={}, answers={}, alarms={}) == before._replace(
            vessels={}, answers={}, alarms={}
        )
        assert action.verb == "acknowledge" or self.state.alarms == before.alarms
        for each in NAMES:
            held, was_held = self.state.vessels[each].faults, before.vessels[each].faults
            if action.verb == "inspected" and each == name:
                assert action.who != "mqtt"  # design rule 5
                gone = {kind for kind in was_held if kind not in held}
                assert {kind.partition(" ")[0] for kind in gone} <= {str(arguments["part"])}
                assert not any(kind.startswith(f"{arguments['part']} ") for kind in held)
            else:
                assert held == was_held, "only a person who has looked takes back what is held against an output"
        hot = arguments.get("mode") == "manual" and float(arguments["duty"]) > 0.0
        assert not (action.verb == "mode" and hot and action.who == "mqtt")  # design §5
        if action.verb == "start":
            assert name not in self.batches
            self.batches[name] = str(arguments["batch"])
            self.gravities[name] = [float(arguments["gravity"])] if "gravity" in arguments else []
        elif action.verb == "packaged":
            del self.batches[name], self.gravities[name]
        elif action.verb == "move":
            to = str(arguments["to"])
            assert to not in self.batches
            self.batches[to], self.gravities[to] = self.batches.pop(name), self.gravities.pop(name)
        elif action.verb == "gravity":
            self.gravities[name].append(float(arguments["gravity"]))
        elif action.verb == "abort":
            assert arguments["sure"] is True
        elif action.verb == "setpoint":
            assert type(arguments["celsius"]) in (int, float)


TestAnyActions = OperateMachine.TestCase
TestAnyActions.settings = examples(80, steps=40)
