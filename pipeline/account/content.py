"""Volume of a lot from its mass and its alcohol, for one lot at a time and many times over.

The walk asks for it hundreds of thousands of times in a row, so it works on plain floats with the density
formula's coefficients for 20 degC worked out once. The formula is the one of `pipeline.science`.
"""

from __future__ import annotations

import math

from pipeline.science.density import ETHANOL_20C_KG_PER_M3, REFERENCE_C, coefficients_at
from pipeline.science.terms import derivative, horner

_DENSITY = tuple(float(value) for value in coefficients_at(REFERENCE_C))
_DENSITY_SLOPE = tuple(float(value) for value in derivative(_DENSITY))
_KG_PER_LPA = float(ETHANOL_20C_KG_PER_M3) / 1000.0

WATER_KG_PER_L = _DENSITY[0] / 1000.0
"""Density of water at 20 degC [kg/L] (OIML R 22: 0.998201)."""


def volume_from_content(mass_kg: float, lpa: float) -> float:
    """Volume at 20 degC [L] of a spirit of this mass [kg] and pure alcohol [L]; NaN outside 0..100 %mass.

    source : OIML R 22, general formula (`pipeline.science.density_kg_per_m3`)

    >>> round(volume_from_content(9.4805, 4.0), 3)  # 10 L at 40 %vol weigh 9.4805 kg (OIML R 22)
    10.0
    """
    if not mass_kg > 0.0:
        return mass_kg if mass_kg == 0.0 else math.nan
    mass_fraction = _KG_PER_LPA * lpa / mass_kg
    if not 0.0 <= mass_fraction <= 1.0:
        return math.nan
    return 1000.0 * mass_kg / float(horner(_DENSITY, mass_fraction))


def volume_slopes(mass_kg: float, lpa: float) -> tuple[float, float]:
    """Derivatives of `volume_from_content` by mass [L/kg] and by pure alcohol [L/L].

    A kilogram of water more is a little more than a litre more; a litre of pure alcohol more at the same
    mass, so that water makes room for it, is about a fifth of a litre more:

    >>> by_mass, by_lpa = volume_slopes(9.4805, 4.0)
    >>> 0.9 < by_mass < 1.05, 0.1 < by_lpa < 0.3
    (True, True)
    """
    mass_fraction = _KG_PER_LPA * lpa / mass_kg
    density = float(horner(_DENSITY, mass_fraction))
    # With rho' = d rho / d w: dV/dm = (1 + w rho'/rho) / rho and dV/dL = -c rho' / rho^2.
    steepness = float(horner(_DENSITY_SLOPE, mass_fraction)) / density
    return 1000.0 / density * (1.0 + mass_fraction * steepness), -1000.0 * _KG_PER_LPA / density * steepness
