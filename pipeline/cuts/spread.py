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
from numpy.typing import NDArray

Array = NDArray[np.float64]

_Z_90 = 1.6448536269514722
_SINGULAR = 1e-9


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


def dummies(labels: Sequence[str | None]) -> Array:
    """One column of noughts and ones a level but the first; a missing label is a level of its own."""
    levels = sorted({label or "" for label in labels})
    return np.array([[float((label or "") == level) for level in levels[1:]] for label in labels]).reshape(
        len(labels), -1
    )


def split(values: Array, blocks: Sequence[tuple[str, Array]], reading_u: float) -> list[Part]:
    """Shares of the variance by block in the order given, then `run to run`, then `reading`.

    values    : the figure, one a run
    blocks    : name and columns; a block of no columns gets nothing
    reading_u : standard uncertainty of one value, as read
    """
    names = [name for name, _ in blocks] + ["run to run", "reading"]
    runs = values.size
    counts = np.concatenate([np.ones((1, runs)), 1.0 - np.eye(runs)])
    shares = _shares(values, blocks, reading_u, counts)
    left_out = shares[1:]
    u = np.sqrt((runs - 1) / runs * ((left_out - left_out.mean(axis=0)) ** 2).sum(axis=0))
    low, high = (np.clip(shares[0] + side * _Z_90 * u, 0.0, 1.0) for side in (-1.0, 1.0))
    return [
        Part(name, float(share), float(a), float(b))
        for name, share, a, b in zip(names, shares[0], low, high, strict=True)
    ]


def _shares(values: Array, blocks: Sequence[tuple[str, Array]], reading_u: float, counts: Array) -> Array:
    """One row a row of counts: the share of each block, of the rest between runs, and of reading."""
    design = np.ones((values.size, 1))
    mean_squares = [_mean_square(values, design, counts)]
    for _, columns in blocks:
        design = np.concatenate([design, columns], axis=1)
        mean_squares.append(_mean_square(values, design, counts))
    falls = [np.maximum(a - b, 0.0) for a, b in pairwise(mean_squares)]
    rest = np.maximum(mean_squares[-1], 0.0)
    read = np.minimum(reading_u**2, rest)
    parts = np.stack([*falls, rest - read, read], axis=1)
    total = parts.sum(axis=1, keepdims=True)
    return np.asarray(parts / np.where(total > 0.0, total, np.nan))


def _mean_square(values: Array, design: Array, counts: Array) -> Array:
    """Residual mean square of weighted least squares, one a row of counts."""
    columns = design.shape[1]
    products = (design[:, :, None] * design[:, None, :]).reshape(values.size, -1)
    normal = (counts @ products).reshape(-1, columns, columns)
    right = (counts * values) @ design
    # The pseudo-inverse lets a level that is not there drop out.
    coefficients = np.einsum("bjk,bk->bj", np.linalg.pinv(normal, rcond=1e-10, hermitian=True), right)
    rank = np.linalg.matrix_rank(normal, hermitian=True)
    residual = values - coefficients @ design.T
    freedom = counts.sum(axis=1) - rank
    return np.asarray(
        np.where(freedom > 0, (counts * residual**2).sum(axis=1) / np.maximum(freedom, 1), np.nan)
    )
