"""What an operator may do: each action allowed, refused with its reason, answered once, and recorded with who asked."""

import json
from dataclasses import replace

import pytest

from controller.control.codec import from_json, to_json
from controller.control.lifecycle import initial_state
from controller.control.operate import KEPT_ANSWERS, VERBS
from controller.control.site import Place, Probe
from controller.control.state import BatchState, Mode, SiteState
from controller.control.step import step
from controller.control.values import Inputs, Reading, RecordKind, Setpoint
from tests.control.cellar_actions import ALE, CELLAR, allowed, answered, left, refused, wish
from tests.factories import HOUR_S, UTC_S, readings, scan


@pytest.fixture
def empty() -> SiteState:
    state = initial_state(CELLAR, 0.0)
    for _ in range(3):
        state = scan(CELLAR, state, 20.0).state
    return state


@pytest.fixture
def running(empty: SiteState) -> SiteState:
    state = allowed(empty, wish("start", batch="Pale 4", og=1.050, volume_l=50.0, profile="ale"))
    return scan(CELLAR, state, 20.0).state


# Who, what, for whom


def test_an_unknown_vessel_is_named_with_the_ones_that_there_are(running: SiteState) -> None:
    assert "no vessel 'middle'; the site file names left, right" in refused(running, wish("hold", "middle"))


def test_an_unknown_action_is_named_with_the_ones_that_there_are(running: SiteState) -> None:
    reason = refused(running, wish("explode"))
    assert "no action 'explode'" in reason
    assert all(verb in reason for verb in VERBS)


def test_the_answer_to_an_action_on_no_vessel_belongs_to_the_site(running: SiteState) -> None:
    _, answer, _ = answered(running, wish("hold", "\ud800 middle"))
    assert answer.vessel == ""
    answer.reason.encode()


def test_each_record_says_who_asked_and_when(running: SiteState) -> None:
    _, answer, records = answered(running, wish("hold", who="page, 10.0.0.7"))
    assert {record.who for record in records} == {"page, 10.0.0.7"}
    assert {(record.at_s, record.utc_s) for record in records} == {(running.now_s, UTC_S)}
    assert [record.kind for record in records] == [RecordKind.STATE, RecordKind.ACTION]
    assert answer.subject == wish("hold").id


def test_a_repeated_id_is_answered_and_not_repeated(running: SiteState) -> None:
    """MQTT QoS 1 delivers at least once (OASIS MQTT 5.0, 4.3.2): the second delivery must change nothing."""
    gravity = wish("gravity", gravity=1.030)
    once = allowed(running, gravity)
    twice, answer, records = answered(once, gravity)
    assert twice == once
    assert (answer.value, answer.reason) == ("repeated", once.answers[gravity.id])
    assert records == [answer]


def test_a_repeated_id_with_another_wish_is_not_carried_out_either(running: SiteState) -> None:
    once = allowed(running, wish("hold")._replace(id="7"))
    again, answer, _ = answered(once, wish("abort", sure=True)._replace(id="7"))
    assert again == once
    assert answer.value == "repeated"


def test_a_refusal_is_remembered_too(running: SiteState) -> None:
    after, first, _ = answered(running, wish("resume"))
    _, second, _ = answered(allowed(after, wish("hold")), wish("resume"))
    assert (second.value, second.reason) == ("repeated", first.reason)


def test_only_the_newest_answers_are_kept(running: SiteState) -> None:
    state = running
    for number in range(KEPT_ANSWERS + 50):
        state, _, _ = answered(state, wish("explode")._replace(id=str(number)))
    assert len(state.answers) == KEPT_ANSWERS
    assert list(state.answers)[-1] == str(KEPT_ANSWERS + 49)


def test_an_action_meant_for_another_state_is_refused_with_the_state_that_is(running: SiteState) -> None:
    reason = refused(running, wish("packaged", expects="complete"))
    assert "expected to be 'complete', but it is running" in reason
    assert left(allowed(running, wish("hold", expects="running"))).condition is BatchState.HELD


