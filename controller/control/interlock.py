"""Stage 8, output -> command: the last word. It sees the raw signals and can only take away.

Each guard is a permit: the output may be on only if something is known to be so. The first permit that is
missing is the reason that the brewer reads.
"""

from controller.control.diagnosis import (
    COOLER_NO_EFFECT,
    COOLER_WILL_NOT_STOP,
    HEATER_NO_EFFECT,
    HEATER_WILL_NOT_STOP,
)
from controller.control.estimate import CHILLY_C
from controller.control.site import Output, SignalLoss, Vessel
from controller.control.state import NO_BLIND, Batch, BatchState, Blind, Mode, OutputState, VesselState
from controller.control.trust import fit_to_drive
from controller.control.values import NO_SIGNAL, Signal, Status

HOTTEST_TO_COOL_C = 40.0  # design rule 7: hot cleaner or hot wort is not the cooler's business
WARM_C = 32.0  # no beer ferments so warm but a few: here another probe's doubtful 45 °C is to be believed; no source
# How far past a hard limit the wort may be while its output still runs: the limit itself may be a setpoint.
HARD_LIMIT_SLACK_K = 0.3  # common practice, no source
# Below this the wort is frozen or the probe lies; warming it is a person's decision.
COLDEST_TO_HEAT_C = -5.0  # common practice, no source
LONGEST_BLIND_S = 24 * 3600.0  # design rule 2

PROTECTIVE_OFF = "protective off time"
BLIND_TOO_LONG = "no blind cooling: the signal has been lost for a day"
BLIND_TOO_COLD = "no blind cooling: the wort could be at its lower limit by now"
BLIND_IN_DOUBT = "no blind cooling: the last reading of a probe was outside the wort's limits"
REGULATED = (BatchState.RUNNING, BatchState.HELD, BatchState.COMPLETE, BatchState.STOPPED)


def freezing_limit_c(vessel: Vessel, batch: Batch | None) -> float:
    """The coldest wort that may still be cooled: freezing point at the least proven alcohol, plus the margin."""
    return (batch.freezing_c if batch else 0.0) + vessel.freeze_margin_k


def floor_c(vessel: Vessel, batch: Batch | None) -> float:
    """The lowest that the wort may become by cooling that nobody can see: the highest of its lower limits."""
    return max(freezing_limit_c(vessel, batch), vessel.limits.low_c, vessel.alarms.low_c)


def locked_out(was: VesselState, name: str, now_s: float) -> str:
    """What a fault that was found forbids of the output `name`, or "" (design rule 5). A heater that is stuck or dead,
    and a cooler that is stuck, wait for a person; a cooler without effect only for its next try."""
    faults = was.faults
    if name == "cooler":
        if COOLER_WILL_NOT_STOP in faults:
            return "the cooler will not stop: it must be inspected"
        retry = was.diagnosis.retry
        if COOLER_NO_EFFECT in faults and retry is not None and now_s < retry.at_s:
            return "the cooler is without effect: it is tried again after a pause"
    elif HEATER_WILL_NOT_STOP in faults or HEATER_NO_EFFECT in faults:
        return "the heater is at fault: it must be inspected"
    return ""


def may_cool(
    vessel: Vessel,
    batch: Batch | None,
    condition: BatchState,
    mode: Mode,
    signals: list[Signal],
    cooler: OutputState,
    heater: OutputState | None,
    now_s: float,
    blind: Blind = NO_BLIND,
) -> str:
    """The missing permit of the cooler, or "" if it may be on. `blind` is what is known without a fit signal."""
    if condition not in REGULATED:
        return "no batch to regulate"
    if mode is Mode.OFF:
        return "mode off"
    assert vessel.cooler is not None
    limit_c = max(freezing_limit_c(vessel, batch), vessel.limits.low_c - HARD_LIMIT_SLACK_K)
    fit = 0
    for signal in signals:
        if not fit_to_drive(signal):
            continue
        celsius = signal.celsius
        if celsius is None or not limit_c <= celsius <= HOTTEST_TO_COOL_C:
            return _why_not_cool(celsius, limit_c)
        fit += 1
        if celsius > WARM_C or celsius < CHILLY_C:
            told_c = _told_by_another(vessel, signals, celsius, now_s)
            if not limit_c <= told_c <= HOTTEST_TO_COOL_C:
                return _why_not_cool(told_c, limit_c)
    missing = "" if fit else _blindly(vessel, batch, mode, signals, blind)
    return missing or _protected(vessel, vessel.cooler, cooler, heater, now_s, "heater")


