"""The heat balance of one vessel, minute by minute: what cooler and heater should do, and what else goes on.

A Kalman filter after the wort's thermal network (design §7) with four unknowns: the wort's temperature, the rate at
which it changes for reasons that are not ours (yeast, room: "the rest"), and how strong cooler and heater really are
beside the site file's figures. It says how sure it is of each; the diagnosis asks it what should have happened.
Source of the filter: R. E. Kalman, J. Basic Engineering 82 (1960) 35-45.
"""

from math import cbrt, exp, sqrt
from typing import NamedTuple

from controller.control.vessel_model import LEAST_REACH_K, WARM_WORT_C

TICK_S = 60.0  # the balance is struck once a minute: pumps and worts are slower
HOUR_S = 3600.0
# From contacts to probe. A pump fills the coil with cold glycol at once; when it stands, what the coil holds goes on
# cooling for long, so that a short pulse gives several times its own time. A wrap warms and cools with its wall.
COOLER_RISES_S, COOLER_FALLS_S, HEATER_LAG_S = 90.0, 300.0, 500.0
# Fewer ticks than these, and the rest is not known yet: a fresh wort warms or cools its vessel, layers form. After an
# event it is found again sooner.
YOUNG_TICKS, AFTER_EVENT_TICKS = 120, 105
# A minute further from what was expected than this is an event (a lid, a hand, a stir), not a balance.
EVENT_K = 0.8
# The power of a cooler follows the distance from wort to glycol: within these shares of its figure in the site file.
LEAST_REACH, MOST_REACH = 0.05, 1.6
# What is known before anything was seen: the rest in K/h, and the strengths; a site file is wrong by some 30 %.
FIRST_REST_SD_K_PER_H, FIRST_SHARE, FIRST_SHARE_SD = 0.6, 1.0, 0.3
# What changes in a minute by itself: layers (K); a strength, at rest (0.1 in a day) and while its output runs (flow,
# fouling, layers).
WORT_VARIANCE = 0.012**2
SHARE_VARIANCE, SHARE_ON_VARIANCE = 0.01 / 1440.0, 0.0004
# What a minute's mean strays from the wort for other reasons: steps and noise of the probe, turning layers.
STRAY_VARIANCE = 0.04**2
# How fast the rest changes, K/h in an hour: by yeast; by sun, lids and draughts, which change a litre by its surface
# (V^(2/3) loses what V holds); by a room that nobody measures and that changes by some kelvins, likewise. Where it is
# measured, by so much for each kelvin by which wort and room have parted or come nearer in the last hour.
RESTLESS_YEAST, RESTLESS_UNSEEN, RESTLESS_ROOM, RESTLESS_PER_K = 0.08, 0.1, 0.4, 0.2
# Between an open wort and the air: convection and radiation, and water that condenses on cold wort or evaporates from
# warm; from memory. The top of a cylinder twice as high as wide, π d² / 4, over V^(2/3) of its volume π d³ / 2.
OPEN_W_PER_M2_K, TOP_PER_VOLUME = 15.0, 0.581
CLIPPED = 3.0  # a minute counts for no more than so many standard deviations
MOST_SHARE = 2.0
# For reckoning ahead a share is taken from within these bounds: outside them it is a fault or a wrong site file.
LEAST_SOUND, MOST_SOUND = 0.5, 1.8
DIGITS = 5
# All figures so far: common practice, no source; they were tried on the random plants of the benches.


class Unsure(NamedTuple):
    """Covariances: of the wort w (K), the rest r (K/h), the shares of cooler c and heater h."""

    ww: float = STRAY_VARIANCE
    wr: float = 0.0
    wc: float = 0.0
    wh: float = 0.0
    rr: float = FIRST_REST_SD_K_PER_H**2
    rc: float = 0.0
    rh: float = 0.0
    cc: float = FIRST_SHARE_SD**2
    ch: float = 0.0
    hh: float = FIRST_SHARE_SD**2


class Balance(NamedTuple):
    """`wort_c` and `rest_k_per_h`, the warming that is not ours, are good after `YOUNG_TICKS` ticks. `cooling` and
    `heating` are the outputs' duties as they have come through to the wort, 0..1; `cooler` and `heater` how strong
    they are, as a share of the site file's figures. `blind`: the wort is to be looked for anew."""

    wort_c: float = 0.0
    rest_k_per_h: float = 0.0
    cooler: float = FIRST_SHARE
    heater: float = FIRST_SHARE
    unsure: Unsure = Unsure()
    ticks: int = 0
    cooling: float = 0.0
    heating: float = 0.0
    blind: bool = False


