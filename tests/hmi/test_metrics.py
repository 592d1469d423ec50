"""What a scrape says of a cellar."""

from dataclasses import replace

import pytest
from prometheus_client import CollectorRegistry
from prometheus_client.parser import text_string_to_metric_families

from controller.control.site import Ending, Output, Supply, Upstream
from controller.control.state import AlarmPhase, BatchState, OutputState, Quiet
from controller.control.values import Drive, Signal, Status
from controller.hmi.metrics import exposition, private_registry
from controller.hmi.shell import ShellCounts, StoreCounts
from tests.hmi.factories import NOW_S, batch, busy_cellar, empty_cellar, site, with_alarm, with_vessel

COUNTS = ShellCounts(
    12,
    1,
    {"not a number": 3},
    True,
    dropped=4,
    publish_failures=5,
    store=StoreCounts(False, 6, 7, 8, 9),
    told={"sent": 10, "failed": 11, "dropped": 12, "waiting": 13},
    reloads={"applied": 14, "refused": 15},
    answers_dropped=16,
)


def scraped(state: object, counts: ShellCounts = COUNTS) -> CollectorRegistry:
    return private_registry(lambda: (site(), state), lambda: counts)  # type: ignore[return-value,arg-type]


def sample(registry: CollectorRegistry, name: str, **labels: str) -> float | None:
    return registry.get_sample_value(f"cellarhand_{name}", labels)


def vessel(registry: CollectorRegistry, name: str, **labels: str) -> float | None:
    return sample(registry, f"vessel_{name}", site="cellar", vessel="ale", **labels)


def test_the_ale_tells_its_temperature_setpoint_and_deviation() -> None:
    seen = scraped(busy_cellar())
    assert vessel(seen, "temperature_celsius") == 19.2
    assert vessel(seen, "setpoint_low_celsius") == 19.0
    assert vessel(seen, "setpoint_high_celsius") == 19.0
    assert vessel(seen, "deviation_celsius") == 0.2


def test_the_pump_tells_that_it_runs_how_long_it_ran_and_how_often_it_started() -> None:
    seen = scraped(busy_cellar())
    assert vessel(seen, "output_on", output="cooler") == 1
    assert vessel(seen, "output_on", output="heater") == 0
    assert vessel(seen, "output_on_seconds_total", output="cooler") == 9 * 3600
    assert vessel(seen, "output_starts_total", output="cooler") == 41
    assert vessel(seen, "demand_watts") == -30
    assert vessel(seen, "applied_watts") == -25


def test_the_profile_tells_its_step_counted_from_one() -> None:
    seen = scraped(busy_cellar())
    assert vessel(seen, "step_index") == 2
    assert vessel(seen, "step_counted_seconds") == 12 * 3600
    assert vessel(seen, "step_elapsed_seconds") == 13 * 3600


def test_exactly_one_batch_state_and_one_mode_is_true() -> None:
    seen = scraped(busy_cellar())
    states = {state.value: vessel(seen, "batch_state", state=state.value) for state in BatchState}
    assert [name for name, value in states.items() if value == 1] == ["running"]
    assert sum(value or 0 for value in states.values()) == 1
    assert [vessel(seen, "mode", mode=mode) for mode in ("auto", "manual", "off")] == [1, 0, 0]


def test_what_is_not_known_has_no_sample() -> None:
    seen = scraped(empty_cellar())
    for name in ("temperature_celsius", "setpoint_low_celsius", "deviation_celsius", "step_index"):
        assert vessel(seen, name) is None, name
    assert sample(seen, "bath_temperature_celsius", site="cellar") is None
    assert sample(seen, "room_temperature_celsius", site="cellar") is None
    assert sample(seen, "signal_age_seconds", site="cellar", probe="ale/well") is None
    assert sample(seen, "signal_status", site="cellar", probe="ale/well", status="failure") == 1


