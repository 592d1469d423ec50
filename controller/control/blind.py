"""Bounded blind cooling (design rule 2): what happens to a wort that nobody can see any more.

While the signal is fit, the mean of what was applied at a steady setpoint is learnt slowly. Without a fit signal, a
vessel whose file says `signal_loss: bounded` is cooled with nine tenths of that, for a day at most. What bounds it is
`lowest_c`, an energy balance that is kept at every scan for the worst case: no heat of yeast at all, the coldest room,
and a coil stronger than the site file says. A wort with yeast, or in a warmer room, is never colder than that.
"""

from math import exp

from controller.control.balance import AFTER_EVENT_TICKS
from controller.control.course import StepKind
from controller.control.diagnose_words import Around
from controller.control.diagnosis import COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP
from controller.control.doubt import DOUBTS
from controller.control.follow import Course, Moment, deviation_k
from controller.control.interlock import (
    BLIND_TOO_COLD,
    BLIND_TOO_LONG,
    LONGEST_BLIND_S,
    REGULATED,
    floor_c,
)
from controller.control.shaping import near_freezing_duty
from controller.control.site import Output, SignalLoss, Vessel
from controller.control.state import NO_BLIND, Batch, Blind, Mode, VesselState
from controller.control.values import NO_SIGNAL, Demand, Drive, Estimate, Record, RecordKind, Signal
from controller.control.vessel_model import LEAST_REACH_K, WARM_WORT_C, most_loss_w_per_k

LOOK_S = 60.0  # how often the good times are looked at, and how long a signal must be lost before anything is done
# Common practice, no source, from here to the next comment.
RECENT_S = 3 * 3600.0  # memory of the recent duty: many pulses, and short beside a yeast's change of pace
KNOWN_S = 3600.0  # a duty that was learnt for a shorter time is not known
KNOWN_K_PER_H = 0.2  # so sure must the observer be of what the wort does by itself; common practice, no source
STEADY_K_PER_S = 0.05 / 3600.0  # a ramp steeper than this is no steady setpoint
SHARE = 0.9  # of the recent duty: where nothing has changed the wort drifts slowly to the warm side
LEAST_DUTY = 0.01  # a smaller recent duty gives no blind cooling
NEAR_FLOOR_K = 2.0  # a wort that was this near its lower limit is not cooled blindly
SLACK_K = 0.3  # between the balance and the limit: the last pulse, the cold in coil and hose, layers of the wort
COIL_MARGIN = 1.2  # the coil may be so much stronger than the site file says
BATH_STRAY_K = 3.0  # a bath that nobody sees either may be so much colder than it was
# A probe that was found stuck or out of its well has lied for a while; so far the wort may have gone meanwhile.
DOUBTED_K = 1.0
FORBIDDING = (COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP)
HIGH_KRAEUSEN_K_PER_H = 0.6  # where nothing was learnt of this beer: 60 L at 10 °C gain 3.5 K in 6 h (design rule 2)
HARDLY_K_PER_H = 0.02  # half a kelvin in a day: nobody has to hurry


def look(
    vessel: Vessel,
    was: VesselState,
    own: list[Signal],
    course: Course,
    wort: Estimate,
    around: Around,
    outage_open: bool,
    moment: Moment,
    records: list[Record],
) -> Blind:
    """What is remembered for blind times, after this scan. Appends a record where blind cooling begins or is over.
    `outage_open`: the length of an outage is not known yet."""
    last = was.blind
    if wort.drive is not Drive.NOTHING and last.lost_s is None and moment.now_s - last.at_s < LOOK_S:
        return last
    if was.batch is None or course.setpoint is None or course.condition not in REGULATED:
        after = NO_BLIND
    elif wort.drive is Drive.NOTHING:
        after = _lost(vessel, was, was.batch, own, course, around, outage_open, moment)
    else:
        after = _seen(vessel, was, course, wort, around, moment)
    if (after.cool_w > 0.0) != (last.cool_w > 0.0):
        begun = after.cool_w > 0.0
        value, why = "begun" if begun else "over", after.reason or "a signal is fit again"
        records.append(Record(moment.now_s, moment.utc_s, vessel.name, RecordKind.MODE, "blind cooling", value, why))
    return after


def blind_demand(blind: Blind) -> Demand:
    """What the vessel asks for without a fit signal."""
    return Demand(-blind.cool_w, blind.reason)


