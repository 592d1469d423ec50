"""The judges of the rules, each with scenes made by hand: a breach is seen, and what is right is left alone."""

import ast
import math
from dataclasses import replace
from pathlib import Path

import pytest

from tests.simulation.rules import RULES, judges, rule_05_faulty_outputs
from tests.simulation.rules.handmade import CHANGEOVER_S, LIFETIME_S, QUIET_S, Cellar, alarm
from tests.simulation.rules.seen import Seen
from tests.simulation.scene import Expired, Gravity, Switched

HOUR_S = 3600.0
JUDGES = {judge.rule: rule for rule, judge in zip(RULES, judges(), strict=True)}


def cellar(rule: int, begun: bool = True) -> Cellar:
    made = Cellar(JUDGES[rule](Seen()))
    if begun:
        made.begin()
        made.passes(20.0)
    return made


def test_there_is_a_judge_for_each_rule_and_none_knows_the_service() -> None:
    assert [judge.rule for judge in judges()] == list(range(1, 13))
    folder = Path(__file__).parent / "rules"
    for path in [*folder.glob("*.py"), folder.parent / "scene.py", folder.parent / "events.py"]:
        for node in ast.walk(ast.parse(path.read_text())):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in names:
                assert name.split(".")[0] != "controller", f"{path.name} imports {name}"
                assert not name.startswith("tests.") or name.startswith(
                    ("tests.simulation.rules", "tests.simulation.scene", "tests.simulation.events")
                ), path


@pytest.mark.parametrize("rule", JUDGES)
def test_an_ordinary_day_breaks_nothing(rule: int) -> None:
    now = cellar(rule)
    now.batch(volume_l=18.0, og=1.050)
    now.says(batch={"name": "One"})
    now.record("batch", "One", "started")
    now.record("action", "start-4", "done")
    for tag in ("fv1/cooler", "fv1/cooler", "fv1/heater"):
        now.passes(CHANGEOVER_S + 30.0)
        for on in (True, False):
            now.record("output", tag.partition("/")[2], "on" if on else "off")
            now.command(tag, on)
            now.passes(200.0)
    now.ends("stopped")
    assert now.over() == []


# 1


def test_cooler_and_heater_are_not_on_together() -> None:
    now = cellar(1)
    now.command("fv1/heater", True)
    now.command("fv1/cooler", True)
    assert now.said() == ["cooler and heater are ordered on together"]


def test_a_change_over_time_lies_between() -> None:
    now = cellar(1)
    now.command("fv1/heater", True)
    now.passes(100.0)
    now.command("fv1/heater", False)
    now.passes(CHANGEOVER_S - 60.0)
    now.command("fv1/cooler", True)
    assert now.said() == ["the cooler is on 840 s after the heater, not 900 s"]


def test_a_late_off_is_the_networks_and_a_lost_one_is_not() -> None:
    late = cellar(1)
    late.command("fv1/heater", True)
    late.passes(100.0)
    late.command("fv1/heater", False, late_s=60.0)
    late.passes(CHANGEOVER_S - 60.0)
    late.command("fv1/cooler", True)
    assert late.said() == []
    lost = cellar(1)
    lost.command("fv1/heater", True)
    lost.passes(CHANGEOVER_S - 60.0 + LIFETIME_S, renew=False)  # ends by its timer; nobody has said "off"
    lost.command("fv1/cooler", True)
    assert lost.said() == ["the cooler is on 840 s after the heater, not 900 s"]


# 2


@pytest.mark.parametrize("kind", ["heater", "cooler"])
def test_nothing_is_on_without_a_reading(kind: str) -> None:
    now = cellar(2)
    now.command(f"fv1/{kind}", True)
    now.shows_c = None
    now.passes(QUIET_S + 20.0)
    assert now.said() == []
    now.passes(20.0)
    assert now.said()
    assert now.said()[0].startswith(f"{kind} commanded on with no plausible reading, the last 60 s ago")


@pytest.mark.parametrize("shown_c", [85.0, -127.0, 130.0, 1e300])
def test_a_code_is_no_reading(shown_c: float) -> None:
    now = cellar(2)
    now.shows_c = shown_c
    now.passes(QUIET_S + 60.0)
    now.command("fv1/heater", True)
    assert len(now.said()) == 1