def test_a_temperature_that_may_not_drive_is_not_shown_as_the_present_one() -> None:
    state = busy_cellar()
    ale = state.vessels["ale"]
    blind = with_vessel(state, "ale", ale._replace(estimate=ale.estimate._replace(drive=Drive.NOTHING)))
    assert vessel(scraped(blind), "temperature_celsius") is None
    assert vessel(scraped(blind), "deviation_celsius") is None


def test_a_number_that_is_not_finite_never_reaches_a_scrape() -> None:
    state = busy_cellar()
    ale = state.vessels["ale"]
    mad = with_vessel(state, "ale", ale._replace(applied_w=float("nan"), loop=ale.loop._replace(heat_w=float("inf"))))
    body, _ = exposition(scraped(mad), "")
    assert b" NaN" not in body
    assert b"Inf" not in body
    assert vessel(scraped(mad), "applied_watts") is None
    assert vessel(scraped(mad), "demand_watts") is None


def test_a_vessel_without_a_heater_has_no_heater_sample() -> None:
    state = busy_cellar()
    bare = with_vessel(state, "ale", state.vessels["ale"]._replace(heater=None))
    assert vessel(scraped(bare), "output_on", output="heater") is None
    assert vessel(scraped(bare), "output_on", output="cooler") == 1


def test_a_signal_tells_its_status_and_age() -> None:
    state = busy_cellar()
    tired = Signal(18.0, NOW_S - 400.0, Status.MAINTENANCE, "calibration is old")
    seen = scraped(state._replace(signals={**state.signals, "ale/well": tired}))
    assert sample(seen, "signal_status", site="cellar", probe="ale/well", status="maintenance_required") == 1
    assert sample(seen, "signal_status", site="cellar", probe="ale/well", status="good") == 0
    assert sample(seen, "signal_age_seconds", site="cellar", probe="ale/well") == 400


def test_an_alarm_is_seen_while_active_and_gone_when_it_returned() -> None:
    where = {"site": "cellar", "vessel": "ale", "kind": "deviation", "priority": "medium"}
    active = scraped(with_alarm(busy_cellar(), "ale/deviation", "+1.9 K from the setpoint"))
    assert sample(active, "alarm_active", **where) == 1
    assert sample(active, "alarms_unacknowledged", site="cellar") == 1
    over = scraped(with_alarm(busy_cellar(), "ale/deviation", "", AlarmPhase.RETURNED))
    assert sample(over, "alarm_active", **where) is None
    assert sample(over, "alarms_unacknowledged", site="cellar") == 0


def test_free_text_never_becomes_a_label() -> None:
    hostile = ShellCounts(1, 0, {"ok reason": 1, 'x"} 1\nevil{a="': 2, "Ünïcode": 3, "a" * 99: 4}, False)
    state = with_alarm(busy_cellar(), 'ale/"}\n', "text of a stranger")
    body, _ = exposition(scraped(state, hostile), "")
    reasons = {
        each.labels["reason"]: each.value
        for family in text_string_to_metric_families(body.decode())
        if family.name == "cellarhand_messages_refused"
        for each in family.samples
        if each.name.endswith("_total")
    }
    assert reasons == {"ok reason": 1, "other": 9}
    assert b"evil" not in body
    assert b"stranger" not in body
    assert b"House Pale" not in body


def test_answers_that_never_left_are_counted() -> None:
    assert sample(scraped(busy_cellar()), "answers_dropped_total") == 16


def test_the_store_tells_whether_it_writes_and_what_was_lost() -> None:
    seen = scraped(busy_cellar())
    assert sample(seen, "store_healthy") == 0
    assert sample(seen, "store_failures_total") == 6
    assert sample(seen, "store_records_waiting") == 7
    assert sample(seen, "store_records_lost_total") == 8
    assert sample(seen, "store_samples_dropped_total") == 9
    assert sample(scraped(busy_cellar(), ShellCounts(1, 0, {}, True)), "store_healthy") == 1


