"""The state goes to JSON and back to the last bit, and nothing that does not fit is let in.

The JSON itself is judged by RFC 8259: a reader that knows nothing of ours must accept it, and it has no
NaN. Bit-exact floats: IEEE 754, compared through their eight bytes.
"""

import json
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field, is_dataclass
from enum import Enum
from typing import Any, NamedTuple, get_args, get_type_hints

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.control.codec import from_json, to_json
from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.diagnosis import Diagnosis, OutputFault
from controller.control.doubt import ProbeMemory
from controller.control.lifecycle import initial_state, remembered_state, resumed_state
from controller.control.site import AlarmLimits, Ending, Limits, Loop, LoopKind, Output, Place, Probe, Site, Vessel
from controller.control.state import AlarmState, Batch, OutputState, Sharing, SiteState, VesselState
from controller.control.values import Action, Inputs, Signal

FINITE = st.floats(allow_nan=False, allow_infinity=False)
st.register_type_strategy(float, FINITE)


def a_site() -> Site:
    """One vessel with both outputs and one that can only be cooled."""
    vessels = []
    for name, heated in (("one", True), ("two", False)):
        probe = Probe(f"{name}/wort", Place.THERMOWELL, quiet_s=60.0)
        cooler = Output(f"{name}/cooler", -300.0, Ending.DEVICE_TIMER)
        heater = Output(f"{name}/heater", 40.0, Ending.DEVICE_TIMER) if heated else None
        loop = Loop(LoopKind.ON_OFF, 0.3, 200.0, 7200.0, 0.0, 60.0, 900.0, 600.0)
        alarms = AlarmLimits(1.0, 3600.0, 0.0, 28.0, 300.0, 0.2, 86400.0)
        vessels.append(Vessel(name, 50.0, 2e5, (probe,), cooler, heater, loop, Limits(0.0, 25.0), alarms))
    return Site("cellar", 5.0, tuple(vessels), bath=None, room=None)


ALE = Profile(
    "ale",
    "An ale",
    (
        ProfileStep("pull down", StepKind.RAMP, 18.0, 0.5, Ends(reached=True), 86400.0, rate_k_per_s=1e-4),
        ProfileStep("rest", StepKind.REST, 20.0, 0.5, Ends(after_s=172800.0, steady_s=86400.0), 6e5, note="taste"),
    ),
)


def test_a_plant_never_seen_before_comes_back_as_it_was() -> None:
    state = initial_state(a_site(), 0.1 + 0.2)
    assert from_json(SiteState, to_json(state)) == state


def test_a_batch_keeps_its_own_copy_of_its_profile() -> None:
    batch = Batch("44", 1.0521, None, "lager", ALE, 1.0, None)
    assert from_json(Batch, to_json(batch)) == batch


def test_the_text_is_json_by_the_standard() -> None:
    plain = json.loads(to_json(initial_state(a_site(), 7.0)))
    assert plain["vessels"]["one"]["condition"] == "idle"
    assert "heater" not in plain["vessels"]["two"]
    assert plain["signals"]["one/wort"]["status"] == "F"


VESSELS: st.SearchStrategy[VesselState] = st.builds(
    VesselState,
    faults=st.dictionaries(st.text(max_size=5), st.from_type(OutputFault), max_size=2),
    diagnosis=st.builds(Diagnosis, probes=st.dictionaries(st.text(max_size=5), st.from_type(ProbeMemory), max_size=2)),
)
STATES = st.builds(
    SiteState,
    signals=st.dictionaries(st.text(max_size=5), st.from_type(Signal), max_size=2),
    vessels=st.dictionaries(st.text(max_size=5), VESSELS, max_size=2),
    alarms=st.dictionaries(st.text(max_size=5), st.from_type(AlarmState), max_size=2),
    answers=st.dictionaries(st.text(max_size=5), st.text(max_size=5), max_size=2),
    upstream=st.dictionaries(st.text(max_size=5), st.from_type(OutputState), max_size=2),
    sharing=st.builds(Sharing, waits=st.dictionaries(st.text(max_size=5), FINITE, max_size=2)),
)


