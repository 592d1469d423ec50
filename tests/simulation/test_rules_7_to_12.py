"""The judges of rules 7 to 12, each with scenes made by hand; the others are in `test_rules.py`."""

from typing import Any

import pytest

from tests.simulation.rules.handmade import LIFETIME_S, Cellar, alarm
from tests.simulation.scene import Logged, Published
from tests.simulation.test_rules import HOUR_S, cellar

# 7


def test_no_setpoint_leaves_the_limits() -> None:
    now = cellar(7)
    now.says(setpoint_low_c=0.9, setpoint_high_c=0.9)
    now.passes(20.0)
    now.says(setpoint_low_c=0.9, setpoint_high_c=0.9)
    assert now.said() == ["setpoint 0.90 to 0.90 °C, the limits are 1.0 to 25.0 °C"]
    now.scene.now_s += 3600.0
    now.asks("setpoint", given={"celsius": 31.0})
    now.asks("setpoint", answer="refused: no", given={"celsius": 31.0})
    assert now.said()[1:] == ["a setpoint of 31.0 °C was accepted; the limits are 1.0 to 25.0 °C"]


def test_no_heat_without_a_batch_whose_volume_is_known() -> None:
    now = cellar(7)
    now.asks("packaged")
    now.command("fv1/heater", True)
    assert now.said() == ["heater commanded on without a batch"]
    now.command("fv1/heater", False)
    told = now.batch()
    now.command("fv1/heater", True)
    assert now.said()[1:] == ["heater commanded on, and nobody has said the batch's volume"]
    told.volume_l = 18.0
    now.command("fv1/heater", True)
    assert len(now.said()) == 2


def test_what_nobody_has_been_answered_yet_is_not_judged() -> None:
    now = cellar(7)
    now.asks("start", answer=None, given={"volume_l": 18.0})
    now.command("fv1/heater", True)
    assert now.said() == []


def test_no_cooling_above_40_c() -> None:
    now = cellar(7)
    now.shows_c = 41.0
    now.passes(HOUR_S)
    now.command("fv1/cooler", True)
    assert now.said() == ["cooler commanded on while fv1/well shows 41.0 °C"]
    now.well.faults = ("spike",)
    now.command("fv1/cooler", True)
    assert len(now.said()) == 1


@pytest.mark.parametrize("kinds", [(), ("low",), ("signal",)])
def test_a_wort_far_too_cold_is_told_of(kinds: tuple[str, ...]) -> None:
    now = cellar(7)
    now.batch(volume_l=18.0)
    now.passes(HOUR_S)
    now.shows_c = -0.5
    for _ in range(14):
        now.says(alarms=[alarm(kind, "active, acknowledged") for kind in kinds])
        now.passes(300.0)
    assert bool(now.said()) is not bool(kinds)


# 8


def test_a_pump_rests_for_its_shortest_off_time() -> None:
    now = cellar(8)
    now.passes(300.0)
    now.command("fv1/cooler", True)
    now.passes(120.0)
    now.command("fv1/cooler", False)
    now.passes(100.0)
    now.command("fv1/cooler", True)
    assert now.said() == ["fv1/cooler started 100 s after it had ended by order; its shortest off time is 180 s"]


def test_across_a_restart_too_and_after_an_end_that_was_known() -> None:
    now = cellar(8)
    now.passes(300.0)
    now.command("fv1/cooler", True)
    now.ends()
    now.passes(LIFETIME_S + 10.0)
    now.begin()
    now.passes(50.0)
    now.command("fv1/cooler", True)
    assert now.said() == ["fv1/cooler started 60 s after it had ended by timer; its shortest off time is 180 s"]


@pytest.mark.parametrize(("name", "known"), [("another-name", True), ("cellarhand-story", False)])
def test_what_another_daemon_ended_is_known_to_who_has_a_connection(name: str, known: bool) -> None:
    """MQTT 5.0, 3.1.4: of two with one client id the broker ends the earlier's connection."""
    now = cellar(8)
    now.second.client_id = name
    now.passes(300.0)
    now.command("fv1/cooler", True)
    now.passes(120.0)
    second(now)
    now.passes(20.0)
    now.command("fv1/cooler", True)
    assert bool(now.said()) is known


def test_ends_that_nobody_could_know_of_are_not_counted() -> None:
    now = cellar(8)
    now.passes(300.0)
    now.command("fv1/cooler", True)
    now.restarts("fv1/cooler")
    now.command("fv1/cooler", True)
    for _ in range(6):
        now.passes(20.0, renew=False)
        now.command("fv1/cooler", True, arrives=False)
    now.command("fv1/cooler", True)
    late = cellar(8)
    late.passes(300.0)
    late.command("fv1/cooler", True)
    late.passes(100.0)
    late.command("fv1/cooler", False, late_s=60.0)
    late.passes(130.0)
    late.command("fv1/cooler", True)
    assert now.said() + late.said() == []


