"""How this person wants to see figures: units, and the clock of the site. Inside, everything stays in base units."""

from datetime import UTC, datetime, tzinfo
from typing import NamedTuple

from controller.control.beer import HIGHEST_GRAVITY, LOWEST_GRAVITY, plato_from_gravity
from controller.quantities import LITRES_PER_US_GALLON

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
        """Such as "18.0 °C"; "--" for None."""
        return "--" if celsius is None else f"{self.in_temperature(celsius):.{digits}f} °{self.temperature}"

    def difference_text(self, kelvin: float, digits: int = 1) -> str:
        """Such as "+0.5 K" or "+0.9 °F"."""
        return f"{self.in_difference(kelvin):+.{digits}f} {'°F' if self.temperature == 'F' else 'K'}"

    def volume_text(self, litres: float) -> str:
        """Such as "60 L" or "15.9 gal"."""
        return f"{self.in_volume(litres):.1f}".removesuffix(".0") + f" {self.volume}"

    def gravity_text(self, specific: float) -> str:
        """Such as "1.050" or "12.4 °P"."""
        if self.gravity == "P" and LOWEST_GRAVITY <= specific <= HIGHEST_GRAVITY:
            return f"{self.in_gravity(specific):.1f} °P"
        return f"{specific:.3f}"

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
    whole = max(0, int(seconds))
    days, rest = divmod(whole, DAY_S)
    return f"{days}d {rest // HOUR_S:02d}:{rest % HOUR_S // MINUTE_S:02d}:{rest % MINUTE_S:02d}"
