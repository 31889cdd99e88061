"""Casks: what the years take, and where the strength goes.

Losses are compounded and told in litres of pure alcohol, not in bulk litres. What a dry cask soaks up in
its first days belongs to the filling, not to the yearly rate.
"""

import numpy as np

from pipeline.science.sources import MASS_CONSERVED, OIML_R_22, cites
from pipeline.science.strength import raw_abv, raw_mass_fraction_from_abv
from pipeline.science.terms import Term, V, evaluate, only_where, within


def annual_loss_kernel(start: Term, end: Term, years: Term) -> Term:
    is_usable = (start > 0.0) & (end >= 0.0) & (years > 0.0)
    kept = np.where(is_usable, end, 0.0) / np.where(is_usable, start, 1.0)
    return only_where(is_usable, 1.0 - kept ** (1.0 / np.where(is_usable, years, 1.0)))


def aged_abv_kernel(abv_20c_pct_vol: Term, ethanol_rate: Term, water_rate: Term, years: Term) -> Term:
    w = raw_mass_fraction_from_abv(abv_20c_pct_vol)
    ethanol = w * np.exp(-ethanol_rate * years)
    water = (1.0 - w) * np.exp(-water_rate * years)
    in_range = within(abv_20c_pct_vol, 0.0, 100.0) & within(years, 0.0, 100.0)
    in_range = in_range & within(ethanol_rate, -0.5, 0.5) & within(water_rate, -0.5, 0.5)
    return only_where(in_range, raw_abv(ethanol / (ethanol + water)))


def scaled_loss_kernel(annual_loss_frac: Term, capacity_l: Term, to_capacity_l: Term) -> Term:
    in_range = within(annual_loss_frac, 0.0, 0.5) & (capacity_l > 0.0) & (to_capacity_l > 0.0)
    size = np.where(in_range, capacity_l, 1.0) / np.where(in_range, to_capacity_l, 1.0)
    return only_where(in_range, annual_loss_frac * size ** (1.0 / 3.0))


@cites(MASS_CONSERVED)
def annual_loss_frac(start: V | float, end: V | float, years: V | float) -> V:
    """Yearly loss between two regauges, compounded.

    start   : what was there, for instance pure alcohol [LPA, or L, or kg], above 0
    end     : what is there now, with samples and bottlings drawn added back [unit of `start`], 0 or more
    years   : time between the two [years], above 0
    returns : loss a year, share of what is there [0 to 1; negative for a gain]; NaN outside the range
    formula : 1 - (end / start)^(1 / years)
    source  : definition of a compounded rate

    >>> annual_loss_frac(100.0, 81.0, 2.0)  # 0.9 x 0.9 = 0.81
    0.1
    """
    return evaluate(annual_loss_kernel, start, end, years)


@cites(OIML_R_22, MASS_CONSERVED)
def aged_abv(
    abv_20c_pct_vol: V | float,
    ethanol_rate_per_year: V | float,
    water_rate_per_year: V | float,
    years: V | float,
) -> V:
    """Strength of a cask after some years of losing ethanol and water at steady rates.

    abv_20c_pct_vol       : strength at filling, by volume at 20 degC [% vol], 0 to 100
    ethanol_rate_per_year : k with ethanol mass falling as exp(-k t) [1/year], -0.5 to 0.5
    water_rate_per_year   : the same of water [1/year], -0.5 to 0.5
    years                 : time [years], 0 to 100
    returns               : strength by volume at 20 degC [% vol]; it rises only if water is lost faster
                            than ethanol; NaN outside the range
    formula               : w' = w exp(-ke t) / (w exp(-ke t) + (1 - w) exp(-kw t)), w the mass fraction
    source                : conservation of mass with the densities of OIML R 22

    >>> aged_abv(63.5, 0.020, 0.005, 10.0)
    59.8
    """
    return evaluate(aged_abv_kernel, abv_20c_pct_vol, ethanol_rate_per_year, water_rate_per_year, years)


@cites(MASS_CONSERVED)
def scaled_loss_frac(annual_loss_frac: V | float, capacity_l: V | float, to_capacity_l: V | float) -> V:
    """Yearly loss to expect of another size of cask, everything else alike.

    annual_loss_frac : yearly loss of the known cask [share], 0 to 0.5
    capacity_l       : its capacity [L], above 0
    to_capacity_l    : capacity of the other [L], above 0
    returns          : yearly loss of the other [share]; NaN outside the range. Thinner staves and leaks
                       come on top
    formula          : loss x (V1 / V2)^(1/3), as surface to volume
    source           : geometry of similar bodies

    >>> scaled_loss_frac(0.02, 200.0, 25.0)  # an eighth of the volume, twice the surface to each litre
    0.04
    """
    return evaluate(scaled_loss_kernel, annual_loss_frac, capacity_l, to_capacity_l)
