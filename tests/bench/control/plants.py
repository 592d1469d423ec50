"""The plants of the bench: a reference cellar and random ones of 5 L to 2,000 L. Their structure is not that of the
controller's model: layered wort, flow and coil that drift, a line that warms, a wrap with a lag, a finite chiller.

Wort probes are calibrated and their stems feel no room: what a probe does not say, no control can know."""

import math
import random
from collections.abc import Mapping
from dataclasses import replace

from controller.control.site import LoopKind, Site
from tests.bench.control.courses import HOUR_S, Course, Leg
from tests.bench.control.truth import losses
from tests.bench.random_plants import site_of
from tests.simulation.plant_random import FACES_K, LARGEST_L, SMALLEST_L
from tests.simulation.plant_specs import ALE, LAGER, BathSpec, CellarSpec, Nominal, ProbeSpec, RoomSpec, VesselSpec
from tests.simulation.plant_vessel import CALM_COIL, WORT_J_PER_KG_K

WORT_KG_PER_L = 1.05
WRONG = 0.3  # the site file's figures are wrong by this share, up or down
VARIED = 0.5  # each random figure lies within this share of the usual one for the size
RANGES = (
    f"random plants: {SMALLEST_L:g} to {LARGEST_L:g} L (log scale); coil conductance, loss, well lag, dead time (line"
    f" and coil hold-up), flow and mixing each times 1 - {VARIED:g} .. 1 + {VARIED:g}; upper layer 40..60 % of wort,"
    " felt by the well to 35..65 %, coil to 45..70 % in the lower; flow wanders by 2..12 %; coil fouls by 0..0.6 % a"
    " day; wrap's lag 75..300 s; heater at least 1/0.6 of what its rest needs; room 8..26 °C with swings of up to 2 K;"
    f" each figure of the site file (volume, cooler, heater, chiller) times 1 - {WRONG:g} or 1 + {WRONG:g}; probes read"
    " in steps of 1/16 K with 0.03 K of noise; 2 to 6 vessels on a shared bath, whose chiller carries two thirds of all"
    " coils at once"
)

Plan = tuple[CellarSpec, dict[str, Course]]


def sized(name: str, litres: float) -> VesselSpec:
    """A vessel with the usual figures for its size: 25 L as in a home cellar, surface by volume^(2/3), coil and heater
    by less, large tanks with foam. Estimates of ours."""
    surface_m2 = 5.5 * (litres / 1000.0) ** (2.0 / 3.0)
    coil_w_per_k = 0.75 * litres**0.74
    return VesselSpec(
        name=name,
        volume_l=litres,
        wall_j_per_k=160.0 * litres**0.94,
        film_w_per_k=75.0 * surface_m2,
        loss_w_per_k=surface_m2 * (2.2 if litres < 200.0 else 1.3),
        coil_l=0.45 * (litres / 25.0) ** 0.72,
        coil_w_per_k=coil_w_per_k,
        flow_l_per_s=max(0.035 * (litres / 25.0) ** 0.45, coil_w_per_k / 3860.0),
        line_l=0.4 * (litres / 25.0) ** 0.55,
        heater_w=4.5 * litres**0.7,
        well_upper_share=0.5,
        well_lag_s=80.0 if litres < 200.0 else 120.0,
        stem_share=0.0,
    )


def nominal(spec: VesselSpec, seed: int) -> Nominal:
    """What the site file says of it: each figure wrong by 30 %, up or down by the seed."""
    chance = random.Random(f"{seed}/{spec.name}/nominal")
    figures = (spec.volume_l, nominal_cooler_w(spec), spec.heater_w)
    return Nominal(*(figure * chance.choice((1.0 - WRONG, 1.0 + WRONG)) for figure in figures))


def nominal_cooler_w(spec: VesselSpec) -> float:
    """What its cooler moves at the usual difference; a coil cannot give more than its glycol carries."""
    flow_w_per_k = spec.flow_l_per_s * 3860.0
    return flow_w_per_k * (1.0 - math.exp(-spec.coil_w_per_k / flow_w_per_k)) * FACES_K


