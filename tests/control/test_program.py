"""One step of a profile: its setpoint of the moment, its clocks, and what it still waits for.

The kinds of steps and what ends them are the trade's (common practice, no source), except where a test says more.
"""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.course import Ends, ProfileStep, StepKind
from controller.control.program import Wait, advance, clamped, entered, setpoint_of, unmet
from controller.control.site import Limits
from controller.control.state import Batch, GravityReading, ProgramState
from controller.control.values import Drive, Estimate, Setpoint
from tests.factories import DAY_S, HOUR_S

LIMITS = Limits(0.0, 30.0)
NO_ENDS = Ends()
NO_GRAVITY = Batch("pale", 1.050, 50.0, "", None, 0.0, None)


def a_step(kind: StepKind, target_c: float, ends: Ends = NO_ENDS, **more) -> ProfileStep:
    return replace(ProfileStep("step", kind, target_c, 0.5, ends, 30 * DAY_S), **more)


def wort(celsius: float | None, drive: Drive = Drive.BOTH, *, cold_c: float = 0.0, warm_c: float = 0.0) -> Estimate:
    here_c = 0.0 if celsius is None else celsius
    return Estimate(celsius, cold_c or here_c, warm_c or here_c, 0.0, here_c, drive, "")


def later(step: ProfileStep, position: ProgramState, celsius: float | None, dt_s: float, **more) -> ProgramState:
    setpoint = setpoint_of(step, position, LIMITS)
    return advance(step, position, setpoint, wort(celsius, **more), dt_s, gap=False)


def with_gravities(*entered_ones: tuple[float, float]) -> Batch:
    """A batch whose gravities were entered at these hours."""
    return NO_GRAVITY._replace(gravities=tuple(GravityReading(g, hour * HOUR_S, None) for hour, g in entered_ones))


# Setpoints


@pytest.mark.parametrize("kind", [StepKind.HOLD, StepKind.REST, StepKind.CRASH])
def test_a_hold_a_rest_and_a_crash_want_their_target_at_once(kind: StepKind) -> None:
    assert setpoint_of(a_step(kind, 4.0), entered(0, 20.0), LIMITS) == Setpoint(4.0, 4.0)


def test_a_ramp_of_two_kelvin_a_day_has_moved_one_after_twelve_hours() -> None:
    ramp = a_step(StepKind.RAMP, 21.0, rate_k_per_s=2.0 / DAY_S)
    position = entered(0, 19.0)._replace(counted_s=12 * HOUR_S)
    assert setpoint_of(ramp, position, LIMITS).low_c == pytest.approx(20.0)
    assert setpoint_of(ramp, position._replace(counted_s=40 * HOUR_S), LIMITS) == Setpoint(21.0, 21.0)


def test_a_ramp_downward_goes_down_at_its_rate() -> None:
    ramp = a_step(StepKind.RAMP, 10.0, rate_k_per_s=1.0 / HOUR_S)
    at = [setpoint_of(ramp, entered(0, 14.0)._replace(counted_s=h * HOUR_S), LIMITS).high_c for h in range(6)]
    assert at == pytest.approx([14.0, 13.0, 12.0, 11.0, 10.0, 10.0])


def test_a_ramp_over_three_days_is_halfway_after_a_day_and_a_half() -> None:
    ramp = a_step(StepKind.RAMP, 22.0, over_s=3 * DAY_S)
    halfway = entered(0, 18.0)._replace(counted_s=1.5 * DAY_S)
    assert setpoint_of(ramp, halfway, LIMITS).low_c == pytest.approx(20.0)


@given(st.floats(0.0, 30.0), st.floats(0.0, 30.0), st.sampled_from(["rate", "over"]), st.floats(0.1, 10.0))
def test_every_ramp_arrives_at_its_target_to_the_last_bit_and_ends(
    from_c: float, target_c: float, by: str, size: float
) -> None:
    rate, over = (size / DAY_S, None) if by == "rate" else (None, size * DAY_S)
    ramp = a_step(StepKind.RAMP, target_c, rate_k_per_s=rate, over_s=over)
    position = entered(0, from_c)._replace(counted_s=301 * DAY_S)
    assert setpoint_of(ramp, position, LIMITS) == Setpoint(target_c, target_c)
    position = later(ramp, position, target_c, 5.0)
    assert unmet(ramp, position, NO_GRAVITY) == []


