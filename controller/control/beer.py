"""What gravity tells about wort and beer: degrees Plato, attenuation, alcohol, freezing point.

Gravities are specific gravities 20/20 °C and apparent, as a hydrometer shows them, from 0.98 to 1.18.
"""

from functools import lru_cache

from controller.control.fluids import interpolate

LOWEST_GRAVITY = 0.98
HIGHEST_GRAVITY = 1.18

# Balling: 2.0665 g of extract give 1 g of ethanol, 0.9565 g of CO2 and 0.11 g of yeast, dry. Source: Nielsen,
# Kristiansen, Krieger Lassen and Erikstrøm, "Balling's Formula", Scandinavian School of Brewing.
_EXTRACT_PER_ALCOHOL = 2.0665

# Specific gravity of ethanol 20/20 °C, as ASBC and AOAC tables use it (from memory). The often seen 0.794 is
# the value at 60/60 °F.
_ETHANOL_GRAVITY = 0.7907

# (% w/w, °C) of ethanol and water: Å. Melinder, Properties of Secondary Working Fluids for Indirect Systems,
# IIR 2010, by CoolProp 8.0.0 (INCOMP::MEA), rounded to the warmer hundredth; below it Lange's Handbook of
# Chemistry, 15th edition, Table 5.13.
_MELINDER_ETHANOL = (
    (0.0, 0.0), (1.0, -0.43), (2.0, -0.82), (3.0, -1.21), (4.0, -1.61), (5.0, -2.02), (6.0, -2.45), (7.0, -2.90),
    (8.0, -3.36), (9.0, -3.86), (10.0, -4.37), (11.0, -4.92), (12.0, -5.49), (13.0, -6.09), (14.0, -6.72),
    (15.0, -7.39), (16.0, -8.08), (17.0, -8.79), (18.0, -9.54), (19.0, -10.31), (20.0, -11.11),
)  # fmt: skip
_LANGE_ETHANOL = ((0.0, 0.0), (2.5, -1.0), (4.8, -2.0), (6.8, -3.0), (11.3, -5.0), (13.8, -6.1), (16.4, -7.5),
                  (20.3, -10.6))  # fmt: skip


@lru_cache(maxsize=256)  # a step that ends at an attenuation asks at every scan
def plato_from_gravity(sg: float) -> float:
    """Degrees Plato (% w/w extract, apparent if there is alcohol) of specific gravity `sg` 20/20 °C, 0.98..1.18.

    Raises ValueError outside. Source: the ASBC polynomial. It gives -0.003 °P at 1.000.
    """
    if not LOWEST_GRAVITY <= sg <= HIGHEST_GRAVITY:
        raise ValueError(f"a gravity lies between {LOWEST_GRAVITY} and {HIGHEST_GRAVITY}, not {sg}")
    return _asbc_plato(sg)


def _asbc_plato(sg: float) -> float:
    return ((135.997 * sg - 630.272) * sg + 1111.14) * sg - 616.868


def gravity_from_plato(plato: float) -> float:
    """Specific gravity 20/20 °C of `plato`: the inverse of `plato_from_gravity`, about -5.2..40.5 °P.

    Raises ValueError outside. Found by halving the interval, to 1e-12.
    """
    low, high = LOWEST_GRAVITY, HIGHEST_GRAVITY
    if not _asbc_plato(low) <= plato <= _asbc_plato(high):
        raise ValueError(f"degrees Plato lie between {_asbc_plato(low):.1f} and {_asbc_plato(high):.1f}, not {plato}")
    for _ in range(40):
        middle = (low + high) / 2.0
        if _asbc_plato(middle) < plato:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def apparent_attenuation(og: float, gravity: float) -> float:
    """Apparent attenuation, the share of the original extract that seems gone: (OE - AE) / OE by degrees Plato.

    0 where `gravity` is not below `og` (a hydrometer scatters); a little above 1 where a dry beer reads below
    water. Raises ValueError for a gravity outside 0.98..1.18 or an `og` not above 1.001. Source: the definition
    in use with ASBC and EBC.
    """
    original = _original_extract(og)
    return max(0.0, (original - plato_from_gravity(gravity)) / original)


def real_extract(og: float, gravity: float) -> float:
    """Real extract of the beer in % w/w, from the apparent one by Balling's attenuation quotient.

    Errors as `apparent_attenuation`. Source, from memory: De Clerck, A Textbook of Brewing, quotient
    q = 0.22 + 0.001 OE. Of the formulas in use it gives the lower alcohol.
    """
    original = _original_extract(og)
    apparent = min(original, plato_from_gravity(gravity))
    quotient = 0.22 + 0.001 * original
    return (quotient * original + apparent) / (1.0 + quotient)


def alcohol_by_weight(og: float, gravity: float) -> float:
    """Alcohol of the beer in % w/w, 0 where nothing has fermented. Errors as `apparent_attenuation`.

    Source: Balling's formula, OE = 100 (2.0665 A + RE) / (100 + 1.0665 A), solved for A (Nielsen et al.,
    "Balling's Formula", Scandinavian School of Brewing).
    """
    original = _original_extract(og)
    per_percent = _EXTRACT_PER_ALCOHOL - (_EXTRACT_PER_ALCOHOL - 1.0) / 100.0 * original
    return (original - real_extract(og, gravity)) / per_percent


def alcohol_by_volume(og: float, gravity: float) -> float:
    """Alcohol of the beer in % by volume at 20 °C: alcohol by weight times the gravity of the beer over that of
    ethanol, 0.7907 (20/20 °C; from memory: ASBC and AOAC tables). Errors as `apparent_attenuation`."""
    return alcohol_by_weight(og, gravity) * gravity / _ETHANOL_GRAVITY


def real_degree_of_fermentation(og: float, gravity: float) -> float:
    """Share, 0..1, of the extract that was really fermented, by Balling's balance of masses.

    Equals the ASBC form (OE - RE) / OE / (1 - 0.005161 RE) to 0.1 %. Errors as `apparent_attenuation`.
    """
    fermented = _EXTRACT_PER_ALCOHOL * alcohol_by_weight(og, gravity)
    return fermented / (fermented + real_extract(og, gravity))


def freezing_point_c(alcohol_by_weight: float) -> float:
    """Temperature in °C at which ice begins to form in water with `alcohol_by_weight` % w/w of ethanol, 0 or more.

    The warmer of two published tables (Lange's Handbook, Table 5.13; Melinder, IIR 2010), so that no published
    value is undercut; above 20 % the value at 20 %, which protects more. Extract, which would lower it
    further, is left out on purpose. Raises ValueError below 0.
    """
    if not alcohol_by_weight >= 0.0:
        raise ValueError(f"alcohol is 0 % by weight or more, not {alcohol_by_weight}")
    percent = min(alcohol_by_weight, 20.0)
    return max(interpolate(_MELINDER_ETHANOL, percent), interpolate(_LANGE_ETHANOL, percent))


def _original_extract(og: float) -> float:
    if not 1.001 < og <= HIGHEST_GRAVITY:
        raise ValueError(f"an original gravity lies between 1.001 and {HIGHEST_GRAVITY}, not {og}")
    return plato_from_gravity(og)
