"""Strength and volume of spirit: % vol at 20 degC, alcoholometer, proof, litres of pure alcohol, weighings.

Strength by volume is a property of the composition and does not change with temperature; the *reading* of an
instrument does, and so does the volume of the liquid. Each is corrected once, here. Dissolved solids are
outside: a hydrometer means nothing in wash, wort or sweetened spirit.
"""

import numpy as np

from pipeline.science.density import (
    COLDEST_C,
    ETHANOL_20C_KG_PER_M3,
    REFERENCE_C,
    WARMEST_C,
    coefficients_at,
    mass_fraction_from_density_kernel,
    raw_density,
)
from pipeline.science.sources import (
    CFR_27_30,
    EU_ALCOHOLIC_STRENGTH,
    ISO_1768,
    MASS_CONSERVED,
    OIML_R_22,
    cites,
)
from pipeline.science.terms import Term, V, derivative, evaluate, horner, iterate, only_where, within

#: 60 degF, the reference of US proof.
SIXTY_F_C = (60.0 - 32.0) * 5.0 / 9.0

#: Conventional cubic expansion of a glass hydrometer [1/K].
GLASS_EXPANSION_PER_K = 25e-6

#: Air and weights of a conventional weighing [kg/m3].
_AIR_KG_PER_M3 = 1.2
_WEIGHTS_KG_PER_M3 = 8000.0

# Three steps reach 2e-13 from the start below; the fourth is for the 60 degF scale.
_NEWTON_STEPS = 4


def _volume_fraction_coefficients(basis_c: float) -> tuple[float, ...]:
    """Coefficients in p of p rho(p, T) / rho(1, T): volume fraction, both at the basis temperature."""
    ethanol = raw_density(1.0, basis_c)
    return (0.0, *(coefficient / ethanol for coefficient in coefficients_at(basis_c)))


_AT_20C = _volume_fraction_coefficients(REFERENCE_C)
_AT_60F = _volume_fraction_coefficients(SIXTY_F_C)


def raw_abv(mass_fraction: Term, coefficients: tuple[float, ...] = _AT_20C) -> Term:
    """% vol of a mass fraction, without its range."""
    return 100.0 * horner(coefficients, mass_fraction)


def raw_mass_fraction_from_abv(abv_pct_vol: Term, coefficients: tuple[float, ...] = _AT_20C) -> Term:
    """Mass fraction of a % vol, without its range; exact at both ends."""
    fraction = abv_pct_vol / 100.0
    slope = derivative(coefficients)
    start = 0.79 * fraction / (0.998 - 0.208 * fraction)
    found = iterate(
        lambda p: p - (horner(coefficients, p) - fraction) / horner(slope, p), start, _NEWTON_STEPS
    )
    return np.minimum(np.maximum(found, 0.0), 1.0)


def _is_strength(abv_pct_vol: Term) -> Term:
    return within(abv_pct_vol, 0.0, 100.0)


def _is_liquid_temperature(temperature_c: Term) -> Term:
    return within(temperature_c, COLDEST_C, WARMEST_C)


def _glass(temperature_c: Term, reference_c: float = REFERENCE_C) -> Term:
    """What a density read on glass is multiplied by: the warm instrument is larger and floats higher."""
    return 1.0 - GLASS_EXPANSION_PER_K * (temperature_c - reference_c)


def mass_fraction_from_abv_kernel(abv_20c_pct_vol: Term) -> Term:
    return only_where(_is_strength(abv_20c_pct_vol), raw_mass_fraction_from_abv(abv_20c_pct_vol))


def abv_from_mass_fraction_kernel(mass_fraction: Term) -> Term:
    return only_where(within(mass_fraction, 0.0, 1.0), raw_abv(mass_fraction))


def abv_from_reading_kernel(reading_pct_vol: Term, temperature_c: Term) -> Term:
    density_read = raw_density(raw_mass_fraction_from_abv(reading_pct_vol), REFERENCE_C)
    found = mass_fraction_from_density_kernel(density_read * _glass(temperature_c), temperature_c)
    return only_where(_is_strength(reading_pct_vol), raw_abv(found))


def reading_from_abv_kernel(abv_20c_pct_vol: Term, temperature_c: Term) -> Term:
    density = raw_density(raw_mass_fraction_from_abv(abv_20c_pct_vol), temperature_c)
    shown = mass_fraction_from_density_kernel(density / _glass(temperature_c), REFERENCE_C)
    in_range = _is_strength(abv_20c_pct_vol) & _is_liquid_temperature(temperature_c)
    return only_where(in_range, raw_abv(shown))


