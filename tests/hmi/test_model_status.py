"""What is learnt of a vessel, as status and metrics tell it."""

import pytest

from controller.control.observer import Observed, sure
from controller.control.state import SiteState
from controller.display import Display
from controller.hmi.metrics import private_registry
from controller.hmi.shell import ShellCounts
from controller.hmi.status import vessel_dict
from tests.factories import running_state, scan, site, vessel

CELLAR = site(vessel("ale"))
PARTS = {"cooler", "heater", "hold_up", "loss"}


def watched(state: SiteState, minutes: int = 10, bath_c: float = -3.0) -> SiteState:
    for _ in range(12 * minutes):
        state = scan(CELLAR, state, 19.0, bath_c=bath_c).state
    return state


def model(state: SiteState) -> dict[str, object] | None:
    found = vessel_dict(CELLAR, CELLAR.vessels[0], state, Display())["model"]
    assert found is None or isinstance(found, dict)
    return found


def test_it_is_told_once_the_observer_is_sure_with_how_sure_each_figure_is() -> None:
    state = watched(running_state(CELLAR, 19.0))
    assert sure(state.vessels["ale"].observed)
    told = model(state)
    assert told is not None
    learnt = told["learnt"]
    assert isinstance(learnt, dict)
    assert set(learnt) == PARTS
    assert all(set(each) == {"share", "deviation"} and each["deviation"] > 0.0 for each in learnt.values())
    assert told["bath"] == "measured"
    assert str(told["room"]).startswith("no fit probe")


def test_nothing_is_told_of_a_vessel_that_was_not_watched_yet() -> None:
    state = running_state(CELLAR, 19.0)
    fresh = state.vessels["ale"]._replace(observed=Observed())
    assert model(state._replace(vessels={"ale": fresh})) is None


def test_the_unexplained_heat_is_that_of_the_wort_that_is_in_it() -> None:
    state = watched(running_state(CELLAR, 19.0))
    told, now, part = model(state), state.vessels["ale"], CELLAR.vessels[0]
    assert told is not None
    assert now.batch is not None
    assert now.batch.volume_l is not None
    capacity = part.heat_capacity_j_per_k * now.batch.volume_l / part.volume_l
    rest_k_per_h = now.observed.thought.rest_k_per_h
    assert told["unexplained_w"] == round(rest_k_per_h * capacity / 3600.0, 1)


def test_the_metrics_tell_the_same() -> None:
    state = watched(running_state(CELLAR, 19.0))
    told = model(state)
    assert told is not None
    learnt = told["learnt"]
    assert isinstance(learnt, dict)
    seen = private_registry(lambda: (CELLAR, state), lambda: ShellCounts(0, 0, {}, False))
    for part in PARTS:
        labels = {"site": CELLAR.name, "vessel": "ale", "part": part}
        for name, key in (("share", "share"), ("share_deviation", "deviation")):
            value = seen.get_sample_value(f"cellarhand_vessel_model_{name}_ratio", labels)
            assert value is not None
            assert value == pytest.approx(learnt[part][key], abs=0.001)