def test_an_impossible_jump_drives_nothing_for_a_while() -> None:
    now = cellar(2)
    now.passes(200.0)
    now.shows_c = 30.0
    now.passes(80.0)
    now.command("fv1/cooler", True)
    assert now.said() == ["cooler commanded on after an impossible jump of its probe"]
    now.passes(400.0, renew=False)
    now.command("fv1/cooler", True)
    assert len(now.said()) == 1


def test_after_a_jump_only_bounded_blind_cooling_goes_on() -> None:
    now = cellar(2)
    now.vessel.signal_loss, now.vessel.mean_c = "bounded", 10.0
    now.passes(200.0)
    now.shows_c = 30.0
    now.passes(80.0)
    now.command("fv1/cooler", True)
    assert now.said() == []
    now.command("fv1/heater", True)
    assert now.said() == ["heater commanded on after an impossible jump of its probe"]


def test_a_probe_stuck_far_from_its_wort_is_found_in_hours_and_anew_where_a_person_was_wrong() -> None:
    now = cellar(2)
    now.well.faults, now.well.faults_since_s, now.vessel.mean_c = ("stuck",), now.now_s, now.shows_c + 6.0
    now.passes(4 * HOUR_S)
    now.asks("inspected", given={"part": "well"})
    now.passes(2 * HOUR_S)
    now.command("fv1/heater", True)
    assert now.said() == []
    now.passes(2 * HOUR_S, renew=False)
    now.command("fv1/heater", True)
    assert len(now.said()) == 1
    assert "commanded on by a probe that is stuck" in now.said()[0]


def test_a_reading_that_no_fermenter_has_gives_no_heat_but_may_give_cold() -> None:
    now = cellar(2)
    now.passes(HOUR_S)
    now.shows_c = 50.0
    now.passes(HOUR_S)
    now.command("fv1/cooler", True)
    assert now.said() == []
    now.command("fv1/heater", True)
    assert now.said() == ["heater commanded on at a reading of 50.0 °C"]


def test_a_device_is_off_at_last_whatever_becomes_of_the_daemon() -> None:
    now = cellar(2)
    now.command("fv1/heater", True)
    now.heater.ends_s = math.inf  # its timer fails
    now.ends()
    now.shows_c = None
    now.passes(QUIET_S + 25.0 + 2.0 * LIFETIME_S + 20.0)
    assert len(now.said()) == 1
    assert "still on" in now.said()[0]


def test_blind_cooling_is_bounded() -> None:
    now = cellar(2)
    now.vessel.signal_loss, now.vessel.mean_c = "bounded", 10.0
    now.shows_c = None
    now.passes(2 * HOUR_S)
    now.command("fv1/cooler", True)
    assert now.said() == []
    now.vessel.mean_c = 0.9
    now.command("fv1/cooler", True)
    assert now.said() == ["cooled blindly at 0.9 °C, below its limit of 1.0 °C"]
    now.passes(23 * HOUR_S, renew=False)
    now.command("fv1/cooler", True)
    assert now.said()[-1] == "cooled blindly for 25.0 h"


# 3


def test_an_on_carries_its_lifetime() -> None:
    now = cellar(3)
    now.command("fv1/heater", True, lifetime_s=86400.0)
    assert now.said() == [
        '"on" to fv1/heater with a lifetime of 86400.0 s; the file says 90 s',
        "fv1/heater was switched on for 86400 s",
    ]


def test_everything_is_said_off_first() -> None:
    now = cellar(3, begun=False)
    now.begin(says_off=False)
    now.command("fv1/cooler", False)
    now.command("fv1/cooler", True)
    assert now.said() == ['fv1/cooler was told "on" before fv1/heater, upstream/heat had been told "off"']
    again = cellar(3, begun=False)
    again.begin(says_off=False)
    again.command("fv1/cooler", True)
    assert again.said() == ['fv1/cooler was told "on" before any "off" since the start']


# 4


def test_no_command_is_retained() -> None:
    now = cellar(4)
    now.command("fv1/cooler", True, retain=True)
    assert now.said() == ["a command to fv1/cooler was published retained", 'fv1/cooler was handed a retained "on"']


