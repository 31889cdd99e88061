"""Gravity of wort and wash: SG, degrees Plato, hydrometer readings, hot volumes, kilograms of extract.

SG is always 20/20 degC: density of the liquid at 20 degC over that of water at 20 degC, in vacuum. Tables
of sugar are apparent (weighed in air); that difference is under 0.02 degrees Plato and is left out.
"""

import numpy as np

from pipeline.science.sources import ASBC_TABLE_CUBIC, ICUMSA_SUCROSE, ISO_1768, KELL_1975, cites
from pipeline.science.strength import GLASS_EXPANSION_PER_K
from pipeline.science.terms import Term, V, derivative, evaluate, horner, iterate, only_where, within

LOWEST_SG = 0.980
HIGHEST_SG = 1.150

_REFERENCE_C = 20.0

# Numerator and denominator of the density of water in t [degC], kg/m3.
_WATER_TOP = (999.83952, 16.952577, -7.9905127e-3, -46.241757e-6, 105.84601e-9, -281.03006e-12)
_WATER_BOTTOM = (1.0, 16.887236e-3)

# Sucrose: rows are powers 0 to 4 of (t - 20) / 100, columns powers 1, 2, ... of the mass fraction w; kg/m3.
_SUCROSE = (
    (385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890),
    (-46.2720, -7.1720, 1.1597, 5.1126, 17.5254),
    (59.7712, 7.2491, 12.3630, -35.4791),
    (-47.2207, -21.6977, 27.6301),
    (18.3184, 12.3081),
)
#: Above this the sugar's own expansion is held where it is and only the water's goes on.
_SUCROSE_WARMEST_C = 80.0
_HOTTEST_C = 100.0
#: A hydrometer in hot wort: beyond this, evaporation and lag are larger than the arithmetic.
_WARMEST_READING_C = 60.0

_PLATO_FROM_SG = (-616.868, 1111.14, -630.272, 135.997)
_NEWTON_STEPS = 5


def raw_water_density(temperature_c: Term) -> Term:
    return horner(_WATER_TOP, temperature_c) / horner(_WATER_BOTTOM, temperature_c)


#: Water at 20 degC of this module [kg/m3]: 998.2031 (0.002 above the value inside OIML R 22, which spirit
#: uses).
WATER_20C_KG_PER_M3: float = raw_water_density(_REFERENCE_C)


def _sucrose_coefficients(temperature_c: Term) -> tuple[Term, ...]:
    """Coefficients in w of the density of a sucrose solution at one temperature [kg/m3]."""
    theta = (np.minimum(temperature_c, _SUCROSE_WARMEST_C) - _REFERENCE_C) / 100.0
    of_powers = (
        horner([row[power] for row in _SUCROSE if len(row) > power], theta)
        for power in range(len(_SUCROSE[0]))
    )
    return (raw_water_density(temperature_c), *of_powers)


def raw_plato(sg: Term) -> Term:
    return horner(_PLATO_FROM_SG, sg)


def raw_sg(plato: Term) -> Term:
    """Inverse of the cubic. Start: the one-constant hyperbola P = 260.4 - 260.4 / SG, within 0.0001 SG."""
    slope = derivative(_PLATO_FROM_SG)
    return iterate(
        lambda sg: sg - (horner(_PLATO_FROM_SG, sg) - plato) / horner(slope, sg),
        260.4 / (260.4 - plato),
        _NEWTON_STEPS,
    )


#: Degrees Plato at the two ends of the range of SG.
LOWEST_PLATO: float = raw_plato(LOWEST_SG)
HIGHEST_PLATO: float = raw_plato(HIGHEST_SG)


def is_sg(sg: Term) -> Term:
    return within(sg, LOWEST_SG, HIGHEST_SG)


def _shrink_to_20c(sugar: Term, temperature_c: Term) -> Term:
    """Density at the temperature over density at 20 degC; below pure water (a dry wash) as water."""
    w = np.maximum(sugar, 0.0)
    return horner(_sucrose_coefficients(temperature_c), w) / horner(_sucrose_coefficients(_REFERENCE_C), w)


def _sugar_from_density(density: Term, temperature_c: Term) -> Term:
    """Mass fraction of sucrose with this density; a little below zero for a liquid lighter than water."""
    coefficients = _sucrose_coefficients(temperature_c)
    slope = derivative(coefficients)
    start = (density - coefficients[0]) / 420.0
    return iterate(lambda w: w - (horner(coefficients, w) - density) / horner(slope, w), start, _NEWTON_STEPS)


def water_density_kernel(temperature_c: Term) -> Term:
    return only_where(within(temperature_c, 0.0, _HOTTEST_C), raw_water_density(temperature_c))


