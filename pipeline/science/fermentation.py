"""From extract to alcohol: real extract, attenuation, a wash's strength and alcohol, yields by theory.

Everything rests on Balling's balance: 2.0665 g of extract give 1 g of ethanol, 0.9565 g of carbon dioxide
and 0.110 g of yeast. A wash's alcohol from two gravities is an estimate (about 1 % between models); a
measured one outranks it.
"""

from typing import Final

import numpy as np

from pipeline.science.density import ETHANOL_20C_KG_PER_M3
from pipeline.science.gravity import (
    HIGHEST_PLATO,
    LOWEST_PLATO,
    WATER_20C_KG_PER_M3,
    is_sg,
    raw_plato,
)
from pipeline.science.sources import BALLING, BRINGHURST_1996, cites
from pipeline.science.terms import Term, V, evaluate, only_where, within

#: kg of extract fermented per kg of ethanol, and how its two products of mass change with the original
#: extract.
EXTRACT_PER_ETHANOL: Final = 2.0665
CO2_PER_ETHANOL: Final = 0.9565
_MASS_LOST_PER_PCT_ALCOHOL: Final = 0.010665

_ETHANOL_KG_PER_L: Final[float] = ETHANOL_20C_KG_PER_M3 / 1000.0
_WATER_KG_PER_L: Final[float] = WATER_20C_KG_PER_M3 / 1000.0

#: The most that a kilogram of extract can give: 1 / 2.0665 kg of ethanol [LPA per kg]. No wash may show more.
MAX_LPA_PER_KG_EXTRACT: Final[float] = 1.0 / EXTRACT_PER_ETHANOL / _ETHANOL_KG_PER_L

# Molar masses [g/mol] from C 12.011, H 1.008, O 15.999.
_ETHANOL_G_PER_MOL: Final = 46.069
_HEXOSE_G_PER_MOL: Final = 180.156
_SUCROSE_G_PER_MOL: Final = 342.297
_STARCH_UNIT_G_PER_MOL: Final = 162.141

#: Ethanol by stoichiometry alone, no yeast grown [LPA per kg]; maltose is as sucrose.
LPA_PER_KG_HEXOSE: Final[float] = 2 * _ETHANOL_G_PER_MOL / _HEXOSE_G_PER_MOL / _ETHANOL_KG_PER_L
LPA_PER_KG_SUCROSE: Final[float] = 4 * _ETHANOL_G_PER_MOL / _SUCROSE_G_PER_MOL / _ETHANOL_KG_PER_L
LPA_PER_KG_STARCH: Final[float] = 2 * _ETHANOL_G_PER_MOL / _STARCH_UNIT_G_PER_MOL / _ETHANOL_KG_PER_L

#: Predicted spirit yield: LPA per tonne for each per cent of fermentable extract.
_SPIRIT_YIELD_FACTOR: Final = 6.06


def raw_real_extract(original_plato: Term, apparent_plato: Term) -> Term:
    q = 1.220 + 0.001 * original_plato
    return original_plato - (original_plato - apparent_plato) / q


def raw_alcohol_pct_mass(original_plato: Term, real_extract_plato: Term) -> Term:
    fermented = original_plato - real_extract_plato
    return fermented / (EXTRACT_PER_ETHANOL - _MASS_LOST_PER_PCT_ALCOHOL * original_plato)


def _is_fall(original_plato: Term, later_plato: Term) -> Term:
    """An extract that did not rise, both values inside the range of degrees Plato."""
    falls = (later_plato <= original_plato) & (original_plato >= 0.0)
    return falls & (original_plato <= HIGHEST_PLATO) & (later_plato >= LOWEST_PLATO)


def _alcohol_from_gravities(original_sg: Term, final_sg: Term) -> Term:
    original = raw_plato(original_sg)
    return raw_alcohol_pct_mass(original, raw_real_extract(original, raw_plato(final_sg)))


def _is_attenuation(original_sg: Term, final_sg: Term) -> Term:
    return is_sg(original_sg) & is_sg(final_sg) & (final_sg <= original_sg) & (original_sg >= 1.0)