def test_no_on_is_obeyed_after_its_lifetime() -> None:
    now = cellar(4)
    now.command("fv1/cooler", True, late_s=LIFETIME_S - 1.0)
    assert now.said() == []
    now.command("fv1/cooler", False)
    now.command("fv1/cooler", True, late_s=LIFETIME_S + 5.0)
    assert now.said() == ['fv1/cooler obeyed an "on" 95 s after it was said; it lives for 90 s']


def test_no_on_is_replayed() -> None:
    now = cellar(4)
    now.command("fv1/cooler", True)
    now.command("fv1/cooler", True, number=1)
    assert now.said() == ['"on" to fv1/cooler is (1, 1), after (1, 4): a replay']


def test_no_on_lies_in_front_of_a_broker_that_hangs() -> None:
    now = cellar(4)
    broker = now.scene.broker
    broker.stalled, broker.since_s = True, now.now_s
    now.passes(LIFETIME_S + 30.0)
    broker.stalled, broker.since_s = False, now.now_s
    now.command("fv1/cooler", True)
    assert now.said() == ['fv1/cooler obeyed an "on" that had lain in front of a broker for 120 s']
    now.scene.now_s += 0.05
    now.command("fv1/cooler", True)
    assert len(now.said()) == 1


# 5


def test_a_fault_that_was_told_keeps_the_output_off_until_inspected() -> None:
    now = cellar(5)
    now.says(alarms=[alarm("heater will not stop")])
    now.passes(60.0)
    now.command("fv1/heater", True)
    assert now.said() == ['heater commanded on 60 s after "heater will not stop" was told']
    now.command("fv1/heater", False)
    now.command("upstream/heat", True)
    assert now.said()[1:] == ['upstream/heat commanded on though "heater will not stop" was told of fv1']
    now.command("upstream/heat", False)
    now.asks("inspected", given={"part": "heater"})
    now.says()
    now.command("fv1/heater", True)
    assert len(now.said()) == 2


def test_a_latched_fault_does_not_go_by_itself_nor_by_a_restart() -> None:
    now = cellar(5)
    now.says(alarms=[alarm("heater without effect")])
    now.passes(60.0)
    now.ends()
    now.begin()
    now.says()
    assert now.said() == ['"heater without effect" went away and nobody has inspected the heater']


def test_what_a_disk_could_not_keep_is_not_held_against_the_service() -> None:
    now = cellar(5)
    now.daemon.store, now.daemon.store_since_s = "read-only", now.now_s
    now.says(alarms=[alarm("heater without effect")])
    now.passes(60.0)
    now.ends()
    now.begin()
    now.says()
    assert now.said() == []


def test_inspected_is_not_for_mqtt() -> None:
    now = cellar(5)
    now.asks("inspected", "mqtt", given={"part": "heater"})
    assert now.said() == ['"inspected" was accepted over MQTT']


def test_a_cooler_without_effect_rests() -> None:
    now = cellar(5)
    now.says(alarms=[alarm("cooler without effect")])
    now.passes(300.0)
    now.command("fv1/cooler", True)
    assert now.said() == ["cooler tried again 300 s after it was told to be without effect"]
    now.command("fv1/cooler", False)
    now.passes(900.0)
    now.command("fv1/cooler", True)
    assert len(now.said()) == 1


@pytest.mark.parametrize(("wort_c", "becomes_c", "said"), [(12.0, 12.2, 1), (3.0, 3.2, 0), (3.0, 5.2, 1)])
def test_a_dead_cooler_is_found_in_the_cold_when_the_wort_has_become_warmer(
    wort_c: float, becomes_c: float, said: int
) -> None:
    now = cellar(5)
    now.vessel.mean_c = wort_c
    now.batch(volume_l=18.0)
    now.passes(rule_05_faulty_outputs.WORKED_LONG_S + 60.0)
    now.command("fv1/cooler", True)
    now.cooler.moves, now.cooler.broken = False, True
    now.passes(HOUR_S)
    now.vessel.mean_c = becomes_c
    now.passes(3 * HOUR_S)
    assert len(now.said()) == said


