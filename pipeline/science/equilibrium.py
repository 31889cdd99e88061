"""Boiling ethanol-water mixtures: composition of the vapour, boiling temperature, mole fractions.

Modified Raoult law with van Laar activity coefficients at the pressure given. Good to 0.2 K and 0.005 to
0.009 in vapour mole fraction up to about 88 % vol; above that the fit has its azeotrope too high (mole
fraction 0.931 for the 0.894 measured) and is not to be trusted. Vapour of boiling spirit burns: this is
arithmetic, not a permit.
"""

import numpy as np

from pipeline.science.sources import DE_NEVERS, OIML_R_22, VAN_LAAR_FIT, cites
from pipeline.science.strength import raw_abv, raw_mass_fraction_from_abv
from pipeline.science.terms import Term, V, evaluate, iterate, only_where, within

ETHANOL_G_PER_MOL = 46.06844
WATER_G_PER_MOL = 18.01528
STANDARD_KPA = 101.325
#: Extra stages a run may be given: a pot still has 0 to 1, a short packed neck up to 2.
MOST_STAGES = 3

_VAN_LAAR_ETHANOL = 1.670
_VAN_LAAR_WATER = 0.9025
# log10 p [mmHg] = a - b / (t + c), t in degC.
_ANTOINE_ETHANOL = (8.11220, 1592.864, 226.184)
_ANTOINE_WATER = (8.07131, 1730.630, 233.426)
_MMHG_PER_KPA = 760.0 / 101.325
_LN_10 = float(np.log(10.0))
LOWEST_KPA = 60.0
HIGHEST_KPA = 110.0
_NEWTON_STEPS = 6


def mole_fraction_from_mass_fraction(w: Term) -> Term:
    ethanol = w / ETHANOL_G_PER_MOL
    return ethanol / (ethanol + (1.0 - w) / WATER_G_PER_MOL)


def mass_fraction_from_mole_fraction(x: Term) -> Term:
    ethanol = x * ETHANOL_G_PER_MOL
    return ethanol / (ethanol + (1.0 - x) * WATER_G_PER_MOL)


def _partial_kpa(activity: Term, antoine: tuple[float, float, float], temperature_c: Term) -> Term:
    a, b, c = antoine
    return activity * np.exp(_LN_10 * (a - b / (temperature_c + c))) / _MMHG_PER_KPA


def _activities(x: Term) -> tuple[Term, Term]:
    """Mole fraction times activity coefficient of ethanol and of water."""
    ethanol, water = _VAN_LAAR_ETHANOL * x, _VAN_LAAR_WATER * (1.0 - x)
    share = ethanol / (ethanol + water)
    return (
        x * np.exp(_VAN_LAAR_ETHANOL * (1.0 - share) ** 2),
        (1.0 - x) * np.exp(_VAN_LAAR_WATER * share**2),
    )


def raw_boiling_point(x: Term, pressure_kpa: Term) -> Term:
    """Newton's method on ln(total pressure), which is nearly straight in temperature."""
    of_ethanol, of_water = _activities(x)

    def step(t: Term) -> Term:
        p1 = _partial_kpa(of_ethanol, _ANTOINE_ETHANOL, t)
        p2 = _partial_kpa(of_water, _ANTOINE_WATER, t)
        _, b1, c1 = _ANTOINE_ETHANOL
        _, b2, c2 = _ANTOINE_WATER
        slope = _LN_10 * (p1 * b1 / (t + c1) ** 2 + p2 * b2 / (t + c2) ** 2) / (p1 + p2)
        return t - np.log((p1 + p2) / pressure_kpa) / slope

    return iterate(step, 100.0 - 20.0 * x, _NEWTON_STEPS)


def raw_vapour(x: Term, pressure_kpa: Term) -> Term:
    """Mole fraction of ethanol in the vapour over a boiling liquid."""
    of_ethanol, _ = _activities(x)
    t = raw_boiling_point(x, pressure_kpa)
    return np.minimum(_partial_kpa(of_ethanol, _ANTOINE_ETHANOL, t) / pressure_kpa, 1.0)


