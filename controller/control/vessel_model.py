"""The thermal network of one vessel, as the controller thinks of it (design §7): wort, coil, heat wrap, room, probe.

All is told as rates of the wort's temperature, since temperatures alone show only ratios: coil/C, heater/C, loss/C.

    wort   T' = rest + loss (room - T) - coil D + heater w
    coil   D' = (T - bath - D) / RISES_S while the pump runs, -D / tail while it stands
    wrap   w' = (on - w) / lag
    probe  s' = (T - s) / PROBE_S

D is how much colder the glycol in the coil is than the wort, K: the cold still in the coil. While it stands, its film
is thicker: it gives `SLACK` of what it would give in flow, for as much longer. Inputs are held over a scan, so each
line is solved exactly (zero-order hold); T in the coil's line is that of the scan's beginning.
"""

from math import exp
from typing import NamedTuple

from controller.control.site import Bath, Vessel

# The site file's figure of a cooler holds for wort of this temperature and the bath at its setpoint.
WARM_WORT_C = 20.0
LEAST_REACH_K = 5.0
# Below this a wort no longer turns over by itself, since water is densest at 4 °C: a coil there does nobody knows what.
COLD_C = 6.0
UNKNOWN_BATH_C = -2.0  # where nobody says how cold the glycol is
USUAL_ROOM_C = 18.0  # where nobody says how warm the room is; what is wrong with it counts as unexplained
RISES_S = 40.0  # until a running pump has filled hose and coil with cold glycol
# What a full coil still gives counts as so many seconds of full cooling: half a litre of glycol and 8 W/K in a 25 L
# vessel, and in larger ones about the same.
HOLD_S = 240.0
SLACK = 0.45
WRAP_S = 300.0  # until the heat of a wrap has come through its wall; or the share of that which was learnt
PROBE_S = 95.0  # thermowell and sensor together
# Surface of a closed cylinder twice as high as wide, 2.5 π d², over the two-thirds power of its volume, π d³ / 2.
SURFACE_PER_VOLUME = 5.81
# Through a thin jacket; and through a bare wall in still air at most: natural convection about 4 W/(m² K) and radiation
# of a surface that is not polished about 5, less than their sum behind wet steel (from memory: textbooks of heat
# transfer).
LOSS_W_PER_M2_K, MOST_LOSS_W_PER_M2_K = 2.0, 8.0
# All figures so far but the surface: common practice, no source; the observer learns what differs.


class Rates(NamedTuple):
    """The site file's figures as rates of the wort: what the coil takes out for each kelvin between wort and glycol
    (1/h), what the heater gives (K/h), what the room takes for each kelvin (1/h)."""

    coil_per_h: float
    heater_k_per_h: float
    loss_per_h: float


class Shares(NamedTuple):
    """What was learnt, beside the site file's figures: cooler, heater, the coil's hold-up, loss to the room, the wrap's
    lag."""

    cooler: float = 1.0
    heater: float = 1.0
    hold: float = 1.0
    loss: float = 1.0
    wrap: float = 1.0


class Nodes(NamedTuple):
    """Temperatures: the wort, what a probe in it should show, °C; the cold in the coil, K; the wrap's heat that comes
    through, 0..1; and how the cold in the coil depends on its hold-up (K per share), the wrap's heat on its lag."""

    wort_c: float
    shown_c: float
    coil_k: float = 0.0
    wrap: float = 0.0
    coil_by_hold: float = 0.0
    wrap_by_lag: float = 0.0


class Moved(NamedTuple):
    """What one interval did to the wort, in K, and by what: cooler, heater, loss; and by one share more of hold-up and
    of the wrap's lag."""

    cooled_k: float
    heated_k: float
    lost_k: float
    by_hold_k: float
    by_lag_k: float


def filled(vessel: Vessel, volume_l: float | None) -> float:
    """How full a vessel with `volume_l` of wort is (unknown: full), as a share of its heat capacity that counts."""
    return min(max(volume_l / vessel.volume_l, 0.1), 1.0) if volume_l else 1.0


