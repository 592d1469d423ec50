"""What a probe that sits still, or follows the room, may say: cases by hand. Limits: this project's own figures."""

from math import exp

from controller.control.balance import Unsure
from controller.control.doubt import OUT_OF_WELL, STUCK, Course, Pace, ProbeMemory, doubted, unmoved

KNOWN = Unsure(rr=0.01, cc=0.01, hh=0.01)


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
