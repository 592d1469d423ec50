"""One fermenter of a test plant as a thermal network: two layers of wort, wall, wrap, coil, line, thermowell.

A step solves the links one after the other, each exactly: two nodes joined by G exchange (Ta - Tb) Ceq (1 -
exp(-G dt / Ceq)), Ceq = Ca Cb / (Ca + Cb). So heat is conserved to the last digits and no step length is unstable; the
error of the order is small where dt is short against the lags (test_plant holds it against scipy's solver). The
exponentials are computed when something changes, not in each step."""

from math import exp

from tests.simulation.plant_brew import Brew
from tests.simulation.plant_probe import Place
from tests.simulation.plant_specs import VesselSpec

WORT_J_PER_KG_K = 3900.0  # 12 °P wort: ICUMSA sucrose solution formula, Bubník et al.; from memory
DENSEST_C = 3.0  # water 3.98 °C (IAPWS-95); extract and alcohol lower it; estimate
STIRRED_P_PER_DAY = 1.0  # real extract a day at which the gas stirs the whole vessel; estimate
# between the layers per litre of wort, W/(K L): still, tumbling by weight, stirred by gas; estimates
STILL, TUMBLING, STIRRED = 0.12, 6.0, 20.0
SLACK_COIL = 0.4  # of the coil's conductance when the glycol stands still; estimate
CALM_COIL = 0.75  # of it when nothing stirs the wort; estimate
FLOW_POWER = 0.3  # of the coil's conductance by flow: the inner film is the smaller part; estimate
EMPTY_SHARE = 0.02  # rinse water in an "empty" vessel, which keeps the network defined
INNER_SHARE = 0.3  # of the coil's resistance on the glycol's side; estimate
SUPERCOOLING_K = 0.5  # of the coil's skin before ice begins; estimate
ICE_J_PER_W_PER_K = 5000.0  # ice that doubles the inner resistance: some 3 mm, at 334 kJ/kg and 2.2 W/(m K)
ICY_C = 4.0  # wort above this makes no ice


def shared(one: float, other: float, w_per_k: float, dt_s: float) -> float:
    """J/K that two nodes of these capacities (J/K) exchange in `dt_s` per kelvin between them."""
    both = one * other / (one + other)
    return both * (1.0 - exp(-w_per_k * dt_s / both))


