"""Proofing and blending: water for a strength, the strength of a blend, and how warm a dilution gets.

By mass throughout: masses and litres of pure alcohol add, volumes do not (up to 3.8 in 100 are lost on
mixing). Strong spirit gives off vapour that burns, and warms when water is added: let it settle, then read
strength and temperature.
"""

from typing import Generic, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.science.density import REFERENCE_C, raw_density
from pipeline.science.sources import LARKIN_1975, MASS_CONSERVED, OIML_R_22, cites
from pipeline.science.strength import abv_from_mass_fraction, raw_mass_fraction_from_abv
from pipeline.science.terms import Term, V, evaluate, horner, only_where

#: Weakest target a dilution is computed for [% vol]; below it the final volume runs away.
_WEAKEST_PCT_VOL = 0.5

# Heat given off on mixing per kg of mixture [kJ/kg]: w (1 - w) times a polynomial in 1 - 2 w, w = mass
# fraction.
_MIXING_HEAT = (119.02, 130.71, 107.23, 30.48, 46.23, 6.19)
# Specific heat of the mixture at 20 degC [kJ/(kg K)], powers of w.
_SPECIFIC_HEAT = (4.2069, 5.8448, -28.1821, 45.2352, -34.2204, 9.5225)


class Dilution(NamedTuple, Generic[V]):
    """Water to add and what comes out."""

    water_kg: V
    volume_l: V


class Blend(NamedTuple):
    """What parts make when they are poured together, at 20 degC."""

    volume_l: float
    abv_20c_pct_vol: float
    lpa: float
    mass_kg: float


def _is_dilution(abv_from_pct_vol: Term, abv_to_pct_vol: Term) -> Term:
    weaker = (abv_to_pct_vol <= abv_from_pct_vol) & (abv_from_pct_vol <= 100.0)
    return weaker & (abv_to_pct_vol >= _WEAKEST_PCT_VOL)


def _density_at_20c(abv_pct_vol: Term) -> Term:
    return raw_density(raw_mass_fraction_from_abv(abv_pct_vol), REFERENCE_C)


def diluted_volume_kernel(volume_l: Term, abv_from_pct_vol: Term, abv_to_pct_vol: Term) -> Term:
    in_range = (volume_l >= 0.0) & _is_dilution(abv_from_pct_vol, abv_to_pct_vol)
    return only_where(in_range, volume_l * abv_from_pct_vol / abv_to_pct_vol)


def water_to_dilute_kernel(volume_l: Term, abv_from_pct_vol: Term, abv_to_pct_vol: Term) -> Term:
    after_kg = diluted_volume_kernel(volume_l, abv_from_pct_vol, abv_to_pct_vol) * _density_at_20c(
        abv_to_pct_vol
    )
    return (after_kg - volume_l * _density_at_20c(abv_from_pct_vol)) / 1000.0


def _mixing_heat(w: Term) -> Term:
    return w * (1.0 - w) * horner(_MIXING_HEAT, 1.0 - 2.0 * w)


def mixing_rise_kernel(abv_from_pct_vol: Term, abv_to_pct_vol: Term) -> Term:
    before = raw_mass_fraction_from_abv(abv_from_pct_vol)
    after = raw_mass_fraction_from_abv(abv_to_pct_vol)
    is_dilution = _is_dilution(abv_from_pct_vol, abv_to_pct_vol)
    spirit_share = np.where(is_dilution, after, 0.0) / np.where(is_dilution, before, 1.0)
    heat = _mixing_heat(after) - spirit_share * _mixing_heat(before)
    return only_where(is_dilution, heat / horner(_SPECIFIC_HEAT, after))


