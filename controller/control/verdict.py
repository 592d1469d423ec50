"""The verdict on the outputs of one vessel, once a minute: which of them is at fault by what the wort has borne out
(`suspicion`), by what nature cannot do (`nature`), by a cold wort that becomes warmer (`cold_row`), and whether a
cooler that was tried again works.
"""

from collections.abc import Mapping

from controller.control.balance import HOUR_S, YOUNG_TICKS, Tick, forgotten, surprised
from controller.control.cold_row import LID_S, warms
from controller.control.diagnose_words import Around, blame, pace_text, suspicion_text, trial_text, warming_text
from controller.control.diagnosis import (
    COOLER_NO_EFFECT,
    COOLER_WILL_NOT_STOP,
    FAULTS,
    HEATER_NO_EFFECT,
    HEATER_WILL_NOT_STOP,
    Diagnosis,
    OutputFault,
    Retry,
)
from controller.control.doubt import unmoved
from controller.control.follow import Moment
from controller.control.nature import BEYOND_S, by_itself_k_per_h, natural_k_per_h
from controller.control.observer import counted_on
from controller.control.observer import surprised as surprised_observer
from controller.control.site import Vessel
from controller.control.state import VesselState
from controller.control.suspicion import NOBODY, Suspicion
from controller.control.values import Record, RecordKind, Status
from controller.control.vessel_model import COLD_C

# The evidence at which an output is called faulty: without effect, not stopping (which waits for a person), and
# not stopping in a cold wort. A suspicion that explains what was seen only by more than so much of the fault has
# something else to it; what a probe's step may hide says nothing.
SURE, SURE_OF_RELAY, SURE_OF_RELAY_COLD = 5.0, 4.5, 6.0
STRANGE_SHARE, LEAST_K, LEAST_RELAY_K, LEAST_COULD = 2.5, 0.2, 0.35, 15.0
# A thermowell shows so much of what the room does beside the wort, at most.
BY_WELL = 0.04
# An output that was off is to be blamed only where the other one, had it failed in part, would explain so much less.
RATHER, RATHER_SHARE = 2.0, 2.0
# And not at all where the other one has done so much more than this one would have: in a crash, layers do as much.
MOST_OPPOSED = 1.2
FIRST_PAUSE_S, LONGEST_PAUSE_S = 15 * 60.0, 2 * 3600.0  # of a cooler without effect; common practice, no source
# A cooler that is tried again has had its chance when it has run for so long and the wort has not become colder.
TRIED_S = 40 * 60.0
WENT_K = 0.2  # so far must a cold wort have gone the way of the fault; common practice, no source
FELL_K = 0.15  # while a wort becomes so much colder, the trial of its cooler goes on; common practice, no source
MISTAKEN_S = 3600.0  # so long after it an output without effect may turn out to be the other that will not stop
# All figures: common practice, no source; they were tried on the random plants of the benches.

# Faults that draw the wort the same way.
_ALIKE = {
    COOLER_NO_EFFECT: HEATER_WILL_NOT_STOP,
    HEATER_WILL_NOT_STOP: COOLER_NO_EFFECT,
    HEATER_NO_EFFECT: COOLER_WILL_NOT_STOP,
    COOLER_WILL_NOT_STOP: HEATER_NO_EFFECT,
}


