"""What a wort bears out against an output, on courses made here.

Definition: A. S. Willsky and H. L. Jones, IEEE Trans. Automatic Control 21 (1976) 108-112: a jump that a filter does
not know of adds to what it shows beyond the expected a course that does not depend on the noise.
"""

import random
from math import sqrt

import pytest

from controller.control.observer import NOT_OBSERVED, Observed, Seen, closed, opened
from controller.control.suspicion import NOBODY, Outputs, Suspicion, Suspicions, suspected
from controller.control.vessel_model import Nodes, Rates, Shares, advanced

RATE = Rates(0.15, 2.0, 0.02)
BATH_C, ROOM_C, SCAN_S, NOISE_K = -3.0, 15.0, 10.0, 0.04
SETTLED_S, WATCHED_S = 12 * 3600.0, 3600.0
BOTH = Outputs(cooler=True, heater=True, tried=None)
DEAD, RUNS_ON, DEAD_HEATER, HEATS_ON = range(4)


class Course:
    """A vessel that is as the observer thinks, but for a fault that begins after half a day; and what is told of it."""

    def __init__(self, fault: int | None, seed: int, noise_k: float = NOISE_K, pulse_s: float = 600.0) -> None:
        chance = random.Random(seed)
        nodes, observed = Nodes(18.0, 18.0), NOT_OBSERVED
        now, younger = NOBODY, NOBODY
        self.offs: list[float] = []
        self.expected: list[float] = []
        self.best: Suspicions = NOBODY
        self.highest = 0.0
        for scan in range(round((SETTLED_S + WATCHED_S) / SCAN_S)):
            since_s = scan * SCAN_S - SETTLED_S
            heated, cooled = _commanded(scan * SCAN_S, since_s, fault, pulse_s)
            broken = fault is not None and since_s >= 0.0
            heats = (heated and not (broken and fault == DEAD_HEATER)) or (broken and fault == HEATS_ON)
            cools = (cooled and not (broken and fault == DEAD)) or (broken and fault == RUNS_ON)
            nodes, _ = advanced(nodes, RATE, Shares(), 0.0, cools, heats, BATH_C, ROOM_C, SCAN_S)
            shown = nodes.shown_c + chance.gauss(0.0, noise_k * sqrt(60.0 / SCAN_S))
            before = observed.thought.look
            observed = _scanned(observed, Seen(shown, cooled, heated, BATH_C, ROOM_C, False, True, 40.0, RATE))
            look = observed.thought.look
            if look is before or look is None:
                continue
            if since_s < 60.0:
                now, younger = NOBODY, NOBODY
                continue
            last = now
            now, younger = suspected(now, younger, observed.thought, BATH_C, BOTH)
            self.offs.append(look.off_k)
            self.expected.append(_expected_k(last, now, look.spread, fault))
            for each in now:
                self.highest = max(self.highest, each.evidence if each is not None else 0.0)
        self.suspicions = now

    def of(self, fault: int) -> Suspicion:
        found = self.suspicions[fault]
        assert found is not None
        return found


def _scanned(last: Observed, seen: Seen) -> Observed:
    now = opened(last, seen.wort_c, seen.cooling, seen.heating, SCAN_S)
    return closed(last, seen, SCAN_S) if now is None else now


def _commanded(now_s: float, since_s: float, fault: int | None, pulse_s: float) -> tuple[bool, bool]:
    """Pulses of both outputs in turn for half a day, then of the one that is to be found dead, or none."""
    heated, cooled = now_s % 7200.0 < pulse_s, 3600.0 <= now_s % 7200.0 < 3600.0 + pulse_s
    if since_s < 0.0:
        return heated, cooled
    pulse = since_s % 1200.0 < 600.0
    return (pulse and fault in (None, DEAD_HEATER)), (pulse and fault == DEAD)


