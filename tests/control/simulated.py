"""The demo's smallest fermenter, alone on the demo's glycol bath, and the site file's figures that fit it."""

from collections.abc import Callable, Iterable, Mapping

from controller import defaults
from controller.control.course import Profile
from controller.control.site import AlarmLimits, Bath, Ending, Limits, Output, Place, Probe, Site, Vessel
from controller.control.state import SiteState
from controller.control.values import Action
from controller.display import Display
from controller.hmi.status import vessel_dict
from controller.plant.brewer import Brewer, Plan
from controller.plant.cellar import Cellar
from controller.plant.demo import AMBER, BATH
from controller.plant.specs import CellarSpec

SCAN_S = 30.0  # slower than the service's 5 s, so that weeks pass in seconds


def amber_site(profiles: Mapping[str, Profile], scan_s: float = SCAN_S) -> Site:
    """A site with the one vessel "amber": 25 L, glycol pump, heat wrap, thermowell."""
    heat_capacity = defaults.vessel_heat_capacity_j_per_k(AMBER.volume_l, AMBER.wall_j_per_k)
    vessel = Vessel(
        name="amber",
        volume_l=30.0,
        heat_capacity_j_per_k=heat_capacity,
        probes=(Probe("amber/thermowell", Place.THERMOWELL, 90.0),),
        cooler=Output("amber/cooler", AMBER.coil_w_per_k * 15.0, Ending.DEVICE_TIMER),
        heater=Output("amber/heater", AMBER.heater_w, Ending.DEVICE_TIMER),
        loop=defaults.loop(heat_capacity),
        limits=Limits(0.5, 30.0),
        alarms=AlarmLimits(1.0, 1800.0, -0.5, 31.0, 300.0, 0.2, 43200.0),
    )
    bath = Bath((Probe("bath/supply", Place.BATH, 90.0),), -2.5, 1.5, -12.0, 2.0, 1000.0)
    return Site("test cellar", scan_s, (vessel,), bath, Probe("room/air", Place.ROOM, 90.0), profiles)


def amber_cellar(room_c: Callable[[float], float] = lambda t_s: 20.0) -> Cellar:
    """The simulated plant that goes with it, in a room of 20 °C unless told otherwise."""
    return Cellar(CellarSpec((AMBER,), BATH), room_c)


class PatientBrewer(Brewer):
    """Keeps the beer cold to the end of its profile and beyond; packaging is left to the test."""

    def _cold_enough(self, name: str, seen: Mapping[str, object], now_s: float) -> bool:
        return False


def brewers(site: Site, cellar: Cellar, plans: Iterable[Plan]) -> Callable[[float, SiteState], tuple[Action, ...]]:
    """The plant's own brewer as `simulate` asks for: sees what the status shows, answers with actions."""
    brewer = PatientBrewer(cellar, tuple(plans))

    def acts(now_s: float, state: SiteState) -> tuple[Action, ...]:
        if now_s % 600.0 or now_s < 60.0:  # looks at the vessels every ten minutes
            return ()
        return brewer.acts(now_s, {vessel.name: vessel_dict(site, vessel, state, Display()) for vessel in site.vessels})

    return acts