def judged(
    vessel: Vessel, after: VesselState, tick: Tick, around: Around, moment: Moment, records: list[Record]
) -> VesselState:
    """`after` with the faults that this minute has shown or taken back."""
    fresh, faults = after.diagnosis, after.faults
    if COOLER_WILL_NOT_STOP in faults or HEATER_WILL_NOT_STOP in faults:
        return after
    retry = fresh.retry
    asked = all(unmoved(memory, moment.now_s) and not memory.wronged for memory in fresh.probes.values())
    # A fresh wort is not known yet; and where the probe may be stuck, that is to be asked.
    judges = fresh.balance.ticks >= YOUNG_TICKS and not asked
    suspicions = dict(zip(FAULTS, fresh.suspicions, strict=False)) if judges else {}
    found = {
        kind: suspicion_text(kind, suspicion)
        for kind, suspicion in suspicions.items()
        if suspicion is not None and _at_fault(kind, suspicions, fresh.suspicions.cooler_works, faults, tick)
    }
    mended = False
    if COOLER_NO_EFFECT in faults and retry is not None and moment.now_s >= retry.at_s:
        works = fresh.suspicions.cooler_works
        retry, mended = _tried(retry, tick), works is not None and _borne_out(works, SURE)
        if retry.ran_s >= TRIED_S and not mended:
            found[COOLER_NO_EFFECT] = trial_text(retry.ran_s)
    row = fresh.cold_row
    if row is not None and vessel.cooler is not None and COOLER_NO_EFFECT not in faults and warms(row, tick):
        found.setdefault(COOLER_NO_EFFECT, warming_text(row.ran_s, tick.wort_c - row.least_c))
    beyond = HEATER_WILL_NOT_STOP if fresh.beyond_s > 0.0 else COOLER_WILL_NOT_STOP
    if abs(fresh.beyond_s) >= BEYOND_S and _has(vessel, beyond):
        least, most = natural_k_per_h(vessel, tick, around.room_c)
        natural = most if fresh.beyond_s > 0.0 else least
        found.setdefault(beyond, pace_text(abs(fresh.beyond_s), by_itself_k_per_h(after.observed.thought), natural))
    if mended:
        faults = {kind: fault for kind, fault in faults.items() if kind != COOLER_NO_EFFECT}
        retry, fresh = None, fresh._replace(suspicions=NOBODY, younger=NOBODY)
        after = after._replace(observed=counted_on(after.observed, around.counted_bath_c))
        records.append(_health(vessel, moment, COOLER_NO_EFFECT, Status.GOOD, "it cools again"))
    for kind, text in found.items():
        if kind == COOLER_NO_EFFECT:
            text = f"{text}; {blame(vessel.name, around)}"
            pause_s = FIRST_PAUSE_S if retry is None else min(2.0 * retry.pause_s, LONGEST_PAUSE_S)
            retry = Retry(pause_s, moment.now_s + pause_s)
        faults = {**_without_alike(faults, kind, moment.now_s), kind: OutputFault(moment.now_s, text)}
        records.append(_health(vessel, moment, kind, Status.FAILURE, text))
    fresh = fresh._replace(retry=retry)
    if not found:
        return after._replace(diagnosis=fresh, faults=faults)
    most_k_per_h = max(-tick.full_cooling_k_per_h, tick.full_heating_k_per_h)
    return after._replace(
        diagnosis=_known_only_now(fresh, found, most_k_per_h),
        faults=faults,
        observed=surprised_observer(after.observed, most_k_per_h),
    )


def _has(vessel: Vessel, kind: str) -> bool:
    return (vessel.cooler if kind.startswith("cooler") else vessel.heater) is not None


def _at_fault(
    kind: str,
    suspicions: Mapping[str, Suspicion | None],
    works: Suspicion | None,
    faults: Mapping[str, OutputFault],
    tick: Tick,
) -> bool:
    """Whether the wort bears this suspicion out, and better than what else would draw it the same way: another fault,
    or a cooler on trial that works."""
    suspicion, alike = suspicions[kind], suspicions[_ALIKE[kind]]
    assert suspicion is not None
    if kind == HEATER_NO_EFFECT and kind in faults:
        return False  # it is locked out and says nothing
    relay, cold = kind in (COOLER_WILL_NOT_STOP, HEATER_WILL_NOT_STOP), tick.wort_c <= COLD_C
    if not _borne_out(suspicion, SURE if not relay else SURE_OF_RELAY_COLD if cold else SURE_OF_RELAY):
        return False
    if relay and (tick.cooled if kind == COOLER_WILL_NOT_STOP else tick.heated) > 0.0:
        return False  # it is meant to be on
    if cold and not _goes_its_way(kind, suspicion, tick):
        return False  # what a coil does there nobody knows
    seen_k = abs(suspicion.share * suspicion.moved_k)
    if seen_k < (LEAST_RELAY_K if relay else LEAST_K) + _by_room_k(suspicion, tick):
        return False
    if relay and suspicion.opposed_k > MOST_OPPOSED * abs(suspicion.moved_k):
        return False
    if kind == HEATER_NO_EFFECT:  # who takes a cooler that freezes the beer for a dead heater does harm
        return alike is None or suspicion.explains > alike.explains
    if kind == COOLER_NO_EFFECT:  # it is tried again by itself
        return alike is None or not _rather(alike, suspicion)
    others = (alike, works) if kind == COOLER_WILL_NOT_STOP else (alike,)
    return all(each is None or _rather(suspicion, each) for each in others)