def test_messages_to_people_are_counted_by_what_became_of_them_and_those_that_wait_are_not_an_outcome() -> None:
    seen = scraped(busy_cellar())
    assert [sample(seen, "notifications_total", outcome=each) for each in ("sent", "failed", "dropped")] == [10, 11, 12]
    assert sample(seen, "notifications_total", outcome="waiting") is None
    assert sample(seen, "notifications_waiting") == 13


def test_the_connection_and_the_reloads_tell_what_went_wrong() -> None:
    seen = scraped(busy_cellar())
    assert sample(seen, "mqtt_messages_dropped_total") == 4
    assert sample(seen, "mqtt_publish_failures_total") == 5
    assert [sample(seen, "reloads_total", outcome=each) for each in ("applied", "refused")] == [14, 15]


def test_the_beer_tells_how_far_it_has_come_as_shares_not_as_per_cent() -> None:
    state = busy_cellar()
    seen = scraped(with_vessel(state, "ale", state.vessels["ale"]._replace(batch=batch("Pale", 1.048, 1.029, 1.010))))
    assert vessel(seen, "specific_gravity") == 1.010
    assert vessel(seen, "apparent_attenuation_ratio") == pytest.approx(0.785, abs=0.002)  # 11.9 to 2.6 degrees Plato
    assert vessel(seen, "alcohol_by_volume_ratio") == pytest.approx(
        0.050, abs=0.001
    )  # 131.25 (OG - FG), a rule of thumb
    real, apparent = vessel(seen, "real_fermentation_ratio"), vessel(seen, "apparent_attenuation_ratio")
    assert real is not None
    assert apparent is not None
    assert real < apparent
    assert vessel(scraped(empty_cellar()), "specific_gravity") is None


def test_a_vessel_tells_that_it_is_out_of_service_or_resting() -> None:
    state = busy_cellar()
    ale = state.vessels["ale"]
    assert (vessel(scraped(state), "in_service"), vessel(scraped(state), "quiet")) == (1, 0)
    cleaning = with_vessel(state, "ale", ale._replace(in_service=False))
    assert vessel(scraped(cleaning), "in_service") == 0
    resting = with_vessel(state, "ale", ale._replace(quiet=Quiet(NOW_S + 3600.0, 1.0)))
    assert vessel(scraped(resting), "quiet") == 1


def test_before_the_first_scan_only_the_shell_answers() -> None:
    seen = private_registry(lambda: None, lambda: ShellCounts(0, 0, {}, False))
    assert sample(seen, "scans_total") == 0
    assert sample(seen, "mqtt_connected") == 0
    assert vessel(seen, "mode", mode="auto") is None


def test_a_new_snapshot_leaves_nothing_of_the_old_one_behind() -> None:
    kept = [busy_cellar()]
    seen = private_registry(lambda: (site(), kept[0]), lambda: COUNTS)
    assert vessel(seen, "temperature_celsius") == 19.2
    kept[0] = empty_cellar()
    assert vessel(seen, "temperature_celsius") is None


def test_a_shared_pump_tells_that_it_runs_how_long_it_ran_and_how_often_it_started() -> None:
    pump = Upstream(Supply.PUMP, Output("upstream/glycol", 0.0, Ending.DEVICE_TIMER), ("ale/cooler",), 10.0)
    plant = replace(site(), upstream=(pump,))
    running = OutputState(True, NOW_S - 60.0, NOW_S, "a valve asks for flow", starts=7, on_s=1800.0)
    state = busy_cellar(plant)._replace(upstream={"upstream/glycol": running})
    seen = private_registry(lambda: (plant, state), lambda: COUNTS)
    assert sample(seen, "output_on", site="cellar", output="glycol") == 1
    assert sample(seen, "output_on_seconds_total", site="cellar", output="glycol") == 1800
    assert sample(seen, "output_starts_total", site="cellar", output="glycol") == 7
    assert "cellarhand_output_on" not in {family.name for family in scraped(busy_cellar()).collect()}
