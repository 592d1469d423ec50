"""A short pulse that asks whether a probe is alive: it has shown the same to the last digit for long, and a wort
whose cooler or heater runs must move. Part of the demand; every permit of the interlock stays as it is."""

from controller.control.balance import COOLER_FALLS_S, HEATER_LAG_S, HOUR_S, Balance, Tick, reckoned
from controller.control.cold_row import COLD_SHARE
from controller.control.doubt import ASK_AFTER_S, MUST_MOVE_K, ProbeMemory, ask_after_s
from controller.control.interlock import REGULATED, changeover_left_s, freezing_limit_c
from controller.control.site import Vessel
from controller.control.state import Mode, VesselState
from controller.control.values import Demand, Drive
from controller.control.vessel_model import COLD_C

LEAST_S, LONGEST_S = 60.0, 3600.0
SETTLES_S = 900.0  # until what a pulse did has all come to the probe; common practice, no source
# So much more than must be seen, and never nearer than twice that to a limit. Common practice, no source.
AMPLE = 1.8
ASKING = "a test pulse: the probe has shown the same for long"


def pulse_s(vessel: Vessel, now: VesselState, balance: Balance, tick: Tick, now_s: float) -> float:
    """How long a pulse must last to move the wort so that a living probe shows it, with the time that must lie between
    it and what the other output did; 0 where none may be given."""
    direction = _direction(vessel, now)
    if not direction:
        return 0.0
    _, cooler, heater = reckoned(balance)
    cooler_k_per_h, heater_k_per_h = cooler * tick.full_cooling_k_per_h, heater * tick.full_heating_k_per_h
    rate_k_per_h, lag_s = (-cooler_k_per_h, COOLER_FALLS_S) if direction < 0 else (heater_k_per_h, HEATER_LAG_S)
    if direction < 0 and tick.wort_c <= COLD_C:
        rate_k_per_h *= COLD_SHARE
    lasts_s = min(max(AMPLE * MUST_MOVE_K / rate_k_per_h * HOUR_S - lag_s, LEAST_S), LONGEST_S)
    return lasts_s + changeover_left_s(vessel, now.heater if direction < 0 else now.cooler, now_s)


def due(memory: ProbeMemory, until_s: float | None, asked_s: float | None, now_s: float) -> bool:
    """Whether a probe that has shown the same for long is to be asked; or once more, when a pulse until `until_s` has
    come through without an answer."""
    if memory.doubt:
        return False
    if memory.pulse is not None and until_s is not None:
        return now_s - until_s >= SETTLES_S
    return now_s - memory.still_s >= ask_after_s(memory) and (asked_s is None or now_s - asked_s >= 1.5 * ASK_AFTER_S)


def asking(vessel: Vessel, was: VesselState, wanted: Demand, now_s: float) -> Demand:
    """The demand with the test pulse in it while one is under way. A loop that asks for the opposite moves the wort
    by itself: then there is no need; in the cold it does not (`_direction`), and waits."""
    until_s = was.diagnosis.asking_until_s
    if until_s is None or now_s >= until_s:
        return wanted
    direction = _direction(vessel, was)
    if direction < 0 and wanted.heat_w <= 0.0 and vessel.cooler is not None:
        return Demand(-vessel.cooler.power_w, ASKING)
    cold = was.estimate.celsius is not None and was.estimate.celsius <= COLD_C
    if direction > 0 and (wanted.heat_w >= 0.0 or cold) and vessel.heater is not None:
        return Demand(vessel.heater.power_w, ASKING)
    return wanted


def _direction(vessel: Vessel, now: VesselState) -> int:
    """The way that the loop goes by itself, else cooling if it may, or heating, or neither (0). In the cold heating
    first: a coil moves a wort little where it is densest, and makes ice."""
    wort = now.estimate
    if now.condition not in REGULATED or now.mode is not Mode.AUTO or wort.drive is Drive.NOTHING:
        return 0
    faulty = {fault.partition(" ")[0] for fault in now.faults}
    room_k = 2.0 * AMPLE * MUST_MOVE_K
    lowest_c = max(freezing_limit_c(vessel, now.batch), vessel.limits.low_c)
    heats = (
        vessel.heater is not None
        and "heater" not in faulty
        and wort.drive is Drive.BOTH
        and wort.warm_c + room_k < vessel.limits.high_c
    )
    if heats and wort.warm_c <= COLD_C:
        return 1
    if (
        vessel.cooler is not None
        and "cooler" not in faulty
        and wort.cold_c - room_k > lowest_c
        and now.loop.heat_w <= 0.0
    ):
        return -1
    return 1 if heats else 0