def real_extract_kernel(original_plato: Term, apparent_plato: Term) -> Term:
    value = raw_real_extract(original_plato, apparent_plato)
    return only_where(_is_fall(original_plato, apparent_plato), value)


def alcohol_pct_mass_kernel(original_plato: Term, real_extract_plato: Term) -> Term:
    value = raw_alcohol_pct_mass(original_plato, real_extract_plato)
    return only_where(_is_fall(original_plato, real_extract_plato), value)


def original_extract_kernel(alcohol_pct_mass: Term, real_extract_plato: Term) -> Term:
    whole = EXTRACT_PER_ETHANOL * alcohol_pct_mass + real_extract_plato
    value = whole / (1.0 + _MASS_LOST_PER_PCT_ALCOHOL * alcohol_pct_mass)
    in_range = within(alcohol_pct_mass, 0.0, 20.0) & within(real_extract_plato, 0.0, HIGHEST_PLATO)
    return only_where(in_range, value)


def attenuation_kernel(original_plato: Term, later_plato: Term) -> Term:
    fall = (original_plato - later_plato) / np.where(original_plato > 0.0, original_plato, 1.0)
    return only_where(_is_fall(original_plato, later_plato) & (original_plato > 0.0), fall)


def wash_abv_kernel(original_sg: Term, final_sg: Term) -> Term:
    abv = _alcohol_from_gravities(original_sg, final_sg) * final_sg * (_WATER_KG_PER_L / _ETHANOL_KG_PER_L)
    return only_where(_is_attenuation(original_sg, final_sg), abv)


def wash_lpa_kernel(volume_l: Term, original_sg: Term, final_sg: Term) -> Term:
    alcohol = _alcohol_from_gravities(original_sg, final_sg)
    wort_kg = volume_l * original_sg * _WATER_KG_PER_L
    wash_kg = wort_kg / (1.0 + _MASS_LOST_PER_PCT_ALCOHOL * alcohol)
    lpa = wash_kg * alcohol / 100.0 / _ETHANOL_KG_PER_L
    return only_where((volume_l >= 0.0) & _is_attenuation(original_sg, final_sg), lpa)


def predicted_spirit_yield_kernel(soluble_extract_pct: Term, fermentability_pct: Term) -> Term:
    value = soluble_extract_pct * fermentability_pct / 100.0 * _SPIRIT_YIELD_FACTOR
    return only_where(within(soluble_extract_pct, 0.0, 100.0) & within(fermentability_pct, 0.0, 100.0), value)


@cites(BALLING)
def real_extract(original_plato: V | float, apparent_plato: V | float) -> V:
    """Real extract left in a wash, from what the saccharometer shows in spite of the alcohol.

    original_plato : extract of the wort before fermentation [% by mass, degP], 0 to 34.2
    apparent_plato : extract the wash seems to have, by its gravity at 20 degC [degP], not above the
                     original; negative in a dry wash
    returns        : extract really there [% by mass]; NaN outside the range
    formula        : OE - (OE - AE) / q, q = 1.220 + 0.001 OE
    source         : Balling, Table A of the brewing volume, from which q is read off

    >>> real_extract(12.0, 3.0)  # q = 1.232
    4.695
    """
    return evaluate(real_extract_kernel, original_plato, apparent_plato)


@cites(BALLING)
def alcohol_pct_mass(original_plato: V | float, real_extract_plato: V | float) -> V:
    """Alcohol by mass of a wash, from its original and its real extract.

    original_plato     : extract of the wort before fermentation [% by mass, degP], 0 to 34.2
    real_extract_plato : extract left [% by mass], not above the original
    returns            : ethanol [% by mass]; NaN outside the range
    formula            : (OE - RE) / (2.0665 - 0.010665 OE)
    source             : Balling, volume 3 p. 483

    Balling's Table B prints 3.335 for a difference RE - AE of 1.500 at 12 degP, that is OE - RE = 1.5 /
    0.232:

    >>> alcohol_pct_mass(12.0, 12.0 - 1.5 / 0.232)
    3.335
    """
    return evaluate(alcohol_pct_mass_kernel, original_plato, real_extract_plato)


