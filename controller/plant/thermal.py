"""One fermenter as a thermal network: two layers of wort, wall, coil contents and thermowell.

The linear part is solved exactly per step (`linear`); its factors are kept per step length, coil flow and
strength of mixing, so that a step is a few multiplications."""

from controller.plant.linear import Matrix, held_input_step
from controller.plant.specs import Glycol, VesselSpec

WORT_CP_J_PER_KG_K = 3900.0  # 12 °P wort: ICUMSA sucrose solution formula, Bubník et al.; from memory
DENSEST_C = 3.0  # water 3.98 °C (IAPWS-95); extract and alcohol lower it; estimate
MIXING_LEVELS = 8
STIRRED_P_PER_DAY = 1.0  # real extract a day at which the gas stirs the whole vessel; estimate
# conductance between the layers per litre of wort, W/(K L): still, tumbling by weight, stirred by gas; estimates
STILL, TUMBLING, STIRRED = 0.12, 6.0, 20.0
SLACK_COIL = 0.4  # of the coil's conductance when the glycol stands still; estimate
CALM_COIL = 0.75  # of it when nothing stirs the wort; estimate
EMPTY_SHARE = 0.02  # rinse water in an "empty" vessel, which keeps the network defined
KEPT_STEPS = 400  # sets of factors; more only with irregular step lengths

UPPER, LOWER, WALL, COIL, WELL = range(5)
Factors = tuple[list[tuple[float, ...]], tuple[float, ...]]


