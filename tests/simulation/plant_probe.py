"""Digital probes of a test plant and what goes wrong with them."""

import math
import random

from tests.simulation.plant_specs import ProbeSpec

LOWEST_C, HIGHEST_C = -55.0, 125.0  # DS18B20 datasheet
POWER_ON_C = 85.0  # DS18B20 datasheet, Table 1: power-on reset value
DISCONNECTED_C = -127.0  # what common drivers report for "no device"; common practice
HAND_C, HAND_LAG_S = 33.0, 25.0  # a hand that holds the probe; from memory
OUT_OF_WELL_LAG_S = 60.0  # of a small probe in still air, unless the fault says otherwise; estimate
NOISES = 1021  # drawn beforehand and used in turn
KINDS = (
    "missing",
    "stuck",
    "spike",  # magnitude K
    "power-on value",
    "disconnected",
    "drift",  # magnitude K per hour
    "out of its well",  # magnitude: its lag in the room, s (0: 60 s)
    "hand",
)


class Place:
    """Somewhere a probe can sit; `celsius` is how warm it is there."""

    __slots__ = ("celsius",)

    def __init__(self, celsius: float) -> None:
        self.celsius = celsius


class Probe:
    """One probe. `felt_c` is what its sensor has; `read` makes a report of it. `kind` is its fault, "" for none."""

    __slots__ = (
        "_drawn",
        "_dt_s",
        "_ends_s",
        "_follow",
        "_lag_s",
        "_magnitude",
        "_noises",
        "_room",
        "_since_s",
        "_spec",
        "_spoiled",
        "felt_c",
        "home",
        "kind",
        "last_c",
        "place",
        "tag",
    )

    def __init__(self, tag: str, spec: ProbeSpec, home: Place, room: Place, seed: int) -> None:
        self.tag = tag
        self.home = self.place = home  # where it belongs, where it is
        self._room = room
        self._spec = spec
        chance = random.Random(f"{seed}/{tag}")
        self._noises = [chance.gauss(0.0, spec.noise_k) for _ in range(NOISES)] if spec.noise_k else []
        self._drawn = 0
        self.felt_c = home.celsius
        self._lag_s = spec.lag_s
        self._dt_s = self._follow = 0.0
        self.kind = ""
        self._spoiled = False
        self._magnitude = self._since_s = 0.0
        self._ends_s = math.inf
        self.last_c: float | None = None

    def feel(self, dt_s: float) -> None:
        """Follow the place over `dt_s`."""
        if dt_s != self._dt_s:
            self._dt_s, self._follow = dt_s, 1.0 - math.exp(-dt_s / self._lag_s)
        kind = self.kind
        if not kind:
            self.felt_c += (self.place.celsius - self.felt_c) * self._follow
            return
        around_c = self._room.celsius if kind == "out of its well" else HAND_C if kind == "hand" else self.place.celsius
        self.felt_c += (around_c - self.felt_c) * self._follow

    def fail(self, kind: str, magnitude: float, now_s: float, for_s: float) -> None:
        """Begin a fault that ends by itself after `for_s`; a spike of 0 s spoils one reading."""
        if kind not in KINDS:
            raise ValueError(f"{self.tag}: no fault {kind!r}; there are {', '.join(KINDS)}")
        self.kind, self._magnitude, self._since_s = kind, magnitude, now_s
        self._ends_s = now_s + for_s
        self._spoiled = False
        self._lag(HAND_LAG_S if kind == "hand" else (magnitude or OUT_OF_WELL_LAG_S) if kind == KINDS[6] else None)

    def mend(self) -> None:
        """End any fault."""
        self.kind = ""
        self._lag(None)

    def read(self, now_s: float) -> float | None:
        """A report at this time, None when there is none."""
        if self.kind and now_s >= self._ends_s and (self._spoiled or self.kind != "spike"):
            self.mend()
        self._spoiled = True
        kind = self.kind
        if not kind or kind == "hand" or kind == "out of its well":
            self.last_c = self._report(now_s, 0.0)
        elif kind == "missing":
            return None
        elif kind == "stuck":
            self.last_c = self._report(now_s, 0.0) if self.last_c is None else self.last_c
        elif kind == "spike":
            return self._report(now_s, self._magnitude)
        elif kind == "drift":
            self.last_c = self._report(now_s, self._magnitude * (now_s - self._since_s) / 3600.0)
        else:
            return POWER_ON_C if kind == "power-on value" else DISCONNECTED_C
        return self.last_c

    def _lag(self, lag_s: float | None) -> None:
        self._lag_s, self._dt_s = lag_s or self._spec.lag_s, 0.0

    def _report(self, now_s: float, error_k: float) -> float:
        spec = self._spec
        celsius = self.felt_c + spec.offset_k + error_k + spec.drift_k_per_day * now_s / 86400.0
        if self._noises:
            self._drawn = (self._drawn + 1) % NOISES
            celsius += self._noises[self._drawn]
        if not LOWEST_C <= celsius <= HIGHEST_C:
            celsius = min(max(celsius, LOWEST_C), HIGHEST_C)
        return round(celsius / spec.step_k) * spec.step_k
