"""The glycol bath and its chiller, which has a thermostat and a shortest off time of its own."""

from controller.plant.specs import BathSpec


class GlycolBath:
    """One well-stirred reservoir. Totals count since the start: heat in J, chiller starts and running s."""

    __slots__ = (
        "_off_since_s",
        "_spec",
        "bath_c",
        "capacity_j_per_k",
        "chiller_on",
        "chiller_plugged",
        "removed_j",
        "room_j",
        "running_s",
        "starts",
    )

    def __init__(self, spec: BathSpec) -> None:
        self._spec = spec
        self.capacity_j_per_k = spec.volume_l * spec.glycol.j_per_l_k
        self.bath_c = spec.setpoint_c
        self.chiller_on = False
        self.chiller_plugged = True
        self._off_since_s = -spec.shortest_off_s
        self.removed_j = self.room_j = self.running_s = 0.0
        self.starts = 0

    def stored_j(self) -> float:
        """Heat above 0 °C in the bath."""
        return self.capacity_j_per_k * self.bath_c

    def chiller_w(self, room_c: float) -> float:
        """What the running chiller removes at this bath and room temperature."""
        spec = self._spec
        by_bath = 1.0 + spec.share_per_bath_k * (self.bath_c - spec.rated_bath_c)
        by_room = 1.0 - spec.share_per_room_k * (room_c - spec.rated_room_c)
        return spec.chiller_w * max(0.0, by_bath) * max(0.0, by_room)

    def step(self, now_s: float, dt_s: float, room_c: float, brought_j: float) -> None:
        """Advance by `dt_s` from `now_s`; `brought_j` is what the coils and pumps put in during it."""
        self._thermostat(now_s)
        gained_j = self._spec.gain_w_per_k * (room_c - self.bath_c) * dt_s
        removed_j = 0.0
        if self.chiller_on:
            removed_j = self.chiller_w(room_c) * dt_s
            self.removed_j += removed_j
            self.running_s += dt_s
        self.room_j += gained_j
        self.bath_c += (gained_j + brought_j - removed_j) / self.capacity_j_per_k

    def _thermostat(self, now_s: float) -> None:
        spec = self._spec
        if self.chiller_on:
            if not self.chiller_plugged or self.bath_c <= spec.setpoint_c - spec.deadband_k / 2.0:
                self.chiller_on = False
                self._off_since_s = now_s
        elif (
            self.chiller_plugged
            and self.bath_c >= spec.setpoint_c + spec.deadband_k / 2.0
            and now_s - self._off_since_s >= spec.shortest_off_s
        ):
            self.chiller_on = True
            self.starts += 1
