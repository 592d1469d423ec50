"""Quiet hours: the outputs rest unless the wort has drifted too far. Part of stage 4.

They only ever take demand away, so every permit of the interlock and every limit near freezing stays as it is.
"""

from controller.control.interlock import freezing_limit_c
from controller.control.site import Vessel
from controller.control.state import Batch, Quiet
from controller.control.values import Drive, Estimate, Setpoint

# The wort is back within this share of the deadband (or of the allowed drift, if that is smaller) ...
BACK_SHARE = 0.25
# ... or within this share of the allowed drift once the loop itself asks for nothing more: what is still on its way
# from coil or wrap brings it nearer. Both: common practice, no source.
SATISFIED_SHARE = 0.75


def quiet_after(
    vessel: Vessel, quiet: Quiet, batch: Batch | None, setpoint: Setpoint | None, wort: Estimate, asking: bool
) -> Quiet:
    """Whether regulation acts or rests after this scan, while the quiet hours last. `asking` says that the loop
    asked for heat or cold in the last scan.

    The allowed drift shrinks to what is left up to the hard limits, the absolute alarm limits and the freezing
    limit, but not below the deadband: there the loop itself would rest too. Without a fit signal nothing changes.
    """
    if setpoint is None or wort.celsius is None or wort.drive is Drive.NOTHING:
        return quiet
    if wort.celsius > setpoint.high_c:
        drift_k = wort.celsius - setpoint.high_c
        room_k = min(vessel.limits.high_c, vessel.alarms.high_c) - setpoint.high_c
    else:
        drift_k = setpoint.low_c - wort.celsius
        lowest_c = max(vessel.limits.low_c, vessel.alarms.low_c, freezing_limit_c(vessel, batch))
        room_k = setpoint.low_c - lowest_c
    deadband_k = vessel.loop.deadband_k
    allowed_k = min(quiet.drift_k, max(room_k, deadband_k))
    back_k = BACK_SHARE * min(allowed_k, deadband_k) if asking else SATISFIED_SHARE * allowed_k
    acting = drift_k > (back_k if quiet.acting else allowed_k)
    return quiet if acting == quiet.acting else quiet._replace(acting=acting)
