"""A still's own number from many runs, each with its uncertainty, and the runs that do not belong to it.

Sources: between-run variance by the moments of R. DerSimonian, N. Laird, Controlled Clinical Trials 7 (1986)
177-188; interval by J. Hartung, G. Knapp, Statistics in Medicine 20 (2001) 3875-3889 (both from memory;
coverage counted in tests/cuts/test_pooled.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Array = NDArray[np.float64]

OFF_SD = 3.0
"""A run further from its still's mean than this many standard deviations is named (own choice)."""


@dataclass(frozen=True)
class Pool:
    """Mean over runs with its 95 % interval, spread between runs, and which runs are off."""

    mean: float
    low: float
    high: float
    between_sd: float
    is_off: NDArray[np.bool_]


def pool(values: Array, u: Array) -> Pool | None:
    """Pool two or more runs' values with standard uncertainties; None for fewer.

    Runs found off take no part in mean and spread; the search is made twice, from median and median
    deviation first, so that a wild run cannot hide itself by widening the spread.
    """
    if values.size < 2:
        return None
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    is_off = _off(values, u, middle, spread)
    mean, variance, _ = _moments(values[~is_off], u[~is_off])
    is_off = _off(values, u, mean, float(np.sqrt(variance)))
    kept, kept_u = values[~is_off], u[~is_off]
    if kept.size < 2:
        return None
    mean, variance, weight = _moments(kept, kept_u)
    spread_of_mean = np.sqrt(np.sum(weight * (kept - mean) ** 2) / ((kept.size - 1) * weight.sum()))
    half = float(stdtrit(kept.size - 1, 0.975)) * max(float(spread_of_mean), 1e-9)
    return Pool(mean, mean - half, mean + half, float(np.sqrt(variance)), is_off)


def _off(values: Array, u: Array, mean: float, between_sd: float) -> NDArray[np.bool_]:
    return np.asarray(np.abs(values - mean) > OFF_SD * np.hypot(between_sd, u))


def _moments(values: Array, u: Array) -> tuple[float, float, Array]:
    """Mean, variance between runs, and the weight of each run."""
    weight = 1.0 / u**2
    mean = float(np.sum(weight * values) / weight.sum())
    q = float(np.sum(weight * (values - mean) ** 2))
    spare = weight.sum() - np.sum(weight**2) / weight.sum()
    variance = max(0.0, (q - (values.size - 1)) / float(spare)) if spare > 0 else 0.0
    weight = 1.0 / (u**2 + variance)
    return float(np.sum(weight * values) / weight.sum()), variance, np.asarray(weight)
