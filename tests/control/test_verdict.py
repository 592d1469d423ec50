"""The verdict on outputs: what was borne out, and what it must come to. Limits: this project's own figures."""

import pytest

from controller.control.balance import Balance, Tick
from controller.control.diagnose_words import Around
from controller.control.diagnosis import (
    COOLER_NO_EFFECT,
    COOLER_WILL_NOT_STOP,
    HEATER_NO_EFFECT,
    HEATER_WILL_NOT_STOP,
    Diagnosis,
    OutputFault,
    Retry,
)
from controller.control.follow import Moment
from controller.control.state import VesselState
from controller.control.suspicion import Suspicion, Suspicions
from controller.control.values import Record, RecordKind, Status
from controller.control.verdict import LEAST_COULD, judged
from tests.factories import bath, running_state, site, vessel

CELLAR = site(vessel())
STATE = running_state(CELLAR)
ALE, NOW_S = STATE.vessels["ale"], STATE.now_s
MOMENT = Moment(NOW_S, None, 5.0, False, 0.0)
AROUND = Around(bath(), -3.0, 18.0, frozenset())
COOLER_DEAD = Suspicion(borne=60.0, could=60.0, moved_k=0.6, began_c=19.0)
COOLER_ON = COOLER_DEAD._replace(moved_k=-0.6)
HEATER_DEAD, HEATER_ON = COOLER_ON, COOLER_DEAD


def minute(wort_c: float = 19.0, cooled: float = 0.0, heated: float = 0.0, swing_k: float = 0.0) -> Tick:
    return Tick(60.0, wort_c, cooled, heated, -3.0, 1.5, 0.1, most_loss_per_h=0.05, swing_k=swing_k)


def judge(
    suspicions: Suspicions,
    tick: Tick | None = None,
    faults: dict[str, OutputFault] | None = None,
    retry: Retry | None = None,
) -> tuple[VesselState, list[Record]]:
    """The ale fermenter after a minute in which these were the suspicions."""
    records: list[Record] = []
    diagnosis = Diagnosis(suspicions=suspicions, retry=retry, balance=Balance(ticks=300))
    after = ALE._replace(diagnosis=diagnosis._replace(probes=ALE.diagnosis.probes), faults=faults or {})
    return judged(CELLAR.vessels[0], after, tick or minute(), AROUND, MOMENT, records), records


@pytest.mark.parametrize(
    ("kind", "suspicions"),
    [
        (COOLER_NO_EFFECT, Suspicions(cooler_no_effect=COOLER_DEAD)),
        (COOLER_WILL_NOT_STOP, Suspicions(cooler_will_not_stop=COOLER_ON)),
        (HEATER_NO_EFFECT, Suspicions(heater_no_effect=HEATER_DEAD)),
        (HEATER_WILL_NOT_STOP, Suspicions(heater_will_not_stop=HEATER_ON)),
    ],
)
def test_what_is_borne_out_is_a_fault_with_its_evidence_in_numbers_and_nothing_else_is_held_on_to(
    kind: str, suspicions: Suspicions
) -> None:
    after, records = judge(suspicions)
    assert list(after.faults) == [kind]
    assert "0.60 K" in after.faults[kind].text
    assert "100 % of it (give or take 13 %)" in after.faults[kind].text
    assert [(record.kind, record.value) for record in records] == [(RecordKind.HEALTH, Status.FAILURE.value)]
    assert after.diagnosis.suspicions == Suspicions()
    assert after.observed.thought.unsure.rr > ALE.observed.thought.unsure.rr  # the rest is another now


@pytest.mark.parametrize(
    "thin",
    [
        COOLER_DEAD._replace(borne=6.0, could=6.0),  # little evidence
        COOLER_DEAD._replace(borne=1.6 * (LEAST_COULD - 1.0), could=LEAST_COULD - 1.0),  # of few minutes
        COOLER_DEAD._replace(borne=3.0 * 60.0),  # thrice as much as a dead cooler explains: something else
        COOLER_DEAD._replace(borne=0.35 * 60.0),  # a third: a lid, sun, a share that is wrong
        COOLER_DEAD._replace(moved_k=0.15),  # little more than two steps of the usual probe
    ],
)
def test_what_is_not_borne_out_is_no_fault(thin: Suspicion) -> None:
    after, records = judge(Suspicions(cooler_no_effect=thin))
    assert (after.faults, records) == ({}, [])


def test_an_output_that_is_commanded_on_is_not_said_to_run_on() -> None:
    assert judge(Suspicions(heater_will_not_stop=HEATER_ON), minute(heated=0.2))[0].faults == {}
    assert judge(Suspicions(cooler_will_not_stop=COOLER_ON), minute(cooled=0.2))[0].faults == {}


def test_of_two_that_explain_the_same_the_one_that_ran_is_blamed() -> None:
    """A relay that will not stop waits for a person; an output that was on and may have failed is likelier."""
    both = Suspicions(cooler_no_effect=COOLER_DEAD, heater_will_not_stop=HEATER_ON._replace(borne=70.0, could=70.0))
    assert list(judge(both, minute(cooled=0.5))[0].faults) == [COOLER_NO_EFFECT]
    relay = both._replace(cooler_no_effect=COOLER_DEAD._replace(borne=15.0))
    assert list(judge(relay)[0].faults) == [HEATER_WILL_NOT_STOP]


