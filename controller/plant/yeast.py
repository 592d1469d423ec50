"""What the yeast does: fermentation heat and gravity from pitching to the attenuation limit."""

import math

from controller.plant.specs import Yeast

# Per kg of real extract fermented. R. Barth, citing Farber & Barth, Mastering Brewing Science (2019) p. 286, and
# Williams, Am. J. Enol. Vitic. 33 (1982) 149. Other published figures go up to 652 kJ/kg; 1217 kJ/kg, also in print,
# is about twice what the enthalpies of formation allow.
HEAT_J_PER_KG = 560e3
EXTRACT_PER_ETHANOL = 2.0665  # Balling: 2.0665 g extract -> 1 g ethanol + 0.9565 g CO2 + 0.11 g yeast
LEAVES_SHARE = (0.9565 + 0.11) / EXTRACT_PER_ETHANOL  # of fermented extract, as gas and as yeast
GAS_CONSTANT = 8.314462  # J/(mol K), CODATA
DAY_S = 86400.0
FEW_CELLS = 0.05  # activity when growth begins, of full activity; estimate
HUNGER = 0.15  # share of fermentable extract at which the pace has halved; estimate
DORMANT_BAND_K = 4.0  # from rest to the full Arrhenius pace; estimate
TOO_HOT_C, DEAD_C = 34.0, 42.0  # brewing yeast fails between; from memory


def plato(gravity: float) -> float:
    """Degrees Plato of a specific gravity 20/20 °C; the ratio form 1 + P / (258.6 - 227.1 P / 258.2), which
    follows the ASBC table within 0.00002 up to 20 °P."""
    excess = gravity - 1.0
    return 258.6 * excess / (1.0 + 227.1 / 258.2 * excess)


def gravity(degrees_plato: float) -> float:
    """Specific gravity 20/20 °C of degrees Plato; the inverse of `plato`."""
    return 1.0 + degrees_plato / (258.6 - 227.1 / 258.2 * degrees_plato)


class Brew:
    """Wort with yeast in it. `heat_w` and `pace_p_per_day` (real extract, g per 100 g wort and day) hold until
    the next `advance`, and the extract taken is exactly what gave that heat."""

    __slots__ = (
        "activity",
        "fermentable",
        "fermented",
        "heat_w",
        "lag_left",
        "mass_kg",
        "original",
        "pace_p_per_day",
        "yeast",
    )

    def __init__(self, yeast: Yeast, og: float, attenuation_limit: float, volume_l: float) -> None:
        self.yeast = yeast
        self.mass_kg = volume_l * og * 0.9982  # water at 20 °C: 998.2 kg/m³ (IAPWS-95)
        self.original = plato(og)
        self.fermentable = self._taken_at(self.original * (1.0 - attenuation_limit))
        self.fermented = 0.0  # g of real extract per 100 g of wort
        self.lag_left = 1.0
        self.activity = FEW_CELLS
        self.pace_p_per_day = 0.0
        self.heat_w = 0.0

    def _taken_at(self, apparent: float) -> float:
        # real extract = 0.1808 OE + 0.8192 AE: common brewing formula, from memory; then Balling's mass balance
        real = 0.1808 * self.original + 0.8192 * apparent
        return 100.0 * (self.original - real) / (100.0 - LEAVES_SHARE * real)

    def advance(self, dt_s: float, wort_c: float) -> None:
        """Take the extract of the last `dt_s` at the pace that held, then set the pace for what follows."""
        self.fermented = min(self.fermented + self.pace_p_per_day * dt_s / DAY_S, self.fermentable)
        speed = self._speed(wort_c)
        if self.lag_left > 0.0:
            self.lag_left -= speed * dt_s / self.yeast.lag_s
        else:
            growth = self.yeast.growth_per_day * speed * dt_s / DAY_S
            self.activity += growth * self.activity * (1.0 - self.activity)
        left = 1.0 - self.fermented / self.fermentable if self.fermentable > 0.0 else 0.0
        pace = 0.0
        if self.lag_left <= 0.0 and left > 0.0:
            pace = self.yeast.pace_per_day * self.fermentable * speed * self.activity * left / (left + HUNGER)
        self.pace_p_per_day = pace
        self.heat_w = pace / 100.0 * self.mass_kg * HEAT_J_PER_KG / DAY_S

    def _speed(self, wort_c: float) -> float:
        # Arrhenius about the reference, fading to rest in the cold and to death in the heat
        yeast = self.yeast
        inverse = 1.0 / (yeast.reference_c + 273.15) - 1.0 / (wort_c + 273.15)
        awake = min(1.0, max(0.0, (wort_c - yeast.dormant_c) / DORMANT_BAND_K))
        alive = min(1.0, max(0.0, (DEAD_C - wort_c) / (DEAD_C - TOO_HOT_C)))
        return awake * alive * math.exp(yeast.activation_j_per_mol / GAS_CONSTANT * inverse)

    def apparent_gravity(self) -> float:
        """What a hydrometer shows in degassed beer, specific gravity 20/20 °C."""
        real = 100.0 * (self.original - self.fermented) / (100.0 - LEAVES_SHARE * self.fermented)
        return gravity((real - 0.1808 * self.original) / 0.8192)
