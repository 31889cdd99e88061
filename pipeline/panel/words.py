"""Words for a flavour: is a word said of one sample more than of another, and a map of words and samples.

sources : Cochran, Biometrika 37 (1950) 256 (Q); correspondence analysis as the singular values of the
          standardised residuals, Greenacre (from memory); checked against R's MASS and statsmodels, see
          tests/panel
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

Array = NDArray[np.float64]

LEAST_TICKS = 5
"""A word said less often than this is counted but neither tested nor mapped (own choice)."""


@dataclass(frozen=True)
class CochranTest:
    """Cochran's Q with its degrees of freedom; `p_value` by chi-square or by permutation."""

    q: float
    df: int
    p_value: float


def cochran_q(ticks: Array, permutations: int = 0, seed: int = 1) -> CochranTest | None:
    """Whether a word was said of some samples more often than of others, each assessor being his own control.

    ticks        : 0 or 1, one row an assessor, one column a sample
    permutations : with more than 0, p comes from so many shuffles within assessors (small tables)
    returns      : None when every assessor said it of all samples or of none
    """
    rows, columns = ticks.shape
    totals, by_sample = ticks.sum(axis=1), ticks.sum(axis=0)
    bottom = float(columns * totals.sum() - np.sum(totals**2))
    if bottom <= 0.0 or columns < 2:
        return None
    spread = float(np.sum((by_sample - by_sample.mean()) ** 2))
    q = columns * (columns - 1) * spread / bottom
    p_value = float(chdtrc(columns - 1, q))
    if permutations:
        rng = np.random.default_rng(seed)
        shuffled = rng.permuted(np.broadcast_to(ticks, (permutations, rows, columns)), axis=2).sum(axis=1)
        spreads = np.sum((shuffled - by_sample.mean()) ** 2, axis=1)
        p_value = float((1 + np.sum(spreads >= spread - 1e-9)) / (permutations + 1))
    return CochranTest(q, columns - 1, p_value)


@dataclass(frozen=True)
class WordMap:
    """Correspondence analysis of a table of counts.

    correlations : canonical correlations (singular values), largest first
    rows         : coordinates of the samples (principal: distances are chi-square distances)
    columns      : coordinates of the words (principal)
    inertia      : sum of the squared correlations, chi-square / N
    chi_square   : of the whole table
    """

    correlations: Array
    rows: Array
    columns: Array
    inertia: float
    chi_square: float


def correspondence(counts: Array) -> WordMap | None:
    """Map samples (rows) and words (columns) by what was said; None when nothing can be mapped.

    Signs are fixed so that on each axis the word farthest out lies on the positive side.
    """
    total = float(counts.sum())
    if (
        min(counts.shape) < 2
        or total <= 0.0
        or np.any(counts.sum(axis=0) == 0)
        or np.any(counts.sum(axis=1) == 0)
    ):
        return None
    shares = counts / total
    row_mass, column_mass = shares.sum(axis=1), shares.sum(axis=0)
    expected = np.outer(row_mass, column_mass)
    left, values, right = np.linalg.svd((shares - expected) / np.sqrt(expected), full_matrices=False)
    kept = min(counts.shape) - 1
    columns = right.T[:, :kept] * values[:kept] / np.sqrt(column_mass)[:, None]
    rows = left[:, :kept] * values[:kept] / np.sqrt(row_mass)[:, None]
    signs = np.sign(columns[np.argmax(np.abs(columns), axis=0), np.arange(kept)])
    signs[signs == 0.0] = 1.0
    inertia = float(np.sum(values[:kept] ** 2))
    return WordMap(values[:kept], rows * signs, columns * signs, inertia, inertia * total)


def words_p_value(said: Array, permutations: int = 499, seed: int = 1) -> float:
    """Chance that the words differ so much between samples if each assessor's words fell at random.

    said    : 0 or 1, (assessors, samples, words); an assessor's whole row of words is shuffled between
              samples,
              because the words of one glass hang together and so do the words of one person
    """
    rng = np.random.default_rng(seed)
    order = rng.permuted(
        np.broadcast_to(np.arange(said.shape[1]), (permutations, said.shape[0], said.shape[1])), axis=2
    )
    people = np.arange(said.shape[0])[None, :, None]
    reached = np.sum(
        _chi_squares(said[people, order].sum(axis=1)) >= _chi_squares(said.sum(axis=0)[None]) - 1e-9
    )
    return float((1 + reached) / (permutations + 1))


def _chi_squares(counts: Array) -> Array:
    """Chi-square of each table of (draws, samples, words)."""
    total = counts.sum(axis=(1, 2))
    expected = (
        counts.sum(axis=2)[:, :, None]
        * counts.sum(axis=1)[:, None, :]
        / np.maximum(total, 1.0)[:, None, None]
    )
    parts = np.divide((counts - expected) ** 2, expected, out=np.zeros_like(expected), where=expected > 0.0)
    return np.asarray(parts.sum(axis=(1, 2)))
