"""Density of ethanol-water mixtures, and back from density to mass fraction.

The general formula of OIML R 22 and its inverse; strengths and volumes are built on it in `strength.py`.
Liquid phase
only: the formula also answers below the freezing line (for example under -5 degC at 11 % by mass), where it
      means
nothing.

Temperatures are those of the formula's own scale, IPTS-68. A modern ITS-90 thermometer read straight into
it costs at most 0.009 kg/m3, under 0.01 % vol, and is not corrected.
"""

from collections.abc import Callable

import numpy as np

from pipeline.science.sources import OIML_R_22, cites
from pipeline.science.terms import (
    Term,
    Traced,
    V,
    derivative,
    evaluate,
    horner,
    iterate,
    only_where,
    within,
)

# Coefficients A_k in kg/m3, powers 0 to 11 of the mass fraction p.
_A = (
    9.982012300e2,
    -1.929769495e2,
    3.891238958e2,
    -1.668103923e3,
    1.352215441e4,
    -8.829278388e4,
    3.062874042e5,
    -6.138381234e5,
    7.470172998e5,
    -5.478461354e5,
    2.234460334e5,
    -3.903285426e4,
)
# B_k in kg/(m3 K^k), powers 1 to 6 of u = t - 20.
_B = (
    -2.0618513e-1,
    -5.2682542e-3,
    3.6130013e-5,
    -3.8957702e-7,
    7.1693540e-9,
    -9.9739231e-11,
)
# C_i,k: one row for each power i = 1 to 5 of u, in it powers k = 1, 2, ... of p.
_C = (
    (
        1.693443461530087e-1,
        -1.046914743455169e1,
        7.196353469546523e1,
        -7.047478054272792e2,
        3.924090430035045e3,
        -1.210164659068747e4,
        2.248646550400788e4,
        -2.605562982188164e4,
        1.852373922069467e4,
        -7.420201433430137e3,
        1.285617841998974e3,
    ),
    (
        -1.193013005057010e-2,
        2.517399633803461e-1,
        -2.170575700536993,
        1.353034988843029e1,
        -5.029988758547014e1,
        1.096355666577570e2,
        -1.422753946421155e2,
        1.080435942856230e2,
        -4.414153236817392e1,
        7.442971530188783,
    ),
    (
        -6.802995733503803e-4,
        1.876837790289664e-2,
        -2.002561813734156e-1,
        1.022992966719220,
        -2.895696483903638,
        4.810060584300675,
        -4.672147440794683,
        2.458043105903461,
        -5.411227621436812e-1,
    ),
    (
        4.075376675622027e-6,
        -8.763058573471110e-6,
        6.515031360099368e-6,
        -1.515784836987210e-6,
    ),
    (
        -2.788074354782409e-8,
        1.345612883493354e-8,
    ),
)

COLDEST_C = -20.0
WARMEST_C = 40.0
REFERENCE_C = 20.0

#: How far a density may lie outside water .. ethanol and still count as the end: rounding only.
_END_SLACK_KG_PER_M3 = 1e-6

# Start of the Newton iteration, fitted to the formula itself (largest error 0.056): rows are powers of
# z = (water - density) / (water - ethanol), columns powers of (t - 20) / 40. It affects the speed, never
# the answer.
_START = (
    (-0.084, 0.773, -1.164, -0.161),
    (7.955, -11.346, 16.023, -21.551),
    (-36.729, 40.255, -67.508, 171.122),
    (72.513, -59.885, 126.206, -470.746),
    (-66.412, 37.926, -109.162, 544.353),
    (23.208, -7.609, 35.63, -225.505),
)
# Six steps end within 1e-12 from -5 degC up; the slowest corner (dilute, -20 degC: ice in truth) within
# 3e-11.
_NEWTON_STEPS = 6

# The formula as one table: row i holds what multiplies u^i, in rising powers of p.
_SURFACE = (_A, *((b, *(_C[power] if power < len(_C) else ())) for power, b in enumerate(_B)))


def coefficients_at(temperature_c: Term) -> tuple[Term, ...]:
    """The twelve coefficients in p [kg/m3] at one temperature: the table summed down its columns."""
    u = temperature_c - REFERENCE_C
    return tuple(horner([row[power] for row in _SURFACE if len(row) > power], u) for power in range(len(_A)))


def raw_density(mass_fraction: Term, temperature_c: Term) -> Term:
    """The formula without its range [kg/m3]: the table summed along its rows."""
    return horner([horner(row, mass_fraction) for row in _SURFACE], temperature_c - REFERENCE_C)


