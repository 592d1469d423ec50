"""The guard around `simple-pid`: the same arithmetic, without what the bare object suffers from.

Each fault is first shown on the bare object, so that the guard can be dropped on the day the library cures it.
"""

from collections import deque
from collections.abc import Callable
from math import inf, isfinite, isnan, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from simple_pid import PID

from controller.control.pid import Gains, PidState, bumpless, pid_step

WIDE = Gains(130.0, 130.0 / 7200.0, 0.0, 0.0, 5000.0, -1e12, 1e12)
COOLING = Gains(130.0, 130.0 / 7200.0, 0.0, 0.0, 5000.0, -300.0, 80.0)
SCAN_S = 5.0
CELSIUS = st.floats(-10.0, 40.0)


def bare(gains: Gains, setpoint_c: float = 19.0, starting_w: float = 0.0) -> PID:
    limits = (gains.low_w, gains.high_w)
    return PID(
        gains.p_w_per_k, gains.i_w_per_k_s, gains.d_w_s_per_k, setpoint_c,
        sample_time=None, output_limits=limits, starting_output=starting_w,
    )  # fmt: skip


def asked(library: PID, measured_c: float, dt_s: float = SCAN_S) -> float:
    """The output of the bare object."""
    output_w = library(measured_c, dt=dt_s)
    assert output_w is not None
    return float(output_w)


@given(
    st.lists(st.tuples(CELSIUS, CELSIUS, st.floats(0.5, 20.0)), min_size=1, max_size=50),
    st.floats(0.0, 500.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 50_000.0),
    st.floats(-300.0, 300.0),
)
def test_where_nothing_saturates_the_guard_computes_what_simple_pid_computes(
    scans: list[tuple[float, float, float]], p: float, i: float, d: float, starting_w: float
) -> None:
    gains = Gains(p, i, d, 0.0, 5000.0, -1e12, 1e12)
    library, state = bare(gains, starting_w=starting_w), PidState(starting_w)
    for measured_c, setpoint_c, dt_s in scans:
        library.setpoint = setpoint_c
        expected_w = asked(library, measured_c, dt_s)
        state, output_w, terms = pid_step(gains, state, measured_c, setpoint_c, dt_s, None)
        assert output_w == pytest.approx(expected_w, rel=1e-9, abs=1e-9)
        assert tuple(terms) == pytest.approx(library.components, rel=1e-9, abs=1e-6)


def test_a_reading_that_is_no_number_poisons_the_bare_object_for_ever() -> None:
    library = bare(COOLING)
    library(nan, dt=SCAN_S)
    assert all(isnan(asked(library, 19.0)) for _ in range(100))


@pytest.mark.parametrize("celsius", [nan, inf, -inf])
def test_a_reading_that_is_no_number_leaves_no_trace_in_the_guard(celsius: float) -> None:
    before, _, _ = pid_step(COOLING, PidState(-50.0, 19.0), 19.1, 19.0, SCAN_S, None)
    for measured_c, setpoint_c in ((celsius, 19.0), (19.0, celsius)):
        after, output_w, _ = pid_step(COOLING, before, measured_c, setpoint_c, SCAN_S, None)
        assert after == before
        assert output_w == before.integral_w


def test_two_calls_at_the_same_instant_explode_the_bare_derivative() -> None:
    library = PID(1.0, 0.0, 1.0, 19.0, sample_time=None, time_fn=lambda: 100.0)
    library(19.0)
    library(19.0625)
    assert abs(library.components[2]) > 1e12
    with pytest.raises(ValueError, match="dt"):
        library(19.0, dt=0.0)


@pytest.mark.parametrize("dt_s", [0.0, -5.0, nan, 1e-311, 1e-9])
def test_an_interval_of_nothing_changes_nothing_in_the_guard(dt_s: float) -> None:
    gains = COOLING._replace(d_w_s_per_k=10_000.0)
    before = PidState(-50.0, 19.0, 0.001)
    after, output_w, _ = pid_step(gains, before, 19.0625, 19.0, dt_s, None)
    assert (after, output_w) == (before, -50.0)


