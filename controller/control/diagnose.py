"""The verdict on devices: from the temperatures, which output does not do what it was told (design rule 5), and which
probe cannot be believed. Looks at what was commanded and at what the probes say, once a minute. It decides nothing
about the outputs: the interlock does that with the faults that are found here, and `trust` with the doubts.
"""

from collections.abc import Mapping
from math import inf

from controller.control.balance import (
    AFTER_EVENT_TICKS,
    HOUR_S,
    TICK_S,
    YOUNG_TICKS,
    Balance,
    Tick,
    balanced,
    full_cooling_k_per_h,
    lid_k_per_h,
    passed,
    restless,
)
from controller.control.cold_row import COLD_SHARE, cold_row
from controller.control.diagnose_words import Around
from controller.control.diagnosis import (
    COOLER_NO_EFFECT,
    COOLER_WILL_NOT_STOP,
    HEATER_WILL_NOT_STOP,
    Diagnosis,
    Minute,
    put_away,
)
from controller.control.doubt import DOUBTS, Pace, ProbeMemory, course_from, doubted
from controller.control.estimate import fit_mean_c
from controller.control.follow import Moment
from controller.control.nature import beyond_s
from controller.control.observer import Thought
from controller.control.probing import due, pulse_s
from controller.control.site import Vessel
from controller.control.state import VesselState
from controller.control.suspicion import NOBODY, Outputs, Suspicions, suspected
from controller.control.trust import JUMPED, fit_to_drive
from controller.control.values import Record, Signal
from controller.control.verdict import judged
from controller.control.vessel_model import COLD_C, filled, most_loss_w_per_k, usual_bath_c

# A fresh wort and its yeast change faster; at first the well takes its temperature, and is not out of it. Common
# practice, no source.
FRESH_TICKS, FRESH_FACTOR, SETTLING_TICKS = 480, 2.0, 30
# Beyond what the outputs (as strong as they are known to be, with this surplus) and yeast or room can do, a wort does
# not move. Common practice.
SURPLUS = 1.5
OTHERS_K_PER_H = 1.0


def diagnose(
    vessel: Vessel, was: VesselState, after: VesselState, signals: list[Signal], around: Around, moment: Moment,
    records: list[Record],
) -> VesselState:  # fmt: skip
    """`after` with what this scan adds to the diagnosis. What was commanded in the interval that has just passed is in
    `was`; the signals are of its end. Without a batch there is nothing to judge by; faults stay."""
    last = was.diagnosis
    if after.batch is None or moment.gap:
        nothing = last.balance.ticks == 0 and last.minute == _NO_MINUTE
        return after if nothing else after._replace(diagnosis=put_away(last))
    thought = after.observed.thought
    if thought.look is not was.observed.thought.look:
        suspicions, younger = _suspected(vessel, after, last, thought, around)
        last = last._replace(suspicions=suspicions, younger=younger)
    minute = _summed(last.minute, was, signals, moment.dt_s)
    if minute.passed_s < TICK_S - 0.1:
        return after._replace(diagnosis=last._replace(minute=minute))
    tick = _tick(vessel, after, minute, around)
    if minute.fit_s < 0.5 * minute.passed_s:
        believed = not any(memory.doubt for memory in last.probes.values())
        balance = passed(last.balance, tick, believed)
        probes = _probes(vessel, last, balance, tick, signals, around, moment.now_s)
        return after._replace(diagnosis=Diagnosis(_NO_MINUTE, balance, retry=last.retry, probes=probes))
    balance = balanced(last.balance, tick)
    probes = _probes(vessel, last, balance, tick, signals, around, moment.now_s)
    calm = balance.ticks > last.balance.ticks  # no event has come between
    fresh = Diagnosis(
        _NO_MINUTE, balance, last.suspicions, last.younger, last.retry, probes,
        last.asking_until_s, last.asked_s, _hour_mean(last.apart_k, around.room_c, tick.wort_c),
        cold_row(last.cold_row, tick) if calm else None,
        beyond_s(last.beyond_s if calm else 0.0, vessel, thought, balance, tick, around.room_c),
        _hour_mean(last.room_c, around.room_c),
        tick.swing_k,
    )  # fmt: skip
    if balance.ticks >= YOUNG_TICKS:
        fresh = _asked(vessel, after, fresh, tick, moment.now_s)
    return judged(vessel, after._replace(diagnosis=fresh), tick, around, moment, records)


def doubts(vessels: Mapping[str, VesselState]) -> Mapping[str, str]:
    """Why the diagnosis does not believe a probe, by the probe's tag; usually empty."""
    return {
        f"{name}/{probe}": memory.doubt
        for name, vessel in vessels.items()
        for probe, memory in vessel.diagnosis.probes.items()
        if memory.doubt
    }


_NO_MINUTE = Minute()


def _suspected(
    vessel: Vessel, after: VesselState, last: Diagnosis, thought: Thought, around: Around
) -> tuple[Suspicions, Suspicions]:
    if COOLER_WILL_NOT_STOP in after.faults or HEATER_WILL_NOT_STOP in after.faults:
        # What runs on may stop at any time, and nothing else can be judged beside it.
        return NOBODY, NOBODY
    outputs = Outputs(
        vessel.cooler is not None,
        vessel.heater is not None,
        after.cooler is not None and after.cooler.on if COOLER_NO_EFFECT in after.faults else None,
    )
    return suspected(last.suspicions, last.younger, thought, around.counted_bath_c, outputs)