def test_an_on_is_not_cut_short_in_calm() -> None:
    now = cellar(8)
    now.passes(HOUR_S)
    now.command("fv1/cooler", True)
    now.passes(20.0)
    now.command("fv1/cooler", False)
    now.passes(40.0)
    assert now.said() == ["fv1/cooler stopped after 20 s in calm; its shortest on time is 60 s"]
    dead = cellar(8)
    dead.scene.relays["fv1/cooler"].broken = True
    dead.passes(HOUR_S)
    dead.command("fv1/cooler", True)
    dead.passes(20.0)
    dead.command("fv1/cooler", False)
    dead.passes(40.0)
    assert dead.said() == []
    stopping = cellar(8)
    stopping.passes(HOUR_S)
    stopping.command("fv1/cooler", True)
    stopping.passes(20.0)
    stopping.command("fv1/cooler", False)
    stopping.ends("stopped")
    stopping.passes(40.0)
    assert stopping.over() == []
    again = cellar(8)
    again.passes(HOUR_S)
    again.command("fv1/cooler", True)
    again.passes(20.0)
    again.asks("mode", given={"mode": "off"})
    again.command("fv1/cooler", False)
    again.passes(40.0)
    assert again.said() == []


# 9


def test_a_manual_override_ends() -> None:
    now = cellar(9)
    told = now.batch(volume_l=18.0)
    now.asks("mode", given={"mode": "manual", "duty": -1.0, "for_s": 600.0})
    told.mode, told.mode_since_s, told.manual_until_s = "manual", now.now_s, now.now_s + 600.0
    now.says(mode="manual")
    now.passes(700.0)
    now.says(mode="manual")
    assert now.said() == []
    now.passes(60.0)
    now.says(mode="manual")
    assert now.said() == ["still in mode manual after 760 s; asked for 600 s"]


@pytest.mark.parametrize("for_s", [1e7, None])
def test_a_manual_override_has_an_end(for_s: float | None) -> None:
    now = cellar(9)
    now.asks("mode", given={"mode": "manual", "duty": -1.0, "for_s": for_s})
    now.asks("mode", answer="refused: too long", given={"mode": "manual", "duty": -1.0, "for_s": for_s})
    assert now.said() == [f"a manual override was accepted for {for_s} s"]


def test_manual_heat_over_mqtt_only_where_the_file_allows_it() -> None:
    now = cellar(9)
    given = {"mode": "manual", "duty": 1.0, "for_s": 60.0}
    now.asks("mode", "socket", given=given)
    assert now.said() == []
    now.asks("mode", "mqtt", given=given)
    assert len(now.said()) == 1


@pytest.mark.parametrize("reminded", [False, True])
def test_a_forgotten_off_is_reminded(reminded: bool) -> None:
    now = cellar(9)
    told = now.batch(volume_l=18.0)
    now.asks("mode", given={"mode": "off"})
    told.mode, told.mode_since_s = "off", now.now_s
    now.says(mode="off")
    now.passes(HOUR_S + 60.0)
    now.says(mode="off", alarms=[alarm("reminder")] if reminded else [])
    now.passes(HOUR_S)
    assert bool(now.said()) is not reminded


def test_an_off_that_a_disk_could_not_keep_is_not_reminded_of() -> None:
    """Nor when the operator has said something else since."""
    now = cellar(9)
    told = now.batch(volume_l=18.0)
    now.passes(10.0)
    now.daemon.store, now.daemon.store_since_s = "read-only", now.now_s
    now.passes(10.0)
    now.asks("mode", given={"mode": "off"})
    told.mode, told.mode_since_s = "off", now.now_s
    now.passes(10.0)
    now.ends()
    now.daemon.store, now.daemon.store_since_s = "good", now.now_s
    now.begin()
    now.passes(60.0)
    now.asks("gravity", given={"gravity": 1.04})
    now.says(mode="auto")
    now.passes(2 * HOUR_S)
    assert now.said() == []


# 10


def second(now: Cellar) -> None:
    now.second.running, now.second.started_s, now.second.connected_s, now.second.runs = True, now.now_s, now.now_s, 1
    for tag in now.scene.relays:
        now.command(tag, False, sender="b")


def test_the_earlier_daemon_gives_way_and_says_so() -> None:
    now = cellar(10)
    now.passes(300.0)
    second(now)
    now.passes(60.0)
    now.daemon.taken_over = True
    now.happens()
    assert now.said() == []
    now.command("fv1/cooler", True)
    assert now.said() == ['fv1/cooler is commanded by daemon "a" 60 s after "b" began']
    assert now.over()[1:] == ['daemon "a" gave way to another and told nobody']


def test_one_that_gave_way_in_its_log_is_right() -> None:
    now = cellar(10)
    second(now)
    now.daemon.taken_over = True
    now.happens(Logged(now.now_s, "a", "error", "another daemon drives this site"))
    assert now.over() == []