def abv_from_proof_reading_kernel(reading_proof: Term, temperature_c: Term) -> Term:
    shown = raw_mass_fraction_from_abv(reading_proof / 2.0, _AT_60F)
    density_read = raw_density(shown, SIXTY_F_C) * _glass(temperature_c, SIXTY_F_C)
    found = mass_fraction_from_density_kernel(density_read, temperature_c)
    return only_where(within(reading_proof, 0.0, 200.0), raw_abv(found))


def proof_from_abv_kernel(abv_20c_pct_vol: Term) -> Term:
    proof = 2.0 * raw_abv(raw_mass_fraction_from_abv(abv_20c_pct_vol), _AT_60F)
    return only_where(_is_strength(abv_20c_pct_vol), proof)


def abv_from_proof_kernel(proof: Term) -> Term:
    abv = raw_abv(raw_mass_fraction_from_abv(proof / 2.0, _AT_60F))
    return only_where(within(proof, 0.0, 200.0), abv)


def volume_at_20c_kernel(volume: Term, abv_20c_pct_vol: Term, temperature_c: Term) -> Term:
    mass_fraction = raw_mass_fraction_from_abv(abv_20c_pct_vol)
    shrink = raw_density(mass_fraction, temperature_c) / raw_density(mass_fraction, REFERENCE_C)
    in_range = (volume >= 0.0) & _is_strength(abv_20c_pct_vol) & _is_liquid_temperature(temperature_c)
    return only_where(in_range, volume * shrink)


def lpa_kernel(volume_l: Term, abv_20c_pct_vol: Term) -> Term:
    return only_where((volume_l >= 0.0) & _is_strength(abv_20c_pct_vol), volume_l * abv_20c_pct_vol / 100.0)


def ethanol_kg_from_lpa_kernel(lpa: Term) -> Term:
    return only_where(lpa >= 0.0, lpa * (ETHANOL_20C_KG_PER_M3 / 1000.0))


def mass_kg_from_volume_l_kernel(volume_l: Term, abv_20c_pct_vol: Term) -> Term:
    density = raw_density(raw_mass_fraction_from_abv(abv_20c_pct_vol), REFERENCE_C)
    return only_where((volume_l >= 0.0) & _is_strength(abv_20c_pct_vol), volume_l * density / 1000.0)


def volume_l_from_mass_kg_kernel(mass_kg: Term, abv_20c_pct_vol: Term) -> Term:
    density = raw_density(raw_mass_fraction_from_abv(abv_20c_pct_vol), REFERENCE_C)
    return only_where((mass_kg >= 0.0) & _is_strength(abv_20c_pct_vol), mass_kg * 1000.0 / density)


def mass_kg_from_weighing_kernel(scale_kg: Term, density_kg_per_m3: Term) -> Term:
    weights = 1.0 - _AIR_KG_PER_M3 / _WEIGHTS_KG_PER_M3
    true_kg = scale_kg * weights / (1.0 - _AIR_KG_PER_M3 / density_kg_per_m3)
    return only_where((scale_kg >= 0.0) & within(density_kg_per_m3, 600.0, 1600.0), true_kg)


def obscuration_proof_kernel(solids_g_per_100ml: Term) -> Term:
    return only_where(within(solids_g_per_100ml, 0.0, 0.6), 4.0 * solids_g_per_100ml)


@cites(OIML_R_22, EU_ALCOHOLIC_STRENGTH)
def mass_fraction_from_abv(abv_20c_pct_vol: V | float) -> V:
    """Mass fraction of ethanol in a spirit of known strength by volume.

    abv_20c_pct_vol : strength by volume at 20 degC [% vol], 0 to 100
    returns         : ethanol [kg per kg of mixture], 0 to 1; NaN outside the range
    formula         : q = p rho(p, 20) / rho(1, 20) solved for p by Newton's method, four steps
    source          : definition 76/766/EEC, Annex; density OIML R 22

    50 % by mass weighs 913.771 kg/m3, so it is 100 x 0.5 x 913.771 / 789.239 = 57.889 % vol:

    >>> mass_fraction_from_abv(57.889)
    0.50000
    """
    return evaluate(mass_fraction_from_abv_kernel, abv_20c_pct_vol)


@cites(OIML_R_22, EU_ALCOHOLIC_STRENGTH)
def abv_from_mass_fraction(mass_fraction: V | float) -> V:
    """Strength by volume at 20 degC of a mixture of known mass fraction.

    mass_fraction : ethanol [kg per kg of mixture], 0 to 1
    returns       : strength by volume at 20 degC [% vol], 0 to 100; NaN outside the range
    formula       : 100 p rho(p, 20) / rho(1, 20)
    source        : definition 76/766/EEC, Annex; density OIML R 22

    >>> abv_from_mass_fraction(0.5)  # 100 x 0.5 x 913.771 / 789.239
    57.889
    """
    return evaluate(abv_from_mass_fraction_kernel, mass_fraction)