def foretold(vessel: Vessel, state: VesselState) -> str:
    """What the beer will do without a fit signal, in numbers where they are known: the way it goes, how fast, and when
    that would bring it to its limit."""
    blind, drift = state.blind, _drift(vessel, state)
    if vessel.signal_loss is SignalLoss.OFF or vessel.cooler is None:
        return f"heating and cooling are off; {drift}"
    if blind.cool_w > 0.0:
        hours = _hours_left(blind)
        return f"it is cooled blindly with {blind.cool_w:.0f} W for {hours} h at most; without that, {drift}"
    return f"{blind.reason}; {drift}"


def needed_c(vessel: Vessel, batch: Batch | None, capacity_j_per_k: float, room_c: float, left_s: float) -> float:
    """How warm the wort must be now so that the coldest room alone does not take it to its limit within `left_s`."""
    lowest_c = floor_c(vessel, batch) + SLACK_K
    if room_c >= lowest_c:
        return lowest_c
    return room_c + (lowest_c - room_c) * exp(min(left_s * most_loss_w_per_k(vessel) / capacity_j_per_k, 50.0))


def least_wort_c(vessel: Vessel) -> float:
    """The coldest wort of a full vessel without proven alcohol that would be cooled blindly at all."""
    need_c = needed_c(vessel, None, vessel.heat_capacity_j_per_k, vessel.coldest_room_c, LONGEST_BLIND_S)
    return max(need_c + 0.5 * SLACK_K, floor_c(vessel, None) + NEAR_FLOOR_K)


def capacity_j_per_k(vessel: Vessel, batch: Batch | None) -> float | None:
    """Heat capacity of what is in the vessel; None where the batch's volume is not known."""
    if batch is None or batch.volume_l is None or not batch.volume_l > 0.0:
        return None
    return vessel.heat_capacity_j_per_k * min(1.0, batch.volume_l / vessel.volume_l)


def coil_w_per_k(vessel: Vessel, cooler: Output, blind: Blind) -> float:
    """The most that the running coil takes out per K between wort and glycol, W/K."""
    wort_c = WARM_WORT_C if blind.wort_c is None else min(blind.wort_c, WARM_WORT_C)
    glycol_c = 0.0 if blind.bath_c is None else blind.bath_c
    return COIL_MARGIN * cooler.power_w / max(wort_c - glycol_c, LEAST_REACH_K)


def _seen(vessel: Vessel, was: VesselState, course: Course, wort: Estimate, around: Around, moment: Moment) -> Blind:
    """Another look at a vessel with a fit signal."""
    last, setpoint, before = was.blind, course.setpoint, was.setpoint
    assert setpoint is not None
    wort_c, seen_s = last.wort_c, last.seen_s
    near = wort.drive is Drive.BOTH and abs(deviation_k(setpoint, wort)) <= 0.5 * vessel.alarms.deviation_k
    if near:
        wort_c, seen_s = wort.cold_c, moment.now_s
    if course.settling_best_k is not None or setpoint.low_c < setpoint.high_c:
        # The duty of another setpoint tells nothing about this one.
        return Blind(at_s=moment.now_s, wort_c=wort_c, seen_s=seen_s)
    moved_k = 0.0 if before is None or before is setpoint else abs(setpoint.high_c - before.high_c)
    steady = (
        near
        and course.mode is Mode.AUTO
        and was.mode is Mode.AUTO
        and course.quiet is None
        and was.identification.experiment is None
        and moved_k <= STEADY_K_PER_S * moment.dt_s
    )
    applied_w, bath_c, known_s = last.applied_w, last.bath_c, last.known_s
    given_j = _given_j(vessel, was)
    if steady and last.lost_s is None and last.given_j is not None:
        passed_s = min(moment.now_s - last.at_s, 2.0 * LOOK_S)
        known_s += passed_s
        gain = passed_s / min(known_s, RECENT_S)
        given_w, (least_w, most_w) = (given_j - last.given_j) / (moment.now_s - last.at_s), _powers_w(vessel)
        applied_w += gain * (min(max(given_w, least_w), most_w) - applied_w)
        now_c = around.bath_c
        bath_c = now_c if bath_c is None or now_c is None else bath_c + gain * (now_c - bath_c)
    return Blind(applied_w, bath_c, known_s, moment.now_s, wort_c, seen_s, given_j=given_j)