def test_an_action_on_one_vessel_leaves_the_other_as_it_was(running: SiteState) -> None:
    after = allowed(running, wish("hold"))
    assert after.vessels["right"] is running.vessels["right"]


# start


def test_a_batch_starts_with_what_the_brewer_knows(empty: SiteState) -> None:
    wanted = {"batch": "Pale 4", "og": 1.050, "volume_l": 50.0, "yeast": "house", "profile": "ale"}
    now = left(allowed(empty, wish("start", **wanted)))
    assert (now.condition, now.mode, now.in_service) == (BatchState.RUNNING, Mode.AUTO, True)
    assert (now.batch.name, now.batch.og, now.batch.volume_l, now.batch.yeast) == ("Pale 4", 1.050, 50.0, "house")
    assert now.batch.profile == ALE
    assert now.batch.freezing_c == 0.0  # design rule 6: 0 °C where the alcohol is unknown
    assert now.setpoint == Setpoint(19.0, 19.0)


def test_a_batch_may_start_without_og_and_volume_and_then_there_is_no_heat(empty: SiteState) -> None:
    """Design rule 7."""
    state = allowed(empty, wish("start", batch="Pale 4", profile="ale"))
    assert left(state).batch.volume_l is None
    for _ in range(200):
        state = scan(CELLAR, state, 15.0).state
    assert left(state).heater.starts == 0
    assert "volume is not known" in left(state).heater.reason


def test_a_batch_without_a_profile_regulates_at_its_setpoint(empty: SiteState) -> None:
    now = left(allowed(empty, wish("start", batch="Cider", setpoint_c=12.0)))
    assert (now.condition, now.setpoint, now.program) == (BatchState.STOPPED, Setpoint(12.0, 12.0), None)


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ({}, "'batch' is missing"),
        ({"batch": "  "}, "'batch' is missing"),
        ({"batch": 7}, "'batch' is missing or is not a text"),
        ({"batch": "x" * 201, "profile": "ale"}, "at most 200 printable characters"),
        ({"batch": "two\nlines", "profile": "ale"}, "printable"),
        ({"batch": "nul\x00", "profile": "ale"}, "printable"),
        ({"batch": "half \ud83c a character", "profile": "ale"}, "printable"),
        ({"batch": "turned \u202e round", "profile": "ale"}, "printable"),
        ({"batch": "b"}, "'setpoint_c' must be a number, found None"),
        ({"batch": "b", "setpoint_c": 31.0}, "outside the vessel's hard limits of 0.0 to 30.0 °C"),
        ({"batch": "b", "setpoint_c": "12"}, "'setpoint_c' must be a number, found '12'"),
        ({"batch": "b", "profile": "pils"}, "no profile 'pils'; known are ale"),
        ({"batch": "b", "profile": "ale", "og": 1.0}, "'og' must lie between 1.005 and 1.18, found 1.0"),
        ({"batch": "b", "profile": "ale", "og": 12.5}, "'og' must lie between"),
        ({"batch": "b", "profile": "ale", "og": True}, "'og' must be a number, found True"),
        ({"batch": "b", "profile": "ale", "volume_l": 0.0}, "'volume_l' must lie between 0.01 and 60"),
        ({"batch": "b", "profile": "ale", "volume_l": 60.1}, "'volume_l' must lie between 0.01 and 60"),
        ({"batch": "b", "profile": "ale", "volume_l": float("nan")}, "'volume_l' must be a number, found nan"),
        ({"batch": "b", "profile": "ale", "volume_l": float("inf")}, "'volume_l' must lie between"),
        ({"batch": "b", "profile": "ale", "volume_l": 10**400}, "found a huge number"),
        ({"batch": "b", "profile": "ale", "yeast": 5.0}, "'yeast' is missing or is not a text"),
    ],
)
def test_a_start_that_is_not_well_said_is_refused(empty: SiteState, arguments: dict, reason: str) -> None:
    assert reason in refused(empty, wish("start", **arguments))


