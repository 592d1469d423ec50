"""What a window and a still probe may say: small cases by hand. Limits: this project's own figures."""

from controller.control.balance import Balance, Tick, Unsure, restless
from controller.control.doubt import STUCK, Course, Pace, ProbeMemory, doubted, unmoved
from controller.control.evidence import Suspicion, Verdict, Window, begun, watched

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