def _between(low: Term, high: Term, share: Term) -> Term:
    """Interpolate two mole fractions on the logit scale, where enrichment by a stage is nearly even.

    Written with odds and a power, so that 0 and 1 stay 0 and 1 instead of becoming infinite.
    """
    ethanol = low ** (1.0 - share) * high**share
    water = (1.0 - low) ** (1.0 - share) * (1.0 - high) ** share
    return ethanol / (ethanol + water)


def vapour_after_stages(x: Term, stages: Term, pressure_kpa: Term) -> Term:
    """Vapour leaving a still of so many extra stages at total reflux; a broken stage counts by its share."""
    y = raw_vapour(x, pressure_kpa)
    for whole in range(MOST_STAGES):
        share = np.minimum(np.maximum(stages - whole, 0.0), 1.0)
        y = _between(y, raw_vapour(y, pressure_kpa), share)
    return y


def raw_mole_fraction_from_abv(abv_pct_vol: Term) -> Term:
    return mole_fraction_from_mass_fraction(raw_mass_fraction_from_abv(abv_pct_vol))


def raw_abv_from_mole_fraction(x: Term) -> Term:
    return raw_abv(mass_fraction_from_mole_fraction(x))


def mole_fraction_from_abv_kernel(abv_20c_pct_vol: Term) -> Term:
    return only_where(within(abv_20c_pct_vol, 0.0, 100.0), raw_mole_fraction_from_abv(abv_20c_pct_vol))


def abv_from_mole_fraction_kernel(mole_fraction: Term) -> Term:
    return only_where(within(mole_fraction, 0.0, 1.0), raw_abv_from_mole_fraction(mole_fraction))


def vapour_mole_fraction_kernel(mole_fraction: Term, stages: Term, pressure_kpa: Term) -> Term:
    in_range = within(mole_fraction, 0.0, 1.0) & _is_still(stages, pressure_kpa)
    return only_where(in_range, vapour_after_stages(mole_fraction, stages, pressure_kpa))


def _is_still(stages: Term, pressure_kpa: Term) -> Term:
    return within(stages, 0.0, float(MOST_STAGES)) & within(pressure_kpa, LOWEST_KPA, HIGHEST_KPA)


def vapour_abv_kernel(liquid_abv_pct_vol: Term, stages: Term, pressure_kpa: Term) -> Term:
    vapour = vapour_after_stages(raw_mole_fraction_from_abv(liquid_abv_pct_vol), stages, pressure_kpa)
    in_range = within(liquid_abv_pct_vol, 0.0, 100.0) & _is_still(stages, pressure_kpa)
    return only_where(in_range, raw_abv_from_mole_fraction(vapour))


def boiling_temperature_kernel(liquid_abv_pct_vol: Term, pressure_kpa: Term) -> Term:
    t = raw_boiling_point(raw_mole_fraction_from_abv(liquid_abv_pct_vol), pressure_kpa)
    in_range = within(liquid_abv_pct_vol, 0.0, 100.0) & within(pressure_kpa, LOWEST_KPA, HIGHEST_KPA)
    return only_where(in_range, t)


@cites(OIML_R_22)
def mole_fraction_from_abv(abv_20c_pct_vol: V | float) -> V:
    """Mole fraction of ethanol in a spirit of known strength.

    abv_20c_pct_vol : strength by volume at 20 degC [% vol], 0 to 100
    returns         : ethanol [mol per mol of mixture], 0 to 1; NaN outside the range
    formula         : (w / 46.06844) / (w / 46.06844 + (1 - w) / 18.01528), w the mass fraction
    source          : density OIML R 22; molar masses

    >>> mole_fraction_from_abv(28.0)
    0.1041
    """
    return evaluate(mole_fraction_from_abv_kernel, abv_20c_pct_vol)


