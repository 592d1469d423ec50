"""Small builders for the tests of the core: a 60 L fermenter, a cellar, and a cellar in which a batch runs.

All figures are invented, but of the size that a home brewery has.
"""

from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import initial_state
from controller.control.site import (
    AlarmLimits,
    Bath,
    Ending,
    Limits,
    Loop,
    LoopKind,
    Output,
    Place,
    Probe,
    Site,
    Vessel,
)
from controller.control.state import SiteState
from controller.control.step import StepResult, step
from controller.control.values import Action, Inputs, Reading

HOUR_S, DAY_S = 3600.0, 86400.0
SCAN_S = 5.0
UTC_S = 1_750_000_000.0  # where the service's time line begins in UTC
HEAT_CAPACITY_J_PER_K = 60.0 * 1.05 * 3900.0
# These tests write the temperatures themselves: their worts do not care whether anything cools or heats, as if they
# were so large, and nobody may conclude that pump or wrap is dead.
CARELESS = 1000.0
ALIVE_K = 1e-6  # a living probe does not show the same to the last digit for ever
PID = Loop(LoopKind.PID, 0.3, HEAT_CAPACITY_J_PER_K / 1800.0, 7200.0, 0.0, 0.0, 1200.0, 900.0)
ON_OFF = Loop(LoopKind.ON_OFF, 0.3, 0.0, 0.0, 0.0, 0.0, 1200.0, 900.0)
ALARMS = AlarmLimits(1.0, 1800.0, -1.0, 28.0, 300.0, 0.2, 43200.0)
LIMITS = Limits(0.0, 30.0)
HOLD = Profile("hold", "Hold at 19 °C", (ProfileStep("primary", StepKind.HOLD, 19.0, 0.5, Ends(), 40 * DAY_S),))


def vessel(
    name: str = "ale",
    *,
    probes: int = 1,
    loop: Loop = PID,
    limits: Limits = LIMITS,
    cooler_w: float | None = 300.0,
    heater_w: float | None = 80.0,
) -> Vessel:
    """A 60 L fermenter with thermowell probes, a glycol pump and a heat wrap (None: without)."""
    wells = tuple(Probe(f"{name}/well{i or ''}", Place.THERMOWELL, 30.0) for i in range(probes))
    cooler = None if cooler_w is None else Output(f"{name}/cooler", cooler_w, Ending.DEVICE_TIMER)
    heater = None if heater_w is None else Output(f"{name}/heater", heater_w, Ending.DEVICE_TIMER)
    return Vessel(name, 60.0, CARELESS * HEAT_CAPACITY_J_PER_K, wells, cooler, heater, loop, limits, ALARMS)


def bath() -> Bath:
    """A glycol bath at -3 °C: crashes wait above 1 °C, freezing point -12 °C, a chiller of 1000 W."""
    return Bath((Probe("bath/supply", Place.BATH, 60.0),), -3.0, 1.0, -12.0, 2.0, 1000.0)


def site(*vessels: Vessel, profile: Profile = HOLD) -> Site:
    """A cellar with these vessels (one ale unless given) on one bath."""
    return Site("cellar", SCAN_S, vessels or (vessel(),), bath(), None, {profile.name: profile})


def readings(cellar: Site, celsius: float, at_s: float, bath_c: float = -3.0) -> dict[str, Reading]:
    """A reading of every probe: all worts at `celsius`, the bath at `bath_c`."""
    shown_c = celsius + ALIVE_K * (at_s % 7.0)
    worts = {probe.tag: Reading(shown_c, at_s) for v in cellar.vessels for probe in v.probes}
    return {**worts, "bath/supply": Reading(bath_c, at_s)}


def starting(name: str, **arguments: str | float | bool) -> Action:
    """The brewer's start of a batch of 50 L, following the profile "hold" unless told otherwise."""
    wanted: dict[str, str | float | bool] = {"batch": "pale", "og": 1.050, "volume_l": 50.0}
    if "setpoint_c" not in arguments:
        wanted["profile"] = "hold"
    return Action(f"start-{name}", name, "start", {**wanted, **arguments}, "test")


def scan(
    cellar: Site, state: SiteState, celsius: float, *actions: Action, dt_s: float = SCAN_S, bath_c: float = -3.0
) -> StepResult:
    """One scan, `dt_s` after the last, with fresh readings of every probe."""
    now_s = state.now_s + dt_s
    return step(cellar, state, Inputs(now_s, UTC_S + now_s, readings(cellar, celsius, now_s, bath_c), actions))


def running_state(cellar: Site, celsius: float = 20.0, scans: int = 60, **arguments: str | float | bool) -> SiteState:
    """The state after a batch was started in every vessel and `scans` scans with all worts at `celsius`:
    five minutes unless given, so that protective times are over."""
    state = scan(cellar, initial_state(cellar, 0.0), celsius).state
    state = scan(cellar, state, celsius, *(starting(v.name, **arguments) for v in cellar.vessels)).state
    for _ in range(scans):
        state = scan(cellar, state, celsius).state
    return state