@settings(deadline=None, max_examples=60)
@given(STATES)
def test_whatever_the_state_holds_it_comes_back_equal(state: SiteState) -> None:
    back = from_json(SiteState, to_json(state))
    assert back == state
    assert repr(back) == repr(state)  # also tells -0.0 from 0.0, and 1 from 1.0 from True


@settings(deadline=None, max_examples=60)
@given(STATES, st.sampled_from([0.0, 5000.0]))
def test_what_is_remembered_goes_on_after_a_stop_as_the_whole_state_would(state: SiteState, now_s: float) -> None:
    state = state._replace(vessels={name: now._replace(batch=None) for name, now in state.vessels.items()})
    site = a_site()
    there = dict(zip(("one", "two"), state.vessels.values(), strict=False))
    for vessels in (state.vessels, there):
        whole = state._replace(vessels=vessels)
        assert repr(resumed_state(site, remembered_state(whole), now_s)) == repr(resumed_state(site, whole, now_s))


class Zeros(NamedTuple):
    """Zeros of several kinds."""

    first: float = 0.0
    second: float | bool = 0.0


def test_a_named_tuple_leaves_out_what_is_at_its_default_to_the_last_bit() -> None:
    assert to_json(Zeros()) == "{}"
    assert to_json(Zeros(-0.0, False)) == '{"first":-0.0,"second":false}'


@given(FINITE)
def test_a_float_comes_back_to_the_last_bit(value: float) -> None:
    assert struct.pack("<d", from_json(float, to_json(value))) == struct.pack("<d", value)


@given(st.dictionaries(st.text(), st.one_of(st.text(), FINITE, st.booleans()), max_size=4))
def test_an_action_keeps_the_kind_of_each_argument(arguments: Mapping[str, str | float | bool]) -> None:
    action = Action("a1", "one", "note", arguments, "page")
    back = from_json(Inputs, to_json(Inputs(1.0, None, {}, (action,)))).actions[0]
    assert back == action
    assert [type(value) for value in back.arguments.values()] == [type(value) for value in arguments.values()]


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), float("-inf")])
def test_no_value_that_is_not_finite_is_written(bad: float) -> None:
    state = initial_state(a_site(), 0.0)
    ill = state.vessels["two"]._replace(estimate=state.vessels["two"].estimate._replace(rate_k_per_h=bad))
    place = r"^vessels\.two\.estimate\.rate_k_per_h"
    with pytest.raises(ValueError, match=place + ": (nan|inf|-inf) is not a finite number"):
        to_json(state._replace(vessels={**state.vessels, "two": ill}))


