"""The verdict on devices: from the temperatures, which output does not do what it was told (design rule 5), and which
probe cannot be believed. Looks at what was commanded and at what the probes say, once a minute. It decides nothing
about the outputs: the interlock does that with the faults that are found here, and `trust` with the doubts.
"""

from collections.abc import Mapping
from math import inf, log

from controller.control.balance import (
    AFTER_EVENT_TICKS,
    HOUR_S,
    TICK_S,
    YOUNG_TICKS,
    Balance,
    Tick,
    balanced,
    forgotten,
    full_cooling_k_per_h,
    lid_k_per_h,
    passed,
    restless,
    surprised,
)
from controller.control.cold_row import COLD_SHARE, cold_row, warms
from controller.control.diagnose_words import (
    Around,
    blame,
    pace_text,
    strength_text,
    trial_text,
    warming_text,
    window_text,
)
from controller.control.diagnosis import (
    COOLER_NO_EFFECT,
    COOLER_WILL_NOT_STOP,
    HEATER_NO_EFFECT,
    HEATER_WILL_NOT_STOP,
    Diagnosis,
    Minute,
    OutputFault,
    Retry,
    Suspicions,
    put_away,
)
from controller.control.doubt import DOUBTS, Pace, ProbeMemory, course_from, doubted, unmoved
from controller.control.estimate import fit_mean_c
from controller.control.evidence import COLD_C, SMALL_K, WORKS_SHARE, Suspicion, Verdict, Window, begun, watched
from controller.control.follow import Moment
from controller.control.nature import BEYOND_S, beyond_s, natural_k_per_h
from controller.control.probing import due, pulse_s
from controller.control.site import Vessel
from controller.control.state import VesselState
from controller.control.trust import JUMPED, fit_to_drive
from controller.control.values import Record, RecordKind, Signal, Status
from controller.control.vessel_model import filled, most_loss_w_per_k, usual_bath_c

DEAD_COOLER_S, DEAD_HEATER_S = 240.0, 600.0  # of running while it looks dead; common practice, no source
COOLER_WITHIN_S, HEATER_WITHIN_S = 20 * 60.0, 40 * 60.0  # on-time within which an output without effect is found
# A cooler that is tried again has had its chance when it has run for so long and the wort has not become colder. The
# balance cannot tell: beside a pump that runs on for hours it takes a dead cooler for a warming wort.
TRIED_S = 2.0 * COOLER_WITHIN_S
FIRST_PAUSE_S, LONGEST_PAUSE_S = 15 * 60.0, 2 * 3600.0  # of a cooler without effect; common practice, no source
MISTAKEN_S = 3600.0  # so long after it an output without effect may turn out to be the other that will not stop
FELL_K = 0.15  # so much colder must the wort become before a cooler counts as mended; common practice, no source
# Of what was seen, which the other output may have failed to do; standard deviations by which more was seen than that.
# Common practice, no source.
OPPOSED_SHARE, OPPOSED_SURE = 0.5, 1.5
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
        _NO_MINUTE, balance, last.suspicions if calm else _NOBODY, last.retry, probes,
        last.asking_until_s, last.asked_s, _apart_k(last.apart_k, tick.wort_c, around.room_c),
        cold_row(last.cold_row, tick) if calm else None,
        beyond_s(last.beyond_s if calm else 0.0, vessel, balance, tick, around.room_c),
    )  # fmt: skip
    if balance.ticks >= YOUNG_TICKS or any(fresh.suspicions):
        fresh = _asked(vessel, after, fresh, tick, moment.now_s)
        fresh, faults = _suspected(vessel, after, fresh, tick, around, moment, records)
        if faults is not after.faults:
            after = after._replace(faults=faults)
    return after._replace(diagnosis=fresh)


def doubts(vessels: Mapping[str, VesselState]) -> Mapping[str, str]:
    """Why the diagnosis does not believe a probe, by the probe's tag; usually empty."""
    return {
        f"{name}/{probe}": memory.doubt
        for name, vessel in vessels.items()
        for probe, memory in vessel.diagnosis.probes.items()
        if memory.doubt
    }


_NO_MINUTE, _NOBODY = Minute(), Suspicions()


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


def _apart_k(last_k: float | None, wort_c: float, room_c: float | None) -> float | None:
    if room_c is None or last_k is None:
        return None if room_c is None else room_c - wort_c
    return last_k + TICK_S / HOUR_S * (room_c - wort_c - last_k)


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


