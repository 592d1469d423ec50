"""From a share of full power to pulses that a pump survives."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.shaping import near_freezing_duty, shaped
from controller.control.site import Ending, Output
from controller.control.state import OutputState
from tests.factories import DAY_S, SCAN_S

PUMP = Output("ale/cooler", 300.0, Ending.DEVICE_TIMER, shortest_on_s=60.0, shortest_off_s=180.0)
CYCLE_S = 1200.0
RESTING = OutputState(False, -1e4, 0.0, "")


def switched(state: OutputState, wish: OutputState, now_s: float) -> OutputState:
    """The output after a scan in which nothing was vetoed."""
    if wish.on == state.on:
        return wish
    return wish._replace(since_s=now_s, starts=state.starts + wish.on)


def pulses(duties: list[float], output: Output = PUMP, cycle_s: float = CYCLE_S, dt_s: float = SCAN_S) -> list[bool]:
    """Whether the output is on, scan by scan."""
    state, on = RESTING, []
    for k, duty in enumerate(duties):
        now_s = dt_s * (k + 1)
        state = switched(state, shaped(output, state, duty, cycle_s, now_s, dt_s), now_s)
        on.append(state.on)
    return on


def runs(on: list[bool], dt_s: float = SCAN_S) -> list[tuple[bool, float]]:
    """On and off times in s, without the first and the last, which are cut."""
    lengths: list[tuple[bool, float]] = []
    for one in on:
        if lengths and lengths[-1][0] is one:
            lengths[-1] = (one, lengths[-1][1] + dt_s)
        else:
            lengths.append((one, dt_s))
    return lengths[1:-1]


def starts(on: list[bool]) -> int:
    return sum(later and not before for before, later in zip([False, *on], on, strict=False))


A_DAY = int(DAY_S / SCAN_S)


@pytest.mark.parametrize("duty", [0.02, 0.05, 0.1, 0.25, 0.37, 0.5, 0.63, 0.75, 0.9, 0.95, 0.98])
@pytest.mark.parametrize("cycle_s", [300.0, 1200.0, 3600.0])
def test_over_a_day_the_pump_runs_the_share_of_the_time_that_was_asked_for(duty: float, cycle_s: float) -> None:
    on = pulses([duty] * A_DAY, cycle_s=cycle_s)
    assert sum(on) / len(on) == pytest.approx(duty, abs=0.02)


@pytest.mark.parametrize("duty", [0.02, 0.05, 0.95, 0.98])
def test_a_small_share_is_given_rarely_but_given(duty: float) -> None:
    on = pulses([duty] * (4 * A_DAY))
    assert sum(on) / len(on) == pytest.approx(duty, abs=0.002)


def test_a_share_that_changes_all_day_is_followed_too() -> None:
    duties = [0.5 + 0.45 * ((k // 720) % 3 - 1) for k in range(A_DAY)]
    on = pulses(duties)
    assert sum(on) / len(on) == pytest.approx(sum(duties) / len(duties), abs=0.02)


@pytest.mark.parametrize("duty", [0.05, 0.2, 0.5, 0.8, 0.95])
def test_the_pump_starts_about_once_in_a_cycle_and_no_oftener(duty: float) -> None:
    count = starts(pulses([duty] * A_DAY))
    assert count <= DAY_S / CYCLE_S + 1
    if 0.1 < duty < 0.8:  # beyond, a pulse or a pause of its shortest time makes the cycle longer
        assert count >= 0.9 * DAY_S / CYCLE_S


def test_at_the_ends_there_are_no_pulses_at_all() -> None:
    assert not any(pulses([0.0] * A_DAY))
    assert all(pulses([1.0] * A_DAY))


def test_full_share_from_a_rest_starts_at_once_and_no_share_stops_after_the_shortest_time() -> None:
    on = pulses([1.0] * 2 + [0.0] * 30)
    assert runs([False, *on]) == [(True, PUMP.shortest_on_s)]


def test_what_was_owed_is_forgiven_when_nothing_is_wanted_any_more() -> None:
    state = shaped(PUMP, RESTING._replace(owed_s=100.0), 0.0, CYCLE_S, 5.0, SCAN_S)
    assert (state.on, state.owed_s) == (False, 0.0)


def test_a_long_veto_leaves_no_more_than_a_pulse_owed() -> None:
    state = RESTING
    for k in range(A_DAY):  # the interlock takes every pulse away
        state = shaped(PUMP, state, 0.5, CYCLE_S, SCAN_S * k, SCAN_S)._replace(on=False)
    assert state.owed_s <= CYCLE_S * 0.5


@given(
    st.lists(st.tuples(st.floats(0.0, 1.0) | st.sampled_from([0.0, 1.0]), st.integers(1, 200)), max_size=20),
    st.sampled_from([0.0, 60.0, 120.0]),
    st.sampled_from([0.0, 180.0, 600.0]),
    st.sampled_from([60.0, 1200.0]),
    st.sampled_from([1.0, 5.0, 10.0]),
)
def test_shortest_times_hold_whatever_is_asked_for(
    asked: list[tuple[float, int]], shortest_on_s: float, shortest_off_s: float, cycle_s: float, dt_s: float
) -> None:
    output = Output("x/cooler", 1.0, Ending.DEVICE_TIMER, shortest_on_s=shortest_on_s, shortest_off_s=shortest_off_s)
    duties = [duty for duty, scans in asked for _ in range(scans)]
    for on, lasted_s in runs(pulses(duties, output, cycle_s, dt_s), dt_s):
        assert lasted_s >= (shortest_on_s if on else shortest_off_s)


@given(st.floats(0.02, 0.98), st.integers(0, 2000))
def test_a_share_is_met_within_a_pulse_after_any_time(duty: float, scans: int) -> None:
    on = pulses([duty] * scans)
    h_s = max(0.5 * CYCLE_S * duty * (1.0 - duty), 30.0 * (1.0 - duty), 90.0 * duty)
    assert abs(duty * scans - sum(on)) * SCAN_S <= h_s + PUMP.shortest_off_s + 2 * SCAN_S


def test_near_the_freezing_limit_the_share_falls_to_nothing() -> None:
    # Ice forms on the coil before the probe sees it: common practice, no source for the one kelvin.
    assert [near_freezing_duty(celsius, -1.5) for celsius in (5.0, -0.5, -1.0, -1.25, -1.5, -3.0)] == [
        1.0, 1.0, 0.5, 0.25, 0.0, 0.0,
    ]  # fmt: skip


def test_without_a_number_there_is_no_cooling_near_freezing() -> None:
    assert near_freezing_duty(float("nan"), -1.5) == 0.0
