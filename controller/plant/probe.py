"""Digital probes and what goes wrong with them."""

import math
import random
from enum import Enum

from controller.plant.specs import ProbeSpec

STEPS_PER_K = 16.0  # 12-bit resolution 1/16 K: DS18B20 datasheet, Table 1
LOWEST_C, HIGHEST_C = -55.0, 125.0  # DS18B20 datasheet
POWER_ON_C = 85.0  # DS18B20 datasheet, Table 1: power-on reset value
DISCONNECTED_C = -127.0  # what common drivers report for "no device"; common practice


class Fault(Enum):
    """What can be wrong with a probe. `magnitude` means what stands in brackets."""

    MISSING = "missing"
    STUCK = "stuck"
    SPIKE = "spike"  # one reading off (K), or all of them for the given time
    POWER_ON = "power-on value"
    DISCONNECTED = "disconnected"
    DRIFT = "drift"  # (K per hour)
    OUT_OF_WELL = "out of its well"


class ProbeUnit:
    """One probe. `celsius` is its newest report, None when there is none."""

    __slots__ = (
        "_dt_s",
        "_fault",
        "_fault_ends_s",
        "_fault_since_s",
        "_follow",
        "_magnitude",
        "_noise",
        "_spec",
        "_spoiled",
        "celsius",
        "felt_c",
        "tag",
    )

    def __init__(self, tag: str, spec: ProbeSpec, seed: int, start_c: float) -> None:
        self.tag = tag
        self.felt_c = start_c
        self._spec = spec
        self._noise = random.Random(f"{seed}/{tag}").gauss
        self._dt_s = self._follow = 0.0
        self._fault: Fault | None = None
        self._spoiled = False
        self._magnitude = self._fault_since_s = self._fault_ends_s = 0.0
        self.celsius: float | None = None
        self.celsius = self._report(0.0)

    def fail(self, fault: Fault, magnitude: float, now_s: float, for_s: float) -> None:
        """Begin a fault that ends by itself after `for_s` (a spike of 0 s spoils one reading)."""
        self._fault, self._magnitude = fault, magnitude
        self._fault_since_s, self._fault_ends_s = now_s, now_s + for_s
        self._spoiled = False

    def mend(self) -> None:
        """End any fault."""
        self._fault = None

    def sample(self, now_s: float, dt_s: float, true_c: float, room_c: float) -> None:
        """Follow `true_c` (or the room, out of its well) over `dt_s` and report at `now_s`."""
        if dt_s != self._dt_s:
            self._dt_s, self._follow = dt_s, 1.0 - math.exp(-dt_s / self._spec.lag_s)
        if self._fault is Fault.OUT_OF_WELL:
            true_c = room_c
        self.felt_c += (true_c - self.felt_c) * self._follow
        if self._fault is None:
            self.celsius = self._report(0.0)
        else:
            self._report_faulty(now_s)

    def _report(self, error_k: float) -> float:
        felt_c = self.felt_c + self._spec.offset_k + error_k + self._noise(0.0, self._spec.noise_k)
        return min(max(round(felt_c * STEPS_PER_K) / STEPS_PER_K, LOWEST_C), HIGHEST_C)

    def _report_faulty(self, now_s: float) -> None:
        fault, magnitude = self._fault, self._magnitude
        spoiled, self._spoiled = self._spoiled, True
        if spoiled and now_s > self._fault_ends_s:
            self._fault = None
            self.celsius = self._report(0.0)
        elif fault is Fault.MISSING:
            self.celsius = None
        elif fault is Fault.STUCK:
            self.celsius = self.celsius if self.celsius is not None else self._report(0.0)
        elif fault is Fault.POWER_ON:
            self.celsius = POWER_ON_C
        elif fault is Fault.DISCONNECTED:
            self.celsius = DISCONNECTED_C
        elif fault is Fault.SPIKE:
            self.celsius = self._report(magnitude)
        elif fault is Fault.DRIFT:
            self.celsius = self._report(magnitude * (now_s - self._fault_since_s) / 3600.0)
        else:
            self.celsius = self._report(0.0)
