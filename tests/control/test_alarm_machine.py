"""The life of all alarms of a cellar against a second one that thinks as ISA-18.2 does: process, alarm, acknowledged.

The program keeps one phase for each alarm. `Second` keeps what the standard keeps apart (is the process abnormal, is
the alarm active, has it been seen, is it suppressed, is it out of service) and a stopwatch for the on-delay. Names
and differences: `tests/references/test_isa_18_2.py`.
"""

from dataclasses import dataclass

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from controller.control.codec import from_json, to_json
from controller.control.follow import Moment
from controller.control.lifecycle import initial_state
from controller.control.operate import operate
from controller.control.state import AlarmPhase, SiteState
from controller.control.values import Action, Record, RecordKind
from controller.control.watch import Watch
from tests.effort import examples
from tests.factories import UTC_S, site, vessel

CELLAR = site(vessel("left"), vessel("right"))
WHERE = ("left", "right", "bath")
KINDS = ("high", "low", "deviation")
KEYS = [f"{where}/{kind}" for where in WHERE for kind in KINDS]
DELAYS_S = {"high": 0.0, "low": 60.0, "deviation": 300.0}


@dataclass
class Second:
    """One alarm as the standard sees it."""

    delay_s: float
    abnormal_since_s: float | None = None
    active: bool = False
    unseen: bool = False
    suppressed: bool = False
    out: bool = False

    def name(self) -> str:
        if self.out:
            return "out of service"
        if self.suppressed:
            return "suppressed by design"
        if self.active:
            return "active, unacknowledged" if self.unseen else "active, acknowledged"
        return "returned to normal, unacknowledged" if self.unseen else "normal"

    def scan(self, abnormal: bool, suppressed: bool, now_s: float) -> None:
        self.out = False
        if not abnormal:
            self.active = self.suppressed = False
            self.abnormal_since_s = None
        elif suppressed and self.unseen and not self.active:
            self.abnormal_since_s = None
        elif suppressed:
            self.suppressed, self.active, self.unseen, self.abnormal_since_s = True, False, False, None
        else:
            self.suppressed = False
            if self.abnormal_since_s is None:
                self.abnormal_since_s = now_s
            if not self.active and now_s - self.abnormal_since_s >= self.delay_s:
                self.active = self.unseen = True

    def acknowledge(self) -> bool:
        seen, self.unseen = self.unseen, False
        return seen

    def remove(self) -> None:
        self.out = self.name() != "normal"
        self.active = self.unseen = self.suppressed = False
        self.abnormal_since_s = None


class AlarmMachine(RuleBasedStateMachine):
    """Conditions come and go, people acknowledge, vessels go out of service."""

    @initialize()
    def begin(self) -> None:
        self.state: SiteState = initial_state(CELLAR, 0.0)
        self.now_s, self.actions = 0.0, 0
        self.abnormal: set[str] = set()
        self.suppressed: set[str] = set()
        self.out: set[str] = set()
        self.seconds = {key: Second(DELAYS_S[key.partition("/")[2]]) for key in KEYS}

    @rule(changed=st.sets(st.sampled_from(KEYS), min_size=1, max_size=4))
    def process_changes(self, changed: set[str]) -> None:
        self.abnormal ^= changed

    @rule(changed=st.sets(st.sampled_from(["left/high", "left/low", "left/deviation", "right/low"]), min_size=1))
    def suppression_changes(self, changed: set[str]) -> None:
        self.suppressed ^= changed

    @rule()
    def goes_out_of_service_or_comes_back(self) -> None:
        self.out ^= {"right"}

    @rule(dt_s=st.sampled_from([0.0, 5.0, 30.0, 60.0, 299.0, 300.0]), times=st.integers(1, 4))
    def time_passes(self, dt_s: float, times: int) -> None:
        abnormal, suppressed, out = self.abnormal, self.suppressed, self.out
        for _ in range(times):
            self.now_s += dt_s
            before = {key: second.name() for key, second in self.seconds.items()}
            records: list[Record] = []
            watch = Watch(self.state.alarms, Moment(self.now_s, UTC_S, dt_s, False, 0.0), records)
            for where in sorted(out):
                watch.take_out_of_service(where)
            for key, second in self.seconds.items():
                where, _, kind = key.partition("/")
                if where in out:
                    second.remove()
                elif key in abnormal or kind in watch.told(where):
                    text = f"text of {key}"
                    watch.consider(where, kind, key in abnormal, second.delay_s, text, key in suppressed)
                    second.scan(key in abnormal, key in suppressed, self.now_s)
            self.state = self.state._replace(now_s=self.now_s, alarms=watch.alarms)
            self._each_change_is_told_once(before, records)

    @rule(where=st.sampled_from(["left", *WHERE, "nowhere"]), kind=st.sampled_from(["", "", "", *KINDS, "fire"]))
    def acknowledge(self, where: str, kind: str) -> None:
        self.actions += 1
        arguments = {"alarm": kind} if kind else {}
        action = Action(str(self.actions), where, "acknowledge", arguments, "test")
        self.state, records = operate(CELLAR, self.state, action, UTC_S)
        seen = [
            key.partition("/")[2]
            for key, second in self.seconds.items()
            if key.startswith(f"{where}/") and (not kind or key == f"{where}/{kind}") and second.acknowledge()
        ]
        answer = records[-1]
        assert answer.value == ("done" if seen else "refused")
        if seen:
            assert sorted(answer.reason.removeprefix("acknowledged: ").split(", ")) == sorted(seen)

    @rule()
    def restart(self) -> None:
        self.state = from_json(SiteState, to_json(self.state))

    @invariant()
    def the_phases_are_the_standards(self) -> None:
        phases = {key: alarm.phase.value for key, alarm in self.state.alarms.items()}
        assert {key: second.name() for key, second in self.seconds.items()} == {
            key: phases.get(key, "normal") for key in self.seconds
        }
        for key, alarm in self.state.alarms.items():  # what is quietly normal is not kept
            assert alarm.phase is not AlarmPhase.NORMAL or alarm.since_s is not None
            assert alarm.text == f"text of {key}"

    def _each_change_is_told_once(self, before: dict[str, str], records: list[Record]) -> None:
        changed = {key: second.name() for key, second in self.seconds.items() if second.name() != before[key]}
        told = [(f"{record.vessel or 'bath'}/{record.subject}", record.value) for record in records]
        assert sorted(told) == sorted(changed.items())
        assert all(record.kind is RecordKind.ALARM and record.reason for record in records)


TestAnyLifeOfTheAlarms = AlarmMachine.TestCase
TestAnyLifeOfTheAlarms.settings = examples(300, steps=50)
