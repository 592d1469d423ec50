"""Small cellars whose states, records and samples the historian's tests write and read."""

from collections.abc import Iterator

from controller.control.course import Ends, Profile, ProfileStep, StepKind
from controller.control.lifecycle import initial_state
from controller.control.site import AlarmLimits, Ending, Limits, Loop, LoopKind, Output, Place, Probe, Site, Vessel
from controller.control.state import Batch, BatchState, SiteState
from controller.control.values import Record, RecordKind, Signal, Status
from controller.historian.sampler import Sample

FRIDAY = 1_790_000_000.0

ALE = Profile(
    "ale",
    "An ale",
    tuple(ProfileStep(f"hold {n}", StepKind.HOLD, 18.0, 0.5, Ends(after_s=86400.0), 1e6) for n in range(6)),
)


def a_cellar(*names: str) -> Site:
    """Vessels with a probe, a cooler and a heater each."""
    return Site("cellar", 5.0, tuple(_vessel(name) for name in names or ("one",)), bath=None, room=None)


def _vessel(name: str) -> Vessel:
    return Vessel(
        name,
        50.0,
        2e5,
        (Probe(f"{name}/wort", Place.THERMOWELL, quiet_s=60.0),),
        Output(f"{name}/cooler", -300.0, Ending.DEVICE_TIMER),
        Output(f"{name}/heater", 40.0, Ending.DEVICE_TIMER),
        Loop(LoopKind.ON_OFF, 0.3, 200.0, 7200.0, 0.0, 60.0, 900.0, 600.0),
        Limits(0.0, 25.0),
        AlarmLimits(1.0, 3600.0, 0.0, 28.0, 300.0, 0.2, 86400.0),
    )


def brewing(
    now_s: float = 0.0, utc_s: float | None = None, number: int = 0, names: tuple[str, ...] = ("one",)
) -> SiteState:
    """A state in which every vessel has a batch running; `number` tells one save from another."""
    state = initial_state(a_cellar(*names), 0.0)
    batch = Batch("44", 1.052, 50.0, "ale", ALE, 0.0, None)
    vessels = {k: v._replace(batch=batch, condition=BatchState.RUNNING) for k, v in state.vessels.items()}
    return state._replace(now_s=now_s, utc_s=utc_s, number=number, vessels=vessels)


def at_temperature(state: SiteState, vessel: str, celsius: float | None, cooling: bool = False) -> SiteState:
    """The state with the wort of one vessel at a temperature, its cooler on or off."""
    old = state.vessels[vessel]
    cooler = old.cooler._replace(on=cooling) if old.cooler else None
    new = old._replace(estimate=old.estimate._replace(celsius=celsius), cooler=cooler)
    return state._replace(vessels={**state.vessels, vessel: new})


def with_bath(state: SiteState, celsius: float | None, status: Status = Status.GOOD) -> SiteState:
    """The state with a probe in the bath."""
    return state._replace(signals={**state.signals, "bath/top": Signal(celsius, state.now_s, status, "")})


def a_record(number: int, at_s: float = 0.0, vessel: str = "one", kind: RecordKind = RecordKind.OUTPUT) -> Record:
    """The n-th change of a cooler."""
    return Record(at_s, None, vessel, kind, "cooler", f"change {number}", "wort 0.4 K above setpoint")


def a_sample(at_s: int, name: str = "one", celsius: float | None = 18.25) -> Sample:
    """One quiet interval."""
    return Sample(at_s, name, celsius, 18.0, 18.0, 25, 0)


def scans(first: int, last: int) -> Iterator[tuple[SiteState, Record]]:
    """Scans from number `first` to `last`, each of which changed an output."""
    for number in range(first, last + 1):
        yield brewing(5.0 * number, number=number), a_record(number, 5.0 * number)
