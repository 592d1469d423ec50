"""Stage 6, demand -> grant: how the shared, finite bath is divided, recomputed whole at every scan.

Active fermentations come first, a crash waits; a small share keeps even the last in the queue moving.
"""

from typing import NamedTuple

from controller.control.site import Bath
from controller.control.trust import fit_to_drive
from controller.control.values import Demand, Grant, Signal

# Glycol this little colder than the wort moves no heat worth a pump start.
USEFUL_K = 0.5  # common practice, no source
# Up to this far above its setpoint the bath's own cold is there to be used.
STORE_K = 1.0  # common practice, no source
# A paused crash goes on when the bath has come back this far below the pause level.
RESUME_K = 1.0  # common practice, no source
# What the last in the queue gets of the chiller even when others want it all: nobody waits for ever.
LEAST_SHARE = 0.1

_SHARED = "the bath is shared"


class Call(NamedTuple):
    """One vessel's call on the bath. `crash` calls wait for the others; `wort_c` is None when unknown."""

    vessel: str
    demand: Demand
    wort_c: float | None
    crash: bool


class Shares(NamedTuple):
    """The grants by position of the calls, and whether crashes are paused for a warm bath."""

    grants: tuple[Grant, ...]
    crash_pause: bool


def share(bath: Bath | None, signal: Signal | None, calls: list[Call], crash_pause: bool) -> Shares:
    """A grant for each call, in the same order. Heat is not the bath's business and passes.

    Without a bath, or without a fit signal of it, every demand passes: the chiller's own thermostat is
    then the only one who knows.
    """
    if bath is None or signal is None or signal.celsius is None or not fit_to_drive(signal):
        return Shares(tuple(Grant(call.demand.heat_w, call.demand.reason) for call in calls), False)
    bath_c = signal.celsius
    pause = bath_c > bath.warm_c - (RESUME_K if crash_pause else 0.0)
    refused = [_refused(bath_c, call, pause) for call in calls]
    active_w = crash_w = 0.0
    for call, why in zip(calls, refused, strict=True):
        if not why and call.demand.heat_w < 0.0:
            if call.crash:
                crash_w -= call.demand.heat_w
            else:
                active_w -= call.demand.heat_w
    if bath_c <= bath.setpoint_c + STORE_K or active_w + crash_w <= bath.chiller_w:
        return Shares(tuple([_grant(call, why, 1.0, "") for call, why in zip(calls, refused, strict=True)]), pause)
    for_crashes_w = min(crash_w, max(bath.chiller_w - active_w, LEAST_SHARE * bath.chiller_w))
    crash_share = for_crashes_w / crash_w if crash_w else 0.0
    crash_why = "the crash waits for active fermentations" if active_w else _SHARED
    active_share = min(1.0, (bath.chiller_w - for_crashes_w) / active_w) if active_w else 1.0
    grants = [
        _grant(call, why, crash_share, crash_why) if call.crash else _grant(call, why, active_share, _SHARED)
        for call, why in zip(calls, refused, strict=True)
    ]
    return Shares(tuple(grants), pause)


def _refused(bath_c: float, call: Call, pause: bool) -> str:
    """Why the call gets no cold at all, or ""."""
    if call.demand.heat_w >= 0.0:
        return ""
    if call.wort_c is not None and bath_c > call.wort_c - USEFUL_K:
        return "the bath is not colder than the wort"
    return "the crash waits: the bath is warm" if call.crash and pause else ""


def _grant(call: Call, refused: str, part: float, why: str) -> Grant:
    heat_w, reason = call.demand
    if heat_w >= 0.0:
        return Grant(heat_w, reason)
    if refused:
        return Grant(0.0, refused)
    return Grant(heat_w * part, reason if part >= 1.0 else why)
