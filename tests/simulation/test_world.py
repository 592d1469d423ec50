"""The service in a simulated world: the same seed gives the same story, and what is simulated behaves as it should."""

import os
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Sequence

import pytest

from tests.simulation.scene import (
    Answered,
    Breach,
    Clock,
    Delivered,
    Ended,
    Logged,
    Published,
    Reloaded,
    Scene,
    Started,
    Switched,
)
from tests.simulation.shrink import whole
from tests.simulation.story import (
    Act,
    BrokerRestart,
    BrokerStall,
    BrokerTrouble,
    ClockJump,
    Happening,
    Hostile,
    Killed,
    PowerCut,
    ProbeFault,
    RelayFault,
    Reload,
    SecondDaemon,
    StoreTrouble,
)
from tests.simulation.told import drawn, judged, layout_of, play, short_of
from tests.simulation.torn import TornDisk
from tests.simulation.world import Outcome, World

SEED, HOUR_S = "tests", 3600.0


def live(*story: Happening, hours: float = 1.0, seed: str = SEED) -> Outcome:
    """A story of these happenings, judged by nobody."""
    return World(seed, layout_of(seed), story, hours * HOUR_S, ()).run()


def a_batch(vessel: str = "fv1", at_s: float = 60.0, wort_c: float = 25.0, setpoint_c: float = 12.0) -> Act:
    """Wort that has to be cooled."""
    litres = 5.0
    given = {"batch": "One", "setpoint_c": setpoint_c, "volume_l": litres, "og": 1.050}
    return Act(at_s, vessel, "start", given, "socket", brings=(litres, wort_c, 1.050, 0.75))


def of(outcome: Outcome, kind: type) -> list:  # type: ignore[type-arg]
    """All events of a kind."""
    return [event for event in outcome.scene.events if isinstance(event, kind)]


def test_the_same_seed_gives_the_same_story_to_the_last_byte() -> None:
    story = whole("again", 4 * HOUR_S, drawn("again", 4.0))
    first, second = (play(story, 4.0, list) for _ in range(2))
    assert first.trace() == second.trace()
    assert len(first.scene.events) > 500
    assert play(story._replace(kept=story.kept[1:]), 4.0, list).trace() != first.trace()


def test_another_process_tells_the_same_story() -> None:
    """As a replay does; the order of sets differs there."""
    command = "from tests.simulation.told import judged; print(judged('again', 4.0, list).trace)"
    environment = {**os.environ, "PYTHONHASHSEED": "12345"}
    said = subprocess.run([sys.executable, "-c", command], capture_output=True, text=True, check=True, env=environment)
    assert said.stdout.strip() == judged("again", 4.0, list).trace


def test_a_batch_is_begun_and_cooled() -> None:
    outcome = live(a_batch(), hours=3.0)
    vessel = outcome.scene.vessels["fv1"]
    assert [event.done for event in of(outcome, Answered)] == [True]
    assert vessel.told is not None
    assert vessel.told.batch == "One"
    assert 10.0 < vessel.mean_c < 24.0
    assert vessel.said["batch"]["name"] == "One"
    assert [event.how for event in of(outcome, Ended)] == ["stopped"]
    kinds = Counter(record.kind for record in outcome.scene.records)
    assert kinds["output"] >= 2
    assert kinds["batch"] == 1
    relay = outcome.scene.relays["fv1/cooler"]
    assert relay.starts >= 1
    assert not relay.ordered  # commanded off at the end


def test_a_power_cut_kills_at_once_and_what_was_stored_goes_on() -> None:
    outcome = live(a_batch(), PowerCut(1800.0, 60.0, 0.03, True, False))
    assert [event.how for event in of(outcome, Ended)] == ["power", "stopped"]
    first, second = of(outcome, Started)
    cut_s = of(outcome, Ended)[0].at_s
    assert 1800.0 < cut_s < 1811.0
    assert second.at_s == pytest.approx(cut_s + 60.0)
    assert first.line_s == 0.0
    assert 1730.0 < second.line_s < 1811.0  # the service's own line goes on where the store left it
    assert outcome.scene.vessels["fv1"].said["batch"]["name"] == "One"
    assert not [event for event in of(outcome, Published) if cut_s < event.at_s < second.at_s and event.sender == "a"]
    assert all(relay.restarts == 1 for relay in outcome.scene.relays.values())