@cites(OIML_R_22, ISO_1768)
def abv_from_reading(reading_pct_vol: V | float, temperature_c: V | float) -> V:
    """True strength from a glass alcoholometer graduated in % vol at 20 degC and read at another temperature.

    reading_pct_vol : what the stem shows [% vol of a 20 degC scale], 0 to 100
    temperature_c   : temperature of the liquid at the reading [degC], -20 to 40
    returns         : strength by volume at 20 degC [% vol]; NaN outside the range, or where no mixture fits
                      (a reading of a liquid denser than water at that temperature)
    formula         : rho_read = rho(p(reading), 20); rho = rho_read (1 - 25e-6 (t - 20)); solve rho(p, t) =
                      rho for p
    source          : OIML R 22; glass expansion 25e-6 per K, ISO 1768:1975

    At 20 degC nothing is to be corrected. Warm spirit is lighter and reads too strong:

    >>> abv_from_reading(60.0, 20.0)
    60.00
    >>> abv_from_reading(60.0, 30.0)
    56.45
    """
    return evaluate(abv_from_reading_kernel, reading_pct_vol, temperature_c)


@cites(OIML_R_22, ISO_1768)
def reading_from_abv(abv_20c_pct_vol: V | float, temperature_c: V | float) -> V:
    """What a glass alcoholometer graduated at 20 degC shows in spirit at another temperature.

    abv_20c_pct_vol : true strength by volume at 20 degC [% vol], 0 to 100
    temperature_c   : temperature of the liquid [degC], -20 to 40
    returns         : the reading [% vol of a 20 degC scale]; NaN outside the range, or off the instrument's
                      scale
    formula         : `abv_from_reading` solved the other way
    source          : OIML R 22; glass expansion 25e-6 per K, ISO 1768:1975

    >>> reading_from_abv(56.45, 30.0)
    60.0
    """
    return evaluate(reading_from_abv_kernel, abv_20c_pct_vol, temperature_c)


@cites(OIML_R_22, CFR_27_30, ISO_1768)
def abv_from_proof_reading(reading_proof: V | float, temperature_c: V | float) -> V:
    """True strength from a US proof hydrometer (graduated at 60 degF) read at another temperature.

    reading_proof : what the stem shows [proof of a 60 degF scale], 0 to 200
    temperature_c : temperature of the liquid at the reading [degC], -20 to 40
    returns       : strength by volume at 20 degC [% vol]; NaN outside the range, or where no mixture fits
    formula       : as `abv_from_reading`, with 60 degF in place of 20 degC
    source        : 27 CFR 30.11 and Table 1; OIML R 22; glass expansion 25e-6 per K, ISO 1768:1975

    27 CFR 30.61 prints 189.5 true proof for 193 proof at 75 degF (23.889 degC):

    >>> round(proof_from_abv(abv_from_proof_reading(193.0, 23.889)), 1)
    189.5
    """
    return evaluate(abv_from_proof_reading_kernel, reading_proof, temperature_c)


@cites(OIML_R_22, CFR_27_30)
def proof_from_abv(abv_20c_pct_vol: V | float) -> V:
    """US proof of a spirit of known strength at 20 degC.

    abv_20c_pct_vol : strength by volume at 20 degC [% vol], 0 to 100
    returns         : proof at 60 degF [proof], 0 to 200; NaN outside the range
    formula         : 200 p rho(p, T) / rho(1, T) with T = 60 degF; through the mass fraction, because the two
                      liquids do not expand alike ("twice the % vol" is up to 0.15 proof off)
    source          : 27 CFR 30.11; density OIML R 22

    >>> proof_from_abv(40.0)
    79.863
    """
    return evaluate(proof_from_abv_kernel, abv_20c_pct_vol)


@cites(OIML_R_22, CFR_27_30)
def abv_from_proof(proof: V | float) -> V:
    """Strength by volume at 20 degC of a spirit of known US proof.

    proof   : proof at 60 degF [proof], 0 to 200
    returns : strength by volume at 20 degC [% vol], 0 to 100; NaN outside the range
    formula : `proof_from_abv` solved for the mass fraction by Newton's method
    source  : 27 CFR 30.11; density OIML R 22

    >>> abv_from_proof(100.0)
    50.061
    """
    return evaluate(abv_from_proof_kernel, proof)


@cites(OIML_R_22, MASS_CONSERVED)
def volume_at_20c(volume: V | float, abv_20c_pct_vol: V | float, temperature_c: V | float) -> V:
    """Volume a spirit will have at 20 degC.

    volume          : volume as read at `temperature_c` [L, or any unit of volume], 0 or more
    abv_20c_pct_vol : strength by volume at 20 degC [% vol], 0 to 100
    temperature_c   : temperature of the liquid when its volume was read [degC], -20 to 40
    returns         : volume at 20 degC [unit of `volume`]; NaN outside the range. The vessel's own
                      expansion is not in it
    formula         : V rho(p, t) / rho(p, 20), because mass is conserved
    source          : OIML R 22

    >>> volume_at_20c(100.0, 63.5, 30.0)
    99.08
    """
    return evaluate(volume_at_20c_kernel, volume, abv_20c_pct_vol, temperature_c)


