"""A test pulse never brings a wort near a limit, and never works against what the loop does by itself."""

import pytest

from controller.control.diagnosis import COOLER_NO_EFFECT, OutputFault
from controller.control.probing import ASKING, asking
from controller.control.state import VesselState
from controller.control.values import Demand
from tests.factories import running_state, site, vessel

ALE = vessel()  # hard limits 0 and 30 °C; no alcohol is proven: freezing limit 0.5 °C
CELLAR = site(ALE)
NOTHING = Demand(0.0, "at the setpoint")


def asked_at(celsius: float) -> VesselState:
    """The ale at that temperature, in a scan in which a test pulse is under way."""
    state = running_state(CELLAR, celsius)
    now = state.vessels["ale"]
    until = now.diagnosis._replace(asking_until_s=state.now_s + 600.0)
    return now._replace(diagnosis=until, loop=now.loop._replace(heat_w=0.0))


def pulse(now: VesselState, wanted: Demand = NOTHING) -> Demand:
    return asking(ALE, now, wanted, 0.0)


@pytest.mark.parametrize("celsius", [7.0, 19.0, 29.0])
def test_the_pulse_cools_where_there_is_room(celsius: float) -> None:
    assert pulse(asked_at(celsius)) == Demand(-300.0, ASKING)


@pytest.mark.parametrize("celsius", [0.6, 1.0, 3.0, 5.5])
def test_in_the_cold_it_warms_even_where_the_loop_cools(celsius: float) -> None:
    """Water is densest near 4 °C (IAPWS-95) and ice grows on a coil: a cooler's pulse shows little there."""
    assert pulse(asked_at(celsius)) == Demand(80.0, ASKING)
    assert pulse(asked_at(celsius), Demand(-100.0, "cooling to the setpoint")) == Demand(80.0, ASKING)


def test_without_a_cooler_it_warms_but_not_near_the_high_limit() -> None:
    faults = {COOLER_NO_EFFECT: OutputFault(0.0, "")}
    assert pulse(asked_at(27.0)._replace(faults=faults)) == Demand(80.0, ASKING)
    assert pulse(asked_at(29.6)._replace(faults=faults)) == NOTHING


def test_a_loop_that_heats_is_left_alone() -> None:
    heating = Demand(60.0, "heating to the setpoint")
    assert pulse(asked_at(19.0), heating) == heating