def most_loss_w_per_k(vessel: Vessel) -> float:
    """The most that the vessel loses to the room, in W per K: an upper bound from its volume, since the site file
    has no figure of it."""
    return _surface_m2(vessel) * MOST_LOSS_W_PER_M2_K


def _surface_m2(vessel: Vessel) -> float:
    return SURFACE_PER_VOLUME * float(pow(vessel.volume_l / 1000.0, 2.0 / 3.0))


def usual_bath_c(bath: Bath | None) -> float:
    """The bath as its chiller should keep it."""
    return bath.setpoint_c if bath is not None else UNKNOWN_BATH_C


def rates(vessel: Vessel, volume_l: float | None, bath: Bath | None) -> Rates:
    """The nominal rates of a vessel with `volume_l` of wort (None: full)."""
    capacity = vessel.heat_capacity_j_per_k * filled(vessel, volume_l) / 3600.0
    reach_k = max(WARM_WORT_C - usual_bath_c(bath), LEAST_REACH_K)
    return Rates(
        vessel.cooler.power_w / reach_k / capacity if vessel.cooler else 0.0,
        vessel.heater.power_w / capacity if vessel.heater else 0.0,
        _surface_m2(vessel) * LOSS_W_PER_M2_K / capacity,
    )


def advanced(
    at: Nodes, rate: Rates, share: Shares, rest_k_per_h: float, cooling: bool, heating: bool, bath_c: float,
    room_c: float, dt_s: float,
) -> tuple[Nodes, Moved]:  # fmt: skip
    """The nodes after `dt_s` with these outputs and surroundings held, and what moved the wort."""
    wort_c, shown_c, coil_k, wrap, by_hold, by_lag = at
    hours = dt_s / 3600.0
    per_h = rate.coil_per_h * share.cooler
    if cooling:
        reach_k = wort_c - bath_c if wort_c > bath_c else 0.0
        kept = exp(-dt_s / RISES_S)
        mean = (1.0 - kept) * RISES_S / dt_s
        cooled_k = per_h * hours * (reach_k + (coil_k - reach_k) * mean)
        by_hold_k = -per_h * hours * by_hold * mean
        coil_k = reach_k + (coil_k - reach_k) * kept
        by_hold *= kept
    elif coil_k > 1e-3:
        tail_s = share.hold * (HOLD_S / SLACK)
        kept = exp(-dt_s / tail_s)
        mean = (1.0 - kept) * tail_s / dt_s
        cooled_k = per_h * SLACK * hours * coil_k * mean
        by_hold_k = -per_h * SLACK * hours * (by_hold * mean + coil_k * (mean - kept) / share.hold)
        by_hold = (by_hold + coil_k * dt_s / (tail_s * share.hold)) * kept
        coil_k *= kept
    else:
        cooled_k = by_hold_k = coil_k = by_hold = 0.0
    if heating or wrap > 1e-3:
        lag_s = share.wrap * WRAP_S
        away, kept = wrap - (1.0 if heating else 0.0), exp(-dt_s / lag_s)
        mean = (1.0 - kept) * lag_s / dt_s
        full_k = rate.heater_k_per_h * share.heater * hours
        heated_k = full_k * (wrap - away + away * mean)
        by_lag_k = full_k * (by_lag * mean + away * (mean - kept) / share.wrap)
        by_lag = (by_lag + away * dt_s / (lag_s * share.wrap)) * kept
        wrap += away * (kept - 1.0)
    else:
        heated_k = by_lag_k = wrap = by_lag = 0.0
    lost_k = rate.loss_per_h * share.loss * (room_c - wort_c) * hours
    after_c = wort_c + rest_k_per_h * hours - cooled_k + heated_k + lost_k
    shown_c += (0.5 * (wort_c + after_c) - shown_c) * (1.0 - exp(-dt_s / PROBE_S))
    moved = Moved(cooled_k, heated_k, lost_k, by_hold_k, by_lag_k)
    return Nodes(after_c, shown_c, coil_k, wrap, by_hold, by_lag), moved