def altered(**changes: object) -> str:
    """The JSON of a whole state, with one vessel's fields replaced (a value of ... takes the field away)."""
    plain = json.loads(to_json(initial_state(a_site(), 0.0)))
    for name, value in changes.items():
        if value is ...:
            del plain["vessels"]["one"][name]
        else:
            plain["vessels"]["one"][name] = value
    return json.dumps(plain)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"mode": ...}, r"^vessels\.one\.mode: missing field of VesselState"),
        ({"colour": "red"}, r"^vessels\.one\.colour: unknown field of VesselState"),
        ({"mode": "fast"}, r'^vessels\.one\.mode: found "fast", expected one of "auto", "manual", "off"'),
        ({"mode": ["auto"]}, r"^vessels\.one\.mode: found "),
        ({"in_service": 1}, r"^vessels\.one\.in_service: found 1, expected true or false"),
        ({"applied_w": True}, r"^vessels\.one\.applied_w: found true, expected a number"),
        ({"applied_w": "12"}, r'^vessels\.one\.applied_w: found "12", expected a number'),
        ({"applied_w": 10**400}, r"^vessels\.one\.applied_w: the number is too large"),
        ({"applied_w": None}, r"^vessels\.one\.applied_w: found null, expected a number"),
        ({"loop": {"calling": 1.0}}, r"^vessels\.one\.loop\.calling: found 1\.0, expected a whole number"),
        ({"loop": {"calling": True}}, r"^vessels\.one\.loop\.calling: found true, expected a whole number"),
        ({"loop": []}, r"^vessels\.one\.loop: found \[\], expected an object"),
        ({"batch": {}}, r"^vessels\.one\.batch\.name: missing field of Batch"),
    ],
)
def test_a_field_that_does_not_fit_is_refused_and_its_place_is_named(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        from_json(SiteState, altered(**changes))


def test_the_place_inside_a_list_is_named_too() -> None:
    plain = json.loads(to_json(ALE))
    plain["steps"][1]["ends"]["after_s"] = "two days"
    with pytest.raises(ValueError, match=r'^steps\[1\]\.ends\.after_s: found "two days", expected a number'):
        from_json(Profile, json.dumps(plain))
    plain = json.loads(to_json(ALE))
    plain["steps"][0]["note"] = 3
    with pytest.raises(ValueError, match=r"^steps\[0\]\.note: found 3, expected a text"):
        from_json(Profile, json.dumps(plain))


def test_outputs_to_be_told_again_are_written_in_the_order_of_their_names() -> None:
    inputs = Inputs(1.0, None, {}, (), frozenset({"two/cooler", "one/heater"}))
    assert json.loads(to_json(inputs))["say_again"] == ["one/heater", "two/cooler"]
    assert from_json(Inputs, to_json(inputs)) == inputs


def test_a_field_that_a_later_version_adds_takes_its_default() -> None:
    state = from_json(SiteState, altered(loop={}))
    assert state.vessels["one"].loop.integral_w == 0.0
    assert from_json(Ends, '{"after_s": 5}') == Ends(after_s=5.0)


@pytest.mark.parametrize("text", ["", "{", "[1,]", "NaN", "-Infinity", "1e999", '{"a":1}', "[" * 100_000])
def test_what_is_not_a_number_is_not_taken_for_one(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011 - each fault has its own words
        from_json(float, text)


class Level(Enum):
    LOW = 1


@dataclass(frozen=True)
class Inner:
    label: str
    levels: tuple[Level, ...] = field(default_factory=tuple)


class Outer(NamedTuple):
    inner: Mapping[str, Inner] = {}
    either: int | str | None = None


def test_factories_unions_and_enums_of_numbers_work() -> None:
    value = Outer({"a": Inner("x", (Level.LOW,))}, "word")
    assert to_json(value) == '{"inner":{"a":{"label":"x","levels":[1]}},"either":"word"}'
    assert from_json(Outer, to_json(value)) == value
    assert from_json(Outer, '{"inner":{"a":{"label":"x"}},"either":4}') == Outer({"a": Inner("x", ())}, 4)


def test_a_type_that_is_not_plain_data_is_a_fault_of_the_program() -> None:
    with pytest.raises(TypeError, match="set is not plain data"):
        to_json({1.0})
    with pytest.raises(TypeError, match="does not know the annotation"):
        from_json(set, "[]")


def test_no_field_of_the_state_fails_only_when_it_is_first_filled() -> None:
    seen: set[Any] = set()

    def visit(hint: Any) -> None:
        for part in get_args(hint):
            visit(part)
        if (hasattr(hint, "_fields") or is_dataclass(hint)) and hint not in seen:
            seen.add(hint)
            for each in get_type_hints(hint).values():
                visit(each)

    visit(SiteState)
    assert {Batch, VesselState, AlarmState, Profile, ProfileStep, Ends} <= seen
    for kind in seen:
        with pytest.raises(ValueError, match="unknown: unknown field of"):
            from_json(kind, '{"unknown": 0}')
