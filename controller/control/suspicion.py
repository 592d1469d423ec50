"""How far a wort bears out that an output is at fault: what the fault would have made the observer see, against what
it saw.

Had a fault begun at a certain minute, the observer, which knows nothing of it, would have been wrong since by a course
that can be reckoned: its network carries the error on, and its own corrections take part of it back. What was shown
beyond the expected is held against that course, minute by minute: a generalized likelihood ratio (A. S. Willsky and
H. L. Jones, IEEE Trans. Automatic Control 21 (1976) 108-112). Since it is not known when a fault begins, it begins anew
whenever the wort speaks against it (E. S. Page, Biometrika 41 (1954) 100-115).
"""

from math import exp, sqrt
from typing import NamedTuple

from controller.control.observer import Look, Thought
from controller.control.vessel_model import PROBE_S, RISES_S, WRAP_S

# An output at fault has from `LEAST_SHARE` to `MOST_SHARE` of the strength that it is taken for. What else may happen
# (a lid, sun, a wrong share, a room that nobody measures) does what less than `ELSE_SHARE` of it would do.
LEAST_SHARE, MOST_SHARE, ELSE_SHARE = 0.6, 1.6, 0.35
# The evidence, a logarithm of a ratio of likelihoods, at which a suspicion begins anew; and how long it lasts at most.
AGAINST = -1.0
LONGEST_S = 2 * 3600.0
# Beside each suspicion a younger one is begun as often as this, since what an old one expects the observer has learnt
# to expect too. It takes the place of the older when it has so much more evidence.
YOUNGER_S, MORE = 2700.0, 0.5
CLIPPED = 3.0  # a minute counts for no more than so many standard deviations
# An observer as young as this does not know yet what a fresh wort does.
YOUNG_TICKS = 20
# All figures: common practice, no source; they were tried on the random plants of the benches.


class Suspicion(NamedTuple):
    """Of one fault. `wrong` is by how much the observer would be wrong by now: wort (K), rest (K/h), the shares of
    cooler, heater, hold-up, loss, wrap's lag; `shown_k` what its probe would show more than it expects. `reach` is what
    coil (K) or wrap (0..1) would hold if the output ran on. `borne` and `could` are the sums of what was shown and of
    what would have been, over their variance. It began `lasted_s` ago in a wort of `began_c`, to which the fault would
    have given `moved_k` since, and to which the other output has given `opposed_k` meanwhile (>= 0)."""

    wrong: tuple[float, ...] = (0.0,) * 7
    shown_k: float = 0.0
    reach: float = 0.0
    borne: float = 0.0
    could: float = 0.0
    lasted_s: float = 0.0
    moved_k: float = 0.0
    began_c: float = 0.0
    opposed_k: float = 0.0

    @property
    def share(self) -> float:
        """How much of the fault explains best what was seen: 1 is all of it."""
        return self.borne / self.could if self.could > 0.0 else 0.0

    @property
    def share_sd(self) -> float:
        """The standard deviation of `share`."""
        return float(self.could**-0.5) if self.could > 0.0 else 1.0

    @property
    def evidence(self) -> float:
        """The logarithm of how much likelier what was seen is with the fault than with anything else (< 0: less)."""
        return self.explains - self._likelihood(min(max(self.share, -ELSE_SHARE), ELSE_SHARE))

    @property
    def explains(self) -> float:
        """The logarithm of how much likelier what was seen is with the fault than with nothing at all."""
        return self._likelihood(min(max(self.share, LEAST_SHARE), MOST_SHARE))

    @property
    def explains_in_part(self) -> float:
        """The same, with any part of the fault."""
        return self._likelihood(min(max(self.share, 0.0), MOST_SHARE))

    def _likelihood(self, share: float) -> float:
        return share * self.borne - 0.5 * share * share * self.could


class Suspicions(NamedTuple):
    """What may be wrong with the outputs of a vessel, and whether a cooler that was without effect `cooler_works`
    again, which is borne out in the same way; None where there is nothing to go by."""

    cooler_no_effect: Suspicion | None = None
    cooler_will_not_stop: Suspicion | None = None
    heater_no_effect: Suspicion | None = None
    heater_will_not_stop: Suspicion | None = None
    cooler_works: Suspicion | None = None


NOBODY = Suspicions()


class Outputs(NamedTuple):
    """What a vessel has. `tried`: the observer does not count on its cooler, which was found without effect; None:
    it does. True while that cooler is commanded on."""

    cooler: bool
    heater: bool
    tried: bool | None


def suspected(
    last: Suspicions, younger: Suspicions, thought: Thought, bath_c: float, outputs: Outputs
) -> tuple[Suspicions, Suspicions]:
    """The suspicions and the younger ones beside them, after one more look of the observer."""
    if thought.look is None or thought.ticks < YOUNG_TICKS:
        return NOBODY, NOBODY
    now = _gone_on_all(last, thought, thought.look, bath_c, outputs)
    new = _gone_on_all(younger, thought, thought.look, bath_c, outputs)
    pairs = [_elder(one, other) for one, other in zip(now, new, strict=True)]
    return Suspicions(*(one for one, _ in pairs)), Suspicions(*(other for _, other in pairs))