def may_heat(
    vessel: Vessel,
    batch: Batch | None,
    condition: BatchState,
    mode: Mode,
    signals: list[Signal],
    heater: OutputState,
    cooler: OutputState | None,
    now_s: float,
) -> str:
    """The missing permit of the heater, or "" if it may be on."""
    if condition not in REGULATED or batch is None:
        return "no batch to regulate"
    if mode is Mode.OFF:
        return "mode off"
    if batch.volume_l is None or not batch.volume_l > 0.0:
        return "no heat: the batch's volume is not known"
    assert vessel.heater is not None
    high_c = vessel.limits.high_c + HARD_LIMIT_SLACK_K
    fit = 0
    for signal in signals:
        if signal.status is Status.OUT_OF_SPECIFICATION:
            return "no heat on a signal out of specification"
        if not fit_to_drive(signal):
            continue
        celsius = signal.celsius
        if celsius is None or not COLDEST_TO_HEAT_C <= celsius <= high_c:
            return "no heat: the wort is at its hard limit"
        fit += 1
    if not fit:
        return NO_SIGNAL
    return _protected(vessel, vessel.heater, heater, cooler, now_s, "cooler")


def _blindly(vessel: Vessel, batch: Batch | None, mode: Mode, signals: list[Signal], blind: Blind) -> str:
    """The missing permit of blind cooling, or "": its own guards, whatever asked for it."""
    if vessel.signal_loss is not SignalLoss.BOUNDED or mode is not Mode.AUTO or not blind.cool_w > 0.0:
        return NO_SIGNAL
    if blind.lost_s is None or not 0.0 <= blind.lost_s <= LONGEST_BLIND_S:
        return BLIND_TOO_LONG
    lowest_c = floor_c(vessel, batch)
    if not lowest_c <= blind.lowest_c <= HOTTEST_TO_COOL_C:
        return BLIND_TOO_COLD
    for signal in signals:  # unfit, but none may say that there is nothing to be cooled
        if signal.celsius is not None and not lowest_c <= signal.celsius <= HOTTEST_TO_COOL_C:
            return BLIND_IN_DOUBT
    return ""


def _told_by_another(vessel: Vessel, signals: list[Signal], celsius: float, now_s: float) -> float:
    """The hottest beside a hot `celsius`, or the coldest beside a cold one, that a probe shows now which is not fit to
    drive; `celsius` without such a probe. It may be right, and hot cleaner or ice would be the price."""
    shown = [
        signal.celsius
        for probe, signal in zip(vessel.probes, signals, strict=True)
        if signal.celsius is not None and not fit_to_drive(signal) and now_s - signal.at_s <= probe.quiet_s
    ]
    return max(shown, default=celsius) if celsius > WARM_C else min(shown, default=celsius)


def _why_not_cool(celsius: float | None, limit_c: float) -> str:
    if celsius is not None and celsius < limit_c:
        return "no cooling: the wort is near freezing or at its hard limit"
    if celsius is not None and celsius > HOTTEST_TO_COOL_C:
        return "no cooling above 40 °C"
    return "no cooling: the signal is no number"


def _protected(
    vessel: Vessel, output: Output, state: OutputState, other: OutputState | None, now_s: float, other_name: str
) -> str:
    if other is not None:
        if other.on:
            return f"the {other_name} is on"
        if changeover_left_s(vessel, other, now_s) > 0.0:
            return f"change-over time after the {other_name}"
    return PROTECTIVE_OFF if rests(output, state, now_s) else ""


def changeover_left_s(vessel: Vessel, other: OutputState | None, now_s: float) -> float:
    """What must still pass between the vessel's `other` output, if it were off from now on, and this one."""
    if other is None or (other.ended_s is None and not other.on):
        return 0.0
    ended_s = now_s if other.on or other.ended_s is None else other.ended_s
    return max(0.0, vessel.loop.changeover_s - (now_s - ended_s))


def rests(output: Output, state: OutputState, now_s: float) -> bool:
    """Whether the output has been off for less than its shortest off time, or its "off" has not arrived yet."""
    return not state.on and (now_s - state.since_s < output.shortest_off_s or state.since_s == now_s)
