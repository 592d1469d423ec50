"""The chiller's compressor as a loop: on/off with a deadband on the bath, for a chiller that keeps its own thermostat
and freeze protection. "On" asks it for more cold than its own thermostat would; "off", or a command that does not
arrive, gives it back to them (design §6).

Whoever restarts a compressor against the pressure that still stands in it can stall and burn its motor, so the off time
is counted anew whenever nobody knows whether it is over: at power-up, and as long as its commands do not get through
(`heard`).
"""

from controller.control.interlock import PROTECTIVE_OFF, rests
from controller.control.site import Bath, Upstream
from controller.control.state import Chilling, OutputState
from controller.control.trust import fit_to_drive
from controller.control.values import Signal

# In so long a time a chiller that runs makes its bath colder by so much, or it is without effect. Common practice, no
# source: 300 W on 200 L of glycol make 1.4 K an hour.
NO_EFFECT_S = 2 * 3600.0
PROGRESS_K = 0.2

NO_BATH_SIGNAL = "no bath signal fit to drive: the chiller's own thermostat rules"
NEAR_FREEZING = "no chilling: the bath is near the freezing point of its glycol"
CHILLS, COLD_ENOUGH = "the bath is warmer than its setpoint", "the bath is cold enough"
SHORTEST_ON = "shortest on time"


def compressor(bath: Bath, device: Upstream, at: OutputState, signal: Signal | None, now_s: float) -> tuple[bool, str]:
    """Whether the compressor is on after this scan, and why. The permits have the last word; a permit that is missing
    does not wait for the shortest on time."""
    veto = _missing(bath, signal)
    if veto:
        return False, veto
    assert signal is not None
    assert signal.celsius is not None
    above_k = signal.celsius - bath.setpoint_c
    half_k = 0.5 * device.deadband_k
    if at.on:
        if above_k > -half_k:
            return True, CHILLS
        return (True, SHORTEST_ON) if now_s - at.since_s < device.output.shortest_on_s else (False, COLD_ENOUGH)
    if above_k < half_k:
        return False, COLD_ENOUGH
    return (False, PROTECTIVE_OFF) if rests(device.output, at, now_s) else (True, CHILLS)


def chilled(bath: Bath, at: OutputState, signal: Signal | None, last: Chilling | None, now_s: float) -> Chilling | None:
    """What is remembered of the bath while the compressor runs, None while it does not, or where nobody knows."""
    if not at.on or signal is None or signal.celsius is None or not fit_to_drive(signal):
        return None
    if last is None or signal.celsius <= last.best_c - PROGRESS_K or signal.celsius <= bath.setpoint_c:
        return Chilling(signal.celsius, now_s)
    return last


def without_effect(chilling: Chilling | None, now_s: float) -> bool:
    """Whether the compressor has run for long and the bath has not become colder."""
    return chilling is not None and now_s - chilling.since_s >= NO_EFFECT_S


def _missing(bath: Bath, signal: Signal | None) -> str:
    """The missing permit, or "" if the compressor may run."""
    if signal is None or signal.celsius is None or not fit_to_drive(signal):
        return NO_BATH_SIGNAL
    if not signal.celsius >= bath.freeze_c + bath.freeze_margin_k:
        return NEAR_FREEZING
    return ""