def _rather(relay: Suspicion, other: Suspicion) -> bool:
    """Whether a relay that does not stop is rather to be blamed than what `other` says of an output that ran."""
    return relay.explains > RATHER + RATHER_SHARE * other.explains_in_part


def _by_room_k(suspicion: Suspicion, tick: Tick) -> float:
    """What the room may have done of what was seen, K: by a lid that is off, or, if it has become colder or warmer of
    late, to the wort and by way of its well to the probe."""
    lid_k = tick.lid_k_per_h * min(suspicion.lasted_s, LID_S) / HOUR_S
    swing_k = tick.swing_k * (BY_WELL + tick.most_loss_per_h * min(suspicion.lasted_s / HOUR_S, 1.0))
    way = -1.0 if suspicion.moved_k < 0.0 else 1.0
    return max(way * lid_k, 0.0) + max(way * swing_k, 0.0)


def _borne_out(suspicion: Suspicion, sure: float) -> bool:
    """Whether there is so much evidence, and nothing else to it."""
    return suspicion.could >= LEAST_COULD and suspicion.evidence >= sure and suspicion.share <= STRANGE_SHARE


def _goes_its_way(kind: str, suspicion: Suspicion, tick: Tick) -> bool:
    """Whether a cold wort has gone the way of the fault, by more than a lid may have made it."""
    if kind == HEATER_NO_EFFECT:
        return True  # a heater is known there as well as in the warm
    gone_k = tick.wort_c - suspicion.began_c
    if kind == COOLER_WILL_NOT_STOP:
        return -gone_k >= WENT_K
    return gone_k >= WENT_K + _by_room_k(suspicion, tick)


def _tried(last: Retry, tick: Tick) -> Retry:
    """The trial of a cooler after one more tick: it begins anew whenever the wort has become clearly colder."""
    ran_s = last.ran_s + tick.cooled * tick.dt_s
    if last.from_c is None or tick.wort_c <= last.from_c - FELL_K:
        return last._replace(ran_s=0.0, from_c=tick.wort_c)
    return last._replace(ran_s=ran_s)


def _known_only_now(fresh: Diagnosis, found: Mapping[str, str], most_k_per_h: float) -> Diagnosis:
    """The memory when it has come to light what has been going on: the balance begins to learn it."""
    balance = surprised(fresh.balance, most_k_per_h)
    if COOLER_NO_EFFECT in found:
        balance = forgotten(balance, cooler=True)
    if HEATER_NO_EFFECT in found:
        balance = forgotten(balance, cooler=False)
    return fresh._replace(balance=balance, suspicions=NOBODY, younger=NOBODY)


def _without_alike(faults: Mapping[str, OutputFault], kind: str, now_s: float) -> Mapping[str, OutputFault]:
    """The faults without what was held against the cooler a short while ago for what a heater did that will not stop.
    What is held against a heater stays until a person has looked (design rule 5), though a cooler was to blame."""
    alike = _ALIKE[kind]
    return {
        each: fault
        for each, fault in faults.items()
        if each != alike or each != COOLER_NO_EFFECT or now_s - fault.since_s > MISTAKEN_S
    }


def _health(vessel: Vessel, moment: Moment, kind: str, status: Status, reason: str) -> Record:
    subject = kind.partition(" ")[0]
    return Record(moment.now_s, moment.utc_s, vessel.name, RecordKind.HEALTH, subject, status.value, reason)