class Vessel:
    """Temperatures, contents and outputs of one vessel. Set `cooler_contacts`, `heater_contacts` (closed: pump or wrap
    has power), `flow_works`, `heater_works` (False: air lock, burnt wrap), `flow_share` (a clogged or air-ridden
    coil). Totals in J count since the start: `room_j` with the sun, `heater_j`, `yeast_j`, `filled_j`."""

    __slots__ = (
        "_factors",
        "_flowing",
        "_fresh_c",
        "_front_l",
        "_litres",
        "_ready_for",
        "_still_c",
        "brew",
        "capacity_j_per_k",
        "coil_c",
        "coil_j_per_k",
        "cooler_contacts",
        "filled_j",
        "flow_share",
        "flow_works",
        "fouling",
        "gas",
        "heater_contacts",
        "heater_j",
        "heater_works",
        "ice_c",
        "ice_j",
        "j_per_l_k",
        "lid_off",
        "litres",
        "lower_c",
        "manifold",
        "neighbour_j",
        "room_j",
        "side",
        "spec",
        "sun_w",
        "upper_c",
        "wall_c",
        "wander",
        "well",
        "wrap_c",
        "wrap_j_per_k",
        "yeast_j",
        "yeast_w",
    )

    def __init__(self, spec: VesselSpec, j_per_l_k: float, start_c: float) -> None:
        self.spec = spec
        self.j_per_l_k = j_per_l_k
        self.coil_j_per_k = spec.coil_l * j_per_l_k
        # the wrap stands some 15 K above the wall at full power; its heat follows with `wrap_lag_s`
        self.wrap_j_per_k = max(spec.heater_w, 1.0) / 15.0 * spec.wrap_lag_s
        self.cooler_contacts = self.heater_contacts = False
        self.flow_works = self.heater_works = True
        self.flow_share = self.fouling = self.manifold = self.wander = 1.0
        self.lid_off = False
        self.sun_w = 0.0
        self.wall_c = self.wrap_c = self.coil_c = self._still_c = self._fresh_c = start_c
        self.upper_c = self.lower_c = start_c
        self._front_l = self._litres = 0.0
        self._flowing = False
        self.well, self.side = Place(start_c), Place(start_c)
        self.room_j = self.heater_j = self.yeast_j = self.filled_j = self.neighbour_j = 0.0
        self.brew: Brew | None = None
        self.litres = self.yeast_w = self.gas = self.ice_j = 0.0
        self.ice_c = -0.5
        self.capacity_j_per_k = 0.0
        self._ready_for = -1.0
        self._contain(None, 0.0, start_c)

    # what is in it

    def fill(self, brew: Brew | None, litres: float, wort_c: float) -> None:
        """Replace the contents by wort at `wort_c`, or drain the vessel (None): what clings keeps its temperature."""
        before_j = self.stored_j()
        self._contain(brew, litres, wort_c if brew else self.mean_c())
        self.filled_j += self.stored_j() - before_j

    def clean(self, celsius: float) -> None:
        """Hot cleaner has been through the empty vessel: wall and rinse water have this temperature."""
        before_j = self.stored_j()
        self.wall_c = celsius
        self._contain(None, 0.0, celsius)
        self.filled_j += self.stored_j() - before_j

    def _contain(self, brew: Brew | None, litres: float, wort_c: float) -> None:
        self.brew, self.litres = brew, litres if brew else 0.0
        mass_kg = brew.mass_kg if brew else self.spec.volume_l * EMPTY_SHARE
        self.capacity_j_per_k = mass_kg * WORT_J_PER_KG_K
        self.upper_c = self.lower_c = wort_c
        self.ice_j = 0.0
        self.slow(0.0)

    def slow(self, elapsed_s: float) -> None:
        """Advance what changes slowly: yeast, mixing, fouling."""
        brew = self.brew
        self.yeast_w = self.gas = 0.0
        self.ice_c = -0.5
        if brew is not None:
            brew.advance(elapsed_s, self.mean_c())
            self.yeast_w = brew.heat_w
            self.gas = min(1.0, brew.pace_p_per_day / STIRRED_P_PER_DAY)
            if self.lower_c < ICY_C:
                self.ice_c = brew.ice_c()
        if elapsed_s:
            self.fouling = max(0.5, self.fouling * (1.0 - self.spec.fouling_per_day * elapsed_s / 86400.0))
        self.changed()

    def changed(self) -> None:
        """Something that the factors depend on was changed."""
        self._ready_for = -1.0

    # what it holds

    def mean_c(self) -> float:
        """True mean temperature of the contents."""
        share = self.spec.upper_share
        return share * self.upper_c + (1.0 - share) * self.lower_c

    def stored_j(self) -> float:
        """Heat above 0 °C in wort (ice counts negative), wall, wrap, coil and line."""
        line_c = self._front_l * self._fresh_c + (self.spec.line_l - self._front_l) * self._still_c
        return (
            self.capacity_j_per_k * self.mean_c()
            - self.ice_j
            + self.spec.wall_j_per_k * self.wall_c
            + self.wrap_j_per_k * self.wrap_c
            + self.coil_j_per_k * self.coil_c
            + self.j_per_l_k * line_c
        )

    @property
    def flowing(self) -> bool:
        """Whether glycol moves through the coil."""
        return self.cooler_contacts and self.flow_works and self.flow_share * self.manifold > 0.0

    # a step

    def step(self, dt_s: float, bath_c: float, room_c: float) -> float:
        """Advance by `dt_s` with all inputs held; returns the heat in J that the glycol brought back to the bath."""
        flowing = self.flowing
        if self._ready_for != dt_s or flowing is not self._flowing:
            self._prepare(dt_s, flowing)
        (
            upper_j, lower_j, wall_j, coil_j, wrap_by_w, yeast_by_w, heat, wrap_wall, wall_wrap, wrap_room, wall_room,
            up_wall, wall_up, low_wall, wall_low, flow, low_coil, coil_low, up_coil, coil_up, still_up, still_low,
            tumble_up, tumble_low, lid, low_w_per_k, sun_k, felt_up, felt_low, stem, well,
        ) = self._factors  # fmt: skip
        u, low, w, k, wrap = self.upper_c, self.lower_c, self.wall_c, self.coil_c, self.wrap_c

        if self.heater_contacts and self.heater_works:
            wrap += wrap_by_w
            self.heater_j += heat
        if self.yeast_w:
            warmer_k = self.yeast_w * yeast_by_w
            u += warmer_k
            low += warmer_k
            self.yeast_j += self.yeast_w * dt_s
        difference_k = wrap - w
        wrap -= wrap_wall * difference_k
        w += wall_wrap * difference_k
        from_room_k, to_wrap_k = wall_room * (room_c - w), wrap_room * (room_c - wrap)
        w += from_room_k + sun_k
        wrap += to_wrap_k
        room_j = wall_j * (from_room_k + sun_k) + self.wrap_j_per_k * to_wrap_k
        difference_k = u - w
        u -= up_wall * difference_k
        w += wall_up * difference_k
        difference_k = low - w
        low -= low_wall * difference_k
        w += wall_low * difference_k

        brought_j = 0.0
        if flowing:
            inlet_c, given_j = self._push(bath_c)
            taken_k = flow * (k - inlet_c)
            k -= taken_k
            brought_j = coil_j * taken_k + given_j
        else:
            warmed_k = flow * (room_c - self._still_c)
            self._still_c += warmed_k
            room_j += self._litres * warmed_k  # here: J/K of the line
        if low < ICY_C and (self.ice_j or low - (1.0 - INNER_SHARE) * (low - k) < self.ice_c - SUPERCOOLING_K):
            low, k = self._icy(dt_s, low, k, low_w_per_k, lower_j, coil_j)
        else:
            difference_k = low - k
            low -= low_coil * difference_k
            k += coil_low * difference_k
        difference_k = u - k
        u -= up_coil * difference_k
        k += coil_up * difference_k

        difference_k = u - low
        # heavy above light tumbles; the sign turns below the temperature of greatest density
        if (u + low > 2.0 * DENSEST_C) is (difference_k < 0.0):
            u -= tumble_up * difference_k
            low += tumble_low * difference_k
        else:
            u -= still_up * difference_k
            low += still_low * difference_k
        if lid:
            opened_k = lid * (room_c - u)
            u += opened_k
            room_j += upper_j * opened_k
        self.room_j += room_j
        self.upper_c, self.lower_c, self.wall_c, self.coil_c, self.wrap_c = u, low, w, k, wrap
        place = self.well
        place.celsius += well * (felt_up * u + felt_low * low + stem * room_c - place.celsius)
        self.side.celsius = 0.8 * w + 0.2 * room_c
        return brought_j

    def _push(self, bath_c: float) -> tuple[float, float]:
        """Pump one step's glycol into the line. Returns what comes out at the coil (mean °C), and the heat in J by
        which that is warmer than the bath's. Plug flow of what stood in the line; what followed it is well mixed."""
        in_l, front_l = self._litres, self._front_l
        line_l = self.spec.line_l
        old_l = min(line_l - front_l, in_l)
        through_l = max(0.0, in_l - old_l - front_l)  # passes in this very step
        fresh_l = in_l - old_l - through_l
        out_c = (old_l * self._still_c + fresh_l * self._fresh_c + through_l * bath_c) / in_l
        kept_l, entered_l = front_l - fresh_l, in_l - through_l
        self._front_l = kept_l + entered_l
        if self._front_l > 0.0:
            self._fresh_c = (kept_l * self._fresh_c + entered_l * bath_c) / self._front_l
        return out_c, self.j_per_l_k * in_l * (out_c - bath_c)

    def _icy(
        self, dt_s: float, low: float, k: float, w_per_k: float, lower_j: float, coil_j: float
    ) -> tuple[float, float]:
        """Coil and lower layer with ice between them, which stays at its melting point and takes the difference."""
        from_wort_j = w_per_k / (1.0 - INNER_SHARE) * (low - self.ice_c) * dt_s
        inner = w_per_k / INNER_SHARE / (1.0 + self.ice_j / (ICE_J_PER_W_PER_K * w_per_k))
        to_coil_j = coil_j * (1.0 - exp(-inner * dt_s / coil_j)) * (self.ice_c - k)
        ice_j = self.ice_j + to_coil_j - from_wort_j
        if ice_j < 0.0:  # less ice than would melt: the rest of the heat stays in the wort
            from_wort_j += ice_j
            ice_j = 0.0
        self.ice_j = ice_j
        return low - from_wort_j / lower_j, k + to_coil_j / coil_j

    def _prepare(self, dt_s: float, flowing: bool) -> None:
        """Compute all factors of a step of `dt_s`."""
        spec = self.spec
        if self._flowing and not flowing:  # what is in the line mixes and stands
            line_c = self._front_l * self._fresh_c + (spec.line_l - self._front_l) * self._still_c
            self._still_c, self._front_l = line_c / spec.line_l, 0.0
        self._ready_for, self._flowing = dt_s, flowing
        up, down = spec.upper_share, 1.0 - spec.upper_share
        total_j = self.capacity_j_per_k
        upper_j, lower_j, wall_j, coil_j, wrap_j = (
            up * total_j,
            down * total_j,
            spec.wall_j_per_k,
            self.coil_j_per_k,
            self.wrap_j_per_k,
        )
        rate = self.flow_share * self.manifold * self.wander
        coil_w = spec.coil_w_per_k * self.fouling * (CALM_COIL + (1.0 - CALM_COIL) * self.gas)
        if not self.litres:
            coil_w *= EMPTY_SHARE  # a coil in air
        coil_w *= rate**FLOW_POWER if flowing else SLACK_COIL
        if flowing:
            self._litres = spec.flow_l_per_s * rate * dt_s
            flow = 1.0 - exp(-self._litres * self.j_per_l_k / coil_j)
        else:
            self._litres = spec.line_l * self.j_per_l_k
            flow = 1.0 - exp(-dt_s / spec.line_lag_s)
        litres = total_j / WORT_J_PER_KG_K
        gas_w = litres * STILL * (STIRRED / STILL) ** self.gas * spec.mixing
        wrap_w = wrap_j / spec.wrap_lag_s * (1.0 - spec.wrap_loss_share) if spec.heater_w else 0.0
        wrap_room_w = wrap_j / spec.wrap_lag_s * spec.wrap_loss_share
        low_w = coil_w * spec.coil_low_share
        wrap_wall = shared(wrap_j, wall_j, wrap_w, dt_s)
        up_wall = shared(upper_j, wall_j, spec.film_w_per_k * up, dt_s)
        low_wall = shared(lower_j, wall_j, spec.film_w_per_k * down, dt_s)
        low_coil = shared(lower_j, coil_j, low_w, dt_s)
        up_coil = shared(upper_j, coil_j, coil_w - low_w, dt_s)
        still = shared(upper_j, lower_j, gas_w, dt_s)
        tumble = shared(upper_j, lower_j, max(gas_w, litres * TUMBLING * spec.mixing), dt_s)
        self._factors = (
            upper_j, lower_j, wall_j, coil_j, spec.heater_w * dt_s / wrap_j, dt_s / total_j, spec.heater_w * dt_s,
            wrap_wall / wrap_j, wrap_wall / wall_j, 1.0 - exp(-wrap_room_w * dt_s / wrap_j),
            1.0 - exp(-spec.loss_w_per_k * dt_s / wall_j),
            up_wall / upper_j, up_wall / wall_j, low_wall / lower_j, low_wall / wall_j, flow,
            low_coil / lower_j, low_coil / coil_j, up_coil / upper_j, up_coil / coil_j,
            still / upper_j, still / lower_j, tumble / upper_j, tumble / lower_j,
            1.0 - exp(-spec.lid_w_per_k * dt_s / upper_j) if self.lid_off else 0.0, low_w, self.sun_w * dt_s / wall_j,
            (1.0 - spec.stem_share) * spec.well_upper_share, (1.0 - spec.stem_share) * (1.0 - spec.well_upper_share),
            spec.stem_share, 1.0 - exp(-dt_s / spec.well_lag_s),
        )  # fmt: skip
