"""What is coming in a vessel: rates of the wort, cold still in the coil, heat in the wrap, and how sure that is."""

from math import sqrt
from typing import NamedTuple

from controller.control.vessel_model import HOLD_S, RISES_S, SLACK, WRAP_S, Nodes, Rates, Shares

AHEAD_S = 60.0  # the rate of the wort is that of the next minute


class Outlook(NamedTuple):
    """Rates of the wort in K/h: of itself (`own`: yeast, room), under full cooling and under full heating (both > 0).
    What the coil will still take out and the wrap still give, K, and the lags that these come from. `wort_k_per_h` is
    how fast the wort moves now; `settles_c` where it will be after coil and wrap, and how fast that moves. Standard
    deviations: `unsure_k` of `coil_k` by what is not known of the hold-up, `own_sd` of `own_k_per_h`."""

    own_k_per_h: float = 0.0
    cooling_k_per_h: float = 0.0
    heating_k_per_h: float = 0.0
    coil_k: float = 0.0
    wrap_k: float = 0.0
    hold_h: float = 0.0
    wrap_h: float = WRAP_S / 3600.0
    wort_k_per_h: float = 0.0
    settles_c: float = 0.0
    settles_k_per_h: float = 0.0
    unsure_k: float = 0.0
    own_sd: float = 0.0


def outlook(
    nodes: Nodes, rate: Rates, shares: Shares, rest_k_per_h: float, room_c: float, bath_c: float, cooling: bool,
    heating: bool, hold_variance: float, rest_variance: float,
) -> Outlook:  # fmt: skip
    """What is coming with these outputs on, the bath at `bath_c` and the room at `room_c`."""
    wort_c, _, coil_c, wrap, _, _ = nodes
    per_h = rate.coil_per_h * shares.cooler
    reach_k = wort_c - bath_c if wort_c > bath_c else 0.0
    full, heat = per_h * reach_k, rate.heater_k_per_h * shares.heater
    hold_h = shares.hold * (HOLD_S / 3600.0)
    own = rest_k_per_h + rate.loss_per_h * shares.loss * (room_c - wort_c)
    wrap_h = shares.wrap * (WRAP_S / 3600.0)
    coil_k, wrap_k = per_h * coil_c * hold_h, heat * wrap * wrap_h
    moves = own + heat * wrap
    settles = own
    if cooling:
        moves -= per_h * (reach_k + (coil_c - reach_k) * (RISES_S / AHEAD_S))
        settles -= full
    else:
        moves -= per_h * SLACK * coil_c
    if heating:
        settles += heat
    return Outlook(
        own, full, heat, coil_k, wrap_k, hold_h, wrap_h, moves, wort_c - coil_k + wrap_k, settles,
        coil_k * sqrt(max(hold_variance, 0.0)) / shares.hold, sqrt(max(rest_variance, 0.0)),
    )  # fmt: skip