def _elder(one: Suspicion | None, other: Suspicion | None) -> tuple[Suspicion | None, Suspicion | None]:
    """The suspicion to go by, and the one beside it."""
    if one is None or other is None:
        return one, None
    if other.evidence > one.evidence + MORE:
        return other, None
    return one, None if other.lasted_s >= YOUNGER_S else other


def _gone_on_all(last: Suspicions, thought: Thought, look: Look, bath_c: float, outputs: Outputs) -> Suspicions:
    dead_cooler = stuck_cooler = dead_heater = stuck_heater = works = None
    if outputs.cooler:
        stuck_cooler = _cools(last.cooler_will_not_stop, thought, look, bath_c, True)
        if outputs.tried is None:
            dead_cooler = _without_effect(last.cooler_no_effect, thought, look, look.cooled_k)
        else:
            works = _cools(last.cooler_works, thought, look, bath_c, outputs.tried)
    if outputs.heater:
        dead_heater = _without_effect(last.heater_no_effect, thought, look, -look.heated_k)
        stuck_heater = _heats_on(last.heater_will_not_stop, thought, look)
    return Suspicions(dead_cooler, stuck_cooler, dead_heater, stuck_heater, works)


def _without_effect(last: Suspicion | None, thought: Thought, look: Look, missing_k: float) -> Suspicion:
    """Nothing comes of the output, though the observer counts on it."""
    return _gone_on(_kept(last, thought, 0.0), look, missing_k, 0.0)


def _cools(last: Suspicion | None, thought: Thought, look: Look, bath_c: float, runs: bool) -> Suspicion:
    """The pump runs and cools, whatever the observer knows of."""
    last = _kept(last, thought, thought.nodes.coil_k)
    dt_s, reach_k = look.hours * 3600.0, max(thought.nodes.wort_c - bath_c, 0.0) if runs else 0.0
    kept = exp(-dt_s / RISES_S)
    mean_k = reach_k + (last.reach - reach_k) * (1.0 - kept) * RISES_S / dt_s
    full_k = thought.rate.coil_per_h * thought.shares.cooler * look.hours * mean_k
    return _gone_on(
        last, look, min(look.cooled_k - full_k, 0.0), reach_k + (last.reach - reach_k) * kept, look.heated_k
    )


def _heats_on(last: Suspicion | None, thought: Thought, look: Look) -> Suspicion:
    """The heater runs on, whatever was commanded."""
    last = _kept(last, thought, thought.nodes.wrap)
    dt_s, lag_s = look.hours * 3600.0, thought.shares.wrap * WRAP_S
    kept = exp(-dt_s / lag_s)
    mean = 1.0 + (last.reach - 1.0) * (1.0 - kept) * lag_s / dt_s
    full_k = thought.rate.heater_k_per_h * thought.shares.heater * look.hours * mean
    return _gone_on(last, look, max(full_k - look.heated_k, 0.0), 1.0 + (last.reach - 1.0) * kept, look.cooled_k)


def _kept(last: Suspicion | None, thought: Thought, reach: float) -> Suspicion:
    """The suspicion as it is gone on with, or another that begins now with what coil or wrap hold."""
    if last is not None and last.evidence > AGAINST and last.lasted_s <= LONGEST_S:
        return last
    return Suspicion(reach=reach, began_c=thought.nodes.wort_c)


def _gone_on(last: Suspicion, look: Look, by_k: float, reach: float, opposed_k: float = 0.0) -> Suspicion:
    """After one more minute, in which the fault would have warmed the wort by `by_k` more than the observer knows."""
    wort, rest, cooler, heater, hold, loss, wrap = last.wrong
    by_cooler_k, by_heater_k, by_hold_k, by_loss_k, by_wrap_k = look.by_share_k
    to_wort, to_rest, to_cooler, to_heater, to_hold, to_loss, to_wrap = look.gains
    after = wort + look.hours * rest + by_k + by_cooler_k * cooler + by_heater_k * heater
    after += by_hold_k * hold + by_loss_k * loss + by_wrap_k * wrap
    shown_k = last.shown_k + (0.5 * (wort + after) - last.shown_k) * (1.0 - exp(-look.hours * 3600.0 / PROBE_S))
    expected_k = 0.5 * (last.shown_k + shown_k)
    most_k = CLIPPED * sqrt(look.spread)
    off_k = min(max(look.off_k, -most_k), most_k)
    return Suspicion(
        (
            after - to_wort * expected_k, rest - to_rest * expected_k, cooler - to_cooler * expected_k,
            heater - to_heater * expected_k, hold - to_hold * expected_k, loss - to_loss * expected_k,
            wrap - to_wrap * expected_k,
        ),
        shown_k - to_wort * expected_k,
        reach,
        last.borne + off_k * expected_k / look.spread,
        last.could + expected_k * expected_k / look.spread,
        last.lasted_s + look.hours * 3600.0,
        last.moved_k + by_k,
        last.began_c,
        last.opposed_k + opposed_k,
    )  # fmt: skip
