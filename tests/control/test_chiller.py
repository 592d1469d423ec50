"""Several fermenters on one glycol bath: who gets how much of it, and what the brewer is told."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.chiller import (
    ARRIVED_K,
    LEAST_NEED_K,
    LEAST_SHARE,
    NEED_K,
    STAGGER_S,
    STARTS_LATER,
    TOO_WARM,
    TOO_WARM_NOMINAL,
    Call,
    Shares,
    needs_k,
    share,
    waits_at_most_s,
)
from controller.control.lifecycle import initial_state
from controller.control.observer import Observed, Thought
from controller.control.outlook import Outlook
from controller.control.site import Place, Probe
from controller.control.state import NO_SHARING, Sharing
from controller.control.step import step
from controller.control.values import Demand, Inputs, Reading, Setpoint, Signal, Status
from controller.control.vessel_model import Rates
from tests.factories import ON_OFF, bath, running_state, scan, site, vessel

# Beside a hold at 11 °C: setpoint of the bath; within its own cold; half way to where who waits gets nothing; there;
# above.
COLD, STORE, HALF, TOP, WARM = -3.0, -2.0, 0.0, 1.0, 1.5
WHY = "cooling to the setpoint"
CRASH_WAITS = "the crash waits: the bath is warm, fermentations come first"
CRASH_LESS = "the crash gets what fermentations leave of the bath"
CRASH_LATER = "the crash waits its turn: another wort is farther from its setpoint"
PULL_WAITS = "the pull-down waits: the bath is warm, fermentations come first"
PULL_LESS = "the pull-down gets what fermentations leave of the bath"
HOUR_S = 3600.0


def active(heat_w: float, wort_c: float | None = 11.0, at_c: float = 11.0) -> Call:
    return Call("ale", Demand(heat_w, WHY), wort_c, crash=False, setpoint=Setpoint(at_c, at_c))


def pull_down(heat_w: float, wort_c: float | None = 26.0) -> Call:
    return Call("stout", Demand(heat_w, WHY), wort_c, crash=False, setpoint=Setpoint(18.0, 18.0), settling=True)


def crash(heat_w: float, wort_c: float | None = 10.0, settling: bool = True) -> Call:
    return Call("lager", Demand(heat_w, WHY), wort_c, crash=True, setpoint=Setpoint(2.0, 2.0), settling=settling)


def idle(heat_w: float = 0.0) -> Call:
    return Call("empty", Demand(heat_w, WHY), None, crash=False)


def at(celsius: float | None, status: Status = Status.GOOD) -> Signal:
    return Signal(celsius, 0.0, status, "")


def shared(bath_c: float, calls: list[Call], eased_k: float = 0.0, dt_s: float = 5.0) -> Shares:
    return share(bath(), at(bath_c), calls, Sharing(eased_k), dt_s)


# Bath and calls, and what is granted with which reason.
CASES = [
    pytest.param(COLD, [active(-300.0), crash(-600.0)], [(-300.0, WHY), (-600.0, WHY)], id="cold enough for all"),
    pytest.param(STORE, [active(-800.0), crash(-800.0)], [(-800.0, WHY), (-800.0, WHY)], id="out of the bath's cold"),
    pytest.param(
        HALF, [active(-400.0), crash(-600.0)], [(-400.0, WHY), (-300.0, CRASH_LESS)], id="the crash gets what is left"
    ),
    pytest.param(
        HALF, [active(0.0), crash(-600.0)], [(0.0, WHY), (-300.0, CRASH_LESS)], id="kept cold for who asks again soon"
    ),
    pytest.param(TOP, [active(-400.0), crash(-600.0)], [(-400.0, WHY), (0.0, CRASH_WAITS)], id="a warm bath"),
    pytest.param(
        TOP, [active(-400.0), pull_down(-600.0)], [(-400.0, WHY), (0.0, PULL_WAITS)], id="a pull-down waits as well"
    ),
    pytest.param(
        HALF,
        [active(-400.0), pull_down(-600.0), crash(-600.0)],
        [(-400.0, WHY), (-600.0, WHY), (0.0, CRASH_WAITS)],
        id="the pull-down before the crash",
    ),
    pytest.param(
        0.5,
        [active(-400.0), pull_down(-600.0), crash(-600.0)],
        [(-400.0, WHY), (-300.0, PULL_LESS), (0.0, CRASH_WAITS)],
        id="neither gets all",
    ),
    pytest.param(
        HALF, [active(-9.0), crash(-600.0), crash(-60.0)],
        [(-9.0, WHY), (-330.0, CRASH_LESS), (0.0, CRASH_LATER)],
        id="crashes take turns",
    ),
    pytest.param(WARM, [active(-1500.0)], [(-1500.0, WHY)], id="a fermentation is never kept out"),
    pytest.param(WARM, [active(-900.0), active(-900.0)], [(-900.0, WHY), (-900.0, WHY)], id="nor are two"),
    pytest.param(WARM, [crash(-900.0), crash(-900.0)], [(-900.0, WHY), (-900.0, WHY)], id="nobody else is there"),
    pytest.param(WARM, [idle(), crash(-900.0)], [(0.0, WHY), (-900.0, WHY)], id="an empty vessel needs nothing"),
    pytest.param(
        -1.5,
        [active(-9.0, 2.0, 2.0), crash(-600.0)],
        [(-9.0, WHY), (-300.0, CRASH_LESS)],
        id="a cold hold needs a colder bath",
    ),
    pytest.param(
        TOP, [active(-300.0), active(-80.0, 0.9)], [(-300.0, WHY), (0.0, TOO_WARM)], id="a bath warmer than the wort"
    ),
    pytest.param(TOP, [active(-200.0, 1.4)], [(0.0, TOO_WARM)], id="too little colder than the wort"),
    pytest.param(TOP, [active(-200.0, 1.6)], [(-200.0, WHY)], id="half a kelvin colder is of use"),
    pytest.param(TOP, [crash(-200.0, 1.4)], [(0.0, TOO_WARM)], id="of no use to a crash either"),
    pytest.param(30.0, [active(-200.0), active(80.0, 10.0)], [(0.0, TOO_WARM), (80.0, WHY)], id="heat passes"),
    pytest.param(HALF, [active(-200.0, None)], [(-200.0, WHY)], id="a wort without a temperature, by hand"),
    pytest.param(HALF, [active(0.0), crash(0.0)], [(0.0, WHY), (0.0, WHY)], id="nothing asked, nothing refused"),
    pytest.param(HALF, [], [], id="no vessel"),
]  # fmt: skip


@pytest.mark.parametrize(("bath_c", "calls", "grants"), CASES)
def test_the_bath_is_shared_out(bath_c: float, calls: list[Call], grants: list[tuple[float, str]]) -> None:
    shares = shared(bath_c, calls)
    assert [grant.reason for grant in shares.grants] == [reason for _, reason in grants]
    assert [grant.heat_w for grant in shares.grants] == pytest.approx([heat_w for heat_w, _ in grants])


def test_it_is_told_who_waits_behind_whom() -> None:
    shares = shared(HALF, [active(-300.0), crash(-600.0)])
    assert shares.sharing == Sharing(
        pytest.approx(shares.sharing.eased_k), {"lager": 0.5}, ("ale",), 11.0 - NEED_K, ("lager",), 2.0
    )
    assert not shares.paused
    assert shared(TOP, [active(-300.0), crash(-600.0)]).paused
    assert shared(COLD, [active(-300.0), crash(-600.0)]).sharing == NO_SHARING


def test_figures_of_the_site_file_that_are_wrong_change_nothing_while_the_bath_is_known() -> None:
    calls = [active(-300.0), crash(-600.0)]
    for power_w in (1.0, 300.0, 1e6):
        wrong = replace(bath(), chiller_w=power_w)
        assert share(wrong, at(HALF), calls, NO_SHARING, 5.0) == shared(HALF, calls)


def test_the_farthest_from_its_setpoint_has_its_turn_until_another_is_clearly_farther() -> None:
    """Each starts his pump seldom, and all arrive at about the same time."""
    worts_c, last, turns = {"one": 20.0, "other": 20.0}, NO_SHARING, []
    for _ in range(600):
        calls = [active(-9.0), *(crash(-600.0, worts_c[name])._replace(vessel=name) for name in worts_c)]
        shares = share(bath(), at(HALF), calls, last, 60.0)
        last = shares.sharing
        turns += last.turns
        for name, grant in zip(worts_c, shares.grants[1:], strict=True):
            worts_c[name] = max(2.1, worts_c[name] + grant.heat_w * 60.0 / 250_000.0)
    assert abs(worts_c["one"] - worts_c["other"]) < 0.5
    changes = sum(one != other for one, other in pairwise(turns))
    assert 8 < changes < 40


def watched_at(own_k_per_h: float, unsure: float = 0.1, coil_per_h: float = 0.25) -> Observed:
    ahead = Outlook(own_k_per_h=own_k_per_h, own_sd=unsure)
    return Observed(Thought(rate=Rates(coil_per_h, 1.0, 0.02), ahead=ahead))


def test_how_cold_a_bath_a_wort_needs_follows_from_what_it_does_by_itself() -> None:
    """By hand: 0.4 K/h against 0.25 K/h for each kelvin is carried at 1.6 K, and twice that is asked for."""
    assert needs_k(watched_at(0.3), 0.0) == pytest.approx(3.2)
    assert needs_k(watched_at(0.3), -0.2) == pytest.approx(4.8)  # a falling setpoint asks for more
    assert needs_k(watched_at(-1.0), 0.0) == LEAST_NEED_K
    assert needs_k(watched_at(2.0), 0.0) == NEED_K
    assert needs_k(watched_at(0.1, unsure=5.0), 0.0) == NEED_K  # nobody knows yet
    assert needs_k(Observed(), 0.0) == NEED_K
    assert needs_k(watched_at(-1.0, coil_per_h=0.0), 0.0) == NEED_K  # a vessel without a cooler in a cold room
    held = active(-5.0, 2.2, 2.0)
    assert shared(-1.0, [held, crash(-600.0)]).grants[1].heat_w == 0.0
    assert shared(-1.0, [held._replace(needs_k=LEAST_NEED_K), crash(-600.0)]).grants[1].heat_w < -200.0


# A bath that does not come back to its level: the first rule of this kind kept a vessel out for good.


def wait_s(bath_c: float, calls: list[Call], longest_s: float, dt_s: float = 60.0) -> float:
    """For how long the last of the calls gets next to nothing of a bath that stays as it is, looked at every `dt_s`."""
    last, passed_s = NO_SHARING, 0.0
    while passed_s < longest_s:
        shares = share(bath(), at(bath_c), calls, last, dt_s)
        if shares.grants[-1].heat_w <= LEAST_SHARE * calls[-1].demand.heat_w:
            return passed_s
        last, passed_s = shares.sharing, passed_s + dt_s
    return passed_s


def test_a_bath_that_cannot_come_back_to_its_level_keeps_nobody_out() -> None:
    assert wait_s(3.0, [active(-100.0), crash(-600.0)], 24 * HOUR_S) < 2 * HOUR_S
    assert wait_s(3.0, [active(-100.0), pull_down(-300.0), crash(-600.0)], 24 * HOUR_S) < 2 * HOUR_S


def test_while_fermentations_are_too_warm_a_crash_waits_longer_but_not_for_ever() -> None:
    suffering = [active(-300.0, 12.0), crash(-600.0)]
    waited_s = wait_s(3.0, suffering, 24 * HOUR_S)
    assert 3 * HOUR_S < waited_s < 6 * HOUR_S
    assert waited_s <= waits_at_most_s(bath(), Sharing(needed_c=1.0), 3.0) + 120.0


def test_who_waits_gets_all_of_a_bath_that_the_others_do_not_need_colder() -> None:
    """However warm it is called: a warm bath takes less from the room, and a chiller gives more at it."""
    assert not shared(6.9, [active(-60.0, 19.0, 19.0), crash(-600.0, 20.0)]).sharing.waits
    assert shared(8.0, [active(-60.0, 19.0, 19.0), crash(-600.0, 20.0)]).sharing.waits == {"lager": 0.5}
    assert not shared(8.0, [active(-60.0, 19.0, 19.0)._replace(needs_k=5.0), crash(-600.0, 20.0)]).sharing.waits


def test_one_that_suffers_has_a_bath_that_is_not_warm() -> None:
    """Whatever is thought of its coil. By hand: 10 K colder for each kelvin above 0.6, until it is not warm."""
    needed_c = [shared(8.4, [active(-9.0, 19.0 + k, 19.0), crash(-900.0)]).sharing.needed_c for k in (0.5, 0.7, 1.0, 2)]
    assert needed_c == pytest.approx([9.5, 8.7, 6.0, 1.0])


def test_a_wort_that_comes_no_nearer_to_its_setpoint_is_given_more() -> None:
    """A share of a demand that grows only with the deviation would hold it where it is."""
    beside = active(-30.0, 8.0, 8.0)  # needs a bath of -2 °C
    moving, standing = crash(-80.0, 3.0), crash(-80.0, 2.0 + 1.1 * ARRIVED_K, settling=False)
    assert shared(-1.5, [beside, moving]).sharing.eased_k == 0.0
    assert shared(-1.5, [beside, standing]).sharing.eased_k > 0.0


def test_a_level_that_gave_way_returns_when_others_suffer_and_when_nobody_waits() -> None:
    for calls in ([active(-300.0, 11.5), crash(-600.0)], [active(-300.0), crash(0.0)], [active(-300.0)]):
        assert shared(2.0, calls, eased_k=2.5, dt_s=60.0).sharing.eased_k < 2.5
    assert shared(COLD, [active(0.0)], eased_k=0.01, dt_s=60.0).sharing.eased_k == 0.0


# A bath that is warm, and why


def excuses_c(bath_c: list[float], calls: list[Call], last: Sharing = NO_SHARING) -> list[float | None]:
    """Up to where the bath is not called warm, hour by hour."""
    found = []
    for celsius in bath_c:
        last = share(bath(), at(celsius), calls, last, HOUR_S).sharing
        found.append(last.excused_c)
    return found


def test_a_bath_that_a_crash_has_made_warm_has_an_excuse_until_it_should_have_recovered() -> None:
    """By hand: the hold at 19 °C needs 9 °C, and a kelvin more is borne; the crash alone, what is of use to it."""
    both = [active(-60.0, 19.0, 19.0), crash(-600.0, 20.0)]
    assert excuses_c([4.0, 8.0], both) == [10.0, 10.0]
    assert excuses_c([4.0], [crash(-600.0, 6.0)]) == [5.5]
    assert excuses_c([4.0], [active(-60.0)]) == [None]
    after = share(bath(), at(8.0), both, NO_SHARING, HOUR_S).sharing
    assert excuses_c([8.0, 8.0, 8.0], [active(-60.0)], after) == [8.5, 7.5, 6.5]  # the chiller does nothing
    assert excuses_c([8.0, 5.0, 2.0, 0.6, 0.4], [active(-60.0)], after) == [8.5, 5.5, 2.5, 1.1, None]


# Without a fit bath probe


@pytest.mark.parametrize(
    "signal", [None, at(None, Status.FAILURE), at(5.0, Status.FAILURE), at(5.0, Status.FUNCTION_CHECK)]
)
def test_without_a_fit_bath_probe_the_bath_is_taken_to_be_at_its_setpoint(signal: Signal | None) -> None:
    calls = [active(-1500.0), active(80.0), active(-50.0, -2.6)]
    grants = share(bath(), signal, calls, NO_SHARING, 5.0).grants
    assert [tuple(grant) for grant in grants] == [(-1500.0, WHY), (80.0, WHY), (0.0, TOO_WARM_NOMINAL)]


def blind_crash_w(*calls: Call) -> float:
    return share(bath(), None, list(calls), NO_SHARING, 5.0).grants[-1].heat_w


def test_without_a_fit_bath_probe_crashes_get_what_a_weaker_chiller_would_have_left() -> None:
    assert blind_crash_w(active(-200.0), crash(-900.0)) == pytest.approx(-500.0)  # 0.7 x 1000 W - 200 W
    assert blind_crash_w(active(-200.0), crash(-400.0)) == -400.0
    assert blind_crash_w(active(-2000.0), crash(-900.0)) == pytest.approx(-90.0)  # nobody waits for ever
    assert blind_crash_w(active(-100.0), pull_down(-500.0), crash(-900.0)) == pytest.approx(-100.0)
    assert blind_crash_w(crash(-900.0)) == -900.0


def test_without_a_fit_bath_probe_crashes_give_way_as_the_others_warm() -> None:
    given_w = [blind_crash_w(active(-200.0, 11.0 + above_k), crash(-900.0)) for above_k in (0.2, 0.3, 0.4, 0.5, 0.6)]
    assert given_w == sorted(given_w)
    assert given_w[0] == pytest.approx(-500.0)
    assert given_w[-1] == pytest.approx(-90.0)


def test_a_site_without_a_bath_lets_every_demand_pass() -> None:
    shares = share(None, None, [active(-1500.0), crash(-900.0)], NO_SHARING, 5.0)
    assert [tuple(grant) for grant in shares.grants] == [(-1500.0, WHY), (-900.0, WHY)]


# Starts, one after the other


def starts(bath_c: float) -> dict[str, float]:
    """When each of four coolers that all want to start at once did so, s, and what the others were told."""
    names = ("a", "b", "c", "d")
    cellar = site(*(vessel(name, loop=ON_OFF) for name in names))
    state = running_state(cellar, 19.0)
    begun: dict[str, float] = {}
    told: set[str] = set()
    since_s = state.now_s
    for _ in range(40):
        state = scan(cellar, state, 19.9, bath_c=bath_c).state
        for name in names:
            cooler = state.vessels[name].cooler
            assert cooler is not None
            told.add(cooler.reason)
            if cooler.on:
                begun.setdefault(name, cooler.since_s - since_s)
    assert (STARTS_LATER in told) is (bath_c > STORE)
    return begun


def test_while_the_bath_is_short_pumps_start_one_after_the_other() -> None:
    begun = starts(HALF)
    assert list(begun) == ["a", "b", "c", "d"]
    times = list(begun.values())
    assert all(later - earlier >= STAGGER_S for earlier, later in pairwise(times))


def test_while_there_is_cold_enough_they_start_together() -> None:
    assert len(set(starts(COLD).values())) == 1


def test_the_first_probe_of_the_bath_that_is_fit_counts() -> None:
    spare = Probe("bath/tank", Place.BATH, 60.0)
    cellar = replace(site(), bath=replace(bath(), probes=(*bath().probes, spare)))
    state = step(cellar, initial_state(cellar, 0.0), Inputs(5.0, None, {spare.tag: Reading(-3.0, 5.0)})).state
    assert state.signals["bath/supply"].celsius is None
    assert "bath/bath signal" not in state.alarms


WATTS = st.floats(-3000.0, 500.0) | st.sampled_from([0.0, -1e-17, -1e-300, -1000.0, -300.0])
CELSIUS = st.none() | st.floats(-5.0, 40.0)
CALL = st.builds(
    Call,
    st.sampled_from("abcdefgh"),
    st.builds(Demand, WATTS, st.just(WHY)),
    CELSIUS,
    st.booleans(),
    st.none() | st.builds(lambda at_c: Setpoint(at_c, at_c), st.floats(0.0, 30.0)),
    st.booleans(),
    st.floats(0.0, NEED_K),
)
BATH_C = st.none() | st.floats(-20.0, 40.0)


@given(st.lists(CALL, max_size=12), BATH_C, st.floats(0.0, 30.0))
def test_every_grant_lies_between_nothing_and_the_demand(
    calls: list[Call], bath_c: float | None, eased_k: float
) -> None:
    shares = share(bath(), None if bath_c is None else at(bath_c), calls, Sharing(eased_k), 5.0)
    assert len(shares.grants) == len(calls)
    assert shares.sharing.eased_k >= 0.0
    for call, grant in zip(calls, shares.grants, strict=True):
        asked_w = call.demand.heat_w
        assert min(0.0, asked_w) <= grant.heat_w <= max(0.0, asked_w)
        assert grant.reason
        if asked_w >= 0.0:
            assert grant.heat_w == asked_w


@given(st.floats(-3000.0, -1.0), st.floats(-3000.0, -1.0), st.floats(-19.0, 18.0), st.floats(19.0, 25.0))
def test_nobody_waits_for_ever(active_w: float, crash_w: float, bath_c: float, wort_c: float) -> None:
    calls = [active(active_w, wort_c), crash(crash_w, 20.0)]
    longest_s = waits_at_most_s(bath(), Sharing(needed_c=1.0), bath_c) + HOUR_S
    assert wait_s(bath_c, calls, longest_s, 900.0) < longest_s


@given(st.floats(-19.0, 40.0), st.floats(-19.0, 40.0), st.floats(0.0, 5.0))
def test_a_colder_bath_never_gives_a_crash_less(one_c: float, other_c: float, eased_k: float) -> None:
    cold_c, warm_c = sorted((one_c, other_c))
    calls = [active(-100.0), crash(-300.0, 30.0)]
    assert shared(cold_c, calls, eased_k).grants[1].heat_w <= shared(warm_c, calls, eased_k).grants[1].heat_w
