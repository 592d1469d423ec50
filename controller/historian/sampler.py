"""Minutes out of scans: what the trend keeps of a vessel's temperature, setpoint and outputs."""

import math
from typing import NamedTuple

from controller.control.state import OutputState, SiteState
from controller.control.values import Status

MINUTE_S = 60
_KNOWN = (Status.GOOD, Status.MAINTENANCE, Status.OUT_OF_SPECIFICATION)


class Sample(NamedTuple):
    """One minute of one vessel, or of one probe of bath or room (`name` is its tag). `at_s` is the minute's
    start. Temperatures in °C, None where nothing was known; shares in percent of the minute's scans."""

    at_s: int
    name: str
    mean_c: float | None
    least_c: float | None
    most_c: float | None
    setpoint_low_c: float | None
    setpoint_high_c: float | None
    cooler_percent: int
    heater_percent: int


class _Sum:
    """One minute in the making."""

    __slots__ = ("cooler", "heater", "high_c", "known", "least_c", "low_c", "most_c", "scans", "total_c")

    def __init__(self) -> None:
        self.scans = self.known = self.cooler = self.heater = 0
        self.total_c = 0.0
        self.least_c, self.most_c = math.inf, -math.inf
        self.low_c: float | None = None
        self.high_c: float | None = None

    def add(self, celsius: float | None) -> None:
        self.scans += 1
        if celsius is not None and math.isfinite(celsius):
            self.known += 1
            self.total_c += celsius
            self.least_c = min(self.least_c, celsius)
            self.most_c = max(self.most_c, celsius)

    def sample(self, at_s: int, name: str) -> Sample:
        known = self.known > 0
        return Sample(
            at_s,
            name,
            self.total_c / self.known if known else None,
            self.least_c if known else None,
            self.most_c if known else None,
            self.low_c,
            self.high_c,
            round(100 * self.cooler / self.scans),
            round(100 * self.heater / self.scans),
        )


class Sampler:
    """Takes the state after each scan and gives the samples of each minute when it is over."""

    def __init__(self) -> None:
        self._minute_s: int | None = None
        self._sums: dict[str, _Sum] = {}

    def add(self, state: SiteState) -> tuple[Sample, ...]:
        """Takes one scan in; returns the samples of the minute that this scan has ended, mostly none."""
        minute_s = int(state.now_s // MINUTE_S) * MINUTE_S
        done = self.rest() if minute_s != self._minute_s else ()
        self._minute_s = minute_s
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
        """The samples of the minute so far, which begins anew: for the end of the service."""
        if self._minute_s is None:
            return ()
        done = tuple(total.sample(self._minute_s, name) for name, total in self._sums.items())
        self._sums.clear()
        return done


def _is_on(output: OutputState | None) -> bool:
    return output is not None and output.on
