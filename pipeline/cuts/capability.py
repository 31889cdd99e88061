"""How well cuts land on the distiller's own target, never without an interval.

Sources: indices and chi-square interval of Cp: D. C. Montgomery, Introduction to Statistical Quality Control
(exercises checked in tests/cuts/test_capability.py); interval of Cpk and Ppk: A. F. Bissell, Applied
Statistics 39 (1990) 331-340 (from memory, checked against the same exercises).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import gammaincinv, ndtri

ENOUGH_RUNS = 20
"""Fewer runs, and only the interval is worth printing (own choice)."""

_Z = float(ndtri(0.975))


@dataclass(frozen=True)
class Index:
    """A capability index with its 95 % interval."""

    value: float
    low: float
    high: float


def cp(low: float, high: float, sd: float, runs: int) -> Index:
    """The width allowed over the width taken (six sd). `sd` from `runs` values."""
    value = (high - low) / (6.0 * sd)
    bounds = [math.sqrt(2.0 * gammaincinv((runs - 1) / 2.0, tail) / (runs - 1)) for tail in (0.025, 0.975)]
    return Index(value, value * bounds[0], value * bounds[1])


def ppk(low: float, high: float, mean: float, sd: float, runs: int) -> Index:
    """Distance from the mean to the nearer bound over three sd: Ppk for an overall sd.

    low, high : the distiller's bounds, written down beforehand
    """
    value = min(high - mean, mean - low) / (3.0 * sd)
    if value == 0.0:
        half = _Z / (3.0 * math.sqrt(runs))
    else:
        half = abs(value) * _Z * math.sqrt(1.0 / (9.0 * runs * value**2) + 1.0 / (2.0 * (runs - 1)))
    return Index(value, value - half, value + half)
