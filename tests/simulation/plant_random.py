"""Test plants of all sizes, drawn from a seed: 5 L on a kitchen table to 2,000 L in a small brewery.

Figures scale with the volume from those of the trade's sizes (a 25 L vessel with a thin jacket, 60 L, 120 L with foam,
a 2,000 L tank of 400 kg steel): surface by volume^(2/3), coil and heater by less, since large tanks are slow. They
scatter as widely as home-made and bought things do. All are estimates of ours."""

import math
import random

from tests.simulation.plant_specs import (
    ALE,
    LAGER,
    BathSpec,
    CellarSpec,
    Nominal,
    ProbeSpec,
    RoomSpec,
    VesselSpec,
    Yeast,
)

SMALLEST_L, LARGEST_L = 5.0, 2000.0
WRONG = 0.3  # the site file's figures are off by up to this share
FACES_K = 15.0  # between wort and glycol where a cooler's nominal power is meant
LARGE_L = 200.0  # tanks from here on are insulated with care


def random_spec(seed: int, vessels: int | None = None) -> CellarSpec:
    """A cellar of 1 to 3 vessels (or `vessels`), its bath and room. The first vessel's volume runs evenly (log scale)
    through the sizes as `seed` counts from 0 to 49, so that any 50 seeds in a row hold all of them; its neighbours are
    of a like size."""
    chance = random.Random(f"{seed}/plant")
    part = (seed * 31 % 50 + chance.random()) / 50.0
    first_l = SMALLEST_L * (LARGEST_L / SMALLEST_L) ** part
    count = vessels or chance.choice((1, 2, 2, 3))
    litres = [first_l, *(min(first_l * chance.uniform(0.4, 2.5), LARGEST_L) for _ in range(count - 1))]
    specs = tuple(random_vessel(f"fv{i + 1}", each_l, chance) for i, each_l in enumerate(litres))
    nominal = {spec.name: _nominal(spec, chance) for spec in specs}
    full_w = [spec.coil_w_per_k * FACES_K for spec in specs]
    chiller_w = max(max(full_w) * chance.uniform(0.6, 1.2), sum(full_w) * chance.uniform(0.35, 0.7), 150.0)
    bath = BathSpec(
        volume_l=max(15.0, sum(litres) * chance.uniform(0.3, 1.0)),
        setpoint_c=chance.choice((-5.0, -4.0, -3.0, -2.0, -1.0)),
        chiller_w=chiller_w,
        gain_w_per_k=2.5 * (sum(litres) / 100.0) ** (2.0 / 3.0) * chance.uniform(0.6, 1.5),
        deadband_k=chance.choice((0.5, 1.0, 2.0)),
        pump_w=max(4.0, 0.006 * chiller_w),
        manifold_share=chance.uniform(0.0, 0.12),
        probe=random_probe(chance),
    )
    mean_c = chance.choice((6.0, 12.0, 16.0, 18.0, 20.0, 22.0, 26.0, 30.0))
    room = RoomSpec(
        mean_c=mean_c,
        daily_k=chance.uniform(0.3, 3.0),
        fronts_k=chance.uniform(0.3, 2.0),
        outside_c=mean_c + chance.uniform(-14.0, 8.0),
        probe=ProbeSpec(120.0, chance.gauss(0.0, 0.2), chance.uniform(0.0, 0.05)),
    )
    return CellarSpec(specs, bath, room, nominal)


def random_vessel(name: str, litres: float, chance: random.Random) -> VesselSpec:
    """A vessel of this size."""

    def about(middle: float, factor: float) -> float:
        return middle * math.exp(chance.uniform(-1.0, 1.0) * math.log(factor))

    surface_m2 = 5.5 * (litres / 1000.0) ** (2.0 / 3.0)
    wall_j_per_k = about(160.0 * litres**0.94, 1.4)
    coil_w_per_k = about(0.75 * litres**0.74, 1.6)
    return VesselSpec(
        name=name,
        volume_l=litres,
        wall_j_per_k=wall_j_per_k,
        film_w_per_k=about(75.0 * surface_m2, 1.4),
        loss_w_per_k=surface_m2 * (chance.uniform(0.6, 2.5) if litres > LARGE_L else about(2.2, 2.7)),
        coil_l=about(0.45 * (litres / 25.0) ** 0.72, 1.5),
        coil_w_per_k=coil_w_per_k,
        flow_l_per_s=max(about(0.035 * (litres / 25.0) ** 0.45, 1.6), coil_w_per_k / 3860.0),
        line_l=about(0.4 * (litres / 25.0) ** 0.55, 2.0),
        heater_w=about(4.5 * litres**0.7, 1.6),
        yeast=_yeast(chance),
        upper_share=chance.uniform(0.4, 0.6),
        coil_low_share=chance.uniform(0.45, 0.8),
        well_upper_share=chance.uniform(0.2, 0.6),
        well_lag_s=about(80.0 if litres < LARGE_L else 120.0, 1.9),
        stem_share=chance.uniform(0.0, 0.03),
        wrap_lag_s=about(150.0, 2.0),
        wrap_loss_share=chance.uniform(0.03, 0.25),
        line_lag_s=about(1200.0, 2.0),
        lid_w_per_k=12.0 * (litres / 1000.0) ** (2.0 / 3.0) * 0.8,
        neighbour_w_per_k=surface_m2 * chance.uniform(0.0, 0.3),
        flow_wander=chance.uniform(0.02, 0.12),
        fouling_per_day=chance.uniform(0.0, 0.006),
        probe=random_probe(chance),
        side_probe=ProbeSpec(60.0, chance.gauss(0.0, 0.2)),
    )


def random_probe(chance: random.Random) -> ProbeSpec:
    """A digital probe in place: quiet ones and noisy ones, most with steps of 1/16 K."""
    return ProbeSpec(
        lag_s=chance.uniform(6.0, 20.0),
        offset_k=min(max(chance.gauss(0.0, 0.15), -0.5), 0.5),  # ±0.5 K: DS18B20 datasheet
        noise_k=chance.choice((0.0, 0.005, 0.02, 0.03, 0.05)),
        drift_k_per_day=chance.uniform(-0.0005, 0.0005),
        step_k=chance.choice((1.0 / 16.0, 1.0 / 16.0, 1.0 / 16.0, 0.1, 0.01)),
    )


def _yeast(chance: random.Random) -> Yeast:
    kind = chance.choice((ALE, ALE, LAGER))
    return Yeast(
        lag_s=kind.lag_s * chance.uniform(0.5, 1.8),
        growth_per_day=kind.growth_per_day * chance.uniform(0.7, 1.4),
        pace_per_day=kind.pace_per_day * chance.uniform(0.7, 1.4),
        reference_c=kind.reference_c,
        dormant_c=kind.dormant_c,
    )


def _nominal(spec: VesselSpec, chance: random.Random) -> Nominal:
    def wrong(right: float) -> float:
        return right * chance.uniform(1.0 - WRONG, 1.0 + WRONG)

    # a coil cannot give more than its glycol carries
    flow_w_per_k = spec.flow_l_per_s * 3860.0
    effective_w_per_k = flow_w_per_k * (1.0 - math.exp(-spec.coil_w_per_k / flow_w_per_k))
    return Nominal(wrong(spec.volume_l), wrong(effective_w_per_k * FACES_K), wrong(spec.heater_w))