def _given_j(vessel: Vessel, was: VesselState) -> float:
    """What the outputs have given so far, by the time that they were on and the site file's figures."""
    least_w, most_w = _powers_w(vessel)
    cooled_s = was.cooler.on_s if was.cooler is not None else 0.0
    return least_w * cooled_s + (most_w * was.heater.on_s if was.heater is not None else 0.0)


def _powers_w(vessel: Vessel) -> tuple[float, float]:
    """The least and the most that its outputs can give."""
    return -vessel.cooler.power_w if vessel.cooler else 0.0, vessel.heater.power_w if vessel.heater else 0.0


def _lost(
    vessel: Vessel, was: VesselState, batch: Batch, own: list[Signal], course: Course, around: Around,
    outage_open: bool, moment: Moment,
) -> Blind:  # fmt: skip
    """One more scan without a fit signal: the coldest that the wort can be, and what may be asked for."""
    last = was.blind
    if course.settling_best_k is not None:  # the setpoint has moved since
        last = last._replace(known_s=0.0)
    passed_s = moment.dt_s + moment.outage_s
    cooled_s = moment.dt_s if was.cooler and was.cooler.on else 0.0
    lost_s, lowest_c, wort_c = last.lost_s, last.lowest_c, last.wort_c
    if lost_s is None:  # the cooler may have run all the time since the wort was last known to be where it should be
        heard_s = max((signal.at_s for signal in own if signal.celsius is not None), default=moment.now_s)
        cooled_s = max(moment.now_s - min(heard_s, last.seen_s), LOOK_S)
        passed_s = cooled_s + moment.outage_s
        lost_s = max(moment.now_s - heard_s, 0.0) + moment.outage_s
        lowest_c = (wort_c or 0.0) - (DOUBTED_K if any(signal.cause in DOUBTS for signal in own) else 0.0)
    else:
        lost_s += passed_s
    last = last._replace(lost_s=lost_s, cool_w=0.0)
    cooler, volume = vessel.cooler, capacity_j_per_k(vessel, batch)
    if vessel.signal_loss is not SignalLoss.BOUNDED or wort_c is None or volume is None or cooler is None:
        return last._replace(reason=_why_not(vessel, was, batch, course, last, outage_open))
    room_c = vessel.coldest_room_c if around.room_c is None else min(around.room_c, vessel.coldest_room_c)
    bath_c = _bath_c(last, around)
    lowest_c = _cooled_c(vessel, cooler, last, lowest_c, bath_c, volume, cooled_s)
    if lowest_c > room_c:
        lowest_c = room_c + (lowest_c - room_c) * exp(-min(passed_s * most_loss_w_per_k(vessel) / volume, 50.0))
    last = last._replace(lowest_c=lowest_c)
    need_c = needed_c(vessel, batch, volume, room_c, max(LONGEST_BLIND_S - lost_s, 0.0))
    why_not = _why_not(vessel, was, batch, course, last, outage_open)
    if not why_not and not lowest_c > need_c + (0.0 if was.blind.cool_w > 0.0 else 0.5 * SLACK_K):
        why_not = BLIND_TOO_COLD
    if why_not or lost_s < LOOK_S:
        return last._replace(reason=why_not or NO_SIGNAL)
    cool_w = SHARE * -last.applied_w * near_freezing_duty(lowest_c, need_c)
    if bath_c is not None and last.bath_c is not None and bath_c < last.bath_c < wort_c:
        cool_w *= (wort_c - last.bath_c) / (wort_c - bath_c)  # colder glycol takes out more in the same time
    return last._replace(cool_w=cool_w, reason=_reason(cooler, last, cool_w))


def _why_not(vessel: Vessel, was: VesselState, batch: Batch, course: Course, blind: Blind, outage_open: bool) -> str:
    """Why the vessel is not cooled blindly, or ""; the balance of heat is looked at elsewhere."""
    if vessel.signal_loss is not SignalLoss.BOUNDED or vessel.cooler is None or course.mode is not Mode.AUTO:
        return NO_SIGNAL
    for kind in FORBIDDING:
        if kind in was.faults:
            return f"no blind cooling: {kind}"
    if capacity_j_per_k(vessel, batch) is None:
        return "no blind cooling: the batch's volume is not known"
    if outage_open:
        return "no blind cooling: nobody knows yet how long the service stood still"
    if _crashed(course, batch):
        return "no blind cooling after a crash"
    if blind.wort_c is None or blind.known_s < KNOWN_S:
        return "no blind cooling: no steady hour before the signal was lost"
    if -blind.applied_w < LEAST_DUTY * vessel.cooler.power_w:
        return "no blind cooling: there was hardly any before the signal was lost"
    if blind.wort_c < floor_c(vessel, batch) + NEAR_FLOOR_K:
        return "no blind cooling: the wort was near its lower limit"
    if blind.lost_s is not None and blind.lost_s > LONGEST_BLIND_S:
        return BLIND_TOO_LONG
    return ""


