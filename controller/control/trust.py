"""Stage 2, reading -> signal: the only stage that may doubt a number.

Guards are permits ("good only if low <= x <= high"), because NaN slips through "bad if above".
"""

from controller.control.site import Probe
from controller.control.values import Reading, Signal, Status

# A jump this large between two readings is possible at any interval: sensor steps, a stirred vessel.
FREE_JUMP_K = 1.0  # common practice, no source
# After a jump that came to stay, a probe drives nothing for this long: it may be out of its well.
SETTLE_AFTER_JUMP_S = 300.0  # common practice, no source
# What a fermenter can plausibly hold; outside it the signal is uncertain (NE 107 "out of specification").
PLAUSIBLE_LOW_C, PLAUSIBLE_HIGH_C = -10.0, 40.0  # common practice, no source
# How near a reading must be to a code (power-on, disconnected) to be taken for it: half a 9-bit step.
CODE_WIDTH_K = 0.02
STALE = "stale"
JUMPED = "jumped at an impossible rate"
IMPLAUSIBLE = "outside what a fermenter can hold"
_FIT = (Status.GOOD, Status.MAINTENANCE, Status.OUT_OF_SPECIFICATION)


def trust(probe: Probe, last: Signal, reading: Reading | None, now_s: float, doubt: str = "") -> Signal:
    """The signal of one probe after this scan's newest reading, if there was one.

    `doubt` is why the diagnosis does not believe the probe: its readings are still taken, but it is a failure.

    A single impossible jump is set aside until a second reading confirms or denies it. A confirmed jump is
    believed as a number but drives nothing for five minutes. Codes and out-of-range values are never
    believed: the last accepted value stays, with a bad status. A late reading (not newer than the last
    accepted one, or as old as a quiet probe's) changes nothing.
    """
    if (
        reading is None
        or not now_s - reading.at_s <= probe.quiet_s
        or (last.celsius is not None and reading.at_s <= last.at_s)
    ):
        return _aged(probe, last, now_s, doubt)
    raw_c = reading.celsius
    for code_c in probe.disconnected_c:
        if abs(raw_c - code_c) < CODE_WIDTH_K:
            return _bad(last, Status.FAILURE, "probe disconnected")
    for code_c in probe.power_on_c:
        if abs(raw_c - code_c) < CODE_WIDTH_K:
            return _bad(last, Status.FUNCTION_CHECK, "power-on value, no conversion yet")
    if not probe.low_c <= raw_c <= probe.high_c:
        return _bad(last, Status.FAILURE, "out of the sensor's range")
    celsius = probe.gain * raw_c + probe.offset_k
    if last.celsius is None:
        return _accepted(celsius, reading.at_s, 0.0, reading.at_s, doubt)
    moved_s = last.moved_s if celsius == last.celsius else reading.at_s
    allowed_k = FREE_JUMP_K + probe.fastest_k_per_s * (reading.at_s - last.at_s)
    if abs(celsius - last.celsius) <= allowed_k:
        return _accepted(celsius, reading.at_s, last.fit_again_s, moved_s, doubt)
    if last.suspect_c is not None and abs(celsius - last.suspect_c) <= allowed_k:
        return _accepted(celsius, reading.at_s, reading.at_s + SETTLE_AFTER_JUMP_S, moved_s, doubt)
    return _aged(probe, last._replace(suspect_c=celsius), now_s, doubt)


def fit_to_drive(signal: Signal) -> bool:
    """Whether the signal may take part in driving anything: good, or maintenance required, or uncertain."""
    return signal.status in _FIT


def _accepted(celsius: float, at_s: float, fit_again_s: float, moved_s: float, doubt: str) -> Signal:
    if doubt:
        return Signal(celsius, at_s, Status.FAILURE, doubt, None, fit_again_s, moved_s)
    if at_s < fit_again_s:
        return Signal(celsius, at_s, Status.FUNCTION_CHECK, JUMPED, None, fit_again_s, moved_s)
    if not PLAUSIBLE_LOW_C <= celsius <= PLAUSIBLE_HIGH_C:
        return Signal(celsius, at_s, Status.OUT_OF_SPECIFICATION, IMPLAUSIBLE, None, 0.0, moved_s)
    return Signal(celsius, at_s, Status.GOOD, "", None, 0.0, moved_s)


def _bad(last: Signal, status: Status, cause: str) -> Signal:
    if last.status is status and last.cause == cause:
        return last
    return last._replace(status=status, cause=cause, suspect_c=None)


def _aged(probe: Probe, last: Signal, now_s: float, doubt: str) -> Signal:
    if last.celsius is None or last.cause == STALE:
        return last
    if now_s - last.at_s > probe.quiet_s:
        return last._replace(status=Status.FAILURE, cause=STALE)
    if doubt and last.status in _FIT:
        return last._replace(status=Status.FAILURE, cause=doubt)
    return last