def _expected_k(last: Suspicions, now: Suspicions, spread: float, fault: int | None) -> float:
    """By how much the fault raises what is shown in this minute, out of what the suspicion has summed."""
    if fault is None:
        return 0.0
    one, other = last[fault], now[fault]
    if other is None or one is None or other.could < one.could:
        return 0.0
    way = -1.0 if other.moved_k < 0.0 else 1.0
    return way * sqrt(max(other.could - one.could, 0.0) * spread)


@pytest.mark.parametrize("fault", [DEAD, RUNS_ON, DEAD_HEATER, HEATS_ON])
def test_what_a_fault_would_show_is_what_the_observer_sees_of_it(fault: int) -> None:
    """Without noise, what a healthy and a broken vessel show beyond the expected differ by just that. The outputs are
    commanded alike in both, as if nobody had noticed."""
    broken = Course(fault, 1, noise_k=0.0)
    seen, expected = sum(broken.offs), sum(broken.expected)
    assert seen == pytest.approx(expected, rel=0.15)
    assert broken.of(fault).share == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("fault", [DEAD, RUNS_ON, DEAD_HEATER, HEATS_ON])
def test_the_fault_that_there_is_is_borne_out_and_the_likeliest_of_the_four(fault: int) -> None:
    for seed in range(5):
        course = Course(fault, seed)
        evidence = [each.evidence if each is not None else 0.0 for each in course.suspicions[:4]]
        assert evidence[fault] > 4.0
        assert max(evidence) == evidence[fault]


@pytest.mark.parametrize("fault", [DEAD, RUNS_ON, DEAD_HEATER, HEATS_ON])
def test_a_share_is_known_as_well_as_it_says(fault: int) -> None:
    """With the noise that the observer counts on it scatters by no more than is told. It is told a little too low: who
    follows what is far out more quickly has made up for more of it than is reckoned."""
    found = [Course(fault, seed).of(fault) for seed in range(20)]
    shares = [each.share for each in found]
    mean = sum(shares) / len(shares)
    assert 0.8 < mean < 1.05
    assert max(abs(share - mean) for share in shares) < 2.5 * max(each.share_sd for each in found)


def test_noise_alone_bears_out_nothing() -> None:
    """By Ville's inequality a likelihood ratio exceeds e^a with a chance of e^-a at most; here it is of compound
    hypotheses, from below a third to above a half of the fault, which only makes it smaller."""
    assert sum(Course(None, seed).highest > 4.0 for seed in range(40)) <= 2


def test_a_lid_that_does_a_fifth_of_what_a_heater_would_do_is_no_fault() -> None:
    """Evidence grows with time for a share above the middle between the two hypotheses, and falls below it."""
    for share, borne_out in ((0.2, False), (0.35, False), (0.6, True), (1.0, True)):
        suspicion = Suspicion(borne=share * 200.0, could=200.0)
        assert (suspicion.evidence > 0.0) is borne_out


def test_nothing_is_suspected_of_outputs_that_a_vessel_does_not_have() -> None:
    observed = NOT_OBSERVED
    for scan in range(2000):
        shown = 18.0 + 0.0001 * scan
        observed = _scanned(observed, Seen(shown, False, False, BATH_C, ROOM_C, True, True, 40.0, RATE))
    thought = observed.thought
    assert suspected(NOBODY, NOBODY, thought, BATH_C, Outputs(False, False, None)) == (NOBODY, NOBODY)
    only, _ = suspected(NOBODY, NOBODY, thought, BATH_C, Outputs(False, True, None))
    assert only.cooler_no_effect is None
    assert only.heater_will_not_stop is not None
    tried, _ = suspected(NOBODY, NOBODY, thought, BATH_C, Outputs(True, False, True))
    assert tried.cooler_no_effect is None
    assert tried.cooler_works is not None


def test_of_an_observer_that_begins_anew_nothing_is_suspected() -> None:
    assert suspected(Suspicions(Suspicion()), NOBODY, NOT_OBSERVED.thought, BATH_C, BOTH) == (NOBODY, NOBODY)
