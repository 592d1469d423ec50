"""Blind cooling never takes a wort below its lower limit, whatever yeast, room and bath do within what was supposed.

The wort here is a model of its own, written for the test: one heat capacity, the loss to a room that is never colder
than the coldest, a coil that is weaker or up to a fifth stronger than the site file says, yeast that gives no cold.
"""

from dataclasses import replace

from hypothesis import example, given, settings
from hypothesis import strategies as st

from controller.control.blind import BATH_STRAY_K, COIL_MARGIN, capacity_j_per_k, coil_w_per_k
from controller.control.interlock import floor_c
from controller.control.site import Limits, SignalLoss, Site
from controller.control.state import Blind, SiteState
from controller.control.step import step
from controller.control.values import Inputs, Reading
from controller.control.vessel_model import most_loss_w_per_k
from tests.factories import DAY_S, HEAT_CAPACITY_J_PER_K, HOUR_S, ON_OFF, PID, UTC_S, running_state, site, vessel

SCAN_S = 30.0
PIECES = 9  # of a day and a bit, each with its own yeast, room and bath
PIECE_S = 3 * HOUR_S
MOSTLY_ALL = st.just(1.0) | st.floats(0.0, 1.0)
WORST = {
    "volume_l": 60.0,
    "bath_then_c": -3.0,
    "loss_share": 1.0,
    "coil_share": 1.0,
    "yeast_w": [0.0] * PIECES,
    "warmer_k": [0.0] * PIECES,
}


def began(cellar: Site, wort_c: float, volume_l: float, recent_w: float, bath_c: float) -> SiteState:
    state = running_state(cellar, wort_c, setpoint_c=wort_c, volume_l=volume_l)
    blind = Blind(-recent_w, bath_c, 6 * HOUR_S, state.now_s, wort_c, state.now_s)
    return state._replace(vessels={"ale": state.vessels["ale"]._replace(blind=blind)})


@example(wort_c=20.0, low_c=4.0, duty=1.0, coldest_room_c=7.0, bath_c=[None] * PIECES, on_off=False, **WORST)
@example(wort_c=20.0, low_c=4.0, duty=1.0, coldest_room_c=-2.0, bath_c=[None] * PIECES, on_off=True, **WORST)
@example(wort_c=12.0, low_c=4.0, duty=0.3, coldest_room_c=3.0, bath_c=[-5.0] * PIECES, on_off=False, **WORST)
@settings(max_examples=40, deadline=None)
@given(
    wort_c=st.floats(3.0, 24.0),
    low_c=st.floats(-1.0, 8.0),
    volume_l=st.floats(5.0, 60.0),
    duty=st.floats(0.02, 1.0),
    coldest_room_c=st.floats(-15.0, 15.0),
    bath_then_c=st.floats(-8.0, 1.0),
    loss_share=MOSTLY_ALL,
    coil_share=MOSTLY_ALL,
    yeast_w=st.lists(st.floats(0.0, 120.0) | st.just(0.0), min_size=PIECES, max_size=PIECES),
    warmer_k=st.lists(st.floats(0.0, 20.0) | st.just(0.0), min_size=PIECES, max_size=PIECES),
    bath_c=st.lists(st.floats(-10.0, 3.0) | st.none(), min_size=PIECES, max_size=PIECES),
    on_off=st.booleans(),
)
def test_never_below_the_lower_limit(
    wort_c: float,
    low_c: float,
    volume_l: float,
    duty: float,
    coldest_room_c: float,
    bath_then_c: float,
    loss_share: float,
    coil_share: float,
    yeast_w: list[float],
    warmer_k: list[float],
    bath_c: list[float | None],
    on_off: bool,
) -> None:
    plain = vessel(limits=Limits(low_c, 30.0), loop=ON_OFF if on_off else PID)
    fermenter = replace(
        plain,
        heat_capacity_j_per_k=HEAT_CAPACITY_J_PER_K,
        signal_loss=SignalLoss.BOUNDED,
        coldest_room_c=coldest_room_c,
    )
    cellar = replace(site(fermenter), scan_s=SCAN_S)
    wort_c = max(wort_c, low_c + 0.5)
    state = began(cellar, wort_c, volume_l, duty * 300.0, bath_then_c)
    now = state.vessels["ale"]
    capacity = capacity_j_per_k(fermenter, now.batch)
    assert capacity is not None
    assert fermenter.cooler is not None
    loss = loss_share * most_loss_w_per_k(fermenter)
    coil = coil_share * coil_w_per_k(fermenter, fermenter.cooler, now.blind)
    floor = floor_c(fermenter, now.batch)
    # What the room alone does to a wort that is as cold as supposed is not the cooler's doing: a twin shows it.
    alone_c = wort_c
    cooled = False
    for _ in range(int(1.1 * DAY_S / SCAN_S)):
        since_s = state.now_s - now.blind.at_s
        piece = min(int(since_s / PIECE_S), PIECES - 1)
        seen_c = bath_c[piece]
        glycol_c = bath_then_c - BATH_STRAY_K if seen_c is None else seen_c
        now_s = state.now_s + SCAN_S
        bath = {} if seen_c is None else {"bath/supply": Reading(seen_c, now_s)}
        state = step(cellar, state, Inputs(now_s, UTC_S + now_s, bath)).state
        cooler, heater = state.vessels["ale"].cooler, state.vessels["ale"].heater
        assert cooler is not None
        assert heater is not None
        assert not heater.on
        room_c = coldest_room_c + warmer_k[piece]
        coil_w = coil * max(wort_c - glycol_c, 0.0) if cooler.on else 0.0
        cooled = cooled or cooler.on
        wort_c += (yeast_w[piece] + loss * (room_c - wort_c) - coil_w) * SCAN_S / capacity
        alone_c += (yeast_w[piece] + loss * (room_c - alone_c)) * SCAN_S / capacity
        assert wort_c >= min(floor, alone_c)
    assert not cooler.on
    assert COIL_MARGIN > 1.0


def test_the_property_is_not_empty() -> None:
    """A usual case of the same model is cooled for hours, and comes near its limit only without any yeast."""
    plain = vessel(limits=Limits(4.0, 30.0))
    fermenter = replace(plain, heat_capacity_j_per_k=HEAT_CAPACITY_J_PER_K, signal_loss=SignalLoss.BOUNDED)
    cellar = replace(site(fermenter), scan_s=SCAN_S)
    state = began(cellar, 10.0, 60.0, 120.0, -3.0)
    on_s = 0.0
    for _ in range(int(DAY_S / SCAN_S)):
        now_s = state.now_s + SCAN_S
        state = step(cellar, state, Inputs(now_s, UTC_S + now_s, {"bath/supply": Reading(-3.0, now_s)})).state
        cooler = state.vessels["ale"].cooler
        on_s += SCAN_S if cooler is not None and cooler.on else 0.0
    assert on_s > HOUR_S
    assert 4.0 < state.vessels["ale"].blind.lowest_c < 5.5
