"""The demo's site and cellar, set up for measuring: no broker, no clock, a scan of any length."""

from dataclasses import replace
from pathlib import Path

from controller.config import load_installation
from controller.control.site import Output, Site
from controller.control.state import SiteState
from controller.control.values import Action
from controller.demo_lockstep import DEMO_PLANS
from controller.display import Display
from controller.hmi.status import vessel_dict
from controller.plant.brewer import LOOKS_EVERY_S, Brewer
from controller.plant.cellar import Cellar, demo_cellar
from controller.shipped import shipped_path


def demo_site(scan_s: float) -> Site:
    """The site of the demo with another scan period, and the usual lifetimes."""
    site = load_installation(Path(shipped_path("demo-site.yaml"))).site
    vessels = tuple(
        replace(vessel, cooler=_usual(vessel.cooler), heater=_usual(vessel.heater)) for vessel in site.vessels
    )
    return replace(site, scan_s=scan_s, vessels=vessels)


def _usual(output: Output | None) -> Output | None:
    return replace(output, lifetime_s=90.0, renew_s=25.0) if output else None


class Party:
    """The cellar with its brewer, who looks at the vessels' published states every ten minutes."""

    def __init__(self, site: Site, seed: int = 1) -> None:
        self.site = site
        self.cellar: Cellar = demo_cellar(seed)
        self._brewer = Brewer(self.cellar, DEMO_PLANS)
        self._next_s = 0.0

    def acts(self, now_s: float, state: SiteState) -> tuple[Action, ...]:
        """What the brewer does before this scan."""
        if now_s < self._next_s:
            return ()
        self._next_s = now_s + LOOKS_EVERY_S
        seen = {vessel.name: vessel_dict(self.site, vessel, state, Display()) for vessel in self.site.vessels}
        return self._brewer.acts(now_s, seen)