def test_a_filtered_derivative_stays_small_however_short_the_interval() -> None:
    gains = WIDE._replace(d_w_s_per_k=10_000.0, filter_s=120.0)
    _, _, terms = pid_step(gains, PidState(0.0, 19.0), 19.0625, 19.0, 0.001, None)
    assert terms.derivative_w == pytest.approx(-10_000.0 * 0.0625 / 120.0, rel=1e-4)


def test_a_filtered_derivative_of_a_ramp_becomes_that_of_the_ramp() -> None:
    gains = WIDE._replace(d_w_s_per_k=10_000.0, filter_s=120.0)
    state = PidState()
    for k in range(500):
        state, _, terms = pid_step(gains, state, 20.0 - 0.001 * k * SCAN_S, 19.0, SCAN_S, None)
    assert terms.derivative_w == pytest.approx(10.0, rel=1e-6)


def test_the_derivative_does_not_kick_when_the_setpoint_moves() -> None:
    gains = WIDE._replace(d_w_s_per_k=10_000.0)
    state, _, _ = pid_step(gains, PidState(), 19.0, 19.0, SCAN_S, None)
    _, _, terms = pid_step(gains, state, 19.0, 12.0, SCAN_S, None)
    assert terms.derivative_w == 0.0


def test_a_gap_slams_the_integral_of_the_bare_object_to_its_limit() -> None:
    library = bare(COOLING)
    library(19.5, dt=SCAN_S)
    library(19.5, dt=12 * 3600.0)  # a suspended machine: the interval is the whole night
    assert library.components[1] == COOLING.low_w


def test_a_gap_that_saturates_the_output_leaves_the_integral_of_the_guard_alone() -> None:
    state, _, _ = pid_step(COOLING, PidState(), 19.5, 19.0, SCAN_S, None)
    after, _, _ = pid_step(COOLING, state, 19.5, 19.0, 12 * 3600.0, None)
    assert after.integral_w == state.integral_w


def test_taking_over_from_manual_bumps_the_bare_object() -> None:
    library = bare(COOLING)
    assert abs(asked(library, 19.4) - -180.0) > 100.0  # the brewer had set 180 W of cooling


@pytest.mark.parametrize("output_w", [-180.0, -60.0, -10.0])
def test_taking_over_from_manual_does_not_bump_the_guard(output_w: float) -> None:
    state = bumpless(COOLING, 19.4, 19.0, output_w)
    _, first_w, _ = pid_step(COOLING, state, 19.4, 19.0, SCAN_S, None)
    assert first_w == pytest.approx(output_w, abs=0.1)  # a scan's share of the integral is all that is added


def test_taking_over_far_from_the_setpoint_asks_for_everything_at_once() -> None:
    state = bumpless(COOLING, 25.0, 19.0, 0.0)
    assert pid_step(COOLING, state, 25.0, 19.0, SCAN_S, None)[1] == COOLING.low_w
    state = bumpless(COOLING, 12.0, 19.0, 0.0)
    assert pid_step(COOLING, state, 12.0, 19.0, SCAN_S, None)[1] == COOLING.high_w


def test_a_hand_over_without_a_temperature_starts_empty() -> None:
    assert bumpless(COOLING, nan, 19.0, -100.0).integral_w == 0.0


def pull_down(asks_w: Callable[[float], float], hours: float = 60.0) -> tuple[float, float]:
    """A 60 L wort from 25 °C to 10 °C with 25 W of yeast and room, 300 W of cooling that acts five minutes late
    through a coil with a lag of ten minutes. Gives how far the wort fell below 10 °C, and where it ended."""
    wort_c, coil_w, pipe = 25.0, 0.0, deque([0.0] * 60)
    lowest_c = wort_c
    for _ in range(int(hours * 3600.0 / SCAN_S)):
        pipe.append(asks_w(wort_c))
        coil_w += (pipe.popleft() - coil_w) * SCAN_S / 600.0
        wort_c += (25.0 + coil_w) * SCAN_S / 245_700.0
        lowest_c = min(lowest_c, wort_c)
    return 10.0 - lowest_c, wort_c


