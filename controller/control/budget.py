"""The soft budget of starts (design rule 8): who starts too often gets longer pulses and a wider deadband, no less
cooling or heat.

The account is one instant, `OutputState.paid_s`: each start costs a day divided by the budget, and the output is
ahead of its budget by as long as that instant lies in the future.
"""

from controller.control.site import Output, Vessel
from controller.control.state import OutputState, VesselState

DAY_S = 86400.0
# So far ahead is a burst that needs no answer: two hours' starts, or two where the budget is small.
BURST_S = 2 * 3600.0  # common practice, no source
BURST_STARTS = 2.0
LONGEST_STRETCH = 10.0
# Pulses are not stretched beyond what lets the wort swing by so much, and a deadband not widened beyond it.
SWING_K = 1.0  # common practice, no source
# Farther above its setpoint (below it, for a heater) the wort runs away, and nobody counts starts.
RUNAWAY_K = 1.0  # common practice, no source


def paid_s(output: Output, last_paid_s: float, now_s: float) -> float:
    """When the budget has paid for all starts, one more of which is made now. More than what stretches most is
    forgiven: a week that could not keep to its budget does not weigh on the next."""
    later_s = max(last_paid_s, now_s) + DAY_S / output.starts_per_day
    return min(later_s, now_s + LONGEST_STRETCH * _burst_s(output))


def starts_ahead(output: Output, state: OutputState, now_s: float) -> float:
    """How many starts the output has made that its budget has not paid for yet."""
    return max(0.0, state.paid_s - now_s) / DAY_S * output.starts_per_day


def stretch(output: Output, state: OutputState, now_s: float, away_k: float) -> float:
    """By how much pulses are to be longer, or a deadband wider: 1 within the budget, at most `LONGEST_STRETCH`.

    It grows in proportion to how far the output is ahead, so that it settles where starts and budget are equal.
    `away_k` is how far the wort is on that side of its setpoint from which the output brings it back.
    """
    ahead_s = state.paid_s - now_s
    if ahead_s <= BURST_S or away_k > RUNAWAY_K:
        return 1.0
    return min(max(1.0, ahead_s / _burst_s(output)), LONGEST_STRETCH)


def stretched_cycle_s(
    vessel: Vessel,
    output: Output,
    state: OutputState,
    duty: float,
    now_s: float,
    away_k: float,
    room_k: float = SWING_K,
) -> float:
    """The cycle of the output's pulses at a duty of 0..1: the loop's own while the budget lasts, and where the wort has
    no `room_k` to swing before it comes to a limit."""
    cycle_s = vessel.loop.cycle_s
    longer = stretch(output, state, now_s, away_k)
    pulsing_w = output.power_w * duty * (1.0 - duty)
    swing_k = min(SWING_K, max(room_k, 0.0))
    if longer == 1.0 or pulsing_w <= 0.0:
        return cycle_s
    return min(cycle_s * longer, max(cycle_s, swing_k * vessel.heat_capacity_j_per_k / pulsing_w))


def widened_k(deadband_k: float, longer: float) -> float:
    """The deadband of an on/off loop whose output is ahead of its budget, in K."""
    return min(deadband_k * longer, max(deadband_k, SWING_K))


def overspent(vessel: Vessel, cooler: OutputState | None, heater: OutputState | None, now_s: float) -> str:
    """ "cooler" or "heater", where that output starts more often than its budget allows, else ""."""
    if cooler is not None and cooler.paid_s - now_s > BURST_S and _spent(vessel.cooler, cooler, now_s):
        return "cooler"
    if heater is not None and heater.paid_s - now_s > BURST_S and _spent(vessel.heater, heater, now_s):
        return "heater"
    return ""


def slower(vessel: Vessel, state: VesselState, now_s: float) -> float:
    """By how much the deadband of an on/off loop is to be wider for the sake of either output's budget."""
    pairs = ((vessel.cooler, state.cooler), (vessel.heater, state.heater))
    return max([stretch(part, now, now_s, 0.0) for part, now in pairs if part and now], default=1.0)


def _burst_s(output: Output) -> float:
    return max(BURST_S, BURST_STARTS * DAY_S / output.starts_per_day)


def _spent(output: Output | None, state: OutputState, now_s: float) -> bool:
    return output is not None and stretch(output, state, now_s, 0.0) > 1.0
