"""The room: our own weather and real hourly weather."""

import csv
import importlib.util
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controller.plant.weather import DAY_S, HOUR_S, HourlyRoom, weathered_room


@pytest.fixture(scope="session")
def greensboro_c():
    """8760 hourly outside temperatures: TMY3 (NREL), station 723170 Greensboro NC, as packaged with pvlib."""
    found = importlib.util.find_spec("pvlib")
    assert found is not None
    path = Path(found.origin).parent / "data" / "723170TYA.CSV"
    with path.open(newline="") as file:
        next(file)
        return [float(row["Dry-bulb (C)"]) for row in csv.DictReader(file)]


def test_the_room_lags_the_outside_as_a_first_order_building():
    """Against scipy.integrate.solve_ivp on tau dT/dt = outside - T, started 20 time constants early; 0.01 K."""
    room = weathered_room(seed=4)

    def slope(t, y):
        return (room.room_mean_c + room.openness * (room.outside_c(t) - room.outside_mean_c) - y) / room.lag_s

    times = np.linspace(0.0, 20 * DAY_S, 60)
    lead_s = -20 * room.lag_s
    solved = solve_ivp(slope, (lead_s, times[-1]), [17.0], t_eval=times, rtol=1e-8, atol=1e-8, max_step=1800.0)
    assert solved.y[0] == pytest.approx([room(t) for t in times], abs=0.01)


def test_weather_is_the_same_for_one_seed_and_differs_between_seeds():
    one, again, other = weathered_room(1), weathered_room(1), weathered_room(2)
    days = [day * DAY_S for day in range(30)]
    assert [one(t) for t in days] == [again(t) for t in days]
    assert max(abs(one(t) - other(t)) for t in days) > 1.0


def test_the_room_swings_less_than_the_outside_and_summer_is_warmer():
    """Common practice, no source: walls damp the day; July is warmer than January in the north."""
    room = weathered_room(1, first_day=0.0)
    summer = [room((182 + d / 24) * DAY_S) for d in range(24 * 30)]
    winter = [room((1 + d / 24) * DAY_S) for d in range(24 * 30)]
    outside = [room.outside_c((182 + d / 24) * DAY_S) for d in range(24 * 30)]
    assert np.mean(summer) > np.mean(winter) + 5.0
    assert np.ptp(summer) < np.ptp(outside)
    assert min(winter) > 4.0
    assert max(summer) < 32.0


def test_real_hours_behind_walls(greensboro_c):
    """TMY3 Greensboro, dry bulb: 8760 hours, -16.7 to 35.6 °C, mean 14.42 °C (station file). A 10 h building
    against scipy.integrate.solve_ivp on the same straight lines; 0.01 K over January."""
    assert len(greensboro_c) == 8760
    assert (min(greensboro_c), max(greensboro_c)) == (-16.7, 35.6)
    assert np.mean(greensboro_c) == pytest.approx(14.42, abs=0.01)
    room = HourlyRoom(greensboro_c, lag_s=10 * HOUR_S)
    hours = np.arange(744)

    def slope(t, y):
        return (np.interp(t, hours, greensboro_c[:744]) - y) / 10.0

    solved = solve_ivp(slope, (0, 743), [greensboro_c[0]], t_eval=hours, rtol=1e-7, atol=1e-7, max_step=0.5)
    assert solved.y[0] == pytest.approx([room(h * HOUR_S) for h in hours], abs=0.01)


def test_an_hourly_room_has_no_jumps_and_begins_again_after_its_end(greensboro_c):
    room = HourlyRoom(greensboro_c, lag_s=6 * HOUR_S)
    year_s = 8760 * HOUR_S
    minutes = [room(t * 60.0) for t in range(60 * 24 * 20)]
    assert max(abs(b - a) for a, b in pairwise(minutes)) < 0.05
    assert room(year_s + 1234.0) == pytest.approx(room(1234.0))


def test_a_series_of_one_hour_is_refused():
    with pytest.raises(ValueError, match="at least 2 values, found 1"):
        HourlyRoom([10.0], lag_s=3600.0)