def test_nobody_gives_way_to_nobody() -> None:
    now = cellar(10)
    now.stranger("cellarhand/story/driver", b"driving nobody")
    now.daemon.taken_over = True
    now.happens(Logged(now.now_s, "a", "error", "another daemon drives this site"))
    assert now.over() == ['daemon "a" gave way, and there is no other']


def test_each_start_has_a_higher_epoch() -> None:
    now = cellar(10)
    second(now)
    now.second.running = False
    now.begin()
    assert now.said() == ['run 2 of daemon "a" has epoch 1; an earlier start had 2']
    right = cellar(10)
    right.epochs["a"] = 7
    right.begin()
    assert right.said() == []


def test_what_a_hanging_broker_passes_on_late_was_said_by_the_run_before() -> None:
    now = cellar(10)
    now.epochs["a"] = 7
    now.begin()
    now.passes(10.0)
    now.daemon.runs, now.daemon.connected_s = now.daemon.runs + 1, None
    now.command("fv1/cooler", False)
    assert now.said() == []
    now.daemon.connected_s = now.now_s
    now.command("fv1/cooler", False)
    assert now.said() == [f'run {now.daemon.runs} of daemon "a" has epoch 7; an earlier start had 7']


@pytest.mark.parametrize("passed_s", [0.0, 10.0])
def test_two_that_connect_within_one_second_may_share_an_epoch_for_that_long(passed_s: float) -> None:
    now = cellar(10)
    now.epochs = {"a": 5, "b": 5}
    now.command("fv1/cooler", False)
    now.daemon.running = False
    now.passes(passed_s)
    second(now)
    assert bool(now.said()) is (passed_s > 0.0)


# 11


def test_a_change_of_an_output_has_its_record() -> None:
    now = cellar(11)
    now.command("fv1/cooler", True)
    now.record("output", "cooler", "on")
    now.passes(60.0)
    now.command("fv1/cooler", False)
    assert now.over() == ["fv1/cooler was commanded off and no record says so"]


def test_a_record_has_a_reason() -> None:
    now = cellar(11)
    now.record("output", "cooler", "on", reason=" ")
    assert now.over() == ["a record of output cooler has no reason"]


@pytest.mark.parametrize(
    ("changed", "kind", "subject"),
    [
        ({"mode": "off"}, "mode", "mode"),
        ({"state": "held"}, "state", "batch"),
        ({"signals": {"fv1/well": {"status": "failure"}}}, "health", "well"),
        ({"step": {"name": "rest"}, "batch": {"name": "One"}}, "step", "rest"),
    ],
)
def test_what_the_states_tell_of_has_its_record(changed: dict[str, Any], kind: str, subject: str) -> None:
    for recorded in (False, True):
        now = cellar(11)
        now.says(batch={"name": "One"}, step={"name": "primary"})
        now.passes(30.0)
        if recorded:
            now.record(kind, subject, "x")
        now.says(**{"batch": {"name": "One"}, "step": {"name": "primary"}, **changed})
        assert bool(now.over()) is not recorded


def test_only_the_last_second_before_a_power_cut_may_be_lost() -> None:
    for seconds, lost in ((0.5, 0), (5.0, 1)):
        now = cellar(11)
        now.asks("hold")
        now.scene.now_s += seconds
        now.ends()
        assert len(now.over()) == lost


def test_a_disk_that_takes_nothing_may_lose_more() -> None:
    now = cellar(11)
    now.passes(300.0)
    now.daemon.store, now.daemon.store_since_s = "full", now.now_s
    now.passes(300.0)
    now.asks("hold")
    now.passes(300.0)
    now.ends()
    assert now.over() == []


# 12


def test_a_fault_ends_no_daemon() -> None:
    now = cellar(12)
    now.happens(Logged(now.now_s, "a", "exception", "Task exception"))
    now.ends("fault", "ValueError: x")
    assert now.said() == ['an exception in daemon "a": Task exception', 'daemon "a" ended by a fault: ValueError: x']


def test_a_daemon_that_runs_scans() -> None:
    now = cellar(12)
    scanned_s = now.daemon.scanned_s
    now.passes(50.0)
    now.daemon.running = False
    now.passes(100.0)
    now.daemon.running, now.daemon.scanned_s = True, scanned_s
    now.happens()
    assert now.said() == ['daemon "a" has not scanned for 150 s']


@pytest.mark.parametrize("answer", ["", "refused: the action is not JSON", "done"])
def test_a_strangers_message_is_refused(answer: str) -> None:
    now = cellar(12)
    now.passes(300.0)
    now.stranger("cellarhand/story/fv1/set", b"NaN")
    if answer:
        payload = b'{"id": "", "answer": "%b"}' % answer.encode()
        now.happens(Published(now.now_s, "a", "cellarhand/story/fv1/reply", payload, 1, False, None))
    now.passes(60.0)
    assert bool(now.said()) is not answer.startswith("refused")
