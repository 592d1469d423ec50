"""Whatever comes in, a scan ends with a result, and the rules that are never broken hold.

Hypothesis makes up readings (also no numbers, and numbers that cannot be), actions with any arguments, and any
passing of time. The rules are those of the README's list, checked here from what was commanded.
"""

from collections.abc import Mapping
from math import isfinite

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.control.codec import from_json, to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import initial_state
from controller.control.operate import VERBS
from controller.control.state import BatchState, Mode, SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Inputs, Reading, Status
from tests.factories import DAY_S, ON_OFF, UTC_S, scan, site, starting, vessel

STEPS = (
    ProfileStep("pitch", StepKind.HOLD, 19.0, 0.5, Ends(confirmed="Is the yeast in?"), DAY_S),
    ProfileStep("rise", StepKind.FREE_RISE, 24.0, 0.5, Ends(attenuation=0.5), DAY_S, goes_on=True),
    ProfileStep("ramp", StepKind.RAMP, 35.0, 0.5, Ends(), DAY_S, rate_k_per_s=1e-3),  # beyond the hard limit
    ProfileStep("crash", StepKind.CRASH, -9.0, 0.5, Ends(reached=True), DAY_S),  # beyond the other
)
PROFILE = Profile("hold", "All kinds", STEPS)
CELLAR = site(vessel("one", probes=2), vessel("two", loop=ON_OFF), vessel("three", heater_w=None), profile=PROFILE)
TAGS = [probe.tag for v in CELLAR.vessels for probe in v.probes] + ["bath/supply", "nobody/knows"]
OUTPUTS = {output.tag: output for v in CELLAR.vessels for output in (v.cooler, v.heater) if output}
HEAT_NEEDS = (Status.GOOD, Status.MAINTENANCE)
COLD_NEEDS = (*HEAT_NEEDS, Status.OUT_OF_SPECIFICATION)

CELSIUS = st.one_of(
    st.floats(15.0, 23.0),
    st.floats(-5.0, 45.0),
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([85.0, -127.0, 0.0, -0.0, 1e300, -1e300, 19.0]),
)
DT_S = st.one_of(
    st.just(5.0), st.just(5.0), st.floats(0.0, 600.0), st.sampled_from([0.0, -5.0, -1e6, 86400.0, 365 * 86400.0])
)
ARGUMENT = st.one_of(
    st.floats(-40.0, 40.0), st.floats(0.99, 1.1), st.floats(), st.integers(-3, 3), st.just(10**400), st.booleans(),
    st.text(max_size=8), st.sampled_from(["auto", "manual", "off", "hold", "reminder", "\ud800", "x" * 300, "two"]),
)  # fmt: skip
KEYS = ["batch", "og", "volume_l", "yeast", "profile", "setpoint_c", "celsius", "mode", "duty", "for_s", "sure",
        "gravity", "alarm", "nonsense", "step", "to", "in_service", "drift_k", "test", "force"]  # fmt: skip