def test_a_long_pull_down_winds_up_the_bare_object_and_not_the_guard() -> None:
    library = bare(COOLING, setpoint_c=10.0)
    state = PidState()

    def guarded(wort_c: float) -> float:
        nonlocal state
        state, output_w, _ = pid_step(COOLING, state, wort_c, 10.0, SCAN_S, None)
        return output_w

    wound_k, _ = pull_down(lambda wort_c: asked(library, wort_c))
    below_k, end_c = pull_down(guarded)
    assert wound_k > 1.5
    assert below_k < 0.3
    assert below_k < 0.2 * wound_k
    assert end_c == pytest.approx(10.0, abs=0.05)


def six_hours_denied(with_applied: bool) -> list[float]:
    """The outputs in the six hours after the bath had nothing to give for six hours: the wort had risen to 1 K
    above the setpoint, and stands at the setpoint from the moment on when the bath is back."""
    state = PidState(-25.0, 19.0)
    for k in range(int(6 * 3600.0 / SCAN_S)):
        measured_c = 19.0 + k * SCAN_S / (6 * 3600.0)
        state, _, _ = pid_step(COOLING, state, measured_c, 19.0, SCAN_S, 0.0 if with_applied else None)
    outputs = []
    for _ in range(int(6 * 3600.0 / SCAN_S)):
        state, output_w, _ = pid_step(COOLING, state, 19.0, 19.0, SCAN_S, None)
        outputs.append(output_w)
    return outputs


def test_an_integral_that_hears_of_a_denied_grant_is_not_wound_up_when_the_bath_comes_back() -> None:
    deaf, hearing = six_hours_denied(with_applied=False)[0], six_hours_denied(with_applied=True)[0]
    assert deaf < -150.0  # full cooling into a wort that needs none
    assert hearing >= 0.0


def test_where_everything_asked_was_applied_nothing_is_drawn_off() -> None:
    state = PidState(-100.0, 19.0)
    with_applied, _, _ = pid_step(COOLING, state, 19.0, 19.0, SCAN_S, -100.0)
    assert with_applied == pid_step(COOLING, state, 19.0, 19.0, SCAN_S, None)[0]


def test_a_partial_grant_draws_the_integral_toward_what_was_given_with_the_tracking_time() -> None:
    # Back-calculation after Åström and Hägglund: the integral follows with time constant T_t.
    gains = COOLING._replace(i_w_per_k_s=0.0)
    state = PidState(-200.0, 19.0)
    for _ in range(int(gains.tracking_s / SCAN_S)):
        state, _, _ = pid_step(gains, state, 19.0, 19.0, SCAN_S, -50.0)
    assert state.integral_w == pytest.approx(-50.0 - 150.0 / 2.718281828, rel=0.01)


@given(
    st.lists(
        st.tuples(
            st.floats(-1e6, 1e6) | st.sampled_from([nan, inf, -inf]),
            CELSIUS | st.sampled_from([nan]),
            st.floats(-10.0, 1e5) | st.sampled_from([0.0, nan, 1e-12, 1e-311]),
            st.none() | st.floats(-1000.0, 1000.0),
        ),
        max_size=60,
    ),
    st.floats(0.0, 300.0),
)
def test_whatever_is_measured_the_output_is_finite_and_within_its_limits(
    scans: list[tuple[float, float, float, float | None]], filter_s: float
) -> None:
    gains = COOLING._replace(d_w_s_per_k=50_000.0, filter_s=filter_s)
    state = PidState()
    for measured_c, setpoint_c, dt_s, applied_w in scans:
        state, output_w, _ = pid_step(gains, state, measured_c, setpoint_c, dt_s, applied_w)
        assert gains.low_w <= output_w <= gains.high_w
        assert gains.low_w <= state.integral_w <= gains.high_w
        assert isfinite(state.slope_k_per_s)
