"""The cases with plants of their own: what they hold the service against is what the plant can do."""

import pytest

from tests.bench.control.cases import (
    CRASH_TO_C,
    LEAD_H,
    CaseJob,
    crash_hours,
    heat_over_power_h,
    overloaded,
    starved_run,
)
from tests.bench.control.runs import Job


@pytest.mark.parametrize("watts", [30.0, 90.0])
def test_heat_over_chiller_power_is_what_crashes_take_that_leave_the_chiller_no_pause(watts: float) -> None:
    """Two thermostats that simply stay on: the plant's own solver against the sum."""
    done = overloaded(CaseJob(Job("overload", 1, "on/off 0.5 K", 48.0, 10.0), watts))
    bound_h = heat_over_power_h(done)
    for name in ("one", "other"):
        hours = crash_hours(done.traces[name], CRASH_TO_C + 0.1)
        assert hours is not None
        assert 0.95 < hours / bound_h < 1.10, name
    trace = done.traces["busy"]
    assert max(trace.bath_c) > 6.0  # the bath is overloaded
    assert max(trace.mean_c[int(LEAD_H * 60) :]) > 12.1  # and its neighbour feels it


def test_in_the_starving_cellar_the_bath_stays_above_where_the_file_lets_crashes_go_on() -> None:
    done = starved_run(CaseJob(Job("starved", 1, "full cooling", 48.0, 10.0, days=1.5)))
    trace = done.traces["one"]
    assert min(trace.bath_c) > -1.0  # the file's setpoint is -4 °C, its warm level 0 °C, a crash resumes at -1 °C
    hours = crash_hours(trace, 6.5)
    assert hours is not None
    assert hours < 24.0
