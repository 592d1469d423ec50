"""A made-up cellar to show and test with: three fermenters of different size on one glycol bath."""

from dataclasses import dataclass

from controller.plant.specs import ALE, GLYCOL_35, LAGER, BathSpec, CellarSpec, ProbeSpec, VesselSpec


@dataclass(frozen=True, slots=True)
class Beer:
    """Wort as it comes from the kettle: original gravity, limit of apparent attenuation 0..1, L, °C."""

    og: float
    attenuation_limit: float
    volume_l: float
    wort_c: float


AMBER = VesselSpec(  # stainless 30 L with a thin neoprene jacket
    name="amber",
    volume_l=25.0,
    wall_j_per_k=3500.0,
    film_w_per_k=35.0,
    loss_w_per_k=1.2,
    coil_l=0.45,
    coil_w_per_k=8.0,
    flow_l_per_s=0.035,
    line_l=0.4,
    heater_w=40.0,
    yeast=ALE,
    probe=ProbeSpec(offset_k=0.10),
)
DARK = VesselSpec(  # stainless 75 L
    name="dark",
    volume_l=60.0,
    wall_j_per_k=7000.0,
    film_w_per_k=60.0,
    loss_w_per_k=1.8,
    coil_l=0.8,
    coil_w_per_k=16.0,
    flow_l_per_s=0.045,
    line_l=0.7,
    heater_w=75.0,
    yeast=ALE,
    probe=ProbeSpec(offset_k=-0.15),
)
GOLD = VesselSpec(  # stainless 150 L with 25 mm of foam
    name="gold",
    volume_l=120.0,
    wall_j_per_k=14000.0,
    film_w_per_k=100.0,
    loss_w_per_k=2.2,
    coil_l=1.4,
    coil_w_per_k=30.0,
    flow_l_per_s=0.06,
    line_l=1.1,
    heater_w=140.0,
    yeast=LAGER,
    probe=ProbeSpec(offset_k=0.05),
)
BATH = BathSpec(volume_l=90.0, glycol=GLYCOL_35, setpoint_c=-2.5, deadband_k=1.0, gain_w_per_k=2.5, chiller_w=1000.0)
DEMO_SPEC = CellarSpec((AMBER, DARK, GOLD), BATH)
DEMO_BEERS = {
    "amber": Beer(og=1.048, attenuation_limit=0.79, volume_l=25.0, wort_c=22.0),
    "dark": Beer(og=1.078, attenuation_limit=0.76, volume_l=60.0, wort_c=23.0),
    "gold": Beer(og=1.049, attenuation_limit=0.81, volume_l=120.0, wort_c=16.0),
}
