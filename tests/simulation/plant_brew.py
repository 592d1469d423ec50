"""What is in a vessel: wort, the work of the yeast, gravity, alcohol, freezing point."""

import math

from tests.simulation.plant_specs import Yeast

WATER_KG_PER_L = 0.9982  # at 20 °C, IAPWS-95
# Per kg of real extract fermented: Farber & Barth, Mastering Brewing Science (2019) p. 286; Williams, Am. J. Enol.
# Vitic. 33 (1982) 149.
HEAT_J_PER_KG = 560e3
# Balling: 2.0665 g extract -> 1 g ethanol + 0.9565 g CO2 + 0.11 g yeast
ETHANOL_SHARE = 1.0 / 2.0665
LEAVES_SHARE = (0.9565 + 0.11) / 2.0665
CRYOSCOPIC_K_KG_PER_MOL = 1.86  # of water; common tables, from memory
ETHANOL_KG_PER_MOL, EXTRACT_KG_PER_MOL = 0.04607, 0.36  # extract: between maltose 0.342 and dextrins; estimate
GAS_CONSTANT = 8.314462  # J/(mol K), CODATA
DAY_S = 86400.0
FEW_CELLS = 0.05  # activity when growth begins, of full activity; estimate
HUNGER = 0.15  # share of fermentable extract at which the pace has halved, which makes the tail; estimate
DORMANT_BAND_K = 4.0  # from rest to the full Arrhenius pace; estimate
TOO_HOT_C, DEAD_C = 34.0, 42.0  # brewing yeast fails between; from memory


def plato(gravity: float) -> float:
    """Degrees Plato of a specific gravity 20/20 °C: ratio form, within 0.00002 of the ASBC table up to 20 °P."""
    excess = gravity - 1.0
    return 258.6 * excess / (1.0 + 227.1 / 258.2 * excess)


def gravity(degrees_plato: float) -> float:
    """The inverse of `plato`."""
    return 1.0 + degrees_plato / (258.6 - 227.1 / 258.2 * degrees_plato)


class Brew:
    """Wort with yeast in it. `heat_w` and `pace_p_per_day` (real extract, g per 100 g of wort and day) hold until the
    next `advance`, which takes exactly the extract that gave that heat."""

    __slots__ = (
        "_activity",
        "_lag_left",
        "_yeast",
        "fermentable",
        "fermented",
        "heat_w",
        "mass_kg",
        "og",
        "original",
        "pace_p_per_day",
    )

    def __init__(self, yeast: Yeast, og: float, attenuation: float, litres: float) -> None:
        """Wort of `og` whose apparent attenuation ends at `attenuation` (0..1; 0: no yeast in it)."""
        self._yeast = yeast
        self.og = og
        self.mass_kg = litres * og * WATER_KG_PER_L
        self.original = plato(og)
        # real = 0.1808 original + 0.8192 apparent: common brewing formula, from memory; then Balling's mass balance
        real = self.original * (0.1808 + 0.8192 * (1.0 - attenuation))
        self.fermentable = 100.0 * (self.original - real) / (100.0 - LEAVES_SHARE * real)
        self.fermented = 0.0  # g of real extract per 100 g of wort
        self._lag_left = 1.0
        self._activity = FEW_CELLS
        self.pace_p_per_day = self.heat_w = 0.0

    def at_high_krausen(self, wort_c: float) -> None:
        """Skip lag and growth: the yeast works at full activity from now on."""
        self._lag_left, self._activity = 0.0, 0.98
        self.advance(0.0, wort_c)

    def nearly_done(self, share: float) -> None:
        """Skip to where `share` (0..1) of the fermentable extract has been taken."""
        self._lag_left, self._activity = 0.0, 0.98
        self.fermented = share * self.fermentable

    def advance(self, dt_s: float, wort_c: float) -> None:
        """Take the extract of the last `dt_s` at the pace that held, then set the pace for what follows."""
        if self.fermentable <= 0.0:
            return
        self.fermented = min(self.fermented + self.pace_p_per_day * dt_s / DAY_S, self.fermentable)
        yeast, speed = self._yeast, self._speed(wort_c)
        pace = 0.0
        if self._lag_left > 0.0:
            self._lag_left -= speed * dt_s / yeast.lag_s
        else:
            self._activity += yeast.growth_per_day * speed * dt_s / DAY_S * self._activity * (1.0 - self._activity)
            left = 1.0 - self.fermented / self.fermentable
            pace = yeast.pace_per_day * self.fermentable * speed * self._activity * left / (left + HUNGER)
        self.pace_p_per_day = pace
        self.heat_w = pace / 100.0 * self.mass_kg * HEAT_J_PER_KG / DAY_S

    def _speed(self, wort_c: float) -> float:
        # Arrhenius about the reference, fading to rest in the cold and to death in the heat
        yeast = self._yeast
        inverse = 1.0 / (yeast.reference_c + 273.15) - 1.0 / (wort_c + 273.15)
        awake = min(1.0, max(0.0, (wort_c - yeast.dormant_c) / DORMANT_BAND_K))
        alive = min(1.0, max(0.0, (DEAD_C - wort_c) / (DEAD_C - TOO_HOT_C)))
        return awake * alive * math.exp(yeast.activation_j_per_mol / GAS_CONSTANT * inverse)

    def apparent_gravity(self) -> float:
        """What a hydrometer shows in degassed beer, specific gravity 20/20 °C."""
        return gravity((self._real_extract() - 0.1808 * self.original) / 0.8192)

    def alcohol_share(self) -> float:
        """Ethanol, kg per kg of beer."""
        return ETHANOL_SHARE * self.fermented / (100.0 - LEAVES_SHARE * self.fermented)

    def freezing_c(self) -> float:
        """Freezing point of water with this beer's true alcohol in it, extract left out: ideal dilute solution."""
        alcohol = self.alcohol_share()
        return -CRYOSCOPIC_K_KG_PER_MOL * alcohol / ETHANOL_KG_PER_MOL / (1.0 - alcohol)

    def ice_c(self) -> float:
        """Where ice forms in this beer: alcohol and extract both lower it."""
        extract = self._real_extract() / 100.0
        return self.freezing_c() - CRYOSCOPIC_K_KG_PER_MOL * extract / EXTRACT_KG_PER_MOL / (1.0 - extract)

    def _real_extract(self) -> float:
        return 100.0 * (self.original - self.fermented) / (100.0 - LEAVES_SHARE * self.fermented)