class VesselHeat:
    """Temperatures of one vessel. After a step `room_j` and `glycol_j` say what came in from the room and
    what the flowing glycol brought (negative: took) during that step."""

    __slots__ = (
        "_factors",
        "_glycol_w_per_k",
        "_level",
        "capacity_j_per_k",
        "coil_c",
        "coil_j_per_k",
        "glycol_j",
        "lower_c",
        "room_j",
        "spec",
        "upper_c",
        "wall_c",
        "well_c",
    )

    def __init__(self, spec: VesselSpec, glycol: Glycol, start_c: float) -> None:
        self.spec = spec
        self.coil_j_per_k = spec.coil_l * glycol.j_per_l_k
        self._glycol_w_per_k = spec.flow_l_per_s * glycol.j_per_l_k
        self._factors: dict[tuple[float, bool, int], Factors] = {}
        self._level = 0
        self.wall_c = self.coil_c = self.well_c = start_c
        self.room_j = self.glycol_j = 0.0
        self.fill(spec.volume_l * EMPTY_SHARE, start_c)

    def fill(self, mass_kg: float, wort_c: float) -> None:
        """Replace the contents by `mass_kg` of wort at `wort_c`."""
        self.capacity_j_per_k = mass_kg * WORT_CP_J_PER_KG_K
        self.upper_c = self.lower_c = wort_c
        self._factors.clear()

    def empty(self) -> None:
        """Drain the vessel; what clings to it keeps the temperature."""
        self.fill(self.spec.volume_l * EMPTY_SHARE, self.wort_c())

    def wort_c(self) -> float:
        """True mean temperature of the contents."""
        share = self.spec.upper_share
        return share * self.upper_c + (1.0 - share) * self.lower_c

    def stored_j(self) -> float:
        """Heat above 0 °C in wort, wall and coil contents."""
        wort = self.capacity_j_per_k * self.wort_c()
        return wort + self.spec.wall_j_per_k * self.wall_c + self.coil_j_per_k * self.coil_c

    def stir(self, pace_p_per_day: float) -> None:
        """Set the mixing by the gas that the yeast makes at this pace."""
        self._level = round(MIXING_LEVELS * min(1.0, pace_p_per_day / STIRRED_P_PER_DAY))

    def step(self, dt_s: float, flowing: bool, inlet_c: float, room_c: float, heater_w: float, yeast_w: float) -> None:
        """Advance by `dt_s` with all inputs held."""
        u, w, k = self.upper_c, self.wall_c, self.coil_c
        low = self.lower_c
        # heavy above light tumbles; the sign turns below the temperature of greatest density
        level = -1 - self._level if abs(u - DENSEST_C) < abs(low - DENSEST_C) else self._level
        factors = self._factors.get((dt_s, flowing, level)) or self._solve(dt_s, flowing, level)
        rows, (p, q, r, s, t, f, g, h, i) = factors
        self.well_c = (
            p * u + q * low + r * w + s * k + t * self.well_c + f * inlet_c + g * room_c + h * heater_w + i * yeast_w
        )
        self.upper_c, self.lower_c, self.wall_c, self.coil_c, wall_ks, coil_ks = [
            a * u + b * low + c * w + d * k + e * inlet_c + f * room_c + g * heater_w + h * yeast_w
            for a, b, c, d, e, f, g, h in rows
        ]
        self.room_j = self.spec.loss_w_per_k * (room_c * dt_s - wall_ks)
        self.glycol_j = self._glycol_w_per_k * (inlet_c * dt_s - coil_ks) if flowing else 0.0

    def _solve(self, dt_s: float, flowing: bool, level: int) -> Factors:
        a, b = self.network(flowing, level)
        rows = held_input_step(a, b, dt_s, (WALL, COIL))
        well = rows.pop(WELL)
        # nothing depends on the thermowell, so its column is dropped from all other rows
        slim = [row[:WELL] + row[WELL + 1 :] for row in rows]
        if len(self._factors) >= KEPT_STEPS:
            self._factors.clear()
        factors = (slim, well)
        self._factors[(dt_s, flowing, level)] = factors
        return factors

    def network(self, flowing: bool, level: int) -> tuple[Matrix, Matrix]:
        """A and B of x' = A x + B u; x = upper, lower, wall, coil, thermowell (°C), u = coil inlet °C, room °C,
        heater W, yeast W. `level` 0..8 is the mixing by gas; -1 - level the same with heavy wort on top."""
        spec = self.spec
        gas = (-1 - level if level < 0 else level) / MIXING_LEVELS
        per_l = STILL * (STIRRED / STILL) ** gas
        litres = self.capacity_j_per_k / WORT_CP_J_PER_KG_K
        mixing = litres * (max(per_l, TUMBLING) if level < 0 else per_l)
        coil = spec.coil_w_per_k * (CALM_COIL + (1.0 - CALM_COIL) * gas) * (1.0 if flowing else SLACK_COIL)
        up, down = spec.upper_share, 1.0 - spec.upper_share
        links = [
            (UPPER, LOWER, mixing),
            (UPPER, WALL, spec.film_w_per_k * up),
            (LOWER, WALL, spec.film_w_per_k * down),
            (UPPER, COIL, coil * (1.0 - spec.coil_low_share)),
            (LOWER, COIL, coil * spec.coil_low_share),
        ]
        capacity = [up * self.capacity_j_per_k, down * self.capacity_j_per_k, spec.wall_j_per_k, self.coil_j_per_k]
        a = [[0.0] * 5 for _ in range(5)]
        b = [[0.0] * 4 for _ in range(5)]
        for one, other, w_per_k in links:
            for here, there in ((one, other), (other, one)):
                a[here][here] -= w_per_k / capacity[here]
                a[here][there] += w_per_k / capacity[here]
        flow = self._glycol_w_per_k if flowing else 0.0
        for node, source, w_per_k in ((COIL, 0, flow), (WALL, 1, spec.loss_w_per_k)):
            a[node][node] -= w_per_k / capacity[node]
            b[node][source] += w_per_k / capacity[node]
        b[WALL][2] = 1.0 / capacity[WALL]
        b[UPPER][3] = b[LOWER][3] = 1.0 / self.capacity_j_per_k
        felt = spec.well_upper_share
        a[WELL] = [felt / spec.well_lag_s, (1.0 - felt) / spec.well_lag_s, 0.0, 0.0, -1.0 / spec.well_lag_s]
        return a, b
