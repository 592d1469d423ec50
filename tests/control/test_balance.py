"""The heat balance: small cases by hand. Limits: this project's own figures."""

from controller.control.balance import Balance, Unsure, full_cooling_k_per_h, lid_k_per_h, reckoned, restless

LEVEL = Balance(wort_c=20.0, unsure=Unsure(rr=0.01, cc=0.01, hh=0.01), ticks=300)


def test_a_measured_room_that_stays_as_it_is_makes_the_rest_less_restless() -> None:
    steady, swinging, unknown = restless(25.0, 0.0), restless(25.0, -3.0), restless(25.0, None)
    assert steady < swinging
    assert steady < unknown
    assert restless(2000.0, 0.0) < steady


def test_a_warm_bath_takes_out_less_in_proportion_to_its_distance_from_the_wort() -> None:
    usual, warm = (full_cooling_k_per_h(400.0, 200_000.0, 10.0, bath_c, -3.0) for bath_c in (-3.0, 3.5))
    assert warm / usual == (10.0 - 3.5) / (10.0 + 3.0)


def test_rest_and_strength_that_are_only_known_together_are_reckoned_with_together() -> None:
    """A pump that has run for days: 0.36 of its strength and 0.44 K/h, or 0.5 and so much more."""
    known = Balance(rest_k_per_h=0.44, cooler=0.36, unsure=Unsure(rr=0.45**2, rc=0.97 * 0.45 * 0.3, cc=0.3**2))
    rest_k_per_h, cooler, heater = reckoned(known)
    assert (cooler, heater) == (0.5, 1.0)
    assert abs(rest_k_per_h - 1.455 * (cooler - 0.36) - 0.44) < 1e-9
    assert reckoned(LEVEL)[0] == LEVEL.rest_k_per_h


def test_what_an_open_lid_adds() -> None:
    """60 L at 7 °C in a room of 21 °C; by hand: 15 W/(m² K) x 0.581 x 0.06^(2/3) m² x 14 K = 18.7 W."""
    assert abs(lid_k_per_h(250_000.0, 60.0, 14.0) - 18.7 * 3600.0 / 250_000.0) < 0.001