def sucrose_density_kernel(mass_fraction: Term, temperature_c: Term) -> Term:
    in_range = within(mass_fraction, 0.0, 0.8) & within(temperature_c, 0.0, _SUCROSE_WARMEST_C)
    return only_where(in_range, horner(_sucrose_coefficients(temperature_c), mass_fraction))


def plato_from_sg_kernel(sg: Term) -> Term:
    return only_where(is_sg(sg), raw_plato(sg))


def sg_from_plato_kernel(plato: Term) -> Term:
    return only_where(within(plato, LOWEST_PLATO, HIGHEST_PLATO), raw_sg(plato))


def _is_reading(sg: Term, temperature_c: Term, reference_c: Term) -> Term:
    return is_sg(sg) & within(temperature_c, 0.0, _WARMEST_READING_C) & within(reference_c, 0.0, 40.0)


def sg_from_reading_kernel(reading_sg: Term, temperature_c: Term, reference_c: Term) -> Term:
    glass = 1.0 + GLASS_EXPANSION_PER_K * (temperature_c - reference_c)
    density = reading_sg * raw_water_density(reference_c) / glass
    shrink = _shrink_to_20c(_sugar_from_density(density, temperature_c), temperature_c)
    sg = density / shrink / WATER_20C_KG_PER_M3
    return only_where(_is_reading(reading_sg, temperature_c, reference_c), sg)


def reading_from_sg_kernel(sg: Term, temperature_c: Term, reference_c: Term) -> Term:
    density_20c = sg * WATER_20C_KG_PER_M3
    shrink = _shrink_to_20c(_sugar_from_density(density_20c, _REFERENCE_C), temperature_c)
    glass = 1.0 + GLASS_EXPANSION_PER_K * (temperature_c - reference_c)
    reading = density_20c * shrink * glass / raw_water_density(reference_c)
    return only_where(_is_reading(sg, temperature_c, reference_c), reading)


def wort_volume_at_20c_kernel(volume_l: Term, sg: Term, temperature_c: Term) -> Term:
    shrink = _shrink_to_20c(raw_plato(sg) / 100.0, temperature_c)
    in_range = (volume_l >= 0.0) & is_sg(sg) & within(temperature_c, 0.0, _HOTTEST_C)
    return only_where(in_range, volume_l * shrink)


def extract_kg_kernel(volume_l: Term, sg: Term) -> Term:
    kilograms = volume_l * sg * (WATER_20C_KG_PER_M3 / 1000.0) * raw_plato(sg) / 100.0
    return only_where((volume_l >= 0.0) & is_sg(sg), kilograms)


@cites(KELL_1975)
def water_density_kg_per_m3(temperature_c: V | float) -> V:
    """Density of air-free water at 101.325 kPa.

    temperature_c : temperature [degC], 0 to 100
    returns       : density in vacuum [kg/m3]; NaN outside the range
    formula       : ratio of a quintic and a line in t; within 0.009 kg/m3 of IAPWS-95
    source        : the water of the ICUMSA sucrose densities (Kell 1975, attribution from memory)

    >>> water_density_kg_per_m3(20.0)
    998.2031
    """
    return evaluate(water_density_kernel, temperature_c)


@cites(ICUMSA_SUCROSE, KELL_1975)
def sucrose_density_kg_per_m3(mass_fraction: V | float, temperature_c: V | float) -> V:
    """Density of a solution of sucrose in water, which stands for wort of the same extract.

    mass_fraction : sucrose [kg per kg of solution], 0 to 0.8
    temperature_c : temperature of the solution [degC], 0 to 80
    returns       : density in vacuum [kg/m3]; NaN outside the range
    formula       : rho_water(t) + sum over i, j of c_ij w^i ((t - 20) / 100)^j
    source        : ICUMSA SPS-4, coefficients from two public transcriptions; range from memory

    >>> sucrose_density_kg_per_m3(0.10, 20.0)  # 998.2031 + 38.51761 + 1.353705 + 0.0409 - 0.0004 + 0.0001
    1038.115
    """
    return evaluate(sucrose_density_kernel, mass_fraction, temperature_c)


@cites(ASBC_TABLE_CUBIC)
def plato_from_sg(sg: V | float) -> V:
    """Degrees Plato of a wort, or the apparent extract of a wash.

    sg      : specific gravity 20/20 degC, 0.980 to 1.150. The table behind it ends at 1.083; up to 1.120 it
              stays within 0.02 degP of the ICUMSA sucrose scale (as weighed in air), at 1.150 it is 0.05 low
    returns : extract [% by mass, degP]; negative for a wash lighter than water; NaN outside the range
    formula : -616.868 + 1111.14 SG - 630.272 SG^2 + 135.997 SG^3
    source  : cubic fitted to the ASBC extract table, secondary copy

    >>> plato_from_sg(1.040)
    9.994
    """
    return evaluate(plato_from_sg_kernel, sg)


