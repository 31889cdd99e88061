"""Do the assessors agree? Intraclass correlation, Kendall's W, Friedman's test.

All take a complete table: one row a sample, one column an assessor.

sources : Shrout & Fleiss, Psychological Bulletin 86 (1979) 420 (coefficients and limits, checked against R's
          psych package and the printed example); Friedman's and Kendall's statistics with the usual
          correction for ties (from memory; checked against R's friedman.test)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, fdtri

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Squares:
    """Mean squares of a complete table: between samples, between assessors, the rest, within samples."""

    samples: float
    assessors: float
    rest: float
    within: float


def mean_squares(table: Array) -> Squares:
    """Two-way mean squares of a complete table (samples, assessors)."""
    rows, columns = table.shape
    middle = table.mean()
    by_row, by_column = table.mean(axis=1), table.mean(axis=0)
    between = columns * float(np.sum((by_row - middle) ** 2))
    judges = rows * float(np.sum((by_column - middle) ** 2))
    within = float(np.sum((table - by_row[:, None]) ** 2))
    rest = max(within - judges, 0.0)
    return Squares(
        between / (rows - 1),
        judges / (columns - 1),
        rest / ((rows - 1) * (columns - 1)),
        within / (rows * (columns - 1)),
    )


@dataclass(frozen=True)
class Intraclass:
    """Intraclass correlations after Shrout & Fleiss, with 95 % limits.

    single    : ICC(2,1), one assessor, absolute agreement
    panel     : ICC(2,k), the panel's mean, absolute agreement
    alike     : ICC(3,1), one assessor, whatever his place on the scale
    alpha     : ICC(3,k), the panel's mean likewise; Cronbach's alpha
    f_samples : F of the samples against the rest
    """

    single: float
    single_low: float
    single_high: float
    panel: float
    alike: float
    alike_low: float
    alike_high: float
    alpha: float
    f_samples: float


def intraclass(table: Array, level: float = 0.95) -> Intraclass | None:
    """Intraclass correlations of a complete table; None when nothing varies or it is too small."""
    n, k = table.shape
    if n < 2 or k < 2:
        return None
    squares = mean_squares(table)
    msb, msj, mse = squares.samples, squares.assessors, squares.rest
    if not mse > 0.0 or not msb > 0.0:
        return None
    single = (msb - mse) / (msb + (k - 1) * mse + k * (msj - mse) / n)
    low, high = _single_limits(single, msb, msj, mse, n, k, level)
    f_value = msb / mse
    tail = (1.0 + level) / 2.0
    f_low = f_value / float(fdtri(n - 1, (n - 1) * (k - 1), tail))
    f_high = f_value * float(fdtri((n - 1) * (k - 1), n - 1, tail))
    return Intraclass(
        single=single,
        single_low=low,
        single_high=high,
        panel=(msb - mse) / (msb + (msj - mse) / n),
        alike=(msb - mse) / (msb + (k - 1) * mse),
        alike_low=(f_low - 1.0) / (f_low + k - 1.0),
        alike_high=(f_high - 1.0) / (f_high + k - 1.0),
        alpha=(msb - mse) / msb,
        f_samples=f_value,
    )


def _single_limits(
    single: float, msb: float, msj: float, mse: float, n: int, k: int, level: float
) -> tuple[float, float]:
    f_judges = msj / mse
    top = (k - 1) * (n - 1) * (k * single * f_judges + n * (1.0 + (k - 1) * single) - k * single) ** 2
    bottom = (n - 1) * (k * single * f_judges) ** 2 + (n * (1.0 + (k - 1) * single) - k * single) ** 2
    df = top / bottom
    tail = (1.0 + level) / 2.0
    upper = float(fdtri(n - 1, df, tail))
    lower = float(fdtri(df, n - 1, tail))
    low = n * (msb - upper * mse) / (upper * (k * msj + (k * n - k - n) * mse) + n * msb)
    high = n * (lower * msb - mse) / (k * msj + (k * n - k - n) * mse + n * lower * msb)
    return low, high


@dataclass(frozen=True)
class Concordance:
    """Friedman's test of the samples and Kendall's W, 0 (no agreement) to 1, ties corrected."""

    friedman: float
    df: int
    p_value: float
    w: float


def concordance(table: Array, permutations: int = 0, seed: int = 1) -> Concordance | None:
    """Friedman's chi-square and Kendall's W; None when every assessor ranks all samples alike (all ties).

    permutations : with more than 0, p comes from so many shuffles of each assessor's own ranks (small tables)
    """
    n, k = table.shape
    if n < 2 or k < 2:
        return None
    ranks = _ranks(table)
    statistic = _friedman(ranks)
    if statistic is None:
        return None
    p_value = float(chdtrc(n - 1, statistic))
    if permutations:
        rng = np.random.default_rng(seed)
        shuffled = rng.permuted(np.broadcast_to(ranks, (permutations, n, k)), axis=1)
        spread = np.sum((shuffled.sum(axis=2) - k * (n + 1) / 2.0) ** 2, axis=1)
        found = np.sum((ranks.sum(axis=1) - k * (n + 1) / 2.0) ** 2)
        p_value = float((1 + np.sum(spread >= found * (1.0 - 1e-12))) / (permutations + 1))
    return Concordance(statistic, n - 1, p_value, statistic / (k * (n - 1)))


def _ranks(table: Array) -> Array:
    """Each assessor's ranks of the samples, from 1; samples that he marked alike share their mean rank."""
    below = (table[:, None] > table).sum(axis=1)
    return np.asarray(below + ((table[:, None] == table).sum(axis=1) + 1) / 2.0)


def _friedman(ranks: Array) -> float | None:
    n, k = ranks.shape
    spread = float(np.sum((ranks.sum(axis=1) - k * (n + 1) / 2.0) ** 2))
    # With ties, the ranks' own variance takes the place of n (n + 1) / 12.
    own = float(np.sum((ranks - (n + 1) / 2.0) ** 2))
    return (n - 1) * spread / own if own > 0.0 else None
