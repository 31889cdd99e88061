"""What spreads a cut: the charge and the still, who stood there, the recipe, the run itself, the reading.

Two tools. `adjust` takes out what a figure owes to the charge, so that another charge is not read as
another nose. `split` parts the variance by blocks that are let in one after the other; each block is
given the fall of the residual mean square (the adjusted R2 times the variance), so that a block of noise
gets nought on average. The interval is the jackknife's, one run left out at a time: no random numbers.

Sources: sequential sums of squares and adjusted R2, textbook least squares; jackknife: B. Efron, C. Stein,
Annals of Statistics 9 (1981) 586-596 (all from memory; known parts recovered in tests/cuts/test_spread.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import polars as pl
from numpy.typing import NDArray

Array = NDArray[np.float64]

_Z_90 = 1.6448536269514722
_SINGULAR = 1e-9
# Columns below this size, beside the largest, repeat others; a run freer than this does not bear one alone.
_SMALLEST_SIZE, _BEARS_ALONE = 1e-7, 1e-9


@dataclass(frozen=True)
class Part:
    """A part of the variance, as a share of the whole, with a 90 % interval."""

    name: str
    share: float
    low: float
    high: float


def adjust(values: Array, covariates: Array) -> Array:
    """The values at the mean of the covariates: least squares, one column a covariate.

    Constant covariates and those with gaps are for the caller to leave out.
    """
    if covariates.shape[1] == 0:
        return values.copy()
    centred = covariates - covariates.mean(axis=0)
    slopes, *_ = np.linalg.lstsq(centred, values - values.mean(), rcond=_SINGULAR)
    return np.asarray(values - centred @ slopes)


def dummies(labels: Sequence[str | None] | pl.Series) -> Array:
    """One column of noughts and ones a level but the first; a missing label is a level of its own."""
    level = pl.Series(labels, dtype=pl.String).fill_null("").rank("dense").to_numpy()
    return np.asarray(level[:, None] == np.arange(2, level.max(initial=0) + 1)).astype(np.float64)


def split(values: Array, blocks: Sequence[tuple[str, Array]], reading_u: float) -> list[Part]:
    """Shares of the variance by block in the order given, then `run to run`, then `reading`.

    values    : the figure, one a run
    blocks    : name and columns; a block of no columns gets nothing
    reading_u : standard uncertainty of one value, as read
    """
    names = [name for name, _ in blocks] + ["run to run", "reading"]
    runs = values.size
    shares = _shares(values, blocks, reading_u)
    left_out = shares[1:]
    u = np.sqrt((runs - 1) / runs * ((left_out - left_out.mean(axis=0)) ** 2).sum(axis=0))
    low, high = (np.clip(shares[0] + side * _Z_90 * u, 0.0, 1.0) for side in (-1.0, 1.0))
    return [
        Part(name, float(share), float(a), float(b))
        for name, share, a, b in zip(names, shares[0], low, high, strict=True)
    ]


def _shares(values: Array, blocks: Sequence[tuple[str, Array]], reading_u: float) -> Array:
    """The share of each block, of the rest between runs, and of reading: of all runs, then without each."""
    design = np.ones((values.size, 1))
    mean_squares = [_mean_squares(values, design)]
    for _, columns in blocks:
        design = np.concatenate([design, columns], axis=1)
        mean_squares.append(_mean_squares(values, design))
    falls = [np.maximum(a - b, 0.0) for a, b in pairwise(mean_squares)]
    rest = np.maximum(mean_squares[-1], 0.0)
    read = np.minimum(reading_u**2, rest)
    parts = np.stack([*falls, rest - read, read], axis=1)
    total = parts.sum(axis=1, keepdims=True)
    return np.asarray(parts / np.where(total > 0.0, total, np.nan))


def _mean_squares(values: Array, design: Array) -> Array:
    """Residual mean square of least squares: of all runs, then without each.

    Without a run the sum of squares falls by e^2 / (1 - h), with e its residual and h its leverage; where h
    is one, the run alone bore a column, which goes with it (Cook and Weisberg, section 2.2, from memory).
    """
    left, sizes, _ = np.linalg.svd(design, full_matrices=False)
    basis = left[:, sizes > _SMALLEST_SIZE * sizes[0]]
    residual = values - basis @ (basis.T @ values)
    free = 1.0 - np.sum(basis**2, axis=1)
    bears = free < _BEARS_ALONE
    squares = float(residual @ residual)
    without = squares - np.where(bears, 0.0, residual**2 / np.where(bears, 1.0, free))
    freedom = values.size - basis.shape[1]
    all_freedom = np.concatenate([[freedom], np.where(bears, freedom, freedom - 1)])
    sums = np.concatenate([[squares], np.maximum(without, 0.0)])
    return np.asarray(np.where(all_freedom > 0, sums / np.maximum(all_freedom, 1), np.nan))
