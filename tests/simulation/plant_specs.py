"""What a test plant is made of: frozen figures in °C, K, s, W, L, J/K, W/K. Imports nothing from `controller`."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Yeast:
    """How a yeast works at `reference_c`: `lag_s` until growth shows, `growth_per_day` of its activity, `pace_per_day`
    the share of the fermentable extract that it takes a day at full activity. Below `dormant_c` it rests. Estimates of
    ours, chosen for the durations that brewers know."""

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
    """A digital probe: its own lag, error in place, noise (standard deviation), drift, and step of its readings."""

    lag_s: float = 12.0
    offset_k: float = 0.0
    noise_k: float = 0.03
    drift_k_per_day: float = 0.0
    step_k: float = 1.0 / 16.0  # 12-bit resolution: DS18B20 datasheet, Table 1


@dataclass(frozen=True, slots=True)
class VesselSpec:
    """A fermenter with a glycol coil inside and a heat wrap outside.

    `film_w_per_k` lies between wort and wall, `loss_w_per_k` between wall and room, `lid_w_per_k` between the upper
    layer and the room while the lid is off, `neighbour_w_per_k` between its wall and that of the next vessel.
    `coil_w_per_k` holds for the nominal flow and moving wort; it falls by `fouling_per_day`. `coil_low_share` of the
    coil and 1 - `upper_share` of the wort are in the lower layer; the thermowell feels `well_upper_share` of the upper
    layer and, along its stem, `stem_share` of the room. `mixing` multiplies what the layers exchange. `line_l` is the
    hose from bath to coil, which warms to the room with `line_lag_s` when nothing flows. The flow wanders by
    `flow_wander` (standard deviation, share)."""

    name: str
    volume_l: float
    wall_j_per_k: float
    film_w_per_k: float
    loss_w_per_k: float
    coil_l: float
    coil_w_per_k: float
    flow_l_per_s: float
    line_l: float
    heater_w: float  # 0: it has none
    yeast: Yeast = ALE
    upper_share: float = 0.5
    coil_low_share: float = 0.6
    well_upper_share: float = 0.4
    well_lag_s: float = 90.0
    stem_share: float = 0.01
    wrap_lag_s: float = 150.0
    wrap_loss_share: float = 0.1
    line_lag_s: float = 1200.0
    lid_w_per_k: float = 2.0
    neighbour_w_per_k: float = 0.1
    flow_wander: float = 0.08
    fouling_per_day: float = 0.002
    mixing: float = 1.0
    probe: ProbeSpec = field(default_factory=ProbeSpec)
    side_probe: ProbeSpec | None = None  # strapped to the wall


@dataclass(frozen=True, slots=True)
class BathSpec:
    """The glycol reservoir and its chiller, which removes `chiller_w` at `rated_bath_c` and `rated_room_c`, more by
    `share_per_bath_k` for each kelvin of a warmer bath and less by `share_per_room_k` for each kelvin of a warmer room
    (order of magnitude of small compressors; from memory). Each running pump warms the bath by `pump_w`; each further
    pump takes `manifold_share` of the flow of the others. 30 to 40 % propylene glycol: about 3.86 kJ/(L K), Å.
    Melinder, Properties of Secondary Working Fluids for Indirect Systems, IIR 2010 (35 % by mass, near 0 °C). The
    chiller's own thermostat keeps the bath at `setpoint_c` + `own_thermostat_k`."""

    volume_l: float
    setpoint_c: float
    chiller_w: float
    gain_w_per_k: float = 2.5
    deadband_k: float = 1.0
    own_thermostat_k: float = 0.0
    freeze_c: float = -16.3
    j_per_l_k: float = 3860.0
    rated_bath_c: float = -3.0
    rated_room_c: float = 20.0
    share_per_bath_k: float = 0.03
    share_per_room_k: float = 0.012
    shortest_off_s: float = 180.0
    pump_w: float = 8.0
    manifold_share: float = 0.06
    probe: ProbeSpec = field(default_factory=ProbeSpec)


@dataclass(frozen=True, slots=True)
class RoomSpec:
    """The room: mean, daily swing about it, slow swing of passing weather (amplitudes), air outside at the door."""

    mean_c: float = 18.0
    daily_k: float = 1.5
    fronts_k: float = 1.0
    outside_c: float = 10.0
    probe: ProbeSpec = field(default_factory=lambda: ProbeSpec(lag_s=120.0))


@dataclass(frozen=True, slots=True)
class Nominal:
    """What the site file says of a vessel: the brewer's figures, which are wrong."""

    volume_l: float
    cooler_w: float
    heater_w: float


@dataclass(frozen=True, slots=True)
class CellarSpec:
    """The whole plant. `nominal` is by the name of the vessel and may be empty."""

    vessels: tuple[VesselSpec, ...]
    bath: BathSpec
    room: RoomSpec = field(default_factory=RoomSpec)
    nominal: dict[str, Nominal] = field(default_factory=dict)