def _crashed(course: Course, batch: Batch) -> bool:
    if batch.profile is None or course.program is None:
        return False
    return any(step.kind is StepKind.CRASH for step in batch.profile.steps[: course.program.step + 1])


def _cooled_c(
    vessel: Vessel, cooler: Output, blind: Blind, wort_c: float, bath_c: float | None, volume: float, for_s: float
) -> float:
    """The coldest wort after the cooler ran for `for_s`. A colder wort gives less to the coil; without a bath that is
    known, the coil is counted as if the wort stayed as it was."""
    if for_s <= 0.0:
        return wort_c
    if bath_c is None:
        return wort_c - COIL_MARGIN * cooler.power_w * for_s / volume
    if wort_c <= bath_c:
        return wort_c
    return bath_c + (wort_c - bath_c) * exp(-min(coil_w_per_k(vessel, cooler, blind) * for_s / volume, 50.0))


def _bath_c(blind: Blind, around: Around) -> float | None:
    """The bath as it is, or the coldest that it may be; None where there never was a reading of it."""
    if blind.bath_c is None or around.bath_c is None:
        return None if blind.bath_c is None else blind.bath_c - BATH_STRAY_K
    return around.bath_c


def _hours_left(blind: Blind) -> int:
    return max(0, round((LONGEST_BLIND_S - (blind.lost_s or 0.0)) / 3600.0))


def _reason(cooler: Output, blind: Blind, cool_w: float) -> str:
    recent = -blind.applied_w / cooler.power_w
    return (
        f"blind cooling: {cool_w / -blind.applied_w:.0%} of the recent duty of {recent:.0%}, "
        f"{_hours_left(blind)} h left"
    )


def _drift(vessel: Vessel, state: VesselState) -> str:
    """What the beer does with neither cooling nor heating, as far as its last hours tell."""
    rate_k_per_h = _trend_k_per_h(vessel, state)
    if rate_k_per_h is None:
        until = _until_its_limit(vessel, state, HIGH_KRAEUSEN_K_PER_H)
        return f"at high kräusen a beer warms by about {HIGH_KRAEUSEN_K_PER_H:g} K an hour{until}"
    if abs(rate_k_per_h) < HARDLY_K_PER_H:
        return "the beer hardly changes its temperature"
    way, until = "warms" if rate_k_per_h > 0.0 else "cools", _until_its_limit(vessel, state, rate_k_per_h)
    return f"the beer {way} by about {abs(rate_k_per_h):.2g} K an hour{until}"


def _trend_k_per_h(vessel: Vessel, state: VesselState) -> float | None:
    """The last known rate of the wort without the outputs: from the observer or the heat balance, which know how strong
    they really are, or from the recent duty and the figures of the site file; None where none has been learnt yet."""
    balance, blind, ahead = state.diagnosis.balance, state.blind, state.observed.thought.ahead
    if 0.0 < ahead.own_sd < KNOWN_K_PER_H:
        return ahead.own_k_per_h
    if balance.ticks >= AFTER_EVENT_TICKS:  # no more are left after a tick in which nothing was seen
        return balance.rest_k_per_h
    if blind.known_s >= KNOWN_S:
        volume = capacity_j_per_k(vessel, state.batch) or vessel.heat_capacity_j_per_k
        return -blind.applied_w / volume * 3600.0
    return None


def _until_its_limit(vessel: Vessel, state: VesselState, rate_k_per_h: float) -> str:
    """When the wort would be at its limit at that rate; "" where nothing was ever known of it."""
    now_c = state.estimate.celsius
    if now_c is None:
        return ""
    limit_c = vessel.limits.high_c if rate_k_per_h > 0.0 else floor_c(vessel, state.batch)
    hours = (limit_c - now_c) / rate_k_per_h
    if hours <= 0.0:
        return f" and is at its limit of {limit_c:.1f} °C already"
    soon = f"{hours / 24.0:.0f} days" if hours > 72.0 else f"{max(hours, 1.0):.0f} h"
    return f" and would be at its limit of {limit_c:.1f} °C in about {soon}"
