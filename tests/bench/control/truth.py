"""What really happens in a vessel of a run, minute by minute."""

from dataclasses import dataclass, field

from tests.bench.control.courses import Course
from tests.simulation.plant_specs import VesselSpec
from tests.simulation.plant_vessel import Vessel

SAMPLE_S = 60.0
SHORTEST_ON_S = 60.0  # of a cooler: the site's default for a pump
GLYCOL_J_PER_L_K = 3860.0  # as the plant's


@dataclass(slots=True)
class Trace:
    """One vessel's truth, a sample a minute. `felt_c` is what an ideal probe in the well would show; `estimate_c` what
    the service believes the wort to be (ours only). Counts since the start: `cooled_s`, `heated_s`, `cooler_starts`,
    `heater_starts`."""

    spec: VesselSpec
    course: Course
    heat_capacity_j_per_k: float
    loss_w_per_k: float  # wort to room
    reaches_wort: float  # share of the heat put into the wall that does not leave for the room before
    setpoints_c: list[float] = field(default_factory=list)
    mean_c: list[float] = field(default_factory=list)
    felt_c: list[float] = field(default_factory=list)
    room_c: list[float] = field(default_factory=list)
    bath_c: list[float] = field(default_factory=list)
    yeast_w: list[float] = field(default_factory=list)
    neighbour_w: list[float] = field(default_factory=list)  # from the next vessels through the walls
    estimate_c: list[float | None] = field(default_factory=list)
    sought_c: list[float | None] = field(default_factory=list)  # the service's own setpoint
    cooled_s: list[float] = field(default_factory=list)
    heated_s: list[float] = field(default_factory=list)
    cooler_starts: list[int] = field(default_factory=list)
    heater_starts: list[int] = field(default_factory=list)
    ratios: dict[str, float] = field(default_factory=dict)  # learned / true after three days, where the core learns

    @property
    def useful_heater_w(self) -> float:
        """What of the heater's power reaches the wort, W."""
        return self.spec.heater_w * (1.0 - self.spec.wrap_loss_share) * self.reaches_wort

    def pulse_k(self, number: int, on_s: float) -> float:
        """By how much a pulse of the cooler that begins in the minute `number` moves the wort, what is left in the coil
        included, K."""
        apart_k = max(self.mean_c[number] - self.bath_c[number], 0.1)
        left_j_per_k = min(self.spec.coil_l, self.spec.flow_l_per_s * on_s) * GLYCOL_J_PER_L_K
        return (self.spec.coil_w_per_k * on_s + left_j_per_k) * apart_k / self.heat_capacity_j_per_k

    def load_w(self, number: int, wort_c: float) -> float:
        """Heat in W that the wort at `wort_c` gains in the minute `number` without cooler or heater."""
        from_room_w = self.loss_w_per_k * (self.room_c[number] - wort_c)
        return self.yeast_w[number] + self.reaches_wort * self.neighbour_w[number] + from_room_w


def felt_c(vessel: Vessel) -> float:
    """What an ideal probe in the well would show."""
    share = vessel.spec.well_upper_share
    return share * vessel.upper_c + (1.0 - share) * vessel.lower_c


def losses(spec: VesselSpec) -> tuple[float, float]:
    """Conductance in W/K from wort to room (the film, then wall and wrap side by side), and the share of the heat that
    comes into the wall which reaches the wort."""
    wrap_w = max(spec.heater_w, 1.0) / 15.0 if spec.heater_w else 0.0  # as the plant's wrap is made
    to_wall, to_room = wrap_w * (1.0 - spec.wrap_loss_share), wrap_w * spec.wrap_loss_share
    through_wrap = to_wall * to_room / (to_wall + to_room) if wrap_w else 0.0
    outside = spec.loss_w_per_k + through_wrap
    reaches = spec.film_w_per_k / (spec.film_w_per_k + outside)
    return reaches * outside, reaches


class Watched:
    """Fills a vessel's trace. After a scan the contacts are as they were while the plant went on."""

    __slots__ = ("_cooled_s", "_cooler", "_cools", "_heated_s", "_heater", "_heats", "_neighbour_j", "trace", "vessel")

    def __init__(self, vessel: Vessel, trace: Trace) -> None:
        self.vessel, self.trace = vessel, trace
        self._cools = self._heats = False
        self._cooler = self._heater = 0
        self._cooled_s = self._heated_s = self._neighbour_j = 0.0

    def count(self, dt_s: float) -> None:
        """Count what the contacts did in a scan."""
        vessel = self.vessel
        if vessel.cooler_contacts:
            self._cooled_s += dt_s
            self._cooler += not self._cools
        if vessel.heater_contacts:
            self._heated_s += dt_s
            self._heater += not self._heats
        self._cools, self._heats = vessel.cooler_contacts, vessel.heater_contacts

    def sample(self, room_c: float, bath_c: float, estimate_c: float | None, sought_c: float | None) -> None:
        """Add a sample."""
        vessel, trace = self.vessel, self.trace
        trace.mean_c.append(vessel.mean_c())
        trace.felt_c.append(felt_c(vessel))
        trace.room_c.append(room_c)
        trace.bath_c.append(bath_c)
        trace.yeast_w.append(vessel.yeast_w)
        trace.neighbour_w.append((vessel.neighbour_j - self._neighbour_j) / SAMPLE_S)
        self._neighbour_j = vessel.neighbour_j
        trace.estimate_c.append(estimate_c)
        trace.sought_c.append(sought_c)
        trace.cooled_s.append(self._cooled_s)
        trace.heated_s.append(self._heated_s)
        trace.cooler_starts.append(self._cooler)
        trace.heater_starts.append(self._heater)
