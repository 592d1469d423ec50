"""What goes on in a vessel, out of what its probes show and what its outputs did: a Kalman filter after the network of
`vessel_model`. The network runs at every scan; once a minute what was shown corrects wort, unexplained warming (yeast,
room, error) and, slowly and within bounds, the shares of cooler, heater, hold-up and loss.

Source of the filter: R. E. Kalman, J. Basic Engineering 82 (1960) 35-45. While nothing may be learnt of the shares,
only wort and rest are corrected: the filter of a "considered" parameter (S. F. Schmidt, 1966; from memory).
"""

from math import cbrt, exp, sqrt
from typing import NamedTuple

from controller.control.outlook import Outlook, outlook
from controller.control.vessel_model import Nodes, Rates, Shares, advanced

TICK_S = 60.0
# What is known before anything was seen, standard deviations: rest in K/h, shares of the nominal figures (a site file
# is 30 % wrong, and nobody tells it the hold-up or the loss).
REST_SD_K_PER_H, COOLER_SD, HEATER_SD, HOLD_SD, LOSS_SD, WRAP_SD = 0.6, 0.45, 0.35, 0.6, 0.6, 0.15
# Shares stay within these bounds, whatever is seen: outside them it is a fault or another plant.
BOUNDS = ((0.3, 3.5), (0.3, 3.0), (0.15, 5.0), (0.2, 4.0), (0.3, 3.0))
# What changes in a minute by itself: the wort beside the network (K), a share of what an output did (flow wanders,
# layers form), the shares in a day.
WORT_SD_K, OUTPUT_SD, SHARE_SD_PER_DAY, SHARE_ON_SD = 0.003, 0.25, 0.08, 0.01
# A fresh wort shares its heat with a vessel of another temperature, and layers form: for the first `FRESH_TICKS` the
# wort changes by more. Loss is told from the rest by days, not by the first hours.
FRESH_SD_K, FRESH_TICKS, LOSS_TICKS = 0.08, 10.0, 120
# What a minute's mean strays from the network's probe: its step and noise; and layers while an output works, a share of
# what it moved the wort by lately.
STRAY_SD_K, LAYERS_SHARE, LAYERS_S = 0.04, 0.10, 1200.0
# A pulse's course is drawn by layers and lags that nobody knows, what it did in all by the wort that has mixed again:
# meanwhile nothing of it corrects much, as if it strayed by this share more, but no further than `MOST_COURSE_K`. Who
# looks for faults counts half of that.
COURSE_SHARE, MOST_COURSE_K, LOOKS_SHARE = 0.5, 0.12, 0.5
# A minute further from what was expected than this is a lid, a hand, another wort: nothing is learnt of the shares for
# `CAREFUL_S`, and the rest is found again.
EVENT_K, CAREFUL_S = 0.8, 3600.0
MOST_REST_K_PER_H = 6.0
MOST_REST_VARIANCE = 4.0 * REST_SD_K_PER_H**2
# How fast the rest changes, a random walk, K/h after an hour: yeast, and (by the surface) what is not known of a room.
RESTLESS_YEAST, RESTLESS_ROOM = 0.01, 0.02
# What is shown strays to both sides of what was expected. Where its mean over `BIAS_TICKS`, in standard deviations, is
# further out than `MOST_BIAS`, the rest is wrong and changes faster, by `RESTLESS_BIAS` for each one more.
BIAS_TICKS, MOST_BIAS, RESTLESS_BIAS = 20.0, 0.5, 1.0
# The room as it is counted follows its probe no faster than a room can change: one that jumps changes little at once.
ROOM_S, ROOM_K_PER_H = 600.0, 6.0
SURE_AFTER_TICKS = 3
# All figures: common practice, no source; they were tried on the random plants of the benches.


class Unsure(NamedTuple):
    """Covariances of wort w (K), rest r (K/h), and the shares of cooler c, heater h, hold-up d, loss l, wrap's lag g.
    Cooler and hold-up have to do with heater and wrap by way of wort and rest alone."""

    ww: float = 0.0
    wr: float = 0.0
    wc: float = 0.0
    wh: float = 0.0
    wd: float = 0.0
    wl: float = 0.0
    wg: float = 0.0
    rr: float = REST_SD_K_PER_H**2
    rc: float = 0.0
    rh: float = 0.0
    rd: float = 0.0
    rl: float = 0.0
    rg: float = 0.0
    cc: float = COOLER_SD**2
    ch: float = 0.0
    cd: float = 0.0
    cl: float = 0.0
    hh: float = HEATER_SD**2
    hd: float = 0.0
    hl: float = 0.0
    hg: float = 0.0
    dd: float = HOLD_SD**2
    dl: float = 0.0
    ll: float = LOSS_SD**2
    lg: float = 0.0
    gg: float = WRAP_SD**2


