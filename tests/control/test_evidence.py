"""What a window and a still probe may say: small cases by hand. Limits: this project's own figures."""

from math import exp

import pytest

from controller.control.balance import (
    MOST_SOUND,
    Balance,
    Tick,
    Unsure,
    came_through,
    full_cooling_k_per_h,
    lid_k_per_h,
    reckoned,
    restless,
)
from controller.control.doubt import OUT_OF_WELL, STUCK, Course, Pace, ProbeMemory, doubted, unmoved
from controller.control.evidence import RELAY_K, Suspicion, Verdict, Window, begun, watched

KNOWN = Unsure(rr=0.01, cc=0.01, hh=0.01)
LEVEL = Balance(wort_c=20.0, unsure=KNOWN, ticks=300)


def minute(wort_c: float, heats_k_per_h: float = 1.5, cools_k_per_h: float = -3.0) -> Tick:
    """A minute in which nothing was commanded on."""
    return Tick(60.0, wort_c, 0.0, 0.0, cools_k_per_h, heats_k_per_h, 0.1)


def course_of(
    wort_c: list[float], suspicion: Suspicion = Suspicion.WILL_NOT_STOP, heats_k_per_h: float = 1.5
) -> tuple[Window, list[Verdict]]:
    """The heater's window over these minutes."""
    window, verdicts = begun(LEVEL, 20.0, cooler=False), []
    for celsius in wort_c:
        window, verdict = watched(
            window, LEVEL, minute(celsius, heats_k_per_h), cooler=False, suspicion=suspicion, within_s=2400.0
        )
        verdicts.append(verdict)
    return window, verdicts


def test_an_output_that_does_nothing_by_the_site_file_is_no_division_by_zero() -> None:
    for suspicion in Suspicion:
        window, verdicts = course_of([20.0] * 60, suspicion, heats_k_per_h=0.0)
        assert set(verdicts) == {Verdict.OPEN}
        assert window.fault_k == 0.0


def test_a_wort_that_warms_as_if_the_heater_ran_on_says_so() -> None:
    _, verdicts = course_of([20.0 + 1.3 * max(0.0, i - 8) / 60.0 for i in range(40)])
    assert Verdict.FAULT in verdicts


def test_a_difference_that_no_longer_grows_is_no_relay() -> None:
    """A lid, sun or what a coil still held: 1.1 K/h for 20 minutes, then hardly more."""
    faded = [20.0 + min(1.1 * i / 60.0, 0.36 + 0.06 * (i - 20) / 60.0) for i in range(80)]
    assert Verdict.FAULT not in course_of(faded)[1]
    assert Verdict.FAULT in course_of([20.0 + 1.1 * i / 60.0 for i in range(80)])[1]


def test_a_wort_that_warms_is_not_being_cooled() -> None:
    """The end of a crash at 2.7 °C: so long as the pump ran evenly nobody could tell that the room warms the wort by
    0.9 K/h and not by 1.75; when it stands, the wort rises less than it should."""
    known = Balance(wort_c=2.67, rest_k_per_h=1.75, unsure=Unsure(rr=0.18**2, cc=0.02), ticks=300)

    def cooler(k_per_h: float) -> list[Verdict]:
        window, verdicts = begun(known, 2.67, cooler=True), []
        for i in range(45):
            tick = Tick(60.0, 2.67 + k_per_h * i / 60.0, 0.0, 0.0, -2.0, 1.4, 0.13)
            window, verdict = watched(window, known, tick, True, Suspicion.WILL_NOT_STOP, 1200.0)
            verdicts.append(verdict)
        return verdicts

    assert Verdict.FAULT not in cooler(0.9)
    assert Verdict.FAULT in cooler(-0.8)


def test_a_strength_at_its_bound_knows_nothing_of_the_rest() -> None:
    """359 L that came in too warm: after three hours of cooling without a pause the balance has taken the cooler for
    twice as strong as it is, against a warming of 0.85 K/h that is not there."""
    for share, rest_sd, verdict in ((2.0, 0.34, False), (1.4, 0.34, True), (2.0, 0.11, True)):
        known = Balance(19.3, 0.85, share, unsure=Unsure(rr=rest_sd**2, cc=0.07), ticks=300)
        window, found = begun(known, 19.3, cooler=True), False
        for i in range(45):
            tick = Tick(60.0, 19.3 - 0.4 * i / 60.0, 0.0, 0.0, -1.2, 1.0, 0.13)
            window, said = watched(window, known, tick, True, Suspicion.WILL_NOT_STOP, 1200.0)
            found |= said is Verdict.FAULT
        assert found is verdict