ANY_ACTION = st.builds(
    Action,
    id=st.text(max_size=3),
    vessel=st.sampled_from(["one", "two", "three", "bath", "", "four"]),
    verb=st.sampled_from([*VERBS, "", "explode"]),
    arguments=st.dictionaries(st.sampled_from(KEYS), ARGUMENT, max_size=5),
    who=st.sampled_from(["mqtt", "page", ""]),
    expects=st.sampled_from(["", "", "", "running", "idle", "?", "running/pitch", "/", "idle/"]),
)
SOUND = [
    ("start", {"batch": "b", "og": 1.05, "volume_l": 40.0, "profile": "hold"}),
    ("start", {"batch": "b", "setpoint_c": 24.0}),
    ("mode", {"mode": "manual", "duty": 1.0, "for_s": 7200.0}),
    ("mode", {"mode": "manual", "duty": -1.0, "for_s": 7200.0}),
    ("mode", {"mode": "auto"}),
    ("mode", {"mode": "off"}),
    ("confirm", {}), ("hold", {}), ("resume", {}), ("stop", {}), ("packaged", {}), ("acknowledge", {}),
    ("inspected", {"part": "cooler"}), ("inspected", {"part": "heater"}), ("inspected", {"part": "well"}),
    ("abort", {"sure": True}), ("gravity", {"gravity": 1.012}), ("setpoint", {"celsius": 2.0}),
    ("setpoint", {"celsius": 28.0}),
    ("start", {"batch": "b", "og": 1.05, "gravity": 1.03, "volume_l": 40.0, "profile": "hold", "step": "crash"}),
    ("extend", {"for_s": 3600.0}), ("skip", {"sure": True}), ("skip", {"to": "crash", "sure": True}), ("skip", {}),
    ("back", {}), ("back", {"to": "pitch"}), ("move", {"to": "one"}), ("move", {"to": "two"}),
    ("move", {"to": "three"}), ("service", {"in_service": True}), ("service", {"in_service": False}),
    ("identify", {"test": "step", "force": True}), ("identify", {"test": "relay", "force": True}),
    ("identify", {"test": "stop"}), ("quiet", {"for_s": 600.0, "drift_k": 0.3}),
    ("quiet", {"for_s": 7200.0}), ("quiet", {"for_s": 0.0}),
]  # fmt: skip
SOUND_ACTION = st.builds(
    lambda number, name, wanted: Action(str(number), name, wanted[0], wanted[1], "jo"),
    st.integers(0, 10**9), st.sampled_from(["one", "two", "three"]), st.sampled_from(SOUND),
)  # fmt: skip
ACTIONS = st.one_of(st.just(()), st.lists(st.one_of(SOUND_ACTION, SOUND_ACTION, ANY_ACTION), max_size=3).map(tuple))
SCANS = st.lists(
    st.tuples(
        DT_S,
        st.dictionaries(st.sampled_from(TAGS), CELSIUS, max_size=6),
        st.one_of(st.none(), st.floats(0.0, 1e10)),
        ACTIONS,
        st.frozensets(st.sampled_from([*OUTPUTS, "nobody/knows"]), max_size=2),
        st.integers(1, 90),  # how often this scan is repeated, 5 s apart
    ),
    max_size=30,
)


class Onlooker:
    """Sees every scan's result, and remembers when each output was last on."""

    def __init__(self) -> None:
        self.last_on_s: dict[str, float] = {}
        self.ever_on: set[str] = set()

    def look(self, result: StepResult) -> None:
        state = result.state
        for command in result.commands:
            assert command.reason.strip()
            assert command.lifetime_s > 0.0
            assert command.on == self._output(state, command.tag).on
        assert all(record.reason.strip() or record.value for record in result.records)
        for each in CELLAR.vessels:
            self._vessel(state, each.name)

    def _output(self, state: SiteState, tag: str):
        name, _, kind = tag.partition("/")
        return getattr(state.vessels[name], kind)

    def _vessel(self, state: SiteState, name: str) -> None:
        now, each = state.vessels[name], CELLAR.vessel(name)
        assert each is not None
        cooler_on, heater_on = now.cooler.on, now.heater is not None and now.heater.on
        assert not (cooler_on and heater_on)  # rule 1
        for kind, other, is_on in (("cooler", "heater", cooler_on), ("heater", "cooler", heater_on)):
            if is_on:
                ended_s = self.last_on_s.get(f"{name}/{other}", -1e99)
                assert state.now_s - ended_s >= each.loop.changeover_s, "no change-over time"
                self.last_on_s[f"{name}/{kind}"] = state.now_s
                self.ever_on.add(f"{name}/{kind}")
        signals = [state.signals[probe.tag] for probe in each.probes]
        if cooler_on or heater_on:
            assert now.condition not in (BatchState.IDLE, BatchState.ABORTED)
            assert now.mode is not Mode.OFF
        if cooler_on:  # rules 2, 6, 7
            assert any(signal.status in COLD_NEEDS for signal in signals)
            assert all(now.batch.freezing_c < s.celsius <= 40.0 for s in signals if s.status in HEAT_NEEDS)
        if heater_on:  # rules 2, 7
            assert any(signal.status in HEAT_NEEDS for signal in signals)
            assert now.batch.volume_l > 0.0
            assert all(signal.celsius <= 30.3 for signal in signals if signal.status in HEAT_NEEDS)
        if now.setpoint is not None:  # rule 7
            assert each.limits.low_c <= now.setpoint.low_c <= now.setpoint.high_c <= each.limits.high_c
        assert isfinite(now.applied_w)
        assert -each.cooler.power_w <= now.applied_w <= (each.heater.power_w if each.heater else 0.0)
        assert (now.manual is not None) == (now.mode is Mode.MANUAL)  # rule 9
        if now.quiet is not None:  # it has an end, and is for what is regulated
            assert 0.0 < now.quiet.until_s - state.now_s <= 12 * 3600.0
            assert (now.mode, now.batch is None) == (Mode.AUTO, False)
        if now.identification.experiment is not None:
            assert (now.mode, now.batch is None, now.quiet) == (Mode.AUTO, False, None)
            assert 0.0 <= state.now_s - now.identification.experiment.began_s <= 12 * 3600.0
        assert now.in_service or now.batch is None
        assert (now.batch is None) == (now.condition is BatchState.IDLE)
        if now.program is not None and now.batch is not None and now.batch.profile is not None:
            assert 0 <= now.program.step < len(now.batch.profile.steps)
            assert now.program.counted_s <= now.program.elapsed_s


