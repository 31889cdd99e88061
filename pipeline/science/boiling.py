"""Strength told by a thermometer: of the liquid that boils in the kettle, of the vapour above it.

The equilibrium of `equilibrium.py` read the other way about. A boiling mixture of two has one composition at
one temperature and pressure, so a thermometer and a barometer are a third witness beside the alcoholometer
and the account. Dissolved solids (a wash) raise the boiling point a little, and a thermometer in the vapour
must hang in it and be wet. Hot vapour of spirit burns: this is arithmetic, not a permit.
"""

from collections.abc import Callable

import numpy as np

from pipeline.science.equilibrium import (
    HIGHEST_KPA,
    LOWEST_KPA,
    STANDARD_KPA,
    raw_abv_from_mole_fraction,
    raw_boiling_point,
    raw_mole_fraction_from_abv,
    raw_vapour,
)
from pipeline.science.sources import DE_NEVERS, OIML_R_22, VAN_LAAR_FIT, cites
from pipeline.science.terms import Term, V, evaluate, only_where, within

#: Richest liquid looked for [mole fraction]: 94.1 % vol, short of the azeotrope, where both ways are one.
_RICHEST_X = 0.80
_HALVINGS = 44


def _liquid_where(is_too_weak: Callable[[Term], Term]) -> Term:
    """Mole fraction of the liquid at which a question turns, by halving from nought to the richest."""
    low: Term = 0.0
    high: Term = _RICHEST_X
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        is_weak = is_too_weak(middle)
        low, high = np.where(is_weak, middle, low), np.where(is_weak, high, middle)
    return 0.5 * (low + high)


def _boiling_liquid(temperature_c: Term, pressure_kpa: Term) -> Term:
    """Mole fraction of the liquid that boils there; NaN where none does."""
    coldest, hottest = (raw_boiling_point(x, pressure_kpa) for x in (_RICHEST_X, 0.0))
    in_range = (temperature_c >= coldest) & (temperature_c <= hottest)
    x = _liquid_where(lambda liquid: raw_boiling_point(liquid, pressure_kpa) > temperature_c)
    return only_where(in_range & within(pressure_kpa, LOWEST_KPA, HIGHEST_KPA), x)


def abv_from_boiling_temperature_kernel(temperature_c: Term, pressure_kpa: Term) -> Term:
    return raw_abv_from_mole_fraction(_boiling_liquid(temperature_c, pressure_kpa))


def vapour_abv_from_temperature_kernel(temperature_c: Term, pressure_kpa: Term) -> Term:
    liquid = _boiling_liquid(temperature_c, pressure_kpa)
    return raw_abv_from_mole_fraction(raw_vapour(liquid, pressure_kpa))


def temperature_from_vapour_abv_kernel(vapour_abv_pct_vol: Term, pressure_kpa: Term) -> Term:
    vapour = raw_mole_fraction_from_abv(vapour_abv_pct_vol)
    richest = raw_vapour(_RICHEST_X, pressure_kpa)
    liquid = _liquid_where(lambda x: raw_vapour(x, pressure_kpa) < vapour)
    in_range = within(vapour_abv_pct_vol, 0.0, 100.0) & (vapour <= richest)
    in_range = in_range & within(pressure_kpa, LOWEST_KPA, HIGHEST_KPA)
    return only_where(in_range, raw_boiling_point(liquid, pressure_kpa))


@cites(VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def abv_from_boiling_temperature(temperature_c: V | float, pressure_kpa: V | float = STANDARD_KPA) -> V:
    """Strength of a liquid that boils at a temperature: what a thermometer in the kettle says.

    temperature_c : of the boiling liquid [degC], from 78.44 to 100 at standard pressure
    pressure_kpa  : pressure in the still [kPa], 60 to 110; 20 hPa off is 0.5 K, or 2 % vol near 28 % vol
    returns       : strength by volume at 20 degC [% vol], up to 94; NaN where no mixture boils. Dissolved
                    solids make it look weaker
    formula       : `boiling_temperature_c` solved for the strength by halving
    source        : fit to Carey & Lewis (1932) and Hala et al. (1968); vapour pressures de Nevers,
                    Example 8.12

    >>> abv_from_boiling_temperature(86.52)
    28.0
    """
    return evaluate(abv_from_boiling_temperature_kernel, temperature_c, pressure_kpa)


@cites(VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def vapour_abv_from_temperature(temperature_c: V | float, pressure_kpa: V | float = STANDARD_KPA) -> V:
    """Strength of a vapour about to condense at a temperature: what a thermometer in the head says.

    temperature_c : of the vapour [degC], from 78.44 to 100 at standard pressure
    pressure_kpa  : pressure in the still [kPa], 60 to 110; 20 hPa off is 0.5 K, or 1.3 % vol near 70 % vol
    returns       : strength of its condensate by volume at 20 degC [% vol]; NaN where no mixture boils
    formula       : the vapour over the liquid that boils at that temperature
    source        : fit to Carey & Lewis (1932) and Hala et al. (1968); vapour pressures de Nevers,
                    Example 8.12

    >>> vapour_abv_from_temperature(86.52)
    74.3
    """
    return evaluate(vapour_abv_from_temperature_kernel, temperature_c, pressure_kpa)


@cites(VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def temperature_from_vapour_abv(vapour_abv_pct_vol: V | float, pressure_kpa: V | float = STANDARD_KPA) -> V:
    """Temperature of the vapour that condenses to a strength.

    vapour_abv_pct_vol : strength at the spout, by volume at 20 degC [% vol], 0 to 94.9
    pressure_kpa       : pressure in the still [kPa], 60 to 110
    returns            : temperature of the vapour [degC]; NaN outside the range
    formula            : the boiling point of the liquid whose vapour it is, found by halving
    source             : fit to Carey & Lewis (1932) and Hala et al. (1968); vapour pressures de Nevers,
                         Example 8.12

    >>> temperature_from_vapour_abv(74.3)
    86.5
    """
    return evaluate(temperature_from_vapour_abv_kernel, vapour_abv_pct_vol, pressure_kpa)
