"""The rules that are never broken, as the cellar itself can see them. Imports nothing of the core.

Numbers in brackets are those of the twelve design rules.
"""

from controller.plant.cellar import Cellar


class Rules:
    """Looks at the cellar after each moment; `broken` grows by a line for each breach."""

    def __init__(self, cellar: Cellar) -> None:
        self._cellar = cellar
        self.broken: list[str] = []
        self.looks = 0
        self.coldest_c: dict[str, float] = {}
        self.warmest_c: dict[str, float] = {}

    def look(self) -> None:
        """One look at every vessel."""
        self.looks += 1
        for name, vessel in self._cellar.vessels.items():
            cooling, heating = vessel.cooler.on, vessel.heater.on
            if cooling and heating:
                self._say(1, name, "cooler and heater are on together")
            if vessel.brew is None:
                if heating:
                    self._say(7, name, "an empty vessel is heated")
                continue
            wort_c = self._cellar.wort_c(name)
            self.coldest_c[name] = min(wort_c, self.coldest_c.get(name, wort_c))
            self.warmest_c[name] = max(wort_c, self.warmest_c.get(name, wort_c))
            if wort_c < 0.0:
                self._say(6, name, f"the wort is at {wort_c:.2f} °C")
            if wort_c > 40.0 and cooling:
                self._say(7, name, "something hot is cooled")
            for device in (vessel.cooler, vessel.heater):
                if device.on and self._cellar.now_s > device.ends_s:  # its timer opens it in the step that begins then
                    self._say(3, name, f"{device.tag} is on beyond its lifetime")

    def _say(self, rule: int, vessel: str, what: str) -> None:
        if len(self.broken) < 50:
            self.broken.append(f"rule {rule}, {vessel}, day {self._cellar.now_s / 86400:.3f}: {what}")