@cites(OIML_R_22, MASS_CONSERVED)
def water_to_dilute(
    volume_l: V | float, abv_from_pct_vol: V | float, abv_to_pct_vol: V | float
) -> Dilution[V]:
    """Water that brings a spirit down to a strength. Weigh the water: kilograms need no temperature.

    volume_l         : spirit at 20 degC [L], 0 or more
    abv_from_pct_vol : its strength by volume at 20 degC [% vol], to 100
    abv_to_pct_vol   : strength wanted [% vol], 0.5 to `abv_from_pct_vol`
    returns          : (water_kg, volume_l): water [kg] and volume of the diluted spirit at 20 degC [L]; NaN
                       outside the range. The volumes of spirit and water add up to more than the final volume
    formula          : V2 = V1 q1 / q2; water = V2 rho(p2, 20) - V1 rho(p1, 20)
    source           : conservation of mass with the densities of OIML R 22

    10 L at 70 % hold 7 LPA, which is 17.5 L at 40 %; the water is 7.735 kg (7.749 L), not 7.5 L:

    >>> water_to_dilute(10.0, 70.0, 40.0)
    Dilution(water_kg=7.735, volume_l=17.500)
    """
    return Dilution(
        evaluate(water_to_dilute_kernel, volume_l, abv_from_pct_vol, abv_to_pct_vol),
        evaluate(diluted_volume_kernel, volume_l, abv_from_pct_vol, abv_to_pct_vol),
    )


@cites(OIML_R_22, MASS_CONSERVED)
def blend(volumes_l: ArrayLike, abvs_20c_pct_vol: ArrayLike) -> Blend:
    """Volume and strength of spirits (and water, 0 % vol) poured together.

    volumes_l        : the parts' volumes at 20 degC [L], 0 or more each, not all 0
    abvs_20c_pct_vol : their strengths by volume at 20 degC [% vol], 0 to 100, as many as volumes
    returns          : (volume_l [L], abv_20c_pct_vol [% vol], lpa [LPA], mass_kg [kg]) at 20 degC; NaN
                       when any part is NaN or outside its range
    formula          : masses V rho(p, 20) and their ethanol add; strength from the mass fraction; V = m /
                       rho(p, 20)
    source           : conservation of mass with the densities of OIML R 22

    1 L of water and 1 L at 96 % hold 0.96 LPA, and make less than 2 L:

    >>> blend([1.0, 1.0], [0.0, 96.0])
    Blend(volume_l=1.939, abv_20c_pct_vol=49.50, lpa=0.9600, mass_kg=1.8056)
    """
    volumes = np.asarray(volumes_l, dtype=np.float64)
    strengths = np.asarray(abvs_20c_pct_vol, dtype=np.float64)
    usable = (volumes >= 0.0) & (strengths >= 0.0) & (strengths <= 100.0)
    if volumes.shape != strengths.shape or not usable.all() or not volumes.sum() > 0.0:
        return Blend(np.nan, np.nan, np.nan, np.nan)
    fractions = raw_mass_fraction_from_abv(strengths)
    masses = volumes * raw_density(fractions, REFERENCE_C) / 1000.0
    mass_kg = float(masses.sum())
    fraction = float((masses * fractions).sum()) / mass_kg
    volume_l = 1000.0 * mass_kg / float(raw_density(fraction, REFERENCE_C))
    abv = abv_from_mass_fraction(min(fraction, 1.0))
    return Blend(volume_l, abv, volume_l * abv / 100.0, mass_kg)


@cites(LARKIN_1975, OIML_R_22)
def mixing_rise_c(abv_from_pct_vol: V | float, abv_to_pct_vol: V | float) -> V:
    """How much warmer a spirit gets when water of its own temperature is added, no heat lost.

    abv_from_pct_vol : strength before, by volume at 20 degC [% vol], to 100
    abv_to_pct_vol   : strength after [% vol], 0.5 to `abv_from_pct_vol`
    returns          : rise [K] for liquids near 20 degC, about 5 % uncertain; NaN outside the range. Until
                       it has cooled, a reading without its temperature is up to 2 % vol too high
    formula          : [h(w2) - (w2 / w1) h(w1)] / cp(w2), w mass fraction; h (heat of mixing) and cp are
                       polynomials
    source           : fitted to the excess enthalpy of Larkin, J. Chem. Thermodynamics 7 (1975) 137-148,
                       within 0.7 kJ/kg

    >>> mixing_rise_c(60.0, 40.0)
    4.9
    """
    return evaluate(mixing_rise_kernel, abv_from_pct_vol, abv_to_pct_vol)