class Sums(NamedTuple):
    """Over the minute under way: seconds, seconds with a fit signal, K s by which the probe showed more than the
    network's, and what moved the wort (see `Moved`)."""

    passed_s: float = 0.0
    fit_s: float = 0.0
    off_ks: float = 0.0
    cooled_k: float = 0.0
    heated_k: float = 0.0
    lost_k: float = 0.0
    by_hold_k: float = 0.0
    by_lag_k: float = 0.0


class Look(NamedTuple):
    """What one minute's look did to the filter: how long the minute was, h; by how much more was shown than expected,
    K, and the variance of that; how much of it corrects wort, rest and the shares (a gain of 0: not corrected); what
    one unit of each share did to the wort, K; by how much the cooler cooled and the heater heated, K."""

    hours: float
    off_k: float
    spread: float
    gains: tuple[float, ...]
    by_share_k: tuple[float, ...]
    cooled_k: float
    heated_k: float


class Thought(NamedTuple):
    """What was thought of one vessel at the last look. `rest_k_per_h` is the warming that nothing else explains;
    `room_c` the room as it is counted; `layers_k` how much the outputs have moved the wort lately, which leaves layers;
    `bias` is the mean of what the last minutes showed beyond what was expected, in standard deviations;
    `ticks` are the minutes seen since the beginning or an event (-1: nothing yet); nothing is learnt of the shares
    before `careful_s` have passed. `cooling` and `heating` say what is on since, `ahead` what is coming."""

    nodes: Nodes = Nodes(0.0, 0.0)
    rest_k_per_h: float = 0.0
    shares: Shares = Shares()
    sums: Sums = Sums()
    unsure: Unsure = Unsure()
    rate: Rates = Rates(0.0, 0.0, 0.0)
    room_c: float | None = None
    layers_k: float = 0.0
    bias: float = 0.0
    ticks: int = -1
    careful_s: float = 0.0
    cooling: bool = False
    heating: bool = False
    ahead: Outlook = Outlook()
    look: Look | None = None


class Observed(NamedTuple):
    """The last thought, and what came since: seconds, seconds with a fit signal, K s that the probes showed."""

    thought: Thought = Thought()
    passed_s: float = 0.0
    fit_s: float = 0.0
    shown_ks: float = 0.0

    @property
    def rate(self) -> Rates:
        """The site file's figures as rates."""
        return self.thought.rate

    @property
    def shares(self) -> Shares:
        """What was learnt beside them."""
        return self.thought.shares


class Seen(NamedTuple):
    """What a look tells: the mean of the fit signals (None: none), what the outputs do, bath and room in °C, whether a
    fault or doubt forbids learning, whether the bath was measured, the vessel's volume and nominal rates."""

    wort_c: float | None
    cooling: bool
    heating: bool
    bath_c: float
    room_c: float
    learns: bool
    measured: bool
    volume_l: float
    rate: Rates


NOT_OBSERVED = Observed()
_NO_SUMS, _NO_NODES = Sums(), Nodes(0.0, 0.0)
DIGITS = 5


def sure(last: Observed) -> bool:
    """Whether the observer's wort is better than the probe's own."""
    return last.thought.ticks >= SURE_AFTER_TICKS


def opened(last: Observed, wort_c: float | None, cooling: bool, heating: bool, dt_s: float) -> Observed | None:
    """The memory after one more scan in which nothing changed; None when it is time for a look."""
    thought, passed_s, fit_s, shown_ks = last
    if (
        thought.ticks < 0
        or cooling is not thought.cooling
        or heating is not thought.heating
        or passed_s + thought.sums.passed_s + dt_s >= TICK_S - 0.1
    ):
        return None
    if wort_c is None:
        return Observed(thought, passed_s + dt_s, fit_s, shown_ks)
    return Observed(thought, passed_s + dt_s, fit_s + dt_s, shown_ks + wort_c * dt_s)