@cites(EU_ALCOHOLIC_STRENGTH)
def lpa(volume_l: V | float, abv_20c_pct_vol: V | float) -> V:
    """Litres of pure alcohol.

    volume_l        : volume at 20 degC [L], 0 or more
    abv_20c_pct_vol : strength by volume at 20 degC [% vol], 0 to 100
    returns         : pure alcohol at 20 degC [LPA]; NaN outside the range
    formula         : V q / 100
    source          : definition of strength by volume, 76/766/EEC, Annex

    >>> lpa(40.0, 28.0)
    11.2
    """
    return evaluate(lpa_kernel, volume_l, abv_20c_pct_vol)


@cites(OIML_R_22)
def ethanol_kg_from_lpa(lpa: V | float) -> V:
    """Mass of ethanol in litres of pure alcohol.

    lpa     : pure alcohol at 20 degC [LPA], 0 or more
    returns : ethanol [kg]; NaN outside the range
    formula : LPA x 0.78923912 kg/L, the density of ethanol at 20 degC
    source  : OIML R 22

    >>> ethanol_kg_from_lpa(100.0)
    78.923912
    """
    return evaluate(ethanol_kg_from_lpa_kernel, lpa)


@cites(OIML_R_22, MASS_CONSERVED)
def mass_kg_from_volume_l(volume_l: V | float, abv_20c_pct_vol: V | float) -> V:
    """Mass of a spirit of known volume and strength.

    volume_l        : volume at 20 degC [L], 0 or more
    abv_20c_pct_vol : strength by volume at 20 degC [% vol], 0 to 100
    returns         : mass, as in vacuum [kg]; NaN outside the range
    formula         : V rho(p, 20) / 1000
    source          : OIML R 22

    >>> mass_kg_from_volume_l(10.0, 40.0)  # 948.05 kg/m3
    9.4805
    """
    return evaluate(mass_kg_from_volume_l_kernel, volume_l, abv_20c_pct_vol)


@cites(OIML_R_22, MASS_CONSERVED)
def volume_l_from_mass_kg(mass_kg: V | float, abv_20c_pct_vol: V | float) -> V:
    """Volume at 20 degC of a weighed spirit of known strength; its temperature does not matter.

    mass_kg         : mass, corrected for air if that matters (`mass_kg_from_weighing`: 0.1 %) [kg], 0 or more
    abv_20c_pct_vol : strength by volume at 20 degC [% vol], 0 to 100
    returns         : volume at 20 degC [L]; NaN outside the range
    formula         : 1000 m / rho(p, 20)
    source          : OIML R 22

    >>> volume_l_from_mass_kg(9.4805, 40.0)
    10.000
    """
    return evaluate(volume_l_from_mass_kg_kernel, mass_kg, abv_20c_pct_vol)


@cites(MASS_CONSERVED)
def mass_kg_from_weighing(scale_kg: V | float, density_kg_per_m3: V | float) -> V:
    """Mass of a liquid from what a scale shows in air.

    scale_kg          : reading of the scale, vessel taken off [kg], 0 or more
    density_kg_per_m3 : density of the liquid as it was weighed [kg/m3], 600 to 1600
    returns           : mass, as in vacuum [kg]; NaN outside the range
    formula           : m_air (1 - 1.2/8000) / (1 - 1.2/rho): air of 1.2 and weights of 8000 kg/m3
    source            : conventional air and weights densities, as in 27 CFR part 30 practice; buoyancy,
                        computed

    >>> mass_kg_from_weighing(100.0, 948.05)  # 0.99985 / (1 - 0.00126576)
    100.1117
    """
    return evaluate(mass_kg_from_weighing_kernel, scale_kg, density_kg_per_m3)


@cites(CFR_27_30)
def obscuration_proof(solids_g_per_100ml: V | float) -> V:
    """By how much dissolved solids make a hydrometer read too low; add it to the temperature-corrected proof.

    solids_g_per_100ml : dried residue [g per 100 ml of spirit], 0 to 0.6 (above that, distil the sample
                         first)
    returns            : obscuration [proof]; half of it is % vol; NaN outside the range. Meant for 80 to
                         100 proof
    formula            : 4 proof per g/100 ml
    source             : 27 CFR 30.32(b)

    >>> obscuration_proof(0.1)
    0.4
    """
    return evaluate(obscuration_proof_kernel, solids_g_per_100ml)