def _suspected(
    vessel: Vessel, after: VesselState, fresh: Diagnosis, tick: Tick, around: Around, moment: Moment,
    records: list[Record],
) -> tuple[Diagnosis, Mapping[str, OutputFault]]:  # fmt: skip
    """The windows after this tick, and the faults that they have shown or taken back."""
    faults, balance, retry = after.faults, fresh.balance, fresh.retry
    if COOLER_WILL_NOT_STOP in faults or HEATER_WILL_NOT_STOP in faults:
        # What runs on may stop at any time, and nothing else can be judged beside it.
        return fresh._replace(suspicions=_NOBODY), faults
    windows: dict[str, Window | None] = {}
    verdicts: dict[str, Verdict] = {}
    cases = []
    if vessel.cooler is not None:
        resting = COOLER_NO_EFFECT in faults and retry is not None and moment.now_s < retry.at_s
        running = not resting and (tick.cooled > 0.0 or fresh.suspicions.cooler_no_effect is not None)
        cases += [
            (COOLER_NO_EFFECT, fresh.suspicions.cooler_no_effect, True, Suspicion.NO_EFFECT, running),
            (COOLER_WILL_NOT_STOP, fresh.suspicions.cooler_will_not_stop, True, Suspicion.WILL_NOT_STOP, True),
        ]
    if vessel.heater is not None:
        running = tick.heated > 0.0 or fresh.suspicions.heater_no_effect is not None
        cases += [
            (HEATER_NO_EFFECT, fresh.suspicions.heater_no_effect, False, Suspicion.NO_EFFECT,
             running and HEATER_NO_EFFECT not in faults),
            (HEATER_WILL_NOT_STOP, fresh.suspicions.heater_will_not_stop, False, Suspicion.WILL_NOT_STOP, True),
        ]  # fmt: skip
    for kind, window, cooler, suspicion, wanted in cases:
        if not wanted or (window is None and balance.ticks < YOUNG_TICKS):
            windows[kind] = None
            continue
        within_s = COOLER_WITHIN_S if cooler else HEATER_WITHIN_S
        window = window or begun(balance, tick.wort_c, cooler)
        windows[kind], verdicts[kind] = watched(window, balance, tick, cooler, suspicion, within_s)
        if kind in faults and verdicts[kind] is Verdict.WORKS and tick.wort_c > window.began_c - FELL_K:
            verdicts[kind] = Verdict.OPEN  # a rest that was learnt beside a dead cooler looks like a cooler that works
    if all(unmoved(memory, moment.now_s) and not memory.wronged for memory in fresh.probes.values()):
        for kind in (COOLER_NO_EFFECT, HEATER_NO_EFFECT):  # it is the probe that is to be asked
            verdicts.pop(kind, None)
    found = {}
    for kind, verdict in verdicts.items():
        window = windows[kind]
        if window is not None and verdict is Verdict.FAULT and not _better_explained(kind, windows):
            found[kind] = window_text(kind, window)
    for kind, dead_s, within_s in (
        (COOLER_NO_EFFECT, balance.dead_cooler_s, DEAD_COOLER_S),
        (HEATER_NO_EFFECT, balance.dead_heater_s, DEAD_HEATER_S),
    ):
        if kind in verdicts and kind not in found and dead_s >= within_s and not _speaks(windows.get(_ALIKE[kind])):
            cooler = kind == COOLER_NO_EFFECT
            share, variance = (balance.cooler, balance.unsure.cc) if cooler else (balance.heater, balance.unsure.hh)
            found[kind] = strength_text(share, variance)
    if retry is not None and COOLER_NO_EFFECT in verdicts and COOLER_NO_EFFECT not in found:
        retry = _tried(retry, tick)
        if retry.ran_s >= TRIED_S and verdicts[COOLER_NO_EFFECT] is not Verdict.WORKS:
            found[COOLER_NO_EFFECT] = trial_text(retry.ran_s)
    row, untold = fresh.cold_row, COOLER_NO_EFFECT in verdicts and COOLER_NO_EFFECT not in (*found, *faults)
    if untold and row is not None and warms(row, tick):
        found[COOLER_NO_EFFECT] = warming_text(row.ran_s, tick.wort_c - row.least_c)
    beyond = HEATER_WILL_NOT_STOP if fresh.beyond_s > 0.0 else COOLER_WILL_NOT_STOP
    if abs(fresh.beyond_s) >= BEYOND_S and beyond in verdicts and beyond not in found:
        least, most = natural_k_per_h(vessel, tick, around.room_c)
        found[beyond] = pace_text(abs(fresh.beyond_s), balance.rest_k_per_h, most if fresh.beyond_s > 0.0 else least)
    if verdicts.get(COOLER_NO_EFFECT) is Verdict.WORKS and COOLER_NO_EFFECT in faults:
        faults = {kind: fault for kind, fault in faults.items() if kind != COOLER_NO_EFFECT}
        retry = None
        records.append(_health(vessel, moment, COOLER_NO_EFFECT, Status.GOOD, "it cools again"))
    for kind, text in found.items():
        if kind == COOLER_NO_EFFECT:
            text = f"{text}; {blame(vessel.name, around)}"
        faults = {**_without_alike(faults, kind, moment.now_s), kind: OutputFault(moment.now_s, text)}
        records.append(_health(vessel, moment, kind, Status.FAILURE, text))
        if kind == COOLER_NO_EFFECT:
            pause_s = FIRST_PAUSE_S if retry is None else min(2.0 * retry.pause_s, LONGEST_PAUSE_S)
            retry = Retry(pause_s, moment.now_s + pause_s)
    if found:  # what has been going on is known only now: the balance begins to learn it
        most_k_per_h = max(-tick.full_cooling_k_per_h, tick.full_heating_k_per_h)
        balance = surprised(balance, most_k_per_h)
        if COOLER_NO_EFFECT in found:
            balance = forgotten(balance, cooler=True)
        if HEATER_NO_EFFECT in found:
            balance = forgotten(balance, cooler=False)
        # The other output's windows began before what has come to light: they are still right.
        names = {kind.partition(" ")[0] for kind in found}
        windows = {kind: None if kind.partition(" ")[0] in names else window for kind, window in windows.items()}
    open_now = Suspicions(*(windows.get(kind) for kind in _ORDER))
    return fresh._replace(balance=balance, suspicions=open_now, retry=retry), faults