def test_a_ramp_that_takes_no_time_jumps() -> None:
    ramp = a_step(StepKind.RAMP, 4.0, over_s=0.0)
    assert setpoint_of(ramp, entered(0, 20.0), LIMITS) == Setpoint(4.0, 4.0)


def test_a_free_rise_cools_above_its_ceiling_and_heats_below_where_it_began() -> None:
    rise = a_step(StepKind.FREE_RISE, 24.0)
    assert setpoint_of(rise, entered(0, 18.0), LIMITS) == Setpoint(18.0, 24.0)


def test_a_free_rise_heats_below_its_floor_if_it_has_one() -> None:
    rise = a_step(StepKind.FREE_RISE, 24.0, floor_c=16.0)
    assert setpoint_of(rise, entered(0, 18.0), LIMITS) == Setpoint(16.0, 24.0)


def test_a_free_rise_begun_above_its_ceiling_never_heats_above_the_ceiling() -> None:
    assert setpoint_of(a_step(StepKind.FREE_RISE, 20.0), entered(0, 22.0), LIMITS) == Setpoint(20.0, 20.0)


@given(
    st.sampled_from(StepKind),
    st.floats(-50.0, 120.0),
    st.floats(-50.0, 120.0),
    st.floats(0.0, 1e7),
    st.floats(-5.0, 15.0),
    st.floats(15.0, 40.0),
    st.one_of(st.none(), st.floats(-50.0, 120.0)),
)
def test_no_setpoint_of_any_step_leaves_the_hard_limits(
    kind: StepKind, target_c: float, from_c: float, counted_s: float, low_c: float, high_c: float, floor_c: float | None
) -> None:
    """Design rule 7."""
    step = a_step(kind, target_c, floor_c=floor_c, rate_k_per_s=1e-5)
    at = setpoint_of(step, entered(0, from_c)._replace(counted_s=counted_s), Limits(low_c, high_c))
    assert low_c <= at.low_c <= at.high_c <= high_c


def test_what_lies_within_the_limits_is_not_moved() -> None:
    assert [clamped(c, LIMITS) for c in (-1.0, 0.0, 12.3, 30.0, 31.0)] == [0.0, 0.0, 12.3, 30.0, 30.0]


# Clocks


def test_step_time_counts_only_while_the_wort_is_within_tolerance() -> None:
    rest = a_step(StepKind.REST, 20.0)
    position = later(rest, entered(0, 20.0), 20.4, 60.0)
    position = later(rest, position, 20.6, 60.0)
    position = later(rest, position, 19.4, 60.0)
    position = later(rest, position, 19.6, 60.0)
    assert (position.counted_s, position.elapsed_s) == (120.0, 240.0)


def test_step_time_does_not_count_while_nothing_is_known_of_the_wort() -> None:
    rest = a_step(StepKind.REST, 20.0)
    blind = later(rest, entered(0, 20.0), 20.0, 60.0, drive=Drive.NOTHING)
    never = later(rest, entered(0, 20.0), None, 60.0)
    assert (blind.counted_s, blind.elapsed_s) == (0.0, 60.0)
    assert (never.counted_s, never.elapsed_s) == (0.0, 60.0)


def test_the_whole_wort_must_be_within_tolerance_by_every_probe() -> None:
    rest = a_step(StepKind.REST, 20.0)
    position = later(rest, entered(0, 20.0), 20.0, 60.0, cold_c=19.4, warm_c=20.6)
    assert position.counted_s == 0.0


def test_a_gap_runs_only_the_clock_of_the_longest_time() -> None:
    rest = a_step(StepKind.REST, 20.0)
    position = advance(rest, entered(0, 20.0), Setpoint(20.0, 20.0), wort(20.0), 10.0, gap=True)
    assert (position.counted_s, position.elapsed_s, position.reached) == (0.0, 10.0, False)


def test_a_ramp_goes_on_while_the_wort_lags_behind_but_not_while_nothing_is_known() -> None:
    ramp = a_step(StepKind.RAMP, 24.0, rate_k_per_s=2.0 / DAY_S)
    position = later(ramp, entered(0, 18.0), 15.0, 60.0)
    assert position.counted_s == 60.0
    assert later(ramp, position, 15.0, 60.0, drive=Drive.NOTHING).counted_s == 60.0


def test_inside_a_free_rise_all_time_counts() -> None:
    rise = a_step(StepKind.FREE_RISE, 24.0)
    assert later(rise, entered(0, 18.0), 21.0, 60.0).counted_s == 60.0
    assert later(rise, entered(0, 18.0), 24.6, 60.0).counted_s == 0.0