@cites(OIML_R_22)
def abv_from_mole_fraction(mole_fraction: V | float) -> V:
    """Strength by volume of a mixture of known mole fraction.

    mole_fraction : ethanol [mol per mol of mixture], 0 to 1
    returns       : strength by volume at 20 degC [% vol], 0 to 100; NaN outside the range
    formula       : through the mass fraction 46.06844 x / (46.06844 x + 18.01528 (1 - x))
    source        : density OIML R 22; molar masses

    >>> abv_from_mole_fraction(0.10411)
    28.00
    """
    return evaluate(abv_from_mole_fraction_kernel, mole_fraction)


@cites(VAN_LAAR_FIT, DE_NEVERS)
def vapour_mole_fraction(
    mole_fraction: V | float, stages: V | float = 0.0, pressure_kpa: V | float = STANDARD_KPA
) -> V:
    """Ethanol in the vapour leaving a still over a boiling liquid, in mole fractions.

    mole_fraction : ethanol in the liquid [mol/mol], 0 to 1 (above 0.7 the fit is poor)
    stages        : effective extra stages of the still [stages], 0 (bare pot) to 3; see `vapour_abv`
    pressure_kpa  : pressure in the still [kPa], 60 to 110
    returns       : ethanol in the vapour [mol/mol]; NaN outside the range
    formula       : y P = x gamma p(T) at the boiling point; ln gamma1 = A (B x2 / (A x1 + B x2))^2, A =
                    1.670, B = 0.9025
    source        : fit to Carey & Lewis (1932) and Hala et al. (1968); vapour pressures de Nevers, Example
                    8.12

    Carey and Lewis measured 0.4375 over a liquid of 0.0966:

    >>> vapour_mole_fraction(0.0966)
    0.431
    """
    return evaluate(vapour_mole_fraction_kernel, mole_fraction, stages, pressure_kpa)


@cites(VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def vapour_abv(
    liquid_abv_pct_vol: V | float, stages: V | float = 0.0, pressure_kpa: V | float = STANDARD_KPA
) -> V:
    """Strength of the distillate that leaves a still over a boiling liquid.

    liquid_abv_pct_vol : liquid in the pot, by volume at 20 degC [% vol], 0 to 100 (above 88 the fit is poor)
    stages             : effective extra stages [stages], 0 (bare pot) to 3; one number for a still's
                         reflux, found from its runs
    pressure_kpa       : pressure in the still [kPa], 60 to 110; it hardly matters to the strength
    returns            : distillate by volume at 20 degC [% vol]; NaN outside the range
    formula            : the vapour of the boiling liquid; for each whole stage the vapour of that vapour
                         condensed; for a broken stage interpolated on ln(y / (1 - y))
    source             : fit to Carey & Lewis (1932) and Hala et al. (1968); vapour pressures de Nevers,
                         Example 8.12

    >>> vapour_abv(28.0)
    74.3
    >>> vapour_abv(28.0, stages=0.5)
    81.3
    """
    return evaluate(vapour_abv_kernel, liquid_abv_pct_vol, stages, pressure_kpa)


@cites(VAN_LAAR_FIT, DE_NEVERS, OIML_R_22)
def boiling_temperature_c(liquid_abv_pct_vol: V | float, pressure_kpa: V | float = STANDARD_KPA) -> V:
    """Temperature at which a liquid boils.

    liquid_abv_pct_vol : liquid, by volume at 20 degC [% vol], 0 to 100 (above 88 the fit is poor)
    pressure_kpa       : pressure in the still [kPa], 60 to 110; 20 hPa off is 0.5 K
    returns            : boiling temperature [degC]; NaN outside the range. Dissolved solids raise it slightly
    formula            : the T at which x1 gamma1 p1(T) + x2 gamma2 p2(T) = P, by Newton's method, six steps
    source             : fit to Carey & Lewis (1932) and Hala et al. (1968); vapour pressures de Nevers,
                         Example 8.12

    >>> boiling_temperature_c(0.0)
    100.00
    >>> boiling_temperature_c(28.0)
    86.52
    """
    return evaluate(boiling_temperature_kernel, liquid_abv_pct_vol, pressure_kpa)
