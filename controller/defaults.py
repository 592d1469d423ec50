"""What holds where the site file or a profile says nothing: each default once, with its source.

Defaults of single figures of probes and outputs (sensor range, lifetimes, shortest times) are those of
`controller.control.site`."""

from controller.control.fluids import wort_heat_capacity
from controller.control.site import Loop, LoopKind
from controller.installation import History

SCAN_S = 5.0  # design of this service
BROKER_PORT = 1883  # IANA registry: mqtt
BROKER_TLS_PORT = 8883  # IANA registry: secure-mqtt
HTTP_HOST = "127.0.0.1"  # the page has no login; nobody else's machine sees it unless the file says so

# How long to remember; a choice of this service.
SAMPLE_S = History().sample_s
KEEP_SAMPLES_S = History().keep_samples_s
KEEP_MINUTES_S = History().keep_minutes_s

# Common practice, no source, from here to the next comment.
FREEZE_MARGIN_K = 0.5  # wort above its freezing point
COLDEST_ROOM_C = 5.0  # a frost-proof room in winter, when its heating fails
BATH_FREEZE_MARGIN_K = 2.0  # bath above its freezing point: the evaporator is colder than the bath
WARM_ABOVE_SETPOINT_K = 4.0  # a bath so much too warm lets crashes wait
DEADBAND_K = 0.3
CYCLE_S = 20 * 60.0
CHANGEOVER_S = 15 * 60.0
DERIVATIVE_S = 0.0
DERIVATIVE_FILTER_S = 120.0
ALARM_DEVIATION_K = 1.0
ALARM_DELAY_S = 30 * 60.0
ALARM_BEYOND_LIMIT_K = 1.0  # outside the hard limits, so that a setpoint at a limit does not ring
ALARM_LIMIT_DELAY_S = 5 * 60.0
ALARM_DEADBAND_K = 0.2
ALARM_REMINDER_S = 12 * 3600.0
HEARTBEAT_S = 300.0
REPORTS_MISSED = 3.0  # a probe is quiet after so many missed reports
STEP_TOLERANCE_K = 0.5
CONTACTOR_SHORTEST_OFF_S = 30.0
PUMP_SHORTEST_ON_S = 60.0
PUMP_SHORTEST_OFF_S = 60.0
COMPRESSOR_SHORTEST_ON_S = 3 * 60.0
COMPRESSOR_SHORTEST_OFF_S = 5 * 60.0  # small hermetic ones: 3 to 5 min, until pressures are even
COMPRESSOR_DEADBAND_K = 1.0
VALVE_LEADS_S = 10.0  # a small motor valve opens in 5 to 15 s

# A wort of 12 degrees Plato at 20 °C; its mass per litre is rounded up from 1.0464 (specific gravity 1.0484).
WORT_KG_PER_L = 1.05
_WORT_PLATO = 12.0
_WORT_C = 20.0

# The dead time from pump to probe, and the closed loop's time constant. Common practice, no source: a coil's
# hold-up and a thermowell together answer within about a quarter of an hour.
_DEAD_TIME_S = 900.0
_CLOSED_LOOP_S = _DEAD_TIME_S  # the tight choice in S. Skogestad, J. Process Control 13 (2003) 291-309


def vessel_heat_capacity_j_per_k(volume_l: float, wall_j_per_k: float) -> float:
    """Heat capacity in J/K of a full vessel: wort of ordinary strength, and its wall."""
    return volume_l * WORT_KG_PER_L * wort_heat_capacity(_WORT_PLATO, _WORT_C) + wall_j_per_k


def loop(heat_capacity_j_per_k: float) -> Loop:
    """A PID loop for a vessel. The wort integrates heat, so by the SIMC rules for an integrating process
    (S. Skogestad, J. Process Control 13 (2003) 291-309) the gain is C / (tau_c + theta), the integral time
    4 (tau_c + theta)."""
    response_s = _CLOSED_LOOP_S + _DEAD_TIME_S
    return Loop(
        kind=LoopKind.PID,
        deadband_k=DEADBAND_K,
        gain_w_per_k=heat_capacity_j_per_k / response_s,
        integral_s=4.0 * response_s,
        derivative_s=DERIVATIVE_S,
        derivative_filter_s=DERIVATIVE_FILTER_S,
        cycle_s=CYCLE_S,
        changeover_s=CHANGEOVER_S,
    )