_ORDER = (COOLER_NO_EFFECT, COOLER_WILL_NOT_STOP, HEATER_NO_EFFECT, HEATER_WILL_NOT_STOP)
# Faults that draw the wort the same way.
_ALIKE = {
    COOLER_NO_EFFECT: HEATER_WILL_NOT_STOP,
    HEATER_WILL_NOT_STOP: COOLER_NO_EFFECT,
    HEATER_NO_EFFECT: COOLER_WILL_NOT_STOP,
    COOLER_WILL_NOT_STOP: HEATER_NO_EFFECT,
}


def _tried(last: Retry, tick: Tick) -> Retry:
    """The trial of a cooler after one more tick: it begins anew whenever the wort has become clearly colder."""
    ran_s = last.ran_s + tick.cooled * tick.dt_s
    if last.from_c is None or tick.wort_c <= last.from_c - FELL_K:
        return last._replace(ran_s=0.0, from_c=tick.wort_c)
    return last._replace(ran_s=ran_s)


def _speaks(window: Window | None) -> bool:
    """Whether the wort has begun to speak for this fault."""
    return window is not None and abs(window.seen_k) >= SMALL_K and window.seen_k / window.fault_k >= WORKS_SHARE


def _without_alike(faults: Mapping[str, OutputFault], kind: str, now_s: float) -> Mapping[str, OutputFault]:
    """The faults without what was held against the cooler a short while ago for what a heater did that will not stop.
    What is held against a heater stays until a person has looked (design rule 5), though a cooler was to blame."""
    alike = _ALIKE[kind]
    return {
        each: fault
        for each, fault in faults.items()
        if each != alike or each != COOLER_NO_EFFECT or now_s - fault.since_s > MISTAKEN_S
    }


def _better_explained(kind: str, windows: Mapping[str, Window | None]) -> bool:
    """Whether the fault of the other output that draws the wort the same way explains what was seen better."""
    return _misfit(_ALIKE[kind], windows) < _misfit(kind, windows) or _misfit(kind, windows) == inf


def _misfit(kind: str, windows: Mapping[str, Window | None]) -> float:
    """How far what was seen is from what the fault would do: the logarithm of their ratio. An output that was off is
    not to be blamed where the other one ran meanwhile and may have failed, unless even that would not explain it."""
    window = windows.get(kind)
    if window is None or window.fault_k == 0.0 or window.seen_k / window.fault_k <= 0.0:
        return inf
    opposed_k = {HEATER_WILL_NOT_STOP: window.cooled_k, COOLER_WILL_NOT_STOP: window.heated_k}.get(kind, 0.0)
    beyond_k = abs(window.seen_k) - abs(opposed_k)
    if abs(opposed_k) >= OPPOSED_SHARE * abs(window.seen_k) and beyond_k < OPPOSED_SURE * window.sd_k:
        return inf
    return abs(log(window.seen_k / window.fault_k))


def _health(vessel: Vessel, moment: Moment, kind: str, status: Status, reason: str) -> Record:
    subject = kind.partition(" ")[0]
    return Record(moment.now_s, moment.utc_s, vessel.name, RecordKind.HEALTH, subject, status.value, reason)