class Tick(NamedTuple):
    """What happened in one minute: the mean of the wort's fit signals, the share of the time that each output was
    commanded on, the rates in K/h that full cooling (< 0) and full heating (> 0) should give by the site file, how
    restless the rest is (`restless`), the rate that an open lid adds (`lid_k_per_h`), what share of its distance to
    the room the wort loses in an hour at most, 1/h, and by how much the room was warmer of late than it had been
    (`swing_k`)."""

    dt_s: float
    wort_c: float
    cooled: float
    heated: float
    full_cooling_k_per_h: float
    full_heating_k_per_h: float
    restless: float
    lid_k_per_h: float = 0.0
    most_loss_per_h: float = 0.0
    swing_k: float = 0.0


def restless(volume_l: float, swing_k: float | None) -> float:
    """How fast the rest of a wort of this volume changes by itself: a random walk, K/h after an hour. `swing_k` is by
    how much the distance from wort to room has changed in the last hour, None where nobody measures the room."""
    surface = RESTLESS_ROOM if swing_k is None else RESTLESS_UNSEEN + RESTLESS_PER_K * abs(swing_k)
    return RESTLESS_YEAST + surface / float(cbrt(volume_l))


def lid_k_per_h(heat_capacity_j_per_k: float, volume_l: float, apart_k: float) -> float:
    """What an open lid adds to a wort in a room that is `apart_k` warmer (< 0: colder), in K/h."""
    surface_m2 = TOP_PER_VOLUME * float(cbrt(volume_l / 1000.0)) ** 2
    return OPEN_W_PER_M2_K * surface_m2 * apart_k / heat_capacity_j_per_k * HOUR_S


def full_cooling_k_per_h(
    power_w: float, heat_capacity_j_per_k: float, wort_c: float, bath_c: float, usual_bath_c: float
) -> float:
    """The rate of full cooling by the site file's figure, which holds for wort of 20 °C and the bath as it usually is:
    coil power is in proportion to the distance between wort and glycol, so a warm bath takes out less."""
    reach = (wort_c - bath_c) / max(WARM_WORT_C - usual_bath_c, LEAST_REACH_K)
    return -power_w / heat_capacity_j_per_k * HOUR_S * min(max(reach, LEAST_REACH), MOST_REACH)


def came_through(before: float, on: float, dt_s: float, cooler: bool) -> float:
    """The duty that has come through coil or wrap after `dt_s`, of which the output was on for the share `on`."""
    if not cooler:
        return before + (on - before) * (1.0 - exp(-dt_s / HEATER_LAG_S))
    filled = 1.0 + (before - 1.0) * exp(-on * dt_s / COOLER_RISES_S)
    return filled * exp(-(1.0 - on) * dt_s / COOLER_FALLS_S)


def sound(share: float) -> float:
    """A share fit for reckoning ahead."""
    return min(max(share, LEAST_SOUND), MOST_SOUND)


class Reckoned(NamedTuple):
    """What is reckoned ahead with: the rest in K/h, and the shares of cooler and heater."""

    rest_k_per_h: float
    cooler: float
    heater: float


def reckoned(balance: Balance) -> Reckoned:
    """The shares as far as they are sound, and the rest that goes with them: while a pump runs on for days the two
    cannot be told apart, and only together are they known."""
    cooler, heater, p = sound(balance.cooler), sound(balance.heater), balance.unsure
    rest_k_per_h = balance.rest_k_per_h
    if cooler != balance.cooler:
        rest_k_per_h += p.rc / p.cc * (cooler - balance.cooler)
    if heater != balance.heater:
        rest_k_per_h += p.rh / p.hh * (heater - balance.heater)
    return Reckoned(rest_k_per_h, cooler, heater)


def balanced(last: Balance, tick: Tick) -> Balance:
    """The balance after one tick. Of an event (`EVENT_K`) nothing is learnt."""
    ahead = _ahead(last, tick)
    cooling, heating = ahead.cooling, ahead.heating
    if last.blind or not last.ticks:
        return last._replace(wort_c=tick.wort_c, ticks=last.ticks + 1, cooling=cooling, heating=heating, blind=False)
    w_c, rest, cooler, heater = ahead.wort_c, last.rest_k_per_h, last.cooler, last.heater
    ww, wr, wc, wh, rr, rc, rh, cc, ch, hh = ahead.unsure
    off_k, spread = tick.wort_c - w_c, ww + STRAY_VARIANCE
    if abs(off_k) > EVENT_K:
        unsure = Unsure(rr=max(rr, 0.25 * FIRST_REST_SD_K_PER_H**2), cc=cc, hh=hh)
        return Balance(tick.wort_c, rest, cooler, heater, unsure, min(last.ticks, AFTER_EVENT_TICKS), cooling, heating)
    most_k = CLIPPED * sqrt(spread)
    off_k = min(max(off_k, -most_k), most_k)
    gw, gr, gc, gh = ww / spread, wr / spread, wc / spread, wh / spread
    cooler = min(max(cooler + gc * off_k, 0.0), MOST_SHARE)
    heater = min(max(heater + gh * off_k, 0.0), MOST_SHARE)
    unsure = Unsure(
        ww - gw * ww, wr - gw * wr, wc - gw * wc, wh - gw * wh,
        rr - gr * wr, rc - gr * wc, rh - gr * wh, cc - gc * wc, ch - gc * wh, hh - gh * wh,
    )  # fmt: skip
    return Balance(w_c + gw * off_k, rest + gr * off_k, cooler, heater, unsure, last.ticks + 1, cooling, heating)


