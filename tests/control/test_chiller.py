"""Several fermenters on one glycol bath: who gets how much of it, and what the brewer is told."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.chiller import LEAST_SHARE, Call, share
from controller.control.values import Demand, Signal, Status
from tests.factories import bath

COLD, MILD, WARM = -3.0, -1.0, 1.5  # the setpoint; above it by more than its store; where crashes wait
WHY = "cooling to the setpoint"
CRASH_WAITS = "the crash waits for active fermentations"
PAUSED = "the crash waits: the bath is warm"
SHARED = "the bath is shared"
TOO_WARM = "the bath is not colder than the wort"


def active(heat_w: float, wort_c: float | None = 19.0) -> Call:
    return Call("ale", Demand(heat_w, WHY), wort_c, crash=False)


def crash(heat_w: float, wort_c: float | None = 10.0) -> Call:
    return Call("lager", Demand(heat_w, WHY), wort_c, crash=True)


def at(celsius: float, status: Status = Status.GOOD) -> Signal:
    return Signal(celsius, 0.0, status, "")


# Bath and calls, and what is granted with which reason. The chiller of these cellars moves 1000 W.
CASES = [
    pytest.param(COLD, [active(-300.0), crash(-600.0)], [(-300.0, WHY), (-600.0, WHY)], id="enough for all"),
    pytest.param(
        COLD, [active(-800.0), crash(-800.0)], [(-800.0, WHY), (-800.0, WHY)], id="more, out of the bath's own cold"
    ),
    pytest.param(MILD, [active(-400.0), crash(-600.0)], [(-400.0, WHY), (-600.0, WHY)], id="just enough"),
    pytest.param(
        MILD, [active(-400.0), crash(-900.0)], [(-400.0, WHY), (-600.0, CRASH_WAITS)], id="the crash gets what is left"
    ),
    pytest.param(
        MILD, [active(-1000.0), crash(-900.0)], [(-900.0, SHARED), (-100.0, CRASH_WAITS)], id="a tenth for the crash"
    ),
    pytest.param(
        MILD,
        [active(-900.0), active(-900.0), crash(-300.0), crash(-100.0)],
        [(-450.0, SHARED), (-450.0, SHARED), (-75.0, CRASH_WAITS), (-25.0, CRASH_WAITS)],
        id="each by what it asked for",
    ),
    pytest.param(MILD, [active(-1500.0), crash(-50.0)], [(-950.0, SHARED), (-50.0, WHY)], id="a small crash is served"),
    pytest.param(MILD, [active(-1500.0)], [(-1000.0, SHARED)], id="nobody is kept a share for a crash that is not"),
    pytest.param(MILD, [crash(-1500.0)], [(-1000.0, SHARED)], id="only crashes"),
    pytest.param(WARM, [active(-300.0), crash(-300.0)], [(-300.0, WHY), (0.0, PAUSED)], id="a warm bath"),
    pytest.param(
        WARM, [active(-1000.0), crash(-900.0)], [(-1000.0, WHY), (0.0, PAUSED)], id="a paused crash holds no share back"
    ),
    pytest.param(
        MILD,
        [active(-1000.0), active(-800.0, -1.0)],
        [(-1000.0, WHY), (0.0, TOO_WARM)],
        id="neither does one whose wort is as cold as the bath",
    ),
    pytest.param(MILD, [active(-200.0, -0.6)], [(0.0, TOO_WARM)], id="too little colder than the wort"),
    pytest.param(MILD, [active(-200.0, -0.4)], [(-200.0, WHY)], id="half a kelvin colder is of use"),
    pytest.param(30.0, [active(-200.0), active(80.0, 10.0)], [(0.0, TOO_WARM), (80.0, WHY)], id="heat passes"),
    pytest.param(MILD, [active(-200.0, None)], [(-200.0, WHY)], id="a wort without a temperature is asked for by hand"),
    pytest.param(MILD, [active(0.0), crash(0.0)], [(0.0, WHY), (0.0, WHY)], id="nothing asked, nothing refused"),
    pytest.param(MILD, [active(-1100.0), crash(-1e-17)], [(-1000.0, SHARED), (-1e-17, WHY)], id="next to nothing"),
    pytest.param(MILD, [], [], id="no vessel"),
]


@pytest.mark.parametrize(("bath_c", "calls", "grants"), CASES)
def test_the_bath_is_shared_out(bath_c: float, calls: list[Call], grants: list[tuple[float, str]]) -> None:
    shares = share(bath(), at(bath_c), calls, crash_pause=False)
    assert [grant.reason for grant in shares.grants] == [reason for _, reason in grants]
    assert [grant.heat_w for grant in shares.grants] == pytest.approx([heat_w for heat_w, _ in grants])


@pytest.mark.parametrize(
    "signal",
    [
        None,
        Signal(None, 0.0, Status.FAILURE, "no reading yet"),
        at(5.0, Status.FAILURE),
        at(5.0, Status.FUNCTION_CHECK),
    ],
)
def test_with_a_bath_probe_that_is_missing_or_unfit_every_demand_passes(signal: Signal | None) -> None:
    calls = [active(-1500.0), crash(-900.0), active(80.0)]
    shares = share(bath(), signal, calls, crash_pause=True)
    assert [grant.heat_w for grant in shares.grants] == [-1500.0, -900.0, 80.0]
    assert not shares.crash_pause


def test_a_site_without_a_bath_lets_every_demand_pass() -> None:
    shares = share(None, None, [active(-1500.0), crash(-900.0)], crash_pause=False)
    assert [tuple(grant) for grant in shares.grants] == [(-1500.0, WHY), (-900.0, WHY)]


def test_crashes_wait_above_the_warm_level_and_go_on_a_kelvin_below_it() -> None:
    pause, seen = False, []
    for bath_c in (0.9, 1.1, 0.9, 0.1, -0.1, 0.9, 1.1):
        shares = share(bath(), at(bath_c), [crash(-300.0)], pause)
        pause = shares.crash_pause
        seen.append(shares.grants[0].heat_w != 0.0)
    assert seen == [True, False, False, False, True, True, False]


WATTS = st.floats(-3000.0, 500.0) | st.sampled_from([0.0, -1e-17, -1e-300, -1000.0, -300.0])
CALL = st.builds(
    Call, st.just("any"), st.builds(Demand, WATTS, st.just(WHY)), st.none() | st.floats(-5.0, 40.0), st.booleans()
)


@given(st.lists(CALL, max_size=12), st.floats(-20.0, 40.0), st.booleans())
def test_every_grant_lies_between_nothing_and_the_demand(calls: list[Call], bath_c: float, crash_pause: bool) -> None:
    shares = share(bath(), at(bath_c), calls, crash_pause)
    assert len(shares.grants) == len(calls)
    for call, grant in zip(calls, shares.grants, strict=True):
        asked_w = call.demand.heat_w
        assert min(0.0, asked_w) <= grant.heat_w <= max(0.0, asked_w)
        assert grant.reason
        if asked_w >= 0.0:
            assert grant.heat_w == asked_w


@given(st.lists(CALL, max_size=12), st.floats(-1.9, 40.0), st.booleans())
def test_a_bath_without_a_store_never_gives_more_than_the_chiller_moves(
    calls: list[Call], bath_c: float, crash_pause: bool
) -> None:
    given_w = -sum(min(0.0, grant.heat_w) for grant in share(bath(), at(bath_c), calls, crash_pause).grants)
    assert given_w <= bath().chiller_w * (1.0 + 1e-9)


@given(st.floats(-3000.0, -1.0), st.floats(-3000.0, -100.0), st.floats(-1.9, 0.9))
def test_nobody_waits_for_ever(active_w: float, crash_w: float, bath_c: float) -> None:
    granted = share(bath(), at(bath_c), [active(active_w), crash(crash_w)], crash_pause=False).grants
    assert granted[0].heat_w < 0.0
    if granted[1].reason != PAUSED:
        assert granted[1].heat_w <= -LEAST_SHARE * bath().chiller_w * (1.0 - 1e-9)
