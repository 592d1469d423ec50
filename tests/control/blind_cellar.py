"""A lager of 60 L at 10 °C on the plant's glycol bath, brought to high kräusen, and what becomes of it blindly."""

from copy import deepcopy
from dataclasses import dataclass, replace
from functools import cache

from controller import defaults
from controller.control.site import AlarmLimits, Bath, Ending, Limits, Output, Place, Probe, SignalLoss, Site, Vessel
from controller.control.state import SiteState
from controller.control.step import StepResult
from controller.control.values import Action, RecordKind
from controller.plant.cellar import Cellar
from controller.plant.demo import BATH, DARK
from controller.plant.probe import Fault
from controller.plant.specs import LAGER, CellarSpec, Yeast
from controller.plant.yeast import Brew
from controller.simulate import simulate

HOUR_S, DAY_S = 3600.0, 86400.0
VOLUME_L, OG, LIMIT, SETPOINT_C = 60.0, 1.052, 0.80, 10.0
LOWEST_C = 1.0  # the vessel's hard limit, and the highest of its lower limits
LOST_TAG = "dark/thermowell"
# The plant's own lager yeast, and one so keen that an uncooled wort gains what the design names: 3.5 K in six hours.
CALM = LAGER
KEEN = replace(LAGER, growth_per_day=2.5, pace_per_day=1.3)


@dataclass(frozen=True)
class Kraeusen:
    """A cellar at the moment of the loss, and the controller's state."""

    site: Site
    cellar: Cellar
    state: SiteState


@dataclass
class Blindly:
    """What happened to the wort after the loss: extremes in °C, and the records."""

    low_c: float
    high_c: float
    last_c: float
    after_six_c: float
    after: Kraeusen
    told: list[tuple[float, str, str, str]]  # seconds after the loss, subject, value, reason

    def when(self, subject: str, value: str) -> float:
        """Seconds from the loss to the first record of that kind."""
        return next(at_s for at_s, what, became, _ in self.told if what == subject and became == value)

    def why(self, subject: str, value: str) -> str:
        return next(reason for _, what, became, reason in self.told if what == subject and became == value)


def lager_site(loss: SignalLoss, scan_s: float = 30.0, coldest_room_c: float = 5.0) -> Site:
    """The site with the one vessel. Its probe reports every 10 s, so it is stale after 30 s (or a scan and a half)."""
    heat_capacity = defaults.vessel_heat_capacity_j_per_k(VOLUME_L, DARK.wall_j_per_k)
    vessel = Vessel(
        name="dark",
        volume_l=VOLUME_L,
        heat_capacity_j_per_k=heat_capacity,
        probes=(Probe(LOST_TAG, Place.THERMOWELL, max(30.0, 1.5 * scan_s)),),
        cooler=Output("dark/cooler", DARK.coil_w_per_k * 20.0, Ending.DEVICE_TIMER),
        heater=None,
        loop=defaults.loop(heat_capacity),
        limits=Limits(LOWEST_C, 25.0),
        alarms=AlarmLimits(1.0, 1800.0, 0.0, 26.0, 300.0, 0.2, 43200.0),
        signal_loss=loss,
        coldest_room_c=coldest_room_c,
    )
    bath = Bath((Probe("bath/supply", Place.BATH, 90.0),), -2.5, 1.5, -12.0, 2.0, 1000.0)
    return Site("blind", scan_s, (vessel,), bath, None)


def peak_s(yeast: Yeast) -> float:
    """When the yeast gives most heat in wort at the setpoint, by the plant's own brew."""
    brew, at_s, best, best_s = Brew(yeast, OG, LIMIT, VOLUME_L), 0.0, 0.0, 0.0
    while at_s < 14 * DAY_S:
        brew.advance(600.0, SETPOINT_C)
        at_s += 600.0
        if brew.heat_w > best:
            best, best_s = brew.heat_w, at_s
    return best_s


@cache
def _kraeusen(loss: SignalLoss, yeast: Yeast, room_c: float, after_peak_s: float, scan_s: float) -> Kraeusen:
    site = lager_site(loss, scan_s)
    cellar = Cellar(CellarSpec((replace(DARK, yeast=yeast),), BATH), lambda t_s: room_c)
    cellar.pitch("dark", OG, LIMIT, VOLUME_L, SETPOINT_C)
    wort = {"batch": "lager", "og": OG, "volume_l": VOLUME_L, "setpoint_c": SETPOINT_C}
    start = Action("1", "dark", "start", wort, "me")
    state = simulate(site, cellar, peak_s(yeast) + after_peak_s, lambda now_s, state: () if now_s else (start,))
    return Kraeusen(site, cellar, state._replace(now_s=state.now_s + scan_s))  # where the plant is already


def high_kraeusen(
    loss: SignalLoss, yeast: Yeast = KEEN, room_c: float = 20.0, after_peak_s: float = 0.0, scan_s: float = 30.0
) -> Kraeusen:
    """High kräusen, regulated for days; each caller has a cellar of its own."""
    found = _kraeusen(loss, yeast, room_c, after_peak_s, scan_s)
    return Kraeusen(found.site, deepcopy(found.cellar), found.state)


def lost(at: Kraeusen, for_s: float = DAY_S, yeast_stops: bool = False, fault: Fault = Fault.MISSING) -> Blindly:
    """The probe is lost now; in the worst case the yeast stops at the same moment."""
    at.cellar.fault(LOST_TAG, fault)
    brew = at.cellar.vessels["dark"].brew
    if yeast_stops and brew is not None:
        brew.yeast = replace(brew.yeast, pace_per_day=0.0)
    return watched(at, for_s)


def watched(at: Kraeusen, for_s: float) -> Blindly:
    """What happens to the wort from now on."""
    begun_s, seen_c = at.state.now_s, [at.cellar.wort_c("dark")]
    told: list[tuple[float, str, str, str]] = []

    def observe(result: StepResult) -> None:
        seen_c.append(at.cellar.wort_c("dark"))
        told.extend(
            (record.at_s - begun_s, record.subject, record.value, record.reason)
            for record in result.records
            if record.kind is not RecordKind.OUTPUT
        )

    state = simulate(at.site, at.cellar, for_s, observe=observe, state=at.state)
    six = seen_c[min(len(seen_c) - 1, int(6 * HOUR_S / at.site.scan_s))]
    after = Kraeusen(at.site, at.cellar, state._replace(now_s=state.now_s + at.site.scan_s))
    return Blindly(min(seen_c), max(seen_c), seen_c[-1], six, after, told)