def closed(last: Observed, seen: Seen, dt_s: float) -> Observed:
    """What is thought after a look: the time since the last one is reckoned with what was on in it."""
    thought, passed_s, fit_s, shown_ks = last
    wort_c = seen.wort_c
    if thought.ticks < 0:
        return last if wort_c is None else Observed(_begun(thought, wort_c, seen))
    if seen.cooling is not thought.cooling or seen.heating is not thought.heating:
        if passed_s > 0.0:
            thought = _gone(thought, seen, passed_s, fit_s, shown_ks)
            passed_s = fit_s = shown_ks = 0.0
        thought = thought._replace(cooling=seen.cooling, heating=seen.heating)
    passed_s += dt_s
    if wort_c is not None:
        fit_s, shown_ks = fit_s + dt_s, shown_ks + wort_c * dt_s
    if passed_s + thought.sums.passed_s < TICK_S - 0.1 or passed_s <= 0.0:
        return Observed(_foreseen(thought, seen), passed_s, fit_s, shown_ks)
    thought = _struck(_gone(thought, seen, passed_s, fit_s, shown_ks), seen)
    return Observed(_foreseen(thought, seen))


def _gone(last: Thought, seen: Seen, passed_s: float, fit_s: float, shown_ks: float) -> Thought:
    """The thought after `passed_s` with its outputs as they were."""
    room_c = last.room_c
    if room_c is None:
        room_c = seen.room_c
    else:
        most_k = ROOM_K_PER_H * passed_s / 3600.0
        room_c += min(max((seen.room_c - room_c) * passed_s / (ROOM_S + passed_s), -most_k), most_k)
    nodes, moved = advanced(
        last.nodes, last.rate, last.shares, last.rest_k_per_h, last.cooling, last.heating, seen.bath_c, room_c, passed_s
    )
    sums = last.sums
    off_ks = shown_ks - 0.5 * (last.nodes.shown_c + nodes.shown_c) * fit_s
    sums = Sums(
        sums.passed_s + passed_s, sums.fit_s + fit_s, sums.off_ks + off_ks, sums.cooled_k + moved.cooled_k,
        sums.heated_k + moved.heated_k, sums.lost_k + moved.lost_k, sums.by_hold_k + moved.by_hold_k,
        sums.by_lag_k + moved.by_lag_k,
    )  # fmt: skip
    return last._replace(nodes=nodes, sums=sums, room_c=room_c)


def _foreseen(now: Thought, seen: Seen) -> Thought:
    ahead = outlook(
        now.nodes, now.rate, now.shares, now.rest_k_per_h, seen.room_c if now.room_c is None else now.room_c,
        seen.bath_c, now.cooling, now.heating, now.unsure.dd, now.unsure.rr,
    )  # fmt: skip
    return now._replace(ahead=ahead)


def _begun(last: Thought, wort_c: float, seen: Seen) -> Thought:
    """Another beginning, of a new wort or after an event: the shares still hold, and how sure they are."""
    unsure = _of_shares(last.unsure)._replace(ww=0.05**2)
    nodes = last.nodes._replace(wort_c=wort_c, shown_c=wort_c, coil_by_hold=0.0, wrap_by_lag=0.0)
    begun = last._replace(
        nodes=nodes,
        sums=_NO_SUMS,
        unsure=unsure,
        ticks=0,
        look=None,
        rate=seen.rate,
        cooling=seen.cooling,
        heating=seen.heating,
    )
    return _foreseen(begun, seen)


def _of_shares(unsure: Unsure) -> Unsure:
    """How sure the shares are, when wort and rest are to be found again."""
    return Unsure(cc=unsure.cc, cd=unsure.cd, hh=unsure.hh, hg=unsure.hg, dd=unsure.dd, ll=unsure.ll, gg=unsure.gg)


def parted(last: Observed, emptied: bool) -> Observed:
    """What is kept when nobody watches for a while (the wort is found again), or when the beer has gone: the shares, to
    the digits that they are worth, since a store writes them once a minute."""
    thought = last.thought
    if thought.ticks < 0 and not (emptied and thought.rest_k_per_h):
        return last
    rest = 0.0 if emptied else round(thought.rest_k_per_h, DIGITS)
    shares = Shares(*(round(share, DIGITS) for share in thought.shares))
    unsure = Unsure(*(round(variance, DIGITS) for variance in _of_shares(thought.unsure)))
    return Observed(Thought(_NO_NODES, rest, shares, _NO_SUMS, unsure, thought.rate))


