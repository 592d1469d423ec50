"""What ten seconds of scans leave in the history. The expected figures are sums done by hand."""

import pytest

from controller.control.state import SiteState
from controller.control.values import Setpoint, Status
from controller.historian.sampler import Sample, Sampler
from tests.historian.cellars import at_temperature, brewing, with_bath


def samples(sampler: Sampler, states: list[SiteState]) -> list[Sample]:
    return [sample for state in states for sample in sampler.add(state)]


def test_a_sample_is_the_mean_of_its_scans() -> None:
    temperatures = [18.0, 18.0, 21.0, 19.0]
    states = [at_temperature(brewing(600.0 + 2.5 * n), "one", each) for n, each in enumerate(temperatures)]
    (sample,) = samples(Sampler(), [*states, brewing(610.0)])
    assert (sample.at_s, sample.name, sample.celsius) == (600, "one", 19.0)


def test_the_share_of_the_cooler_is_that_of_the_scans_in_which_it_was_on() -> None:
    states = [at_temperature(brewing(5.0 * n), "one", 18.0, cooling=n < 3) for n in range(12)]
    (sample,) = samples(Sampler(60.0), [*states, brewing(60.0)])
    assert (sample.cooler_percent, sample.heater_percent) == (25, 0)


def test_the_setpoint_is_the_last_of_the_interval_and_none_without_one() -> None:
    state = brewing(10.0)
    vessel = state.vessels["one"]
    free_rise = state._replace(vessels={"one": vessel._replace(setpoint=Setpoint(18.0, 22.0))})
    (first, second) = samples(Sampler(), [state, free_rise, brewing(20.0), brewing(30.0)])
    assert (first.setpoint_low_c, first.setpoint_high_c) == (18.0, 22.0)
    assert (second.setpoint_low_c, second.setpoint_high_c) == (None, None)


@pytest.mark.parametrize("unknown", [None, float("nan")])
def test_what_was_never_measured_is_not_made_up(unknown: float | None) -> None:
    (sample,) = samples(Sampler(), [at_temperature(brewing(0.0), "one", unknown), brewing(10.0)])
    assert sample.celsius is None


def test_the_bath_is_kept_too_while_its_probe_is_well() -> None:
    states = [with_bath(brewing(0.0), -4.0), with_bath(brewing(5.0), 85.0, Status.FAILURE), brewing(10.0)]
    (_, bath) = samples(Sampler(), states)
    assert (bath.name, bath.celsius) == ("bath/top", -4.0)


def test_the_end_of_the_service_does_not_lose_the_interval_it_is_in() -> None:
    sampler = Sampler()
    assert sampler.rest() == ()
    sampler.add(at_temperature(brewing(75.0), "one", 18.0))
    assert [sample.at_s for sample in sampler.rest()] == [70]
    assert sampler.rest() == ()


def test_after_an_hour_asleep_the_old_interval_is_closed_and_none_is_invented() -> None:
    states = [at_temperature(brewing(at_s), "one", 18.0) for at_s in (0.0, 5.0, 3605.0, 3610.0)]
    assert [sample.at_s for sample in samples(Sampler(), states)] == [0, 3600]
