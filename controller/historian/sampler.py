"""Samples out of scans: what the history keeps of a vessel's temperature, setpoint and outputs."""

import math
from typing import NamedTuple

from controller.control.state import OutputState, SiteState
from controller.control.values import Status

SAMPLE_S = 10.0
_KNOWN = (Status.GOOD, Status.MAINTENANCE, Status.OUT_OF_SPECIFICATION)


class Sample(NamedTuple):
    """One interval of one vessel, or of one probe of bath or room (`name` is its tag). `at_s` is the interval's
    start on the service line. Temperatures in °C, None where nothing was known; `celsius` is the mean, the
    setpoint the last; shares in percent of the interval's scans."""

    at_s: int
    name: str
    celsius: float | None
    setpoint_low_c: float | None
    setpoint_high_c: float | None
    cooler_percent: int
    heater_percent: int


class _Sum:
    """One interval in the making."""

    __slots__ = ("cooler", "heater", "high_c", "known", "low_c", "scans", "total_c")

    def __init__(self) -> None:
        self.scans = self.known = self.cooler = self.heater = 0
        self.total_c = 0.0
        self.low_c: float | None = None
        self.high_c: float | None = None

    def add(self, celsius: float | None) -> None:
        self.scans += 1
        if celsius is not None and math.isfinite(celsius):
            self.known += 1
            self.total_c += celsius

    def sample(self, at_s: int, name: str) -> Sample:
        return Sample(
            at_s,
            name,
            self.total_c / self.known if self.known else None,
            self.low_c,
            self.high_c,
            round(100 * self.cooler / self.scans),
            round(100 * self.heater / self.scans),
        )


class Sampler:
    """Takes the state after each scan and gives the samples of each interval of `sample_s` when it is over.
    Intervals begin at multiples of their length on the service line."""

    def __init__(self, sample_s: float = SAMPLE_S) -> None:
        self._sample_s = sample_s
        self._at_s: int | None = None
        self._sums: dict[str, _Sum] = {}

    def add(self, state: SiteState) -> tuple[Sample, ...]:
        """Takes one scan in; returns the samples of the interval that this scan has ended, mostly none."""
        at_s = int(state.now_s // self._sample_s * self._sample_s)
        done = self.rest() if at_s != self._at_s else ()
        self._at_s = at_s
        for name, vessel in state.vessels.items():
            total = self._sums.setdefault(name, _Sum())
            total.add(vessel.estimate.celsius)
            total.cooler += _is_on(vessel.cooler)
            total.heater += _is_on(vessel.heater)
            total.low_c, total.high_c = vessel.setpoint or (None, None)
        for tag, signal in state.signals.items():
            if tag.startswith(("bath/", "room/")):
                self._sums.setdefault(tag, _Sum()).add(signal.celsius if signal.status in _KNOWN else None)
        return done

    def rest(self) -> tuple[Sample, ...]:
        """The samples of the interval so far, which begins anew: for the end of the service."""
        if self._at_s is None:
            return ()
        done = tuple(total.sample(self._at_s, name) for name, total in self._sums.items())
        self._sums.clear()
        return done


def _is_on(output: OutputState | None) -> bool:
    return output is not None and output.on