@pytest.mark.parametrize("power", [True, False])
def test_a_file_that_is_torn_again_and_again_goes_on_with_all_that_was_answered(
    power: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    lost: list[bool] = []
    lose = TornDisk.lose

    def counted(disk: TornDisk, power: bool, last: Callable[[], object] | None) -> None:
        lost.append(power)
        lose(disk, power, last)

    monkeypatch.setattr(TornDisk, "lose", counted)
    seed, times = "7", [1200.0 + 150.0 * number for number in range(12)]  # a seed with a real file
    ends = [PowerCut(at_s, 20.0, 0.018, False, False) if power else Killed(at_s, False, 20.0) for at_s in times]
    says = [Act(at_s - 60.0, "fv1", "gravity", {"gravity": 1.049}, "socket") for at_s in times]
    outcome = live(a_batch(), *ends, *says, seed=seed)
    answered = [event for event in of(outcome, Answered) if event.verb == "gravity" and event.done]
    kept = [record for record in outcome.scene.records if record.subject == "gravity"]
    assert len(answered) == len(kept) == 12
    assert [round(record.at_s or 0.0) for record in kept] == pytest.approx([each.at_s for each in answered], abs=2.0)
    assert {record.run for record in outcome.scene.records} == set(range(1, 14))
    assert not [event for event in of(outcome, Logged) if "damaged" in event.text]
    assert lost == [power] * 12


@pytest.mark.parametrize("seed", ["slow-0", "slow-1", "slow-2", "slow-3"])
def test_a_daemon_that_starts_while_the_broker_is_slow_does_not_give_way_to_its_own_claim_of_before(seed: str) -> None:
    """Its retained claim may come after the 3 s in which it is waited for (design rule 10)."""
    slow = BrokerTrouble(1700.0, 20.0, 0.0, 0.0, False, 600.0)
    outcome = live(a_batch(), slow, Killed(1800.0, False, 30.0), hours=1.2, seed=seed)
    assert [event.text for event in of(outcome, Logged) if event.level == "warning" and "go unnoticed" in event.text]
    assert not outcome.scene.daemons["a"].taken_over
    assert not [event for event in of(outcome, Logged) if "no longer drives" in event.text]


def test_a_killed_process_is_missed_by_the_broker_and_is_started_again() -> None:
    outcome = live(a_batch(), Killed(1800.0, False, 30.0))
    wills = [event for event in of(outcome, Published) if event.will]
    assert [(round(event.at_s), event.payload) for event in wills] == [(1800, b"offline")]
    assert [event.run for event in of(outcome, Started)] == [1, 2]


def test_a_second_daemon_takes_over_and_the_first_stops_driving() -> None:
    outcome = live(a_batch(), SecondDaemon(1200.0, 900.0), hours=1.0)
    driven = [event for event in of(outcome, Delivered) if 1260.0 < event.at_s < 2100.0]
    assert driven
    assert {event.order.sender for event in driven} == {"b"}
    assert not any(event.order.on for event in driven)
    errors = [event.text for event in of(outcome, Logged) if event.level == "error"]
    assert any("another daemon drives this site" in text for text in errors)
    after = [event for event in of(outcome, Delivered) if event.at_s > 2300.0]
    assert {event.order.sender for event in after} == {"a"}


def test_an_action_without_an_answer_is_asked_again_and_done_once() -> None:
    outcome = live(a_batch(), BrokerStall(1600.0, 300.0), Act(1620.0, "fv1", "gravity", {"gravity": 1.049}, "mqtt"))
    answers = [event for event in of(outcome, Answered) if event.verb == "gravity"]
    assert len(answers) == 1
    assert answers[0].at_s > 1900.0
    entered = [record for record in outcome.scene.records if record.subject == "gravity"]
    assert len(entered) == 1


def test_a_disk_that_is_full_gets_its_records_later() -> None:
    outcome = live(StoreTrouble(30.0, "full", 900.0), a_batch(at_s=100.0))
    assert any("the disk is full" in event.text for event in of(outcome, Logged))
    assert any(record.kind == "batch" and record.value == "started" for record in outcome.scene.records)


def test_clocks_jump_without_a_stir() -> None:
    calm, jumped = live(a_batch()), live(a_batch(), ClockJump(1000.0, -400 * 86400.0, False, 600.0))
    assert [event.by_s for event in of(jumped, Clock)] == [-400 * 86400.0, 400 * 86400.0]
    assert [(event.at_s, event.tag) for event in of(calm, Switched)] == [
        (event.at_s, event.tag) for event in of(jumped, Switched)
    ]


def test_a_changed_file_is_read_again_and_a_spoilt_one_is_refused() -> None:
    outcome = live(a_batch(), Reload(1600.0, "fv1", {"low_c": 13.0}), Reload(2200.0, "fv1", spoilt=True))
    assert [event.accepted for event in of(outcome, Reloaded)] == [True, False]
    assert outcome.scene.vessels["fv1"].low_c == 13.0
    assert outcome.scene.vessels["fv1"].said["setpoint_low_c"] == 13.0  # no setpoint leaves the limits


def test_a_probe_that_sends_no_number_is_seen_as_it_is() -> None:
    outcome = live(ProbeFault(600.0, "fv1/well", "nan", 1000.0), hours=0.3)
    probe = outcome.scene.probes["fv1/well"]
    assert probe.faults == ("nan",)
    assert probe.reported_c is None
    assert probe.heard_s <= 600.0 < probe.reported_s


def test_the_service_outlives_what_strangers_send() -> None:
    payloads = (b"NaN", b"\xff\xfe", b"[" * 5000, b"9" * 100_000, b"", b'{"id": 1}')
    topics = ("story/probes", "cellarhand/story/fv1/set", "cellarhand/story/driver", "cellarhand/story/availability")
    story = [
        Hostile(100.0 + 10.0 * number, topic, payload, number % 2 == 0, 3)
        for number, (topic, payload) in enumerate((topic, payload) for topic in topics for payload in payloads)
    ]
    outcome = live(*story, hours=0.3)
    assert [event.how for event in of(outcome, Ended)] == ["stopped"]
    assert not [event for event in of(outcome, Logged) if event.level == "exception"]


def test_relays_keep_their_own_counsel_while_the_broker_is_away() -> None:
    outcome = live(a_batch(), BrokerRestart(1000.0, 1200.0, False), RelayFault(2600.0, "fv1/cooler", "hand on", 300.0))
    by = {event.by for event in of(outcome, Switched) if event.tag == "fv1/cooler"}
    assert {"order", "timer"} <= by
    assert not any(1100.0 < event.at_s < 2190.0 for event in of(outcome, Delivered))


def test_a_relay_that_restarts_is_closed_again_by_the_next_renewal() -> None:
    outcome = live(a_batch(), RelayFault(1200.0, "fv1/cooler", "dead", 5.0))
    switched = [event for event in of(outcome, Switched) if event.tag == "fv1/cooler"]
    (opened,) = [event for event in switched if event.by == "restart" and event.at_s >= 1200.0]
    closed = next(event for event in switched if event.closed and event.at_s > opened.at_s)
    assert closed.by == "order"
    (renew_s,) = [vessel.cooler.renew_s for vessel in layout_of(SEED).vessels if vessel.name == "fv1"]
    assert closed.at_s - opened.at_s <= renew_s + 10.0  # a renewal leaves with a scan


class NoWelds:
    """Complains of a heater whose contacts are welded for ten minutes. It has no number of a rule."""

    rule = 0

    def look(self, scene: Scene) -> Iterable[Breach]:
        for relay in scene.relays.values():
            if relay.vessel and relay.welded and scene.now_s - relay.closed_since_s > 600.0:
                return [Breach(0, scene.now_s, relay.vessel, f"{relay.tag} is welded")]
        return ()

    def end(self, scene: Scene) -> Sequence[Breach]:
        return ()


def test_a_broken_story_becomes_a_short_one_that_breaks_again() -> None:
    hours = 12.0
    judges = lambda: [NoWelds()]  # noqa: E731
    for seed in (f"weld-{number}" for number in range(10)):
        outcome = play(whole(seed, hours * HOUR_S, drawn(seed, hours)), hours, judges, stop_at=0)
        if outcome.breaches:
            break
    short = short_of(seed, hours, outcome.breaches[0], judges, within_s=60.0)
    again = play(short, hours, judges, stop_at=0)
    assert [breach.sentence for breach in again.breaches] == [outcome.breaches[0].sentence]
    left = short.of(drawn(seed, hours))
    assert any(isinstance(happening, RelayFault) for happening in left)
    assert len(left) <= 4  # one, where the machine was quick enough to try them all
    assert short.length_s < hours * HOUR_S