def test_a_heater_is_not_called_dead_for_what_a_cooler_that_runs_on_explains_as_well() -> None:
    both = Suspicions(heater_no_effect=HEATER_DEAD, cooler_will_not_stop=COOLER_ON._replace(borne=70.0, could=70.0))
    assert list(judge(both, minute(heated=0.5))[0].faults) == []
    heater = both._replace(cooler_will_not_stop=COOLER_ON._replace(borne=30.0))
    assert list(judge(heater, minute(heated=0.5))[0].faults) == [HEATER_NO_EFFECT]


def test_in_a_cold_wort_more_is_asked_for_and_the_wort_must_have_gone_that_way() -> None:
    """Nobody knows what a coil does there."""
    stuck, dead = Suspicions(cooler_will_not_stop=COOLER_ON), Suspicions(cooler_no_effect=COOLER_DEAD)
    cold = COOLER_ON._replace(began_c=3.0)
    assert judge(Suspicions(cooler_will_not_stop=cold), minute(3.0))[0].faults == {}
    assert list(judge(Suspicions(cooler_will_not_stop=cold), minute(2.5))[0].faults) == [COOLER_WILL_NOT_STOP]
    assert judge(Suspicions(cooler_no_effect=COOLER_DEAD._replace(began_c=3.0)), minute(3.0))[0].faults == {}
    warmer = Suspicions(cooler_no_effect=COOLER_DEAD._replace(began_c=3.0))
    assert list(judge(warmer, minute(3.5))[0].faults) == [COOLER_NO_EFFECT]
    assert list(judge(stuck)[0].faults) == [COOLER_WILL_NOT_STOP]
    assert list(judge(dead)[0].faults) == [COOLER_NO_EFFECT]


def test_what_a_room_that_has_just_changed_may_have_done_is_not_held_against_an_output() -> None:
    """A door in winter: the wort loses more, and a thermowell shows a little of the room."""
    little = HEATER_DEAD._replace(moved_k=-0.3)
    assert judge(Suspicions(heater_no_effect=little), minute(swing_k=-8.0))[0].faults == {}
    assert list(judge(Suspicions(heater_no_effect=little), minute(swing_k=8.0))[0].faults) == [HEATER_NO_EFFECT]
    assert list(judge(Suspicions(heater_no_effect=HEATER_DEAD), minute(swing_k=-8.0))[0].faults) == [HEATER_NO_EFFECT]


def test_what_an_open_lid_may_have_done_is_not_held_against_an_output() -> None:
    """A small vessel in a warm room: 0.6 K an hour."""
    long = COOLER_DEAD._replace(moved_k=0.35, lasted_s=2400.0)
    assert judge(Suspicions(cooler_no_effect=long), minute()._replace(lid_k_per_h=0.6))[0].faults == {}
    assert list(judge(Suspicions(cooler_no_effect=long), minute()._replace(lid_k_per_h=-0.6))[0].faults) == [
        COOLER_NO_EFFECT
    ]


def test_beside_much_work_of_the_other_output_nothing_is_said_to_run_on() -> None:
    """In a crash of a small vessel layers do as much as its heater."""
    assert list(judge(Suspicions(heater_will_not_stop=HEATER_ON._replace(opposed_k=0.6)))[0].faults) != []
    assert list(judge(Suspicions(heater_will_not_stop=HEATER_ON._replace(opposed_k=3.0)))[0].faults) == []


def test_a_cooler_on_trial_that_works_is_used_again_and_is_not_said_to_run_on() -> None:
    was = {COOLER_NO_EFFECT: OutputFault(0.0, "seen")}
    works = Suspicions(cooler_works=COOLER_ON, cooler_will_not_stop=COOLER_ON)
    after, records = judge(works, minute(cooled=1.0), was, Retry(900.0, NOW_S - 600.0))
    assert after.faults == {}
    assert after.diagnosis.retry is None
    assert after.diagnosis.suspicions == Suspicions()
    assert [record.reason for record in records] == ["it cools again"]
    assert judge(works, minute(), was, Retry(900.0, NOW_S + 600.0))[0].faults == was


def test_a_cooler_on_trial_in_vain_rests_again_for_longer() -> None:
    was = {COOLER_NO_EFFECT: OutputFault(0.0, "seen")}
    tried = Retry(900.0, NOW_S - 3000.0, ran_s=2390.0, from_c=19.0)
    after, _ = judge(Suspicions(), minute(19.0, cooled=1.0), was, tried)
    assert "tried again" in after.faults[COOLER_NO_EFFECT].text
    assert after.diagnosis.retry == Retry(1800.0, NOW_S + 1800.0)


def test_beside_a_relay_that_will_not_stop_nothing_is_judged() -> None:
    was = {HEATER_WILL_NOT_STOP: OutputFault(0.0, "seen")}
    assert judge(Suspicions(cooler_no_effect=COOLER_DEAD), None, was)[0].faults == was