def _summed(last: Minute, was: VesselState, signals: list[Signal], dt_s: float) -> Minute:
    passed_s, fit_s, wort_ks, cooled_s, heated_s = last
    wort_c = fit_mean_c(signals)
    if wort_c is not None:
        fit_s += dt_s
        wort_ks += wort_c * dt_s
    if was.cooler is not None and was.cooler.on:
        cooled_s += dt_s
    if was.heater is not None and was.heater.on:
        heated_s += dt_s
    return Minute(passed_s + dt_s, fit_s, wort_ks, cooled_s, heated_s)


def _hour_mean(last: float | None, room_c: float | None, from_c: float = 0.0) -> float | None:
    """The mean of the room, less `from_c`, after one more tick; None where nobody measures the room."""
    if room_c is None or last is None:
        return None if room_c is None else room_c - from_c
    return last + TICK_S / HOUR_S * (room_c - from_c - last)


def _swing_k(last: Diagnosis, room_c: float | None) -> float:
    """The greatest swing of the room of late, which fades in an hour."""
    now_k = 0.0 if room_c is None or last.room_c is None else room_c - last.room_c
    faded_k = last.swing_k * (1.0 - TICK_S / HOUR_S)
    return now_k if abs(now_k) > abs(faded_k) else faded_k


def _tick(vessel: Vessel, after: VesselState, minute: Minute, around: Around) -> Tick:
    batch, last = after.batch, after.diagnosis
    capacity = vessel.heat_capacity_j_per_k * filled(vessel, batch.volume_l if batch is not None else None)
    wort_c = minute.wort_ks / minute.fit_s if minute.fit_s else after.estimate.celsius or 0.0
    cooling = 0.0
    if vessel.cooler:
        cooling = full_cooling_k_per_h(
            vessel.cooler.power_w, capacity, wort_c, around.counted_bath_c, usual_bath_c(around.bath)
        )
    heating = vessel.heater.power_w / capacity * HOUR_S if vessel.heater else 0.0
    passed_s, swing_k = minute.passed_s, None
    if around.room_c is not None and last.apart_k is not None:
        swing_k = around.room_c - wort_c - last.apart_k
    return Tick(
        passed_s,
        wort_c,
        minute.cooled_s / passed_s,
        minute.heated_s / passed_s,
        cooling,
        heating,
        restless(vessel.volume_l, swing_k) * (FRESH_FACTOR if last.balance.ticks < FRESH_TICKS else 1.0),
        0.0 if around.room_c is None else lid_k_per_h(capacity, vessel.volume_l, around.room_c - wort_c),
        most_loss_w_per_k(vessel) / capacity * HOUR_S,
        _swing_k(last, around.room_c),
    )


def _probes(
    vessel: Vessel, last: Diagnosis, balance: Balance, tick: Tick, signals: list[Signal], around: Around, now_s: float
) -> Mapping[str, ProbeMemory]:
    h, warm, settled = tick.dt_s / HOUR_S, tick.wort_c > COLD_C, balance.ticks >= SETTLING_TICKS
    pace = Pace(
        h,
        h * balance.cooling * tick.full_cooling_k_per_h * (1.0 if warm else COLD_SHARE),
        h * balance.heating * tick.full_heating_k_per_h,
        tick.restless,
        h * (SURPLUS * max(balance.heater, 1.0) * tick.full_heating_k_per_h + OTHERS_K_PER_H) if settled else inf,
        h * (SURPLUS * max(balance.cooler, 1.0) * -tick.full_cooling_k_per_h + OTHERS_K_PER_H) if settled else inf,
        course_from(balance),
        warm and balance.ticks >= AFTER_EVENT_TICKS,
    )
    probes = {}
    for probe, signal in zip(vessel.probes, signals, strict=True):
        name = probe.tag.partition("/")[2]
        memory = last.probes.get(name)
        # A memory begins at a value that is fit: what a probe shows after a jump may be a hand, or the room.
        read = fit_to_drive(signal) or (memory is not None and signal.cause in _STILL_READ)
        if signal.celsius is not None and read:
            room_c = around.room_c if settled or (memory is not None and memory.doubt) else None
            memory = doubted(memory, signal.celsius, signal.moved_s, room_c, pace, now_s)
        elif memory is not None and not memory.doubt:
            memory = None
        if memory is not None:
            probes[name] = memory
    return probes


_STILL_READ = (JUMPED, *DOUBTS)


def _asked(vessel: Vessel, after: VesselState, fresh: Diagnosis, tick: Tick, now_s: float) -> Diagnosis:
    """Begin a test pulse where a probe has shown the same for long, and end it when it has answered."""
    if fresh.asking_until_s is not None and not any(memory.pulse for memory in fresh.probes.values()):
        fresh = fresh._replace(asking_until_s=None)
    still = [name for name, memory in fresh.probes.items() if due(memory, fresh.asking_until_s, fresh.asked_s, now_s)]
    lasts_s = pulse_s(vessel, after, fresh.balance, tick, now_s) if still else 0.0
    if not lasts_s:
        return fresh
    probes = dict(fresh.probes)
    for name in still:
        memory = probes[name]
        probes[name] = memory._replace(pulse=memory.pulse or course_from(fresh.balance))
    return fresh._replace(probes=probes, asking_until_s=now_s + lasts_s, asked_s=now_s)
