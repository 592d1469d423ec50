"""The service's own simulated cellar as the plant of a story, until the test plant with more in it takes its place."""

import math
from typing import NamedTuple

from controller.plant.cellar import Cellar
from controller.plant.probe import Fault
from controller.plant.specs import ALE, GLYCOL_35, LAGER, BathSpec, CellarSpec, VesselSpec
from tests.simulation.layout import Layout


class Truth(NamedTuple):
    """What is really in a vessel."""

    mean_c: float
    coldest_c: float
    warmest_c: float
    litres: float
    og: float
    gravity: float
    yeast_w: float


class Plant:
    """Vessels, bath and room of a layout."""

    def __init__(self, layout: Layout, seed: int) -> None:
        specs = tuple(
            VesselSpec(
                v.name, v.volume_l, v.wall_j_per_k, v.film_w_per_k, v.loss_w_per_k, v.coil_l, v.coil_w_per_k,
                v.flow_l_per_s, v.line_l, v.heater.power_w if v.heater else 0.0, LAGER if v.lager else ALE,
            )
            for v in layout.vessels
        )  # fmt: skip
        bath = BathSpec(layout.bath_l, GLYCOL_35, layout.bath_setpoint_c, 1.0, 2.5, layout.chiller_w)
        base_c = layout.room_c
        self._cellar = Cellar(CellarSpec(specs, bath), lambda s: base_c + 1.5 * math.sin(s / 13750.0), seed)
        self._og = {v.name: 1.0 for v in layout.vessels}
        self._litres = {v.name: 0.0 for v in layout.vessels}
        self._tags = {f"{v.name}/well": f"{v.name}/thermowell" for v in layout.vessels}
        self._tags |= {f"{v.name}/side": f"{v.name}/thermowell" for v in layout.vessels}
        self._tags |= {"bath/tank": "bath/supply", "room/air": "room/air"}

    @property
    def bath_c(self) -> float:
        return self._cellar.bath.bath_c

    @property
    def room_c(self) -> float:
        return self._cellar.room_c

    def advance(self, dt_s: float) -> None:
        self._cellar.advance(dt_s)

    def set_output(self, tag: str, moving: bool) -> None:
        self._cellar.devices[tag].on = moving

    def probe_c(self, tag: str) -> float | None:
        return self._cellar.probes[self._tags[tag]].celsius

    def fault(self, tag: str, kind: str, magnitude: float, for_s: float) -> None:
        self._cellar.fault(self._tags[tag], Fault(kind), magnitude, for_s)

    def mend(self, tag: str) -> None:
        self._cellar.mend(self._tags[tag])

    def fill(self, vessel: str, og: float, attenuation: float, litres: float, wort_c: float) -> None:
        self._cellar.pitch(vessel, og, attenuation, litres, wort_c)
        self._og[vessel], self._litres[vessel] = og, litres

    def drain(self, vessel: str) -> None:
        self._cellar.package(vessel)
        self._og[vessel], self._litres[vessel] = 1.0, 0.0

    def move(self, one: str, other: str) -> None:
        source = self._cellar.vessels[one]
        brew, wort_c = source.brew, source.heat.wort_c()
        if brew is None:
            return
        self._cellar.vessels[other].fill(brew, wort_c)
        source.fill(None, 0.0)
        self._og[other], self._litres[other] = self._og[one], self._litres[one]
        self._og[one], self._litres[one] = 1.0, 0.0

    def chiller(self, plugged: bool) -> None:
        self._cellar.plug_chiller(plugged)

    def truth(self, vessel: str) -> Truth:
        fermenter = self._cellar.vessels[vessel]
        heat = fermenter.heat
        cold_c, warm_c = sorted((heat.upper_c, heat.lower_c))
        gravity = fermenter.brew.apparent_gravity() if fermenter.brew else 1.0
        return Truth(heat.wort_c(), cold_c, warm_c, self._litres[vessel], self._og[vessel], gravity, fermenter.yeast_w)