def _raw_slope(mass_fraction: Term, temperature_c: Term) -> Term:
    """Its derivative in p [kg/m3]."""
    rows = [horner(derivative(row), mass_fraction) for row in _SURFACE if len(row) > 1]
    return horner(rows, temperature_c - REFERENCE_C)


def _curve_at(temperature_c: Term) -> tuple[Callable[[Term], Term], Callable[[Term], Term]]:
    """Density and its slope as functions of p alone, for a search at one temperature.

    On numbers the twelve coefficients are worked out once and serve every step. SQL would have to carry them
    into each step, which costs it more than the longer sum; so a symbol gets the rows of the same table.
    """
    if isinstance(temperature_c, Traced):
        return (lambda p: raw_density(p, temperature_c)), (lambda p: _raw_slope(p, temperature_c))
    coefficients = coefficients_at(temperature_c)
    slope = derivative(coefficients)
    return (lambda p: horner(coefficients, p)), (lambda p: horner(slope, p))


def raw_mass_fraction(density: Term, temperature_c: Term) -> Term:
    """Newton's inverse without its range: p in [0, 1] with this density at this temperature."""
    density_of, slope_of = _curve_at(temperature_c)
    water = density_of(0.0)
    z = (water - density) / (water - density_of(1.0))
    scaled = (temperature_c - REFERENCE_C) / 40.0
    start = z + z * (1.0 - z) * horner([horner(row, scaled) for row in _START], z)
    found = iterate(lambda p: p - (density_of(p) - density) / slope_of(p), start, _NEWTON_STEPS)
    return np.minimum(np.maximum(found, 0.0), 1.0)


def density_kernel(mass_fraction: Term, temperature_c: Term) -> Term:
    in_range = within(mass_fraction, 0.0, 1.0) & within(temperature_c, COLDEST_C, WARMEST_C)
    return only_where(in_range, raw_density(mass_fraction, temperature_c))


def mass_fraction_from_density_kernel(density: Term, temperature_c: Term) -> Term:
    water = raw_density(0.0, temperature_c)
    ethanol = raw_density(1.0, temperature_c)
    is_liquid = (density <= water + _END_SLACK_KG_PER_M3) & (density >= ethanol - _END_SLACK_KG_PER_M3)
    in_range = within(temperature_c, COLDEST_C, WARMEST_C) & is_liquid
    return only_where(in_range, raw_mass_fraction(density, temperature_c))


#: Pure ethanol and pure water of the formula at 20 degC: 789.23912 and 998.20123 kg/m3.
ETHANOL_20C_KG_PER_M3: float = raw_density(1.0, REFERENCE_C)
R22_WATER_20C_KG_PER_M3: float = raw_density(0.0, REFERENCE_C)


@cites(OIML_R_22)
def density_kg_per_m3(mass_fraction: V | float, temperature_c: V | float) -> V:
    """Density of an ethanol-water mixture in vacuum, at atmospheric pressure.

    mass_fraction : ethanol [kg per kg of mixture], 0 to 1
    temperature_c : temperature of the liquid [degC, IPTS-68], -20 to 40
    returns       : density at that temperature [kg/m3]; NaN outside the range
    formula       : rho = sum A_k p^(k-1) + sum B_k u^k + sum sum C_i,k p^k u^i, with u = t - 20
    source        : OIML R 22 (1973/75), general formula; 76/766/EEC, Annex point 4

    At 20 degC u is zero, so water is A_1 and ethanol the sum of the twelve A_k:

    >>> density_kg_per_m3(0.0, 20.0)
    998.201230
    >>> density_kg_per_m3(1.0, 20.0)
    789.23912
    """
    return evaluate(density_kernel, mass_fraction, temperature_c)


@cites(OIML_R_22)
def mass_fraction_from_density(density_kg_per_m3: V | float, temperature_c: V | float) -> V:
    """Mass fraction of ethanol in a mixture of known density.

    density_kg_per_m3 : density in vacuum at `temperature_c` [kg/m3], from pure ethanol to pure water at
                        that temperature
    temperature_c     : temperature of the liquid [degC, IPTS-68], -20 to 40
    returns           : ethanol [kg per kg of mixture], 0 to 1; NaN outside the range, such as a liquid
                        denser than water
    formula           : Newton's method on `density_kg_per_m3`, six steps; density falls strictly with
                        strength, so the answer is unique. Below -10 degC and under 10 % by mass it is good
                        to 3e-11, else to 1e-12
    source            : OIML R 22 (1973/75), general formula, inverted here

    >>> mass_fraction_from_density(913.771, 20.0)
    0.5000
    """
    return evaluate(mass_fraction_from_density_kernel, density_kg_per_m3, temperature_c)
