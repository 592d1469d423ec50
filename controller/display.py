"""How this person wants to see figures: units, and the clock of the site. Inside, everything stays in base units."""

import math
from datetime import UTC, datetime, tzinfo
from typing import NamedTuple

from controller.control.beer import HIGHEST_GRAVITY, LOWEST_GRAVITY, plato_from_gravity
from controller.quantities import LITRES_PER_US_GALLON

UNKNOWN = "–"
MINUTE_S, HOUR_S, DAY_S = 60, 3600, 86400


class Display(NamedTuple):
    """`temperature` is "C" or "F", `volume` "L" or "gal" (US), `gravity` "SG" (20/20 °C) or "P" (degrees Plato)."""

    temperature: str = "C"
    volume: str = "L"
    gravity: str = "SG"
    zone: tzinfo = UTC

    def in_temperature(self, celsius: float) -> float:
        """A temperature in the person's unit."""
        return celsius * 9.0 / 5.0 + 32.0 if self.temperature == "F" else celsius

    def in_difference(self, kelvin: float) -> float:
        """A temperature difference in the person's unit: 1 K is 1.8 °F, without the 32."""
        return kelvin * 9.0 / 5.0 if self.temperature == "F" else kelvin

    def in_volume(self, litres: float) -> float:
        """A volume in the person's unit."""
        return litres / LITRES_PER_US_GALLON if self.volume == "gal" else litres

    def in_gravity(self, specific: float) -> float:
        """A gravity in the person's unit. Raises ValueError outside 0.98..1.18 for degrees Plato."""
        return plato_from_gravity(specific) if self.gravity == "P" else specific

    def temperature_text(self, celsius: float | None, digits: int = 1) -> str:
        """Such as "18.0 °C"; a dash for what is not known, here and below: None, NaN or infinite."""
        value = _known(celsius)
        return UNKNOWN if value is None else f"{_fixed(self.in_temperature(value), digits)} °{self.temperature}"

    def difference_text(self, kelvin: float | None, digits: int = 1) -> str:
        """Such as "+0.5 K" or "+0.9 °F"."""
        value = _known(kelvin)
        return UNKNOWN if value is None else f"{_fixed(self.in_difference(value), digits, '+')} {self.difference_unit}"

    @property
    def difference_unit(self) -> str:
        """ "K" or "°F"."""
        return "°F" if self.temperature == "F" else "K"

    def volume_text(self, litres: float | None) -> str:
        """Such as "60 L" or "15.9 gal"."""
        value = _known(litres)
        return UNKNOWN if value is None else f"{_fixed(self.in_volume(value), 1).removesuffix('.0')} {self.volume}"

    def gravity_text(self, specific: float | None) -> str:
        """Such as "1.050" or "12.4 °P"."""
        value = _known(specific)
        if value is None:
            return UNKNOWN
        if self.gravity == "P" and LOWEST_GRAVITY <= value <= HIGHEST_GRAVITY:
            return f"{_fixed(self.in_gravity(value), 1)} °P"
        return f"{value:.3f}"

    def local(self, utc_s: float) -> datetime:
        """The site's time of day; whole seconds."""
        return datetime.fromtimestamp(int(utc_s), UTC).astimezone(self.zone)

    def time_text(self, utc_s: float | None, at_s: float) -> str:
        """Such as "2026-11-03 18:04:10 CET"; while UTC was not trusted, the service's own time instead."""
        if utc_s is None:
            return f"service time {age_text(at_s)}"
        return f"{self.local(utc_s):%Y-%m-%d %H:%M:%S %Z}"


def age_text(seconds: float) -> str:
    """A length of time, such as "3d 04:05:06"."""
    if not math.isfinite(seconds):
        return UNKNOWN
    whole = max(0, int(seconds))
    days, rest = divmod(whole, DAY_S)
    return f"{days}d {rest // HOUR_S:02d}:{rest % HOUR_S // MINUTE_S:02d}:{rest % MINUTE_S:02d}"


def _known(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _fixed(value: float, digits: int, sign: str = "") -> str:
    return f"{round(value, digits) + 0.0:{sign}.{digits}f}"  # + 0.0 turns -0.0 into 0.0