# What a step waits for


def test_a_step_that_asks_nothing_has_ended() -> None:
    assert unmet(a_step(StepKind.HOLD, 19.0), entered(0, 19.0), NO_GRAVITY) == []


def test_a_rest_of_48_hours_ends_after_48_counted_hours() -> None:
    rest = a_step(StepKind.REST, 19.0, Ends(after_s=48 * HOUR_S))
    position = entered(0, 19.0)._replace(elapsed_s=90 * HOUR_S)
    assert unmet(rest, position._replace(counted_s=47.9 * HOUR_S), NO_GRAVITY) == [Wait.TIME]
    assert unmet(rest, position._replace(counted_s=48 * HOUR_S), NO_GRAVITY) == []


def test_reached_once_is_reached_for_good() -> None:
    crash = a_step(StepKind.CRASH, 2.0, Ends(reached=True))
    position = later(crash, entered(0, 20.0), 3.0, 60.0)
    assert unmet(crash, position, NO_GRAVITY) == [Wait.REACHED]
    position = later(crash, position, 2.4, 60.0)
    position = later(crash, position, 2.8, 60.0)
    assert unmet(crash, position, NO_GRAVITY) == []


def test_a_ramp_ends_when_its_setpoint_has_arrived_and_the_wort_with_it() -> None:
    ramp = a_step(StepKind.RAMP, 21.0, over_s=HOUR_S)
    assert unmet(ramp, later(ramp, entered(0, 20.9), 21.0, 60.0), NO_GRAVITY) == [Wait.RAMP]  # the setpoint has not
    arrived = entered(0, 20.0)._replace(counted_s=HOUR_S)
    assert unmet(ramp, later(ramp, arrived, 20.0, 60.0), NO_GRAVITY) == [Wait.RAMP]  # the wort has not
    assert unmet(ramp, later(ramp, arrived, 20.6, 60.0), NO_GRAVITY) == []


def test_a_gravity_must_be_entered_and_low_enough() -> None:
    hold = a_step(StepKind.HOLD, 19.0, Ends(gravity=1.012))
    at = entered(0, 19.0)
    assert unmet(hold, at, NO_GRAVITY) == [Wait.GRAVITY]
    assert unmet(hold, at, with_gravities((10, 1.013))) == [Wait.GRAVITY]
    assert unmet(hold, at, with_gravities((10, 1.020), (20, 1.012))) == []


def test_the_last_gravity_counts_not_the_lowest() -> None:
    hold = a_step(StepKind.HOLD, 19.0, Ends(gravity=1.012))
    assert unmet(hold, entered(0, 19.0), with_gravities((10, 1.011), (20, 1.014))) == [Wait.GRAVITY]


def test_75_percent_apparent_attenuation_of_a_wort_of_1050() -> None:
    """By degrees Plato: 1.050 is 12.39 °P (ASBC table: 12.387); a quarter of it is 3.10 °P, which is 1.0121."""
    hold = a_step(StepKind.HOLD, 19.0, Ends(attenuation=0.75))
    assert unmet(hold, entered(0, 19.0), with_gravities((10, 1.0125))) == [Wait.ATTENUATION]
    assert unmet(hold, entered(0, 19.0), with_gravities((10, 1.0120))) == []


def test_attenuation_needs_an_og() -> None:
    hold = a_step(StepKind.HOLD, 19.0, Ends(attenuation=0.75))
    assert unmet(hold, entered(0, 19.0), with_gravities((10, 1.010))._replace(og=None)) == [Wait.ATTENUATION]


@pytest.mark.parametrize(
    ("entered_ones", "steady"),
    [
        ((), False),
        (((0, 1.010),), False),
        (((0, 1.010), (71, 1.010)), False),  # too short
        (((0, 1.010), (72, 1.010)), True),
        (((0, 1.011), (40, 1.010), (72, 1.010)), True),  # what a hydrometer cannot tell apart
        (((0, 1.013), (72, 1.010)), False),
        (((0, 1.010), (40, 1.014), (80, 1.010)), False),  # it went up between: not steady
        (((0, 1.020), (10, 1.010), (82, 1.010)), True),
    ],
)
def test_gravity_is_steady_when_it_has_not_moved_for_three_days(
    entered_ones: tuple[tuple[float, float], ...], steady: bool
) -> None:
    """Three days: Mad Hopper Brewing, Ale Fermentation. A thousandth: common practice, no source."""
    rest = a_step(StepKind.REST, 19.0, Ends(steady_s=72 * HOUR_S))
    assert unmet(rest, entered(0, 19.0), with_gravities(*entered_ones)) == ([] if steady else [Wait.STEADY])


