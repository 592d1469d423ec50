"""A cold hold of days: near freezing the pump is limited, the wort no longer turns over by itself, and little happens.

Against the simulated cellar, which imports nothing of the core. Limits: this project's own figures.
"""

import pytest

from controller.control.lifecycle import initial_state
from controller.control.step import step
from controller.control.values import Action, Inputs
from controller.plant.demo import DEMO_BEERS
from controller.simulate import EPOCH_UTC_S
from tests.control.simulated import amber_cellar, amber_site

SITE = amber_site({}, 60.0)
BEER = DEMO_BEERS["amber"]
HOUR_S = 3600.0


@pytest.mark.parametrize("setpoint_c", [1.2, 2.0, 3.0])
def test_a_cold_hold_stays_where_it_is_and_teaches_nothing_of_the_coil(setpoint_c: float) -> None:
    cellar = amber_cellar(lambda t_s: 20.0)
    cellar.pitch("amber", BEER.og, BEER.attenuation_limit, BEER.volume_l, setpoint_c + 1.0)
    wish = {"batch": "a", "og": BEER.og, "volume_l": BEER.volume_l, "setpoint_c": setpoint_c}
    actions: tuple[Action, ...] = (Action("start", "amber", "start", wish, "command line"),)
    state, worts = initial_state(SITE, cellar.now_s), []
    while cellar.now_s < 120 * HOUR_S:
        now_s = cellar.now_s
        result = step(SITE, state, Inputs(now_s, EPOCH_UTC_S + now_s, cellar.readings(), actions))
        state, actions = result.state, ()
        cellar.obey(result.commands)
        cellar.advance(SITE.scan_s)
        if now_s > 24 * HOUR_S:
            worts.append(cellar.wort_c("amber"))
    assert max(abs(wort_c - setpoint_c) for wort_c in worts) < 0.35
    assert state.vessels["amber"].observed.shares.cooler == 1.0
    assert not state.vessels["amber"].faults
