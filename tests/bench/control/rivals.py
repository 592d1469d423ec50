"""What the service's control is measured against: a thermostat and a plain PID, on the same readings and relay limits.

Both know what an owner can set: hysteresis, gains, the length of the window; neither knows what the plant will do."""

from collections.abc import Mapping
from dataclasses import dataclass

from simple_pid import PID

from controller.control.site import Output, Site, Vessel
from tests.bench.control.courses import Course
from tests.simulation.plant import Cellar

WINDOW_S = 600.0  # of the time-proportioned output; common practice, no source


@dataclass(slots=True)
class Relay:
    """An output within its shortest times, and the other output's change-over time."""

    output: Output | None
    changeover_s: float
    on: bool = False
    since_s: float = -1e9

    def move(self, wish: bool, other: "Relay", now_s: float) -> None:
        """Switch as wished, as far as the times allow."""
        if self.output is None:
            return
        lasted_s = now_s - self.since_s
        if self.on and not wish and lasted_s >= self.output.shortest_on_s:
            self.on, self.since_s = False, now_s
        elif not self.on and wish and lasted_s >= self.output.shortest_off_s:
            if other.on or now_s - other.since_s < self.changeover_s:
                return
            self.on, self.since_s = True, now_s


class Thermostat:
    """On/off: cooling on at half the band above the setpoint and off at it, heating on at half the band below and off
    at it."""

    def __init__(self, band_k: float) -> None:
        self._half_k = band_k / 2.0
        self._cools = self._heats = False

    def wishes(self, now_s: float, reading_c: float, setpoint_c: float, dt_s: float) -> tuple[bool, bool]:
        """Whether to cool, whether to heat."""
        above_k = reading_c - setpoint_c
        self._cools = above_k >= self._half_k or (self._cools and above_k > 0.0)
        self._heats = above_k <= -self._half_k or (self._heats and above_k < 0.0)
        return self._cools, self._heats


class PlainPid:
    """simple-pid in watts, limited to what the outputs have, its output given as a share of each window. The gains are
    those of the site file's loop (SIMC for an integrating process with the usual dead time)."""

    def __init__(self, vessel: Vessel) -> None:
        loop = vessel.loop
        self._cool_w = vessel.cooler.power_w if vessel.cooler else 0.0
        self._heat_w = vessel.heater.power_w if vessel.heater else 0.0
        gain = loop.gain_w_per_k
        limits = (-self._cool_w, self._heat_w)
        self._pid = PID(gain, gain / loop.integral_s, 0.0, sample_time=None, output_limits=limits)
        self._from_s, self._duty = -1e9, 0.0

    def wishes(self, now_s: float, reading_c: float, setpoint_c: float, dt_s: float) -> tuple[bool, bool]:
        """Whether to cool, whether to heat."""
        self._pid.setpoint = setpoint_c
        watts = self._pid(reading_c, dt=dt_s)
        if now_s - self._from_s >= WINDOW_S:
            self._from_s = now_s
            self._duty = watts / (self._heat_w if watts > 0.0 else self._cool_w) if watts else 0.0
        on = now_s - self._from_s < abs(self._duty) * WINDOW_S
        return on and self._duty < 0.0, on and self._duty > 0.0


class FullCooling:
    """A thermostat that cools without end as soon as the setpoint falls at once: what the plant can do."""

    def __init__(self) -> None:
        self._began = False
        self._setpoint_c = -273.15
        self._before = Thermostat(0.5)

    def wishes(self, now_s: float, reading_c: float, setpoint_c: float, dt_s: float) -> tuple[bool, bool]:
        """Whether to cool, whether to heat."""
        self._began = self._began or setpoint_c < self._setpoint_c - 1.0
        self._setpoint_c = setpoint_c
        return (True, False) if self._began else self._before.wishes(now_s, reading_c, setpoint_c, dt_s)


Rival = Thermostat | PlainPid | FullCooling


class RivalRig:
    """Rivals of one kind on all vessels of a plant, scan by scan."""

    def __init__(self, kind: str, site: Site, plant: Cellar, courses: Mapping[str, Course]) -> None:
        self.plant = plant
        self._site = site
        self._parts: list[tuple[str, Rival, Relay, Relay, list[float]]] = []
        for vessel in site.vessels:
            course = courses[vessel.name]
            scans = int(course.hours * 3600.0 / site.scan_s) + 2
            setpoints = course.setpoints([number * site.scan_s for number in range(scans)])
            changeover_s = vessel.loop.changeover_s
            relays = Relay(vessel.cooler, changeover_s), Relay(vessel.heater, changeover_s)
            self._parts.append((vessel.name, rival_of(kind, vessel), *relays, setpoints))
        self._number = 0

    def scan(self) -> None:
        """One scan, then the plant goes on until the next."""
        plant, now_s, dt_s = self.plant, self.plant.now_s, self._site.scan_s
        for name, rival, cooler, heater, setpoints in self._parts:
            reading_c = plant.probe_c(f"{name}/well")
            if reading_c is None:
                continue
            setpoint_c = setpoints[min(self._number, len(setpoints) - 1)]
            cools, heats = rival.wishes(now_s, reading_c, setpoint_c, dt_s)
            cooler.move(cools, heater, now_s)
            heater.move(heats, cooler, now_s)
            plant.set_output(f"{name}/cooler", cooler.on)
            plant.set_output(f"{name}/heater", heater.on)
        self._number += 1
        plant.advance(dt_s)


def rival_of(kind: str, vessel: Vessel) -> Rival:
    """A fresh one: "on/off 0.5 K", "on/off 0.1 K", "plain PID" or "full cooling"."""
    if kind == "plain PID":
        return PlainPid(vessel)
    if kind == "full cooling":
        return FullCooling()
    return Thermostat(float(kind.split()[1]))