def site_for(spec: CellarSpec, courses: Mapping[str, Course], seed: int, scan_s: float, budget: float) -> Site:
    """The site as its brewer describes it, with this budget of starts a day for every output."""
    site = site_of(spec, seed, scan_s, [course.profile(name) for name, course in courses.items()])
    vessels = tuple(
        replace(
            vessel,
            loop=replace(vessel.loop, kind=LoopKind.PID),
            cooler=replace(vessel.cooler, starts_per_day=budget) if vessel.cooler else None,
            heater=replace(vessel.heater, starts_per_day=budget) if vessel.heater else None,
        )
        for vessel in site.vessels
    )
    wrong = random.Random(f"{seed}/chiller").choice((1.0 - WRONG, 1.0 + WRONG))
    bath = replace(site.bath, chiller_w=site.bath.chiller_w * wrong) if site.bath else None
    return replace(site, vessels=vessels, bath=bath)


def cellar(
    vessels: tuple[VesselSpec, ...], seed: int, room: RoomSpec, chiller_w: float | None = None, bath_c: float = -4.0
) -> CellarSpec:
    """These vessels on one bath; the chiller carries two thirds of all coils at once unless told otherwise."""
    full_w = [spec.coil_w_per_k * FACES_K for spec in vessels]
    chiller_w = chiller_w or max(max(full_w) * 1.2, 0.65 * sum(full_w), 200.0)
    litres = sum(spec.volume_l for spec in vessels)
    bath = BathSpec(
        volume_l=max(30.0, 0.7 * litres),
        setpoint_c=bath_c,
        chiller_w=chiller_w,
        gain_w_per_k=2.5 * (litres / 100.0) ** (2.0 / 3.0),
        pump_w=max(4.0, 0.006 * chiller_w),
    )
    return CellarSpec(vessels, bath, room, {spec.name: nominal(spec, seed) for spec in vessels})


def reference(seed: int) -> Plan:
    """14 days in a room of 14 °C: an ale of 20 L that needs heat for its rest, a lager of 25 L, an ale of 50 L that is
    held near the room's own temperature when it is done."""
    vessels = (
        replace(sized("fv20", 20.0), loss_w_per_k=1.1),
        replace(sized("fv25", 25.0), yeast=LAGER, coil_low_share=0.7),
        replace(sized("fv50", 50.0), loss_w_per_k=1.6, upper_share=0.45),
    )
    courses = {
        "fv20": Course(
            (Leg("hold", 19.0, 144.0), Leg("ramp", 21.5, 20.0), Leg("hold", 21.5, 76.0), Leg("crash", 2.0, 24.0),
             Leg("hold", 2.0, 72.0)),
            wort_c=25.0, og=1.048,
        ),
        "fv25": Course(
            (Leg("hold", 10.0, 192.0), Leg("ramp", 14.5, 30.0), Leg("hold", 14.5, 48.0), Leg("crash", 2.0, 24.0),
             Leg("hold", 2.0, 42.0)),
            wort_c=21.0, og=1.050,
        ),
        "fv50": Course(
            (Leg("hold", 18.0, 96.0), Leg("ramp", 20.0, 12.0), Leg("hold", 20.0, 48.0), Leg("hold", 14.5, 84.0),
             Leg("crash", 3.0, 24.0), Leg("hold", 3.0, 72.0)),
            wort_c=26.0, og=1.060,
        ),
    }  # fmt: skip
    return cellar(vessels, seed, RoomSpec(mean_c=14.0, daily_k=1.5, fronts_k=1.0)), courses


def random_vessel(name: str, litres: float, chance: random.Random) -> VesselSpec:
    """A vessel of this size whose figures are not the usual ones."""

    def varied(figure: float) -> float:
        return figure * chance.uniform(1.0 - VARIED, 1.0 + VARIED)

    usual = sized(name, litres)
    dead_time = chance.uniform(1.0 - VARIED, 1.0 + VARIED)
    coil_w_per_k = varied(usual.coil_w_per_k)
    return replace(
        usual,
        coil_w_per_k=coil_w_per_k,
        loss_w_per_k=varied(usual.loss_w_per_k),
        well_lag_s=varied(usual.well_lag_s),
        coil_l=usual.coil_l * dead_time,
        line_l=usual.line_l * dead_time,
        flow_l_per_s=max(varied(usual.flow_l_per_s), coil_w_per_k / 3860.0),
        mixing=varied(1.0),
        upper_share=chance.uniform(0.4, 0.6),
        well_upper_share=chance.uniform(0.35, 0.65),
        coil_low_share=chance.uniform(0.45, 0.7),
        wrap_lag_s=chance.uniform(75.0, 300.0),
        wrap_loss_share=chance.uniform(0.03, 0.2),
        flow_wander=chance.uniform(0.02, 0.12),
        fouling_per_day=chance.uniform(0.0, 0.006),
        yeast=chance.choice((ALE, ALE, LAGER)),
    )