@pytest.mark.parametrize("told", [False, True])
def test_a_heater_that_runs_on_for_long_is_found(told: bool) -> None:
    now = cellar(5)
    now.vessel.mean_c = 18.0
    now.batch(volume_l=18.0)
    now.passes(rule_05_faulty_outputs.WORKED_LONG_S + 60.0)
    now.heater.moves = True
    if told:
        now.says(alarms=[alarm("heater will not stop")])
    now.passes(HOUR_S)
    now.vessel.mean_c = 23.0
    now.passes(4 * HOUR_S)
    assert [sentence[:32] for sentence in now.said()] == ([] if told else ["the heater has run on for 4.0 h "])


# 6


def test_no_cooling_below_the_freezing_limit() -> None:
    now = cellar(6)
    now.shows_c = 0.45
    now.passes(20.0)
    now.command("fv1/cooler", True)
    assert now.said() == []  # no two scans have seen it yet
    now.passes(30.0, renew=False)
    now.command("fv1/cooler", True)
    assert now.said() == ["cooler commanded on at 0.45 °C, below its limit of 0.48 °C"]
    code = cellar(6)  # of a probe that is not there
    code.shows_c = -127.0
    code.passes(60.0)
    code.command("fv1/cooler", True)
    assert code.said() == []


def test_proven_alcohol_lets_it_be_colder() -> None:
    now = cellar(6)
    told = now.batch(og=1.050)
    now.shows_c = 0.0
    now.passes(60.0)
    told.gravities.append(Gravity(1.010, now.now_s, 1.010))
    now.scene.now_s += 15.0
    now.command("fv1/cooler", True)
    assert now.said() == []
    told.gravities[0] = replace(told.gravities[0], entered=1.045)
    now.command("fv1/cooler", True)
    assert len(now.said()) == 1


def test_near_the_limit_the_cooler_pauses() -> None:
    now = cellar(6)
    now.shows_c = 0.6
    now.passes(HOUR_S)
    now.command("fv1/cooler", True)
    now.passes(14 * 60.0)
    assert now.said() == []
    now.passes(3 * 60.0)
    assert [sentence[:47] for sentence in now.said()] == ["cooler on for 910 s without a pause, within 0.2"]


@pytest.mark.parametrize("fault", [(), ("drift",)])
def test_a_wort_that_freezes_while_it_is_cooled_by_sound_probes(fault: tuple[str, ...]) -> None:
    now = cellar(6)
    now.passes(4 * HOUR_S)
    now.well.faults = fault
    now.vessel.coldest_c, now.vessel.freezing_c = -0.3, -0.2
    now.command("fv1/cooler", True)
    now.passes(60.0)
    assert bool(now.said()) is not bool(fault)


@pytest.mark.parametrize("told", [False, True])
def test_a_bath_near_freezing_is_told_of(told: bool) -> None:
    now = cellar(6)
    now.passes(HOUR_S)
    from_s = now.now_s
    now.bath.glycol_freezing_c = -4.0  # the tank's probe shows -3
    now.passes(HOUR_S)
    now.bath.glycol_freezing_c = -16.0
    now.passes(60.0)
    if told:
        now.record("alarm", "bath freezing", "active, unacknowledged", at_s=from_s + 60.0)
    assert bool(now.over()) is not told


@pytest.mark.parametrize(
    ("bath_c", "sentence"),
    [
        (-13.9, ""),
        (-14.3, "upstream/compressor commanded on, bath at -14.30 °C, its limit is -14.02 °C"),
        (None, "upstream/compressor commanded on with no reading of the bath for 120 s"),
    ],
)
def test_a_compressor_needs_a_bath_that_is_known_and_no_colder_than_its_limit(
    bath_c: float | None, sentence: str
) -> None:
    now = Cellar(JUDGES[6](Seen()), compressor=True)
    now.begin()
    now.passes(HOUR_S)
    now.bath_c = bath_c
    now.passes(120.0)
    now.command("upstream/compressor", True)
    assert now.said() == ([sentence] if sentence else [])


def test_judges_bear_what_they_do_not_know() -> None:
    for rule in JUDGES:
        now = cellar(rule)
        now.happens(Switched(now.now_s, "fv1/cooler", True, "hand"), Expired(now.now_s, "story/x", "c", 0.0))
        now.stranger("story/fv1/cooler/set", b"[" * 100)
        now.stranger("$SYS/x", b"\xff")
        assert now.over() == []