def heated(wort_c: list[float], rest_k_per_h: float, commanded: list[float]) -> list[Verdict]:
    """The verdicts on a heater of 2.9 K/h that may be without effect, over these minutes."""
    known = LEVEL._replace(rest_k_per_h=rest_k_per_h, heater=0.67, ticks=300)
    window, verdicts = begun(known, wort_c[0], cooler=False), []
    for celsius, on in zip(wort_c, commanded, strict=True):
        known = known._replace(heating=came_through(known.heating, on, 60.0, cooler=False))
        tick = Tick(60.0, celsius, 0.0, on, -5.0, 2.9, 0.28)
        window, verdict = watched(window, known, tick, False, Suspicion.NO_EFFECT, 2400.0)
        verdicts.append(verdict)
    return verdicts


def test_a_heater_is_not_to_blame_for_more_than_it_should_have_done() -> None:
    """A pulse of 7 minutes, then a cold draught: 0.46 K are missing of a wort that the heater warms by 0.26 K."""
    pulse = [1.0] * 7 + [0.0] * 33
    draught = [13.5 - 0.11 * i / 60.0 + 0.01 * min(i, 10) - 0.9 * max(0, i - 14) / 60.0 for i in range(40)]
    assert Verdict.FAULT not in heated(draught, -0.11, pulse)


def test_a_heater_that_misses_what_it_should_have_done_is_without_effect() -> None:
    assert Verdict.FAULT in heated([13.5 - 0.11 * i / 60.0 for i in range(40)], -0.11, [1.0] * 40)


def test_what_was_missed_in_two_hours_is_not_held_against_a_heater() -> None:
    """5 L, heated by pulses: after so long the rest may have become another, and the window begins anew."""
    pulses = ([1.0] * 3 + [0.0] * 7) * 15
    slowly = [20.0 - 0.11 * i / 60.0 + 0.4 * i / 60.0 - 0.1 * (i / 60.0) ** 2 for i in range(150)]
    assert Verdict.FAULT not in heated(slowly, -0.11, pulses)


def test_a_heater_is_not_dead_while_the_wort_warms_as_it_should() -> None:
    """A fresh wort that still warms its vessel: 0.85 K/h of its own were an error, 1 K/h in all are the heater's."""
    warming = [19.0 + 1.0 * i / 60.0 for i in range(26)]
    assert Verdict.FAULT not in heated(warming, 0.85, [1.0] * 26)


def test_a_window_is_young_again_when_nothing_has_happened_for_long() -> None:
    """Else a relay that fails then would be reckoned as if it had heated for all that time."""
    window, verdicts = course_of([20.0] * 180)
    assert Verdict.FAULT not in verdicts
    assert window.lasted_s < 1800.0
    assert abs(window.fault_k) < 0.3


def test_a_measured_room_that_stays_as_it_is_makes_the_rest_less_restless() -> None:
    steady, swinging, unknown = restless(25.0, 0.0), restless(25.0, -3.0), restless(25.0, None)
    assert steady < swinging
    assert steady < unknown
    assert restless(2000.0, 0.0) < steady


def still(course: Course, pace: Pace, minutes: int, memory: ProbeMemory | None = None) -> ProbeMemory:
    """A probe that shows 19.0 °C since the beginning."""
    memory = memory or ProbeMemory(19.0, 0.0, 19.0, course, step_k=0.0625)
    for i in range(minutes):
        memory = doubted(memory, 19.0, 0.0, None, pace, 60.0 * (i + 1))
    return memory


def paced(cooled_k: float, course: Course, reckons: bool = True) -> Pace:
    return Pace(1.0 / 60.0, cooled_k, 0.0, 0.1, 0.1, 0.1, course, reckons)


def test_a_probe_that_shows_the_same_while_the_cooler_must_have_cooled_is_stuck() -> None:
    course = Course(0.0, 1.0, 1.0, KNOWN)
    assert still(course, paced(-0.05, course), 30).doubt == STUCK


def test_what_goes_on_by_itself_may_have_ended_and_raises_no_doubt() -> None:
    course = Course(-0.8, 1.0, 1.0, KNOWN)
    assert still(course, paced(0.0, course), 300).doubt == ""


def test_what_goes_on_by_itself_against_the_outputs_counts_in_full() -> None:
    """A small vessel in a cold room loses 1.65 K/h: a heater at full just holds it, and a good probe shows the same."""
    course = Course(-1.65, 1.0, 1.33, KNOWN)
    assert still(course, Pace(1.0 / 60.0, 0.0, 0.024, 0.1, 0.1, 0.1, course, True), 40).doubt == ""


def shown(values_c: list[float], room_c: float) -> list[str]:
    """What is doubted of a probe in a wort of 12 °C that shows these values, minute by minute."""
    course, doubts = Course(0.0, 1.0, 1.0, KNOWN), []
    memory = doubted(None, 12.0, 0.0, room_c, paced(0.0, course), 0.0)
    for i, celsius in enumerate(values_c):
        now_s = 60.0 * (i + 1)
        memory = doubted(memory, celsius, now_s, room_c, paced(0.0, course), now_s)
        doubts.append(memory.doubt)
    return doubts


