"""What a minute of scans leaves in the trend. The expected figures are sums done by hand."""

import pytest

from controller.control.state import SiteState
from controller.control.values import Setpoint, Status
from controller.historian.sampler import Sample, Sampler
from tests.historian.cellars import at_temperature, brewing, with_bath


def minute(sampler: Sampler, states: list[SiteState]) -> list[Sample]:
    return [sample for state in states for sample in sampler.add(state)]


def test_a_minute_keeps_mean_and_both_ends_of_the_temperature() -> None:
    temperatures = [18.0, 18.0, 21.0, 19.0]
    states = [at_temperature(brewing(600.0 + 15.0 * n), "one", each) for n, each in enumerate(temperatures)]
    (sample,) = minute(Sampler(), [*states, brewing(660.0)])
    assert (sample.at_s, sample.name) == (600, "one")
    assert (sample.mean_c, sample.least_c, sample.most_c) == (19.0, 18.0, 21.0)


def test_the_share_of_the_cooler_is_that_of_the_scans_in_which_it_was_on() -> None:
    states = [at_temperature(brewing(5.0 * n), "one", 18.0, cooling=n < 3) for n in range(12)]
    (sample,) = minute(Sampler(), [*states, brewing(60.0)])
    assert (sample.cooler_percent, sample.heater_percent) == (25, 0)


def test_the_setpoint_is_the_last_of_the_minute_and_none_without_one() -> None:
    state = brewing(10.0)
    vessel = state.vessels["one"]
    free_rise = state._replace(vessels={"one": vessel._replace(setpoint=Setpoint(18.0, 22.0))})
    (first, second) = minute(Sampler(), [state, free_rise, brewing(60.0), brewing(120.0)])
    assert (first.setpoint_low_c, first.setpoint_high_c) == (18.0, 22.0)
    assert (second.setpoint_low_c, second.setpoint_high_c) == (None, None)


@pytest.mark.parametrize("unknown", [None, float("nan")])
def test_what_was_never_measured_is_not_made_up(unknown: float | None) -> None:
    (sample,) = minute(Sampler(), [at_temperature(brewing(0.0), "one", unknown), brewing(60.0)])
    assert (sample.mean_c, sample.least_c, sample.most_c) == (None, None, None)


def test_the_bath_is_kept_too_while_its_probe_is_well() -> None:
    states = [with_bath(brewing(0.0), -4.0), with_bath(brewing(30.0), 85.0, Status.FAILURE), brewing(60.0)]
    (_, bath) = minute(Sampler(), states)
    assert (bath.name, bath.mean_c, bath.most_c) == ("bath/top", -4.0, -4.0)


def test_the_end_of_the_service_does_not_lose_the_minute_it_is_in() -> None:
    sampler = Sampler()
    assert sampler.rest() == ()
    sampler.add(at_temperature(brewing(70.0), "one", 18.0))
    assert [sample.at_s for sample in sampler.rest()] == [60]
    assert sampler.rest() == ()


def test_after_an_hour_asleep_the_old_minute_is_closed_and_none_is_invented() -> None:
    states = [at_temperature(brewing(at_s), "one", 18.0) for at_s in (0.0, 5.0, 3605.0, 3660.0)]
    assert [sample.at_s for sample in minute(Sampler(), states)] == [0, 3600]