def test_a_second_batch_in_a_full_vessel_is_refused(running: SiteState) -> None:
    reason = refused(running, wish("start", batch="Pale 5", profile="ale"))
    assert "left still has the batch 'Pale 4'; say packaged first" in reason


def test_names_in_any_script_are_welcome(empty: SiteState) -> None:
    name = "Kölsch № 5 – Пшеничное 麦酒"
    assert left(allowed(empty, wish("start", batch=name, profile="ale"))).batch.name == name


# setpoint, mode


def test_a_running_profile_keeps_its_setpoint_until_it_is_held(running: SiteState) -> None:
    assert "hold it first" in refused(running, wish("setpoint", celsius=18.0))
    state = allowed(running, wish("hold"))
    assert left(allowed(state, wish("setpoint", celsius=18.0)._replace(id="2"))).setpoint == Setpoint(18.0, 18.0)


@pytest.mark.parametrize(
    ("celsius", "reason"),
    [
        (-0.1, "-0.1 °C is outside the vessel's hard limits"),
        (30.1, "30.1 °C is outside the vessel's hard limits"),
        (500.0, "'celsius' must lie between -10 and 50, found 500.0"),
        ("18", "'celsius' must be a number"),
    ],
)
def test_no_setpoint_outside_the_hard_limits_is_accepted(running: SiteState, celsius: object, reason: str) -> None:
    """Design rule 7."""
    held = allowed(running, wish("hold"))
    assert reason in refused(held, wish("setpoint", celsius=celsius))


def test_a_setpoint_needs_a_batch(empty: SiteState) -> None:
    assert "left has no batch" in refused(empty, wish("setpoint", celsius=18.0))


def test_off_is_accepted_for_any_vessel_and_remembered_since_when(running: SiteState) -> None:
    state = allowed(running, wish("mode", mode="off"))
    assert (left(state).mode, left(state).off_since_s) == (Mode.OFF, running.now_s)
    state = allowed(state, wish("mode", mode="auto")._replace(id="2"))
    assert (left(state).mode, left(state).off_since_s) == (Mode.AUTO, None)


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ({}, "'mode' is missing"),
        ({"mode": "turbo"}, "'mode' must be auto, manual or off, found 'turbo'"),
        ({"mode": "manual"}, "'duty' must be a number"),
        ({"mode": "manual", "duty": 1.5, "for_s": 60.0}, "'duty' must lie between -1 and 1"),
        ({"mode": "manual", "duty": 0.5}, "'for_s' must be a number"),
        ({"mode": "manual", "duty": 0.5, "for_s": 0.0}, "'for_s' must lie between 1 and 86400"),
        ({"mode": "manual", "duty": 0.5, "for_s": 90000.0}, "'for_s' must lie between 1 and 86400"),
    ],
)
def test_a_mode_that_is_not_well_said_is_refused(running: SiteState, arguments: dict, reason: str) -> None:
    assert reason in refused(running, wish("mode", **arguments))


def test_manual_needs_a_batch_and_has_an_end(empty: SiteState, running: SiteState) -> None:
    """Design rule 9."""
    by_hand = wish("mode", mode="manual", duty=-0.5, for_s=HOUR_S)
    assert "left has no batch" in refused(empty, by_hand)
    now = left(allowed(running, by_hand))
    assert (now.manual.duty, now.manual.until_s) == (-0.5, running.now_s + HOUR_S)


def test_manual_heat_is_not_accepted_over_mqtt_unless_the_site_file_allows_it(running: SiteState) -> None:
    heat = wish("mode", who="mqtt", mode="manual", duty=0.5, for_s=HOUR_S)
    assert "not accepted over MQTT" in refused(running, heat)
    allowed(running, heat, replace(CELLAR, manual_heat_over_mqtt=True))
    allowed(running, heat._replace(who="command line, jo"))
    allowed(running, heat._replace(arguments={**heat.arguments, "duty": -0.5}))