def forgotten(last: Observed, cooler: bool) -> Observed:
    """What is thought without what was learnt of the cooler and its coil, or of the heater."""
    shares, old, fresh = last.thought.shares, last.thought.unsure, Unsure()
    if cooler:
        unsure = old._replace(wc=0.0, rc=0.0, ch=0.0, cd=0.0, cl=0.0, wd=0.0, rd=0.0, hd=0.0, dl=0.0)
        unsure = unsure._replace(cc=fresh.cc, dd=fresh.dd)
        shares = shares._replace(cooler=1.0, hold=1.0)
    else:
        unsure = old._replace(wh=0.0, rh=0.0, ch=0.0, hd=0.0, hl=0.0, hg=0.0, wg=0.0, rg=0.0, lg=0.0)
        unsure = unsure._replace(hh=fresh.hh, gg=fresh.gg)
        shares = shares._replace(heater=1.0, wrap=1.0)
    return last._replace(thought=last.thought._replace(shares=shares, unsure=unsure))


def surprised(last: Observed, by_k_per_h: float) -> Observed:
    """What is thought when something has come to light that changes the rest by about `by_k_per_h`: it is to be found
    again."""
    thought = last.thought
    unsure = thought.unsure._replace(rr=min(thought.unsure.rr + by_k_per_h**2, MOST_REST_VARIANCE))
    return last._replace(thought=thought._replace(unsure=unsure))


def counted_on(last: Observed, bath_c: float) -> Observed:
    """What is thought when a cooler on which nobody counted turns out to work: its coil is full of cold glycol."""
    nodes = last.thought.nodes
    nodes = nodes._replace(coil_k=max(nodes.wort_c - bath_c, 0.0))
    return last._replace(thought=last.thought._replace(nodes=nodes))


