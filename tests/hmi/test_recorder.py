"""What is kept for the chart, and that thinning loses no extreme."""

from hypothesis import given
from hypothesis import strategies as st

from controller.control.state import SiteState
from controller.control.values import Record, RecordKind
from controller.hmi.recorder import Mark, Point, Recorder, thinned
from tests.hmi.factories import busy_cellar, fermenting, site, with_vessel

CELLAR = site()
SCAN_S = 5.0


def at(scan: int, wort_c: float, step: int = 1, cooling: bool = False) -> SiteState:
    state = busy_cellar(CELLAR)
    ale = fermenting(state.vessels["ale"], wort_c, step)
    assert ale.cooler is not None
    return with_vessel(state, "ale", ale._replace(cooler=ale.cooler._replace(on=cooling)))._replace(now_s=scan * SCAN_S)


def test_an_hour_of_scans_becomes_twelve_points() -> None:
    recorder = Recorder()
    for scan in range(1, 721):
        recorder.add(CELLAR, at(scan, 19.0), SCAN_S)
    points = recorder.traces["ale"].points
    assert [point.for_s for point in points] == [300.0] * 12
    assert points[0].at_s == 0.0


def test_a_spike_of_one_scan_stays_visible() -> None:
    recorder = Recorder()
    for scan in range(1, 721):
        recorder.add(CELLAR, at(scan, 24.7 if scan == 300 else 19.0), SCAN_S)
    points = thinned(recorder.traces["ale"].points, 3)
    assert len(points) <= 3
    assert max(point.warmest_c or 0.0 for point in points) == 24.7


def test_duty_is_the_share_of_time_that_the_pump_ran() -> None:
    recorder = Recorder()
    for scan in range(1, 61):
        recorder.add(CELLAR, at(scan, 19.0, cooling=scan <= 15), SCAN_S)
    (point,) = recorder.traces["ale"].points
    assert abs(point.cool - 0.25) < 1e-9
    assert point.heat == 0.0


def test_a_jump_of_the_setpoint_begins_a_new_point() -> None:
    recorder = Recorder()
    recorder.add(CELLAR, at(1, 19.0, step=1), SCAN_S)
    recorder.add(CELLAR, at(2, 19.0, step=2), SCAN_S)
    assert [point.high_c for point in recorder.traces["ale"].points] == [19.0, 21.0]
    assert [span.name for span in recorder.traces["ale"].spans] == ["ferment", "rest"]
    assert recorder.traces["ale"].spans[0].to_s == recorder.traces["ale"].spans[1].from_s


def test_a_gravity_is_noted_once() -> None:
    recorder = Recorder()
    recorder.add(CELLAR, at(1, 19.0), SCAN_S)
    recorder.add(CELLAR, at(2, 19.0), SCAN_S)
    assert [gravity for _, gravity in recorder.traces["ale"].gravities] == [1.029]


def test_alarms_answers_and_ends_are_marked_and_pulses_are_not() -> None:
    records = [
        Record(5.0, None, "ale", RecordKind.ALARM, "deviation", "active, unacknowledged", "+1.9 K"),
        Record(5.0, None, "ale", RecordKind.STEP, "pitch", "confirmed", "confirmed: Yeast pitched?", "brewer"),
        Record(5.0, None, "ale", RecordKind.BATCH, "gravity", "1.0290", "gravity 1.029", "brewer"),
        Record(5.0, None, "ale", RecordKind.OUTPUT, "cooler", "on", "above the setpoint"),
        Record(5.0, None, "", RecordKind.ALARM, "bath bath warm", "active, unacknowledged", "bath at 4.1 °C"),
    ]
    recorder = Recorder()
    recorder.add(CELLAR, at(1, 19.0), SCAN_S, records)
    assert recorder.traces["ale"].marks == [
        Mark(5.0, "alarm", "deviation: +1.9 K"),
        Mark(5.0, "action", "confirmed: Yeast pitched? (brewer)"),
    ]
    assert recorder.marks == [Mark(5.0, "alarm", "bath bath warm: bath at 4.1 °C")]


temperatures = st.one_of(st.none(), st.floats(-5.0, 40.0))


@given(st.lists(temperatures, min_size=1, max_size=60), st.integers(1, 20))
def test_thinning_keeps_the_time_the_extremes_and_the_mean_duty(worts: list[float | None], most: int) -> None:
    points = [Point(i * 300.0, 300.0, c, c, 18.0, 20.0, (i % 4) / 4, 0.0) for i, c in enumerate(worts)]
    few = thinned(points, most)
    assert len(few) <= most
    assert few[0].at_s == 0.0
    assert sum(point.for_s for point in few) == 300.0 * len(points)
    known = [c for c in worts if c is not None]
    assert min((p.coldest_c for p in few if p.coldest_c is not None), default=None) == min(known, default=None)
    assert max((p.warmest_c for p in few if p.warmest_c is not None), default=None) == max(known, default=None)
    ran_s = sum(point.cool * point.for_s for point in points)
    assert abs(sum(point.cool * point.for_s for point in few) - ran_s) < 1e-6
