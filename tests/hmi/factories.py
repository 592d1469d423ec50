"""A small cellar for the tests of what is shown: an ale and a lager on one bath, figures invented."""

from zoneinfo import ZoneInfo

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
from controller.control.state import (
    AlarmPhase,
    AlarmState,
    Batch,
    BatchState,
    GravityReading,
    ProgramState,
    SiteState,
    VesselState,
)
from controller.control.values import Drive, Estimate, Setpoint, Signal, Status
from controller.display import Display

HOUR, DAY = 3600.0, 86400.0
BERLIN = Display(zone=ZoneInfo("Europe/Berlin"))
CHICAGO = Display("F", "gal", "SG", ZoneInfo("America/Chicago"))
PILSEN = Display("C", "L", "P", ZoneInfo("Europe/Prague"))
NOW_S = 10 * DAY
LOOP = Loop(LoopKind.PID, 0.3, 60.0, 7200.0, 600.0, 60.0, 900.0, 600.0)
ALARMS = AlarmLimits(1.5, 3600.0, 0.0, 28.0, 600.0, 0.3, DAY)

FERMENT = ProfileStep("ferment", StepKind.HOLD, 19.0, 0.5, Ends(attenuation=0.75), 10 * DAY)
REST = ProfileStep("rest", StepKind.REST, 21.0, 0.5, Ends(after_s=48 * HOUR), 6 * DAY)
PITCH = ProfileStep("pitch", StepKind.HOLD, 18.0, 0.5, Ends(reached=True, confirmed="Yeast pitched?"), 3 * DAY)
ALE = Profile("clean-ale", "Clean ale", (PITCH, FERMENT, REST))


def vessel(name: str) -> Vessel:
    """A 30 L fermenter with one probe, a glycol pump and a heat wrap."""
    return Vessel(
        name,
        30.0,
        120_000.0,
        (Probe(f"{name}/well", Place.THERMOWELL, 60.0),),
        Output(f"{name}/cooler", 300.0, Ending.DEVICE_TIMER),
        Output(f"{name}/heater", 40.0, Ending.DEVICE_TIMER),
        LOOP,
        Limits(-1.0, 30.0),
        ALARMS,
    )


def site(*names: str) -> Site:
    """A cellar with these vessels ("ale" and "lager" unless given), a bath and a room probe."""
    return Site(
        "cellar",
        5.0,
        tuple(vessel(name) for name in sorted(names or ("ale", "lager"))),
        Bath((Probe("bath/supply", Place.BATH, 60.0),), -2.0, 2.0, -16.0, 2.0, 900.0),
        Probe("room/air", Place.ROOM, 300.0),
        {ALE.name: ALE},
    )


def good(celsius: float) -> Signal:
    """A signal whose last reading came 3 s ago."""
    return Signal(celsius, NOW_S - 3.0, Status.GOOD, "")


def batch(name: str = "House Pale", og: float | None = 1.048, *gravities: float) -> Batch:
    """Ale in its vessel for five days, with these gravities entered an hour ago."""
    entered = tuple(GravityReading(gravity, NOW_S - HOUR, None) for gravity in gravities)
    return Batch(name, og, 25.0, "dry ale yeast", ALE, NOW_S - 5 * DAY, None, gravities=entered)


def fermenting(idle: VesselState, wort_c: float = 19.2, step: int = 1, counted_s: float = 12 * HOUR) -> VesselState:
    """The vessel with House Pale in it, in one of its steps, at a temperature."""
    course = ALE.steps[step]
    return idle._replace(
        condition=BatchState.RUNNING,
        batch=batch("House Pale", 1.048, 1.029),
        program=ProgramState(step, counted_s, counted_s + HOUR, 18.0),
        setpoint=Setpoint(course.target_c, course.target_c),
        estimate=Estimate(wort_c, wort_c, wort_c, 0.02, wort_c, Drive.BOTH, ""),
        applied_w=-25.0,
        loop=idle.loop._replace(heat_w=-30.0),
    )


def empty_cellar(plant: Site | None = None) -> SiteState:
    """Nothing brewed and no reading yet."""
    return initial_state(plant or site(), 0.0)._replace(now_s=NOW_S)


def busy_cellar(plant: Site | None = None) -> SiteState:
    """The first vessel ferments well, its pump runs; bath and room are known; the others are empty."""
    plant = plant or site()
    state = empty_cellar(plant)
    first = plant.vessels[0].name
    now = fermenting(state.vessels[first])
    assert now.cooler is not None
    runs = now.cooler._replace(on=True, since_s=NOW_S - 90.0, reason="0.2 K above the setpoint")
    pump = runs._replace(starts=41, on_s=9 * HOUR)
    signals = {**state.signals, f"{first}/well": good(19.2), "bath/supply": good(-1.8), "room/air": good(23.5)}
    vessels = {**state.vessels, first: now._replace(cooler=pump)}
    return state._replace(vessels=vessels, signals=signals, started=True, utc_s=1_780_000_000.0)


def with_vessel(state: SiteState, name: str, changed: VesselState) -> SiteState:
    """The state with one vessel replaced."""
    return state._replace(vessels={**state.vessels, name: changed})


def with_alarm(state: SiteState, key: str, text: str, phase: AlarmPhase = AlarmPhase.UNACKNOWLEDGED) -> SiteState:
    """The state with an alarm raised an hour ago."""
    return state._replace(alarms={**state.alarms, key: AlarmState(phase, NOW_S - 2 * HOUR, NOW_S - HOUR, text)})