def _struck(now: Thought, seen: Seen) -> Thought:
    """The minute is over: what was shown corrects what is thought."""
    nodes, rest, shares, sums, unsure, layers_k, ticks = (
        now.nodes, now.rest_k_per_h, now.shares, now.sums, now.unsure, now.layers_k, now.ticks,
    )  # fmt: skip
    wort_c = seen.wort_c
    careful_s = now.careful_s
    hours = sums.passed_s / 3600.0
    careful_s = max(0.0, careful_s - sums.passed_s)
    ww, wr, wc, wh, wd, wl, wg, rr, rc, rh, rd, rl, rg, cc, ch, cd, cl, hh, hd, hl, hg, dd, dl, ll, lg, gg = unsure
    # ahead: w + r hours + c pc + h ph + d pd + l pl + g pg
    pc, ph = -sums.cooled_k / shares.cooler, sums.heated_k / shares.heater
    pd, pl, pg = sums.by_hold_k, sums.lost_k / shares.loss, sums.by_lag_k
    ww += hours * wr + pc * wc + ph * wh + pd * wd + pl * wl + pg * wg
    wr += hours * rr + pc * rc + ph * rh + pd * rd + pl * rl + pg * rg
    wc += hours * rc + pc * cc + ph * ch + pd * cd + pl * cl
    wh += hours * rh + pc * ch + ph * hh + pd * hd + pl * hl + pg * hg
    wd += hours * rd + pc * cd + ph * hd + pd * dd + pl * dl
    wl += hours * rl + pc * cl + ph * hl + pd * dl + pl * ll + pg * lg
    wg += hours * rg + ph * hg + pl * lg + pg * gg
    ww += hours * wr + pc * wc + ph * wh + pd * wd + pl * wl + pg * wg
    by_outputs_k = abs(sums.cooled_k) + abs(sums.heated_k)
    ww += (WORT_SD_K + FRESH_SD_K * exp(-ticks / FRESH_TICKS)) ** 2 + (OUTPUT_SD * by_outputs_k) ** 2
    restless = RESTLESS_YEAST + RESTLESS_ROOM / cbrt(seen.volume_l)
    restless += RESTLESS_BIAS * max(0.0, abs(now.bias) - MOST_BIAS)
    rr = min(rr + restless * restless * hours, MOST_REST_VARIANCE)
    drift = SHARE_SD_PER_DAY**2 * hours / 24.0
    cc, hh = min(cc + (drift if seen.measured else 4.0 * drift), COOLER_SD**2), min(hh + drift, HEATER_SD**2)
    if sums.cooled_k > 0.0:
        cc += SHARE_ON_SD**2
    dd, ll = min(dd + drift, HOLD_SD**2), min(ll + 0.1 * drift, LOSS_SD**2)
    gg = min(gg + 0.1 * drift, WRAP_SD**2)
    layers_k = layers_k * max(0.0, 1.0 - sums.passed_s / LAYERS_S) + by_outputs_k
    if sums.fit_s < 0.5 * sums.passed_s:
        blind = Unsure(
            ww, wr, wc, wh, wd, wl, wg, rr, rc, rh, rd, rl, rg, cc, ch, cd, cl, hh, hd, hl, hg, dd, dl, ll, lg, gg
        )
        return now._replace(
            look=None,
            sums=_NO_SUMS,
            unsure=blind,
            layers_k=layers_k,
            ticks=min(ticks, 0),
            careful_s=careful_s,
            rate=seen.rate,
        )
    off_k = sums.off_ks / sums.fit_s
    if wort_c is not None and (abs(off_k) > EVENT_K or ww > EVENT_K**2):
        careful_s = CAREFUL_S if abs(off_k) > EVENT_K else careful_s
        return _begun(now._replace(careful_s=careful_s, layers_k=layers_k), wort_c, seen)
    course_k = min(COURSE_SHARE * layers_k, MOST_COURSE_K)
    spread = ww + STRAY_SD_K**2 + (LAYERS_SHARE * layers_k) ** 2 + course_k**2
    usual = spread - (1.0 - LOOKS_SHARE**2) * course_k**2
    if off_k * off_k > 4.0 * spread:  # the network is wrong somewhere: the wort follows the probe, the shares do not
        more = 0.5 * (off_k * off_k - 4.0 * spread)
        ww, spread = ww + more, spread + more
    bias = now.bias + (off_k / sqrt(spread) - now.bias) / BIAS_TICKS
    gw, gr = ww / spread, wr / spread
    wort = nodes.wort_c + gw * off_k
    nodes = Nodes(wort, nodes.shown_c + gw * off_k, nodes.coil_k, nodes.wrap, nodes.coil_by_hold, nodes.wrap_by_lag)
    rest = min(max(rest + gr * off_k, -MOST_REST_K_PER_H), MOST_REST_K_PER_H)
    gains = (gw, gr, 0.0, 0.0, 0.0, 0.0, 0.0)
    if seen.learns and careful_s == 0.0:
        gc, gh, gd, gl = wc / spread, wh / spread, wd / spread, wl / spread if ticks >= LOSS_TICKS else 0.0
        gn = wg / spread
        gains = (gw, gr, gc, gh, gd, gl, gn)
        cooler, heater, hold, loss, wrap = shares
        (least_c, most_c), (least_h, most_h), (least_d, most_d), (least_l, most_l), (least_g, most_g) = BOUNDS
        shares = Shares(
            min(max(cooler + gc * off_k, least_c), most_c),
            min(max(heater + gh * off_k, least_h), most_h),
            min(max(hold + gd * off_k, least_d), most_d),
            min(max(loss + gl * off_k, least_l), most_l),
            min(max(wrap + gn * off_k, least_g), most_g),
        )
        unsure = Unsure(
            ww - gw * ww, wr - gw * wr, wc - gw * wc, wh - gw * wh, wd - gw * wd, wl - gw * wl, wg - gw * wg,
            rr - gr * wr, rc - gr * wc, rh - gr * wh, rd - gr * wd, rl - gr * wl, rg - gr * wg,
            cc - gc * wc, ch - gc * wh, cd - gc * wd, cl - gc * wl,
            hh - gh * wh, hd - gh * wd, hl - gh * wl, hg - gh * wg,
            dd - gd * wd, dl - gd * wl, ll - gl * wl, lg - gl * wg, gg - gn * wg,
        )  # fmt: skip
    else:
        unsure = Unsure(
            ww - gw * ww, wr - gw * wr, wc - gw * wc, wh - gw * wh, wd - gw * wd, wl - gw * wl, wg - gw * wg,
            rr - gr * wr, rc - gr * wc, rh - gr * wh, rd - gr * wd, rl - gr * wl, rg - gr * wg,
            cc, ch, cd, cl, hh, hd, hl, hg, dd, dl, ll, lg, gg,
        )  # fmt: skip
    look = Look(hours, off_k, usual, gains, (pc, ph, pd, pl, pg), sums.cooled_k, sums.heated_k)
    return now._replace(
        look=look, nodes=nodes, rest_k_per_h=rest, shares=shares, sums=_NO_SUMS, unsure=unsure, layers_k=layers_k,
        bias=bias, ticks=ticks + 1, careful_s=careful_s, rate=seen.rate,
    )  # fmt: skip