@cites(ASBC_TABLE_CUBIC)
def sg_from_plato(plato: V | float) -> V:
    """Specific gravity of a wort of known extract.

    plato   : extract [% by mass, degP], about -5.3 (SG 0.980) to 34.2 (SG 1.150)
    returns : specific gravity 20/20 degC; NaN outside the range
    formula : the cubic of `plato_from_sg` solved by Newton's method, five steps
    source  : cubic fitted to the ASBC extract table, secondary copy

    >>> sg_from_plato(9.994)
    1.0400
    """
    return evaluate(sg_from_plato_kernel, plato)


@cites(ICUMSA_SUCROSE, KELL_1975, ISO_1768)
def sg_from_reading(reading_sg: V | float, temperature_c: V | float, reference_c: V | float = 20.0) -> V:
    """Specific gravity from a glass hydrometer read at another temperature than its own.

    reading_sg    : what the stem shows, 0.980 to 1.150
    temperature_c : temperature of the liquid at the reading [degC], 0 to 60 (above 40 cool the sample
                    instead: common practice, no source)
    reference_c   : temperature the hydrometer is made for [degC], 0 to 40; 20, or 15.56 for one of 60/60 degF
    returns       : specific gravity 20/20 degC; NaN outside the range
    formula       : rho(t) = R rho_water(t0) / (1 + 25e-6 (t - t0)); then to 20 degC as the sucrose solution
                    of that density, or as water for a wash lighter than water
    source        : ICUMSA sucrose densities; glass expansion 25e-6 per K, ISO 1768:1975

    >>> sg_from_reading(1.060, 25.0, 20.0)  # the warm wort read 0.00136 too low
    1.0614
    """
    return evaluate(sg_from_reading_kernel, reading_sg, temperature_c, reference_c)


@cites(ICUMSA_SUCROSE, KELL_1975, ISO_1768)
def reading_from_sg(sg: V | float, temperature_c: V | float, reference_c: V | float = 20.0) -> V:
    """What a glass hydrometer shows in a wort or wash of known gravity at another temperature.

    sg            : specific gravity 20/20 degC, 0.980 to 1.150
    temperature_c : temperature of the liquid [degC], 0 to 60
    reference_c   : temperature the hydrometer is made for [degC], 0 to 40
    returns       : the reading, as a gravity on the stem; NaN outside the range
    formula       : `sg_from_reading` the other way
    source        : ICUMSA sucrose densities; glass expansion 25e-6 per K, ISO 1768:1975

    >>> reading_from_sg(1.06136, 25.0, 20.0)
    1.0600
    """
    return evaluate(reading_from_sg_kernel, sg, temperature_c, reference_c)


@cites(ICUMSA_SUCROSE, KELL_1975)
def wort_volume_at_20c(volume_l: V | float, sg: V | float, temperature_c: V | float) -> V:
    """Volume a hot wort will have at 20 degC.

    volume_l      : volume as read at `temperature_c` [L], 0 or more
    sg            : specific gravity 20/20 degC, 0.980 to 1.150; a wash lighter than water shrinks as water
                    does
    temperature_c : temperature of the wort when its volume was read [degC], 0 to 100; above 80 the sugar's
                    own part is held at its value at 80 and only the water's expansion goes on
    returns       : volume at 20 degC [L]; NaN outside the range. Evaporation and the vessel's expansion are
                    not in it
    formula       : V rho(w, t) / rho(w, 20)
    source        : ICUMSA sucrose densities with their water

    >>> wort_volume_at_20c(100.0, 1.000, 80.0)  # 971.785 / 998.203
    97.35
    """
    return evaluate(wort_volume_at_20c_kernel, volume_l, sg, temperature_c)


@cites(ASBC_TABLE_CUBIC)
def extract_kg(volume_l: V | float, sg: V | float) -> V:
    """Kilograms of extract in a wort.

    volume_l : volume at 20 degC [L], 0 or more
    sg       : specific gravity 20/20 degC, 0.980 to 1.150
    returns  : extract [kg]; NaN outside the range. Of a fermented wash it is the apparent extract, which
               means little
    formula  : V SG 0.9982031 P / 100
    source   : cubic fitted to the ASBC extract table; water at 20 degC

    >>> extract_kg(100.0, 1.065)  # 106.3 kg of wort at 15.90 degP
    16.91
    """
    return evaluate(extract_kg_kernel, volume_l, sg)