@cites(BALLING)
def original_extract(alcohol_pct_mass: V | float, real_extract_plato: V | float) -> V:
    """Extract the wort must have had, from the alcohol and the extract found in a wash.

    alcohol_pct_mass   : ethanol [% by mass], 0 to 20
    real_extract_plato : extract left [% by mass], 0 to 34.2
    returns            : original extract [% by mass, degP]; NaN outside the range
    formula            : (2.0665 A + RE) / (1 + 0.010665 A)
    source             : Balling, volume 3 p. 483, turned round

    >>> original_extract(3.83, 5.06)  # 12.9747 / 1.040847
    12.4655
    """
    return evaluate(original_extract_kernel, alcohol_pct_mass, real_extract_plato)


@cites(BALLING)
def attenuation_frac(original_plato: V | float, later_plato: V | float) -> V:
    """Share of the extract that is gone: apparent or real attenuation, by the kind of the later extract.

    original_plato : extract of the wort [degP], above 0 to 34.2
    later_plato    : apparent or real extract of the wash [degP], not above the original
    returns        : share of the original extract [0 to 1; the apparent one may pass 1]; NaN outside the
                     range
    formula        : (OE - E) / OE
    source         : definition

    >>> attenuation_frac(12.0, 3.0)
    0.75
    """
    return evaluate(attenuation_kernel, original_plato, later_plato)


@cites(BALLING)
def wash_abv(original_sg: V | float, final_sg: V | float) -> V:
    """Strength of a wash from its two gravities: an estimate, about 0.1 % vol between models.

    original_sg : gravity before fermentation, SG 20/20 degC, 1.000 to 1.150
    final_sg    : gravity of the wash, SG 20/20 degC, 0.980 to the original
    returns     : strength by volume at 20 degC [% vol]; NaN outside the range
    formula     : A FG 0.9982031 / 0.78923912, A from `alcohol_pct_mass` and `real_extract`
    source      : Balling

    >>> wash_abv(1.065, 1.000)
    8.58
    """
    return evaluate(wash_abv_kernel, original_sg, final_sg)


@cites(BALLING)
def wash_lpa(volume_l: V | float, original_sg: V | float, final_sg: V | float) -> V:
    """Litres of pure alcohol made from a wort: an estimate, about 1 % between models.

    volume_l    : volume of the *wort* at 20 degC, before fermentation [L], 0 or more
    original_sg : its gravity, SG 20/20 degC, 1.000 to 1.150
    final_sg    : gravity of the wash, SG 20/20 degC, 0.980 to the original
    returns     : pure alcohol at 20 degC [LPA]; NaN outside the range
    formula     : wort mass x A / (1 + 0.010665 A) / 100 / 0.78923912. The wash weighs less than the wort
                  (carbon dioxide and yeast have left), so wort volume x strength would be 0.7 % too much at
                  8.6 % vol
    source      : Balling

    >>> wash_lpa(100.0, 1.065, 1.000)  # not 8.58: the wash is less than 100 L
    8.52
    """
    return evaluate(wash_lpa_kernel, volume_l, original_sg, final_sg)


@cites(BRINGHURST_1996)
def predicted_spirit_yield(soluble_extract_pct: V | float, fermentability_pct: V | float) -> V:
    """Laboratory ceiling of one malt, before any loss of mash, fermentation or still.

    soluble_extract_pct : extract of the malt as it is, moisture in it [%], 0 to 100
    fermentability_pct  : share of that extract that ferments [%], 0 to 100
    returns             : predicted spirit yield [LPA per tonne of malt as it is]; NaN outside the range
    formula             : 6.06 SE F / 100
    source              : Bringhurst et al., J. Inst. Brew. 102 (1996) 433-437

    >>> predicted_spirit_yield(77.0, 87.0)  # 66.99 % of fermentable extract
    406.0
    """
    return evaluate(predicted_spirit_yield_kernel, soluble_extract_pct, fermentability_pct)