def test_a_gravity_that_creeps_down_slowly_is_not_steady() -> None:
    creeping = tuple((12.0 * i, 1.020 - 0.0005 * i) for i in range(12))
    rest = a_step(StepKind.REST, 19.0, Ends(steady_s=72 * HOUR_S))
    assert unmet(rest, entered(0, 19.0), with_gravities(*creeping)) == [Wait.STEADY]


def test_a_confirmation_is_waited_for() -> None:
    hold = a_step(StepKind.HOLD, 19.0, Ends(confirmed="Is the yeast in?"))
    assert unmet(hold, entered(0, 19.0), NO_GRAVITY) == [Wait.CONFIRMATION]
    assert unmet(hold, entered(0, 19.0)._replace(confirmed=True), NO_GRAVITY) == []


MET = entered(0, 19.0)._replace(counted_s=DAY_S, reached=True, confirmed=True)
DONE = with_gravities((0, 1.010), (80, 1.010))
ALL = Ends(DAY_S, True, 1.012, 0.75, 72 * HOUR_S, "Is it clear?")


@pytest.mark.parametrize(
    ("position", "batch", "missing"),
    [
        (MET, DONE, []),
        (MET._replace(counted_s=DAY_S - 1.0), DONE, [Wait.TIME]),
        (MET._replace(reached=False), DONE, [Wait.REACHED]),
        (MET._replace(confirmed=False), DONE, [Wait.CONFIRMATION]),
        (MET, with_gravities((0, 1.013), (80, 1.013)), [Wait.GRAVITY, Wait.ATTENUATION]),
        (MET, with_gravities((0, 1.010), (60, 1.010)), [Wait.STEADY]),
        (entered(0, 19.0), NO_GRAVITY, [Wait.REACHED, Wait.TIME, Wait.GRAVITY, Wait.ATTENUATION, Wait.STEADY,
                                        Wait.CONFIRMATION]),
    ],
)  # fmt: skip
def test_all_that_a_step_asks_for_must_be_true(position: ProgramState, batch: Batch, missing: list[Wait]) -> None:
    assert unmet(a_step(StepKind.HOLD, 19.0, ALL), position, batch) == missing


# A ramp that the plant cannot follow


def test_a_ramp_that_waits_never_runs_further_ahead_of_the_wort_than_it_says() -> None:
    step = a_step(StepKind.RAMP, 25.0, rate_k_per_s=1.0 / HOUR_S, waits_within_k=0.3)
    position, wort_c, furthest_k = entered(0, 19.0), 19.0, 0.0
    for _ in range(int(20 * HOUR_S / 60.0)):
        wort_c = min(wort_c + 0.4 / 60.0, 25.0)  # the plant makes 0.4 K an hour
        position = later(step, position, wort_c, 60.0)
        furthest_k = max(furthest_k, setpoint_of(step, position, LIMITS).low_c - wort_c)
    assert furthest_k <= 0.3 + 1.0 / 60.0
    assert setpoint_of(step, position, LIMITS).low_c == 25.0  # it gets there when the wort does
    assert position.reached


def test_a_ramp_down_waits_too_and_one_without_the_key_does_not() -> None:
    down = a_step(StepKind.RAMP, 5.0, rate_k_per_s=1.0 / HOUR_S, waits_within_k=0.3)
    position = entered(0, 19.0)
    for _ in range(600):
        position = later(down, position, 19.0, 60.0)
    assert setpoint_of(down, position, LIMITS).high_c == pytest.approx(18.7, abs=0.02)
    on = replace(down, waits_within_k=None)
    position = entered(0, 19.0)
    for _ in range(600):
        position = later(on, position, 19.0, 60.0)
    assert setpoint_of(on, position, LIMITS).high_c == pytest.approx(9.0)


def test_a_wort_that_runs_ahead_of_its_ramp_is_not_waited_for() -> None:
    step = a_step(StepKind.RAMP, 25.0, rate_k_per_s=1.0 / HOUR_S, waits_within_k=0.3)
    position = later(step, entered(0, 19.0), 21.0, HOUR_S)
    assert setpoint_of(step, position, LIMITS).low_c == pytest.approx(20.0)