def random_plan(seed: int, vessels: int = 1) -> Plan:
    """A random cellar and what is brewed in it. The volume runs evenly (log scale) through the sizes as `seed` counts
    from 0 to 49; neighbours are of a like size."""
    chance = random.Random(f"{seed}/control")
    part = (seed * 31 % 50 + chance.random()) / 50.0
    first_l = SMALLEST_L * (LARGEST_L / SMALLEST_L) ** part
    litres = [first_l] + [min(first_l * chance.uniform(0.4, 2.0), LARGEST_L) for _ in range(vessels - 1)]
    room = RoomSpec(
        mean_c=chance.uniform(8.0, 26.0),
        daily_k=chance.uniform(0.3, 2.0),
        fronts_k=chance.uniform(0.3, 1.5),
        probe=ProbeSpec(120.0, chance.gauss(0.0, 0.2), 0.03),
    )
    bath_c = chance.choice((-5.0, -4.0, -3.0))
    specs, courses = [], {}
    for number, each_l in enumerate(litres, start=1):
        spec = random_vessel(f"fv{number}", each_l, chance)
        spec, courses[spec.name] = random_course(spec, room, bath_c, chance)
        specs.append(spec)
    return cellar(tuple(specs), seed, room, bath_c=bath_c), courses


def random_course(spec: VesselSpec, room: RoomSpec, bath_c: float, chance: random.Random) -> tuple[VesselSpec, Course]:
    """Eight days or more, as the plant can: pull-down, hold, ramp to a rest, hold, crash, cold hold. And the vessel
    with a heater that is large enough for its rest in the coldest hour; the ramp takes 0.7 of what it has to spare."""
    pitch_c = chance.uniform(17.0, 21.0) if spec.yeast is ALE else chance.uniform(9.0, 13.0)
    rest_c = pitch_c + chance.uniform(1.5, 3.0)
    filled = chance.uniform(0.7, 0.9)
    capacity = filled * spec.volume_l * WORT_KG_PER_L * WORT_J_PER_KG_K + spec.wall_j_per_k
    loss_w_per_k, reaches = losses(spec)
    lost_w = loss_w_per_k * max(0.0, rest_c - (room.mean_c - room.daily_k - 1.5 * room.fronts_k))
    useful = (1.0 - spec.wrap_loss_share) * reaches
    spec = replace(spec, heater_w=max(spec.heater_w, lost_w / 0.6 / useful))
    spare_k_per_h = (spec.heater_w * useful - lost_w) * HOUR_S / capacity
    ramp_h = max(12.0, (rest_c - pitch_c) / (0.7 * spare_k_per_h))
    coil_w_per_k = nominal_cooler_w(spec) / FACES_K * CALM_COIL
    whole = coil_w_per_k + loss_w_per_k
    lowest_c = (coil_w_per_k * bath_c + loss_w_per_k * (room.mean_c + room.daily_k)) / whole
    cold_c = max(chance.uniform(2.0, 4.0), lowest_c + 3.0)  # no colder than the cooler can keep it
    full_h = capacity / whole / HOUR_S * math.log((rest_c - lowest_c) / (cold_c - lowest_c))
    legs = (
        Leg("hold", pitch_c, 84.0), Leg("ramp", rest_c, ramp_h), Leg("hold", rest_c, 36.0),
        Leg("crash", cold_c, max(24.0, 1.5 * full_h)), Leg("hold", cold_c, 36.0),
    )  # fmt: skip
    return spec, Course(
        legs,
        wort_c=pitch_c + chance.uniform(2.0, 8.0),
        og=chance.uniform(1.040, 1.070),
        attenuation=chance.uniform(0.72, 0.82),
        filled=filled,
    )