def readings_of(celsius: Mapping[str, float], at_s: float) -> dict[str, Reading]:
    return {tag: Reading(value, at_s) for tag, value in celsius.items()}


def brewing_state() -> SiteState:
    """Batches run in all three vessels, and their outputs have been at work."""
    state = scan(CELLAR, initial_state(CELLAR, 0.0), 22.0).state
    state = scan(CELLAR, state, 22.0, *(starting(v.name) for v in CELLAR.vessels)).state
    for _ in range(100):
        state = scan(CELLAR, state, 22.0).state
    assert state.vessels["two"].cooler.on
    return state


BREWING = brewing_state()


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(SCANS, st.booleans())
def test_no_input_breaks_a_rule_or_raises(scans: list, brewing: bool) -> None:
    state, onlooker = BREWING if brewing else initial_state(CELLAR, 0.0), Onlooker()
    moment_s = state.now_s
    for dt_s, celsius, utc_s, actions, again, times in scans:
        moment_s += dt_s
        for repeat in range(times):
            moment_s += 5.0 if repeat else 0.0
            inputs = Inputs(moment_s, utc_s, readings_of(celsius, moment_s), actions, again)
            result = step(CELLAR, state, inputs)
            actions, again = (), frozenset()
            onlooker.look(result)
            state = result.state
        assert from_json(SiteState, to_json(state)) == state


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([15.0, 17.0, 19.0, 22.0, 26.0]), st.integers(60, 400)), min_size=2, max_size=8),
    st.sampled_from([("setpoint_c", 19.0), ("profile", "hold")]),
)
def test_a_wort_pushed_up_and_down_uses_both_outputs_but_never_too_near_each_other(
    pushes: list[tuple[float, int]], how: tuple[str, object]
) -> None:
    state, onlooker = scan(CELLAR, initial_state(CELLAR, 0.0), 19.0).state, Onlooker()
    state = scan(CELLAR, state, 19.0, *(starting(v.name, **dict([how])) for v in CELLAR.vessels)).state
    celsius = 19.0
    for wanted_c, scans in pushes:
        for _ in range(scans):
            celsius += min(max(wanted_c - celsius, -0.1), 0.1)
            result = scan(CELLAR, state, celsius)
            onlooker.look(result)
            state = result.state


def test_the_onlooker_sees_both_outputs_at_work() -> None:
    """Or the test above would look at nothing."""
    state, onlooker = BREWING, Onlooker()
    for celsius in (22.0, 16.0):
        for _ in range(400):
            result = scan(CELLAR, state, celsius)
            onlooker.look(result)
            state = result.state
    assert onlooker.ever_on == set(OUTPUTS)


@pytest.mark.parametrize("celsius", [float("nan"), float("inf"), 1e308, -127.0, 85.0, -60.0, 130.0])
def test_a_reading_that_cannot_be_switches_off_what_was_on_within_the_quiet_time(celsius: float) -> None:
    """Design rule 2."""
    state = BREWING
    for _ in range(8):  # 40 s, the probe may be quiet for 30
        state = scan(CELLAR, state, celsius).state
    for now in state.vessels.values():
        assert not now.cooler.on
        assert now.heater is None or not now.heater.on
    assert state.utc_s is not None
    assert state.utc_s > UTC_S
