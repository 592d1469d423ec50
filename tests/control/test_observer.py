"""What is thought of a vessel, out of probe and outputs: on a plant of another structure than the observer's."""

import random
from math import sqrt
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from controller.control.codec import from_json, to_json
from controller.control.observer import (
    BOUNDS,
    MOST_REST_K_PER_H,
    NOT_OBSERVED,
    Observed,
    Seen,
    closed,
    forgotten,
    opened,
    parted,
    sure,
)
from controller.control.vessel_model import Rates

RATE = Rates(0.25, 3.0, 0.04)
SCAN_S, HOUR_S, DAY_S = 5.0, 3600.0, 86400.0


class Tank(NamedTuple):
    """Two layers with a coil in the lower; yeast that changes, a room that swings: other lines than the observer's."""

    coil_share: float = 1.3
    heater_share: float = 0.8
    loss_share: float = 1.0
    yeast_k_per_h: float = 0.25
    noise_k: float = 0.02
    step_k: float = 1.0 / 16.0


def scanned(last: Observed, seen: Seen, dt_s: float = SCAN_S) -> Observed:
    now = opened(last, seen.wort_c, seen.cooling, seen.heating, dt_s)
    return closed(last, seen, dt_s) if now is None else now


def lived(tank: Tank, days: float, room_probe: str = "good", start_c: float = 22.0) -> tuple[Observed, list[float]]:
    """An on/off thermostat about 19 °C; returns what is thought at the end, and the error of the wort, scan by scan."""
    chance = random.Random("tank")
    upper = lower = well = start_c
    coil_k, cooling, heating, observed = 0.0, False, False, NOT_OBSERVED
    errors = []
    for k in range(int(days * DAY_S / SCAN_S)):
        t_s = k * SCAN_S
        room_c = 17.0 + 1.5 * (1.0 if (t_s // (6 * HOUR_S)) % 2 else -1.0)
        reach_k = lower + 3.0
        if cooling:
            coil_k += (reach_k - coil_k) * SCAN_S / 30.0
            cold = RATE.coil_per_h * tank.coil_share * coil_k
        else:
            cold = 0.4 * RATE.coil_per_h * tank.coil_share * coil_k
            coil_k -= coil_k * SCAN_S / 600.0
        h = SCAN_S / HOUR_S
        heat = RATE.heater_k_per_h * tank.heater_share if heating else 0.0
        rest = tank.yeast_k_per_h + RATE.loss_per_h * tank.loss_share * (room_c - 0.5 * (upper + lower))
        mixed = (upper - lower) * SCAN_S / 900.0
        upper += (rest + heat - 0.7 * cold) * h - mixed
        lower += (rest + heat - 1.3 * cold) * h + mixed
        mean = 0.5 * (upper + lower)
        well += (0.5 * upper + 0.5 * lower - well) * SCAN_S / 110.0
        shown = round((well + chance.gauss(0.0, tank.noise_k)) / tank.step_k) * tank.step_k
        told = {"good": room_c, "stuck": 5.0, "wild": 50.0 * (k % 1000 < 500)}[room_probe]
        observed = scanned(observed, Seen(shown, cooling, heating, -3.0, told, True, True, 60.0, RATE))
        if sure(observed):
            thought = observed.thought
            errors.append(thought.nodes.wort_c + thought.ahead.wort_k_per_h * observed.passed_s / HOUR_S - mean)
        cooling = shown > 19.2 if not cooling else shown > 18.9
        heating = shown < 18.4 if not heating else shown < 18.7
    return observed, errors


def rms(errors: list[float]) -> float:
    return sqrt(sum(error * error for error in errors) / len(errors))


@pytest.mark.parametrize("noise_k", [0.0, 0.03])
@pytest.mark.parametrize("step_k", [0.01, 1.0 / 16.0])
def test_the_wort_is_known_better_than_the_probe_shows_it(noise_k: float, step_k: float) -> None:
    _, errors = lived(Tank(noise_k=noise_k, step_k=step_k), 2.0)
    assert rms(errors[len(errors) // 4 :]) < 0.03


@pytest.mark.parametrize("coil_share", [0.7, 1.0, 1.5])
def test_the_strength_of_a_coil_is_learnt_from_a_figure_that_is_wrong(coil_share: float) -> None:
    observed, _ = lived(Tank(coil_share=coil_share, yeast_k_per_h=0.5), 3.0)
    shares = observed.thought.shares
    # Pulses show what a coil gives in all: its strength times on-time and hold-up.
    gives = shares.cooler * (600.0 + 240.0 * shares.hold) / (coil_share * (600.0 + 240.0))
    assert gives == pytest.approx(1.0, abs=0.15)
    assert sqrt(observed.thought.unsure.cc) < 0.3


@pytest.mark.parametrize("heater_share", [0.7, 1.2])
def test_the_strength_of_a_heater_too(heater_share: float) -> None:
    observed, _ = lived(Tank(heater_share=heater_share, yeast_k_per_h=-0.3), 3.0, start_c=18.0)
    assert observed.thought.shares.heater == pytest.approx(heater_share, abs=0.08)


@pytest.mark.parametrize("loss_share", [0.6, 1.6])
def test_the_loss_is_learnt_in_three_days_of_a_room_that_swings(loss_share: float) -> None:
    observed, _ = lived(Tank(loss_share=loss_share), 3.0)
    assert observed.thought.shares.loss == pytest.approx(loss_share, rel=0.2)


def test_a_warming_that_changes_at_once_is_found_within_two_hours() -> None:
    observed, _ = lived(Tank(), 1.0)
    wort_c = observed.thought.nodes.wort_c
    for k in range(int(2 * HOUR_S / SCAN_S)):
        shown_c = wort_c + 1.5 * k * SCAN_S / HOUR_S
        observed = scanned(observed, Seen(shown_c, False, False, -3.0, 17.0, True, True, 60.0, RATE))
    assert observed.thought.ahead.own_k_per_h == pytest.approx(1.5, abs=0.2)


@pytest.mark.parametrize("room_probe", ["stuck", "wild"])
def test_a_room_probe_that_lies_spoils_nothing(room_probe: str) -> None:
    _, errors = lived(Tank(), 2.0, room_probe)
    assert rms(errors[len(errors) // 4 :]) < 0.03


def test_the_unexplained_warming_is_that_of_the_yeast() -> None:
    observed, _ = lived(Tank(yeast_k_per_h=0.4), 2.0)
    thought = observed.thought
    own = 0.4 + RATE.loss_per_h * (18.5 - 19.0)
    assert thought.ahead.own_k_per_h == pytest.approx(own, abs=0.12)


def test_nothing_is_learnt_of_the_shares_while_a_fault_is_suspected() -> None:
    observed, _ = lived(Tank(), 0.5)
    for k in range(1440):
        seen = Seen(19.0 + 0.001 * k, True, False, -3.0, 17.0, False, True, 60.0, RATE)
        observed = scanned(observed, seen)
    before, _ = lived(Tank(), 0.5)
    assert observed.thought.shares == before.thought.shares


def test_a_lid_or_a_hand_teaches_nothing_and_the_wort_is_found_again() -> None:
    before, _ = lived(Tank(), 0.5)
    before = scanned(before, Seen(19.0, False, False, -3.0, 17.0, True, True, 60.0, RATE))  # its minute is over
    assert before.thought.sums.passed_s + before.passed_s == 0.0
    observed = before
    for _ in range(240):
        observed = scanned(observed, Seen(23.0, False, False, -3.0, 17.0, True, True, 60.0, RATE))
    assert observed.thought.shares == pytest.approx(before.thought.shares, abs=0.001)
    assert observed.thought.careful_s > 0.0
    assert observed.thought.nodes.wort_c == pytest.approx(23.0, abs=0.05)


def test_without_a_signal_the_wort_goes_on_as_it_went_and_is_less_sure() -> None:
    before, _ = lived(Tank(), 0.5)
    observed = before
    for _ in range(int(HOUR_S / SCAN_S)):
        observed = scanned(observed, Seen(None, False, False, -3.0, 17.0, False, True, 60.0, RATE))
    assert not sure(observed)
    assert observed.thought.unsure.ww > before.thought.unsure.ww
    assert abs(observed.thought.nodes.wort_c - before.thought.nodes.wort_c) < 1.5


def test_a_restart_keeps_what_was_learnt_and_finds_the_wort_again() -> None:
    before, _ = lived(Tank(), 1.0)
    kept = parted(from_json(Observed, to_json(before)), emptied=False)
    assert kept.thought.shares == pytest.approx(before.thought.shares, abs=1e-5)
    assert kept.thought.rest_k_per_h == pytest.approx(before.thought.rest_k_per_h, abs=1e-5)
    assert parted(kept, emptied=False) == kept
    assert not sure(kept)
    assert parted(before, emptied=True).thought.rest_k_per_h == 0.0


def test_another_cooler_is_another_share() -> None:
    before, _ = lived(Tank(), 1.0)
    fresh = forgotten(before, cooler=True)
    assert (fresh.thought.shares.cooler, fresh.thought.shares.hold) == (1.0, 1.0)
    assert fresh.thought.unsure.cc > before.thought.unsure.cc
    assert forgotten(before, cooler=False).thought.shares.cooler == before.thought.shares.cooler


def test_what_was_saved_goes_on_to_the_last_bit() -> None:
    observed, _ = lived(Tank(), 0.3)
    seen = Seen(19.0625, True, False, -3.0, 17.0, True, True, 60.0, RATE)
    other = from_json(Observed, to_json(observed))
    for _ in range(100):
        observed, other = scanned(observed, seen), scanned(other, seen)
    assert observed == other


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(-20.0, 60.0) | st.none(), st.booleans(), st.booleans(), st.floats(-15.0, 30.0),
            st.floats(-20.0, 60.0), st.booleans(), st.integers(1, 60), st.sampled_from([0.0, 1.0, 5.0, 10.0, 30.0]),
        ),
        max_size=30,
    )
)  # fmt: skip
def test_whatever_is_seen_shares_and_rest_stay_within_their_bounds(
    story: list[tuple[float | None, bool, bool, float, float, bool, int, float]],
) -> None:
    observed = NOT_OBSERVED
    for wort_c, cooling, heating, bath_c, room_c, learns, scans, dt_s in story:
        for _ in range(scans):
            seen = Seen(wort_c, cooling, heating, bath_c, room_c, learns, True, 20.0, RATE)
            observed = scanned(observed, seen, dt_s)
        thought = observed.thought
        assert all(low <= share <= high for share, (low, high) in zip(thought.shares, BOUNDS, strict=True))
        assert abs(thought.rest_k_per_h) <= MOST_REST_K_PER_H
        assert min(thought.unsure.ww, thought.unsure.rr, thought.unsure.cc, thought.unsure.dd) >= -1e-9
        to_json(observed)  # all of it finite
