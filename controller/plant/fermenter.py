"""One fermenter with all that hangs on it: contents, coil line, pump, heat wrap, probe."""

from controller.plant.devices import Device
from controller.plant.line import Line
from controller.plant.probe import ProbeUnit
from controller.plant.specs import Glycol, VesselSpec
from controller.plant.thermal import VesselHeat
from controller.plant.yeast import Brew


class Fermenter:
    """Joins the parts of one vessel. The totals count heat in J since the start."""

    __slots__ = (
        "brew",
        "cooler",
        "filled_j",
        "heat",
        "heater",
        "heater_j",
        "line",
        "probe",
        "room_j",
        "spec",
        "yeast_j",
        "yeast_w",
    )

    def __init__(self, spec: VesselSpec, glycol: Glycol, seed: int, start_c: float) -> None:
        self.spec = spec
        self.heat = VesselHeat(spec, glycol, start_c)
        self.line = Line(spec.line_l, spec.line_lag_s, glycol, start_c)
        self.cooler = Device(f"{spec.name}/cooler")
        self.heater = Device(f"{spec.name}/heater")
        self.probe = ProbeUnit(f"{spec.name}/thermowell", spec.probe, seed, start_c)
        self.brew: Brew | None = None
        self.yeast_w = 0.0
        self.room_j = self.heater_j = self.yeast_j = self.filled_j = 0.0

    def stored_j(self) -> float:
        """Heat above 0 °C in vessel and line."""
        return self.heat.stored_j() + self.line.stored_j()

    def fill(self, brew: Brew | None, wort_c: float) -> None:
        """Replace the contents by `brew` at `wort_c`, or drain the vessel."""
        before_j = self.stored_j()
        self.brew = brew
        if brew is None:
            self.heat.empty()
        else:
            self.heat.fill(brew.mass_kg, wort_c)
        self.slow(0.0)
        self.filled_j += self.stored_j() - before_j

    def slow(self, elapsed_s: float) -> None:
        """Advance what changes slowly: yeast and mixing."""
        if self.brew is None:
            self.yeast_w = 0.0
            self.heat.stir(0.0)
            return
        self.brew.advance(elapsed_s, self.heat.wort_c())
        self.yeast_w = self.brew.heat_w
        self.heat.stir(self.brew.pace_p_per_day)

    def step(self, dt_s: float, bath_c: float, room_c: float) -> float:
        """Advance by `dt_s`; returns the heat in J that the glycol brought back to the bath."""
        heat, cooler, heater, line = self.heat, self.cooler, self.heater, self.line
        flowing = cooler.on and cooler.works
        heater_w = 0.0
        if cooler.on:
            cooler.on_s += dt_s
        if heater.on:
            heater.on_s += dt_s
            if heater.works:
                heater_w = self.spec.heater_w
                self.heater_j += heater_w * dt_s
        self.yeast_j += self.yeast_w * dt_s
        if not flowing:
            line.stand(dt_s, room_c)
            heat.step(dt_s, False, 0.0, room_c, heater_w, self.yeast_w)
            self.room_j += heat.room_j + line.room_j
            return 0.0
        litres = self.spec.flow_l_per_s * dt_s
        inlet_c = line.push(litres, bath_c)
        heat.step(dt_s, True, inlet_c, room_c, heater_w, self.yeast_w)
        self.room_j += heat.room_j
        # the bath gave its own glycol and got back what left the coil
        return line.j_per_l_k * litres * (inlet_c - bath_c) - heat.glycol_j