# hold, resume, stop, abort, packaged


def test_abort_asks_first_and_says_what_the_beer_will_do() -> None:
    cellar = replace(CELLAR, room=Probe("room/air", Place.ROOM, 90.0))
    state = initial_state(cellar, 0.0)
    for now_s in (5.0, 10.0):
        seen = {**readings(cellar, 20.0, now_s), "room/air": Reading(27.0, now_s)}
        state = step(cellar, state, Inputs(now_s, None, seen)).state
    state = allowed(state, wish("start", batch="Pale 4", profile="ale"), cellar)
    for sure in ({}, {"sure": "yes"}, {"sure": 1.0}, {"sure": False}):
        reason = refused(state, wish("abort", **sure), cellar)
        assert "Pale 4 is at 20.0 °C and will drift toward the room's 27.0 °C" in reason
        assert "sure=true" in reason
    assert left(allowed(state, wish("abort", sure=True), cellar)).condition is BatchState.ABORTED


def test_a_setpoint_brings_an_aborted_batch_back(running: SiteState) -> None:
    state = allowed(running, wish("abort", sure=True))
    assert "only a held batch" in refused(state, wish("resume"))
    now = left(allowed(state, wish("setpoint", celsius=18.0)))
    assert (now.condition, now.setpoint) == (BatchState.STOPPED, Setpoint(18.0, 18.0))


def test_packaged_ends_the_batch_and_puts_the_vessel_out_of_service_until_the_next(running: SiteState) -> None:
    state = allowed(running, wish("packaged"))
    now = left(state)
    assert (now.condition, now.batch, now.program, now.setpoint, now.in_service) == (
        BatchState.IDLE, None, None, None, False,
    )  # fmt: skip
    assert "left has no batch" in refused(state, wish("packaged")._replace(id="2"))
    state = allowed(state, wish("start", batch="Pale 5", profile="ale"))
    assert left(state).in_service


NEED_A_BATCH = [
    "packaged", "abort", "confirm", "gravity", "og", "hold", "resume", "stop", "move", "quiet", "extend", "skip",
    "back",
]  # fmt: skip


@pytest.mark.parametrize("verb", NEED_A_BATCH)
def test_what_needs_a_batch_is_refused_for_an_empty_vessel(empty: SiteState, verb: str) -> None:
    refused(empty, wish(verb, gravity=1.010, sure=True, to="right", for_s=HOUR_S))


# All of them


def test_every_action_leaves_a_state_that_can_be_written_and_read(running: SiteState) -> None:
    state = running
    for action in (
        wish("gravity", gravity=1.020), wish("og", gravity=1.052), wish("hold"), wish("setpoint", celsius=18.0),
        wish("mode", mode="manual", duty=-0.2, for_s=60.0), wish("resume"), wish("mode", mode="auto"),
        wish("quiet", for_s=HOUR_S), wish("skip", sure=True), wish("back"), wish("skip", to="rest", sure=True),
        wish("extend", for_s=HOUR_S), wish("quiet", for_s=0.0), wish("stop"), wish("abort", sure=True),
        wish("packaged"), wish("service", in_service=True), wish("service", in_service=False),
    ):  # fmt: skip
        state = allowed(state, action)
        assert from_json(SiteState, to_json(state)) == state
        json.loads(to_json(state))


@pytest.mark.parametrize("verb", VERBS)
def test_a_nonsense_argument_changes_nothing_or_is_not_looked_at(running: SiteState, verb: str) -> None:
    for nonsense in ({}, {"celsius": "x"}, {"mode": 1.0}, {"batch": ""}, {"alarm": 3.0}, {"gravity": -1.0}):
        after, answer, _ = answered(running, wish(verb, **nonsense))
        assert answer.value in ("done", "refused")
        if answer.value == "refused":
            assert after._replace(answers={}) == running._replace(answers={})