def _ahead(last: Balance, tick: Tick) -> Balance:
    """The balance as it should be after one tick, before the wort is looked at: w + r h + cooler c + heater v."""
    h = tick.dt_s / HOUR_S
    cooling = came_through(last.cooling, tick.cooled, tick.dt_s, cooler=True)
    heating = came_through(last.heating, tick.heated, tick.dt_s, cooler=False)
    c, v = tick.full_cooling_k_per_h * cooling * h, tick.full_heating_k_per_h * heating * h
    ww, wr, wc, wh, rr, rc, rh, cc, ch, hh = last.unsure
    to_w = ww + h * wr + c * wc + v * wh
    wr += h * rr + c * rc + v * rh
    wc += h * rc + c * cc + v * ch
    wh += h * rh + c * ch + v * hh
    ww = to_w + h * wr + c * wc + v * wh + WORT_VARIANCE
    rr += tick.restless**2 * h
    cc = min(cc + SHARE_VARIANCE + SHARE_ON_VARIANCE * tick.cooled, FIRST_SHARE_SD**2)
    hh = min(hh + SHARE_VARIANCE + SHARE_ON_VARIANCE * tick.heated, FIRST_SHARE_SD**2)
    wort_c = last.wort_c + last.rest_k_per_h * h + last.cooler * c + last.heater * v
    unsure = Unsure(ww, wr, wc, wh, rr, rc, rh, cc, ch, hh)
    return last._replace(wort_c=wort_c, unsure=unsure, cooling=cooling, heating=heating)


def variance_ahead(unsure: Unsure, restless_k_per_h: float, hours: float, cooled_k: float, heated_k: float) -> float:
    """Of where the wort is after `hours`, K²: by what was `unsure` at their beginning, while by the site file's figures
    the outputs did `cooled_k` (< 0) and `heated_k`, and by how the rest changes. The layers come on top."""
    p, h, c, v = unsure, hours, cooled_k, heated_k
    known = p.rr * h * h + 2.0 * h * (c * p.rc + v * p.rh) + c * c * p.cc + 2.0 * c * v * p.ch + v * v * p.hh
    return max(known, 0.0) + restless_k_per_h**2 * h**3 / 3.0


def passed(last: Balance, tick: Tick, believed: bool) -> Balance:
    """The balance after a tick in which nothing was seen: it becomes less sure. Where what was seen before is not
    `believed` any more, or no more is known than at first, only what is on its way goes on."""
    ahead = _ahead(last, tick)
    if believed and last.ticks and not last.blind and ahead.unsure.rr < FIRST_REST_SD_K_PER_H**2:
        return ahead
    return Balance(
        0.0, last.rest_k_per_h, last.cooler, last.heater, Unsure(cc=last.unsure.cc, hh=last.unsure.hh),
        min(last.ticks, AFTER_EVENT_TICKS), ahead.cooling, ahead.heating, blind=True,
    )  # fmt: skip


def restarted(last: Balance) -> Balance:
    """The balance of another wort in the same vessel: how strong the outputs are is all that still holds, to the digits
    that it is worth, since a store writes it once a minute."""
    unsure = Unsure(cc=round(last.unsure.cc, DIGITS), hh=round(last.unsure.hh, DIGITS))
    return Balance(0.0, 0.0, round(last.cooler, DIGITS), round(last.heater, DIGITS), unsure)


def surprised(last: Balance, by_k_per_h: float) -> Balance:
    """The balance when something has come to light that changes the rest by about `by_k_per_h`: it is to be found
    again, and nothing else is to be learnt from that."""
    unsure = last.unsure
    return last._replace(
        unsure=Unsure(ww=unsure.ww, rr=unsure.rr + by_k_per_h**2, cc=unsure.cc, hh=unsure.hh),
        ticks=min(last.ticks, AFTER_EVENT_TICKS),
    )  # fmt: skip


def forgotten(last: Balance, cooler: bool) -> Balance:
    """The balance without what it has learnt of the strength of the cooler, or of the heater."""
    fresh = FIRST_SHARE_SD**2
    if cooler:
        return last._replace(cooler=FIRST_SHARE, unsure=last.unsure._replace(wc=0.0, rc=0.0, ch=0.0, cc=fresh))
    return last._replace(heater=FIRST_SHARE, unsure=last.unsure._replace(wh=0.0, rh=0.0, ch=0.0, hh=fresh))
