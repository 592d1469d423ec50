"""What the simulated cellar is made of: frozen figures in Celsius, kelvin, seconds, watts, litres."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Glycol:
    """Propylene glycol and water near 0 °C: density kg/m³, specific heat J/(kg K), freezing point °C."""

    mass_share: float
    density_kg_m3: float
    cp_j_per_kg_k: float
    freeze_c: float

    @property
    def j_per_l_k(self) -> float:
        """Heat capacity of one litre, J/(L K)."""
        return self.density_kg_m3 * self.cp_j_per_kg_k / 1000.0


# Å. Melinder, Properties of Secondary Working Fluids for Indirect Systems, IIR 2010 (mean of -5 and 0 °C)
GLYCOL_30 = Glycol(0.30, 1032.3, 3795.8, -12.79)
GLYCOL_35 = Glycol(0.35, 1038.0, 3718.4, -16.32)


@dataclass(frozen=True, slots=True)
class Yeast:
    """How a yeast works. At `reference_c`: `lag_s` until growth shows, `growth_per_day` of its activity,
    `pace_per_day` the share of the fermentable extract that it takes a day at full activity. Below
    `dormant_c` it rests. All estimates of ours, chosen for the durations that brewers know."""

    lag_s: float
    growth_per_day: float
    pace_per_day: float
    reference_c: float
    dormant_c: float
    activation_j_per_mol: float = 65e3  # Q10 of about 2.5; common order, from memory


ALE = Yeast(lag_s=9 * 3600.0, growth_per_day=3.2, pace_per_day=0.55, reference_c=19.0, dormant_c=9.0)
LAGER = Yeast(lag_s=18 * 3600.0, growth_per_day=1.6, pace_per_day=0.28, reference_c=11.0, dormant_c=2.5)


@dataclass(frozen=True, slots=True)
class ProbeSpec:
    """A digital probe: lag of the sensor itself, error in place, noise (standard deviation)."""

    lag_s: float = 12.0
    offset_k: float = 0.0
    noise_k: float = 0.03


@dataclass(frozen=True, slots=True)
class VesselSpec:
    """A fermenter with a glycol coil inside and a heat wrap outside. Conductances in W/K.

    `film_w_per_k` lies between wort and wall, `loss_w_per_k` between wall and room, `coil_w_per_k` between
    flowing glycol and moving wort. `coil_low_share` of the coil and 1 - `upper_share` of the wort are in
    the lower layer; `well_upper_share` says how much of the thermowell feels the upper one. `line_l` is the
    hose from bath to coil, which warms to the room with `line_lag_s` when nothing flows."""

    name: str
    volume_l: float
    wall_j_per_k: float
    film_w_per_k: float
    loss_w_per_k: float
    coil_l: float
    coil_w_per_k: float
    flow_l_per_s: float
    line_l: float
    heater_w: float
    yeast: Yeast
    upper_share: float = 0.5
    coil_low_share: float = 0.6
    well_upper_share: float = 0.4
    well_lag_s: float = 90.0
    line_lag_s: float = 1200.0
    probe: ProbeSpec = field(default_factory=ProbeSpec)


@dataclass(frozen=True, slots=True)
class BathSpec:
    """The glycol reservoir and its chiller. `chiller_w` holds at `rated_bath_c` and `rated_room_c`; it changes
    by `share_per_bath_k` for each kelvin of a warmer bath and falls by `share_per_room_k` for each kelvin
    of a warmer room (order of magnitude of small compressors; from memory). Each running pump warms the
    bath by `pump_w`. The chiller's own thermostat cuts in above setpoint + half the deadband."""

    volume_l: float
    glycol: Glycol
    setpoint_c: float
    deadband_k: float
    gain_w_per_k: float
    chiller_w: float
    rated_bath_c: float = -3.0
    rated_room_c: float = 20.0
    share_per_bath_k: float = 0.03
    share_per_room_k: float = 0.012
    shortest_off_s: float = 180.0
    pump_w: float = 8.0
    probe: ProbeSpec = field(default_factory=ProbeSpec)


@dataclass(frozen=True, slots=True)
class CellarSpec:
    """The whole plant."""

    vessels: tuple[VesselSpec, ...]
    bath: BathSpec
    room_probe: ProbeSpec = field(default_factory=lambda: ProbeSpec(lag_s=120.0))