def test_a_hand_on_the_probe_is_not_the_room() -> None:
    """Warmed to 31 °C and back with the lag of a slow thermowell, 4 minutes, past a room of 20 °C."""
    assert set(shown([12.0 + 19.0 * exp(-i / 4.0) for i in range(40)], 20.0)) == {""}


def test_a_probe_that_stays_at_the_room_is_out_of_its_well_within_a_quarter_of_an_hour() -> None:
    for lag_min in (0.3, 3.0):
        doubts = shown([15.0 - 3.0 * exp(-i / lag_min) for i in range(1, 15)], 15.0)
        assert OUT_OF_WELL in doubts
        assert doubts[3] == ""


def test_in_the_cold_only_a_test_pulse_can_tell() -> None:
    course = Course(0.0, 1.0, 1.0, KNOWN)
    quiet = still(course, paced(-0.05, course, reckons=False), 300)
    assert quiet.doubt == ""
    assert still(course, paced(-0.05, course, reckons=False), 30, quiet._replace(pulse=course)).doubt == STUCK


def test_a_probe_that_was_never_still_for_long_is_asked_sooner() -> None:
    course = Course(0.0, 1.0, 1.0, KNOWN)
    restless_probe = ProbeMemory(19.0, 0.0, 19.0, course, longest_s=60.0)
    calm_probe = restless_probe._replace(longest_s=3000.0)
    assert unmoved(restless_probe, 300.0)
    assert not unmoved(calm_probe, 300.0)


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


def cold_for_half_an_hour(warms_k_per_h: float, lid: float, pause: int = 0) -> list[Verdict]:
    """A wort whose pump runs, of ten minutes each `pause` not, and which begins to warm."""
    share = 1.0 - 0.1 * pause
    known = Balance(wort_c=7.0, rest_k_per_h=share, cooler=1.0, unsure=KNOWN, ticks=300, cooling=share)
    window, verdicts = begun(known, 7.0, cooler=True), []
    for i in range(31):
        tick = Tick(60.0, 7.0 + warms_k_per_h * i / 60.0, float(i % 10 >= pause), 0.0, -1.0, 1.0, 0.1, lid)
        doubted = known._replace(cooler=0.3)
        window, verdict = watched(window, doubted, tick, True, Suspicion.NO_EFFECT, 1200.0)
        verdicts.append(verdict)
    return verdicts


@pytest.mark.parametrize("pause", [0, 2])
def test_what_a_lid_may_have_done_is_not_held_against_a_pump(pause: int) -> None:
    """60 L at 7 °C in a room of 21 °C; by hand: 15 W/(m² K) x 0.581 x 0.06^(2/3) m² x 14 K = 18.7 W."""
    lid = lid_k_per_h(250_000.0, 60.0, 14.0)
    assert abs(lid - 18.7 * 3600.0 / 250_000.0) < 0.001
    assert Verdict.FAULT in cold_for_half_an_hour(0.8, 0.0, pause)
    assert Verdict.FAULT not in cold_for_half_an_hour(0.8, 1.5 * lid, pause)
    assert Verdict.FAULT in cold_for_half_an_hour(0.9, 0.3 * lid, pause)


def test_an_output_whose_strength_is_known_is_not_without_effect() -> None:
    strong = Balance(wort_c=12.5, cooler=1.1, unsure=KNOWN, ticks=300)
    window, verdicts = begun(strong._replace(cooler=1.8), 12.5, cooler=True), []
    for i in range(40):
        tick = Tick(60.0, 12.5 - 0.25 * i / 60.0, float(i % 10 < 4), 0.0, -2.0, 1.0, 0.1)
        weaker = strong._replace(cooling=0.4)
        window, verdict = watched(window, weaker, tick, True, Suspicion.NO_EFFECT, 1200.0)
        verdicts.append(verdict)
    assert Verdict.FAULT not in verdicts


def told_after_k(share: float, on: float = 0.0) -> float | None:
    """How much colder a wort has become by a relay that runs on when it is told; its cooler is known to be so strong,
    and is commanded on for this share of each minute."""
    known = LEVEL._replace(cooler=share, wort_c=15.0)
    window = begun(known, 15.0, cooler=True)
    for i in range(120):
        tick = Tick(60.0, 15.0 - 0.75 * i / 60.0, on, 0.0, -1.0, 1.0, 0.05)
        window, verdict = watched(window, known, tick, True, Suspicion.WILL_NOT_STOP, 1200.0)
        if verdict is Verdict.FAULT:
            return 15.0 - tick.wort_c
    return None


def test_of_a_cooler_as_strong_as_can_be_reckoned_with_twice_as_much_must_be_seen() -> None:
    usual_k, strong_k = told_after_k(1.2), told_after_k(MOST_SOUND)
    assert usual_k is not None
    assert strong_k is not None
    assert usual_k < 2.0 * RELAY_K <= strong_k


def test_a_cooler_that_is_commanded_on_is_not_said_to_run_on() -> None:
    assert told_after_k(1.2) is not None
    assert told_after_k(1.2, on=0.1) is None
