"""The plain answers that a fit must beat: the mean, least squares, ridge; each predicting left out.

Closed forms of what scikit-learn's `LinearRegression` and `RidgeCV` do (held to them in tests/fits);
written out here because a left-out prediction then costs no second fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.fits.grouping import rows_left_out
from pipeline.fits.mixture import Floats

RIDGE_STRENGTHS = np.logspace(-3, 3, 25)
_FULL = 1.0 - 1e-8


@dataclass(frozen=True)
class Directions:
    """Orthonormal directions of centred columns (rows, directions), and how far the columns reach in each."""

    u: Floats
    values: Floats

    @classmethod
    def of(cls, columns: Floats) -> Directions:
        u, values, _ = np.linalg.svd(columns - columns.mean(axis=0), full_matrices=False)
        return cls(u, values)

    @property
    def known(self) -> Floats:
        """The directions that are more than rounding."""
        return np.asarray(self.u[:, self.values > 1e-9 * max(float(self.values.max(initial=0.0)), 1e-9)])

    @property
    def shrink(self) -> Floats:
        """How much of each direction every ridge strength takes (strengths, directions)."""
        return np.asarray(self.values**2 / (self.values**2 + RIDGE_STRENGTHS[:, None]))


def left_out_mean(y: Floats) -> Floats:
    """Each row predicted by the mean of the others."""
    return np.asarray((y.sum() - y) / (len(y) - 1))


def left_out_least_squares(columns: Floats, y: Floats, directions: Directions | None = None) -> Floats:
    """Each row predicted by least squares (smallest coefficients where several do) on the others.

    directions : those of the columns, where they are known already (so with all four of these answers)
    """
    u = (directions or Directions.of(columns)).known
    leverage = (u**2).sum(axis=1) + 1.0 / len(y)
    fitted = y.mean() + u @ (u.T @ y)
    predicted = y - (y - fitted) / (1.0 - np.minimum(leverage, _FULL))
    for row in np.flatnonzero(leverage >= _FULL):
        predicted[row] = _least_squares_without(columns, y, np.array([row]))[0]
    return np.asarray(predicted)


def left_out_ridge(columns: Floats, y: Floats, directions: Directions | None = None) -> Floats:
    """Each row predicted by ridge regression on the others; the strength that does best so is used."""
    directions = directions or Directions.of(columns)
    u, shrink = directions.u, directions.shrink
    leverage = shrink @ (u**2).T + 1.0 / len(y)
    fitted = y.mean() + (shrink * (u.T @ y)) @ u.T
    predicted = y - (y - fitted) / (1.0 - np.minimum(leverage, _FULL))
    return np.asarray(predicted[((predicted - y) ** 2).sum(axis=1).argmin()])


def left_out_mean_by(groups: NDArray[np.int64], y: Floats) -> Floats:
    """Each row predicted by the mean of all other groups; NaN where there is but one group."""
    predicted = np.full(len(y), np.nan)
    for rows in rows_left_out(groups):
        own = y[rows].sum(axis=1, keepdims=True)
        predicted[rows] = (y.sum() - own) / (len(y) - rows.shape[1])
    return predicted


def left_out_least_squares_by(
    groups: NDArray[np.int64], columns: Floats, y: Floats, directions: Directions | None = None
) -> Floats:
    """Each row predicted by least squares (smallest coefficients where several do) on all other groups."""
    u = (directions or Directions.of(columns)).known
    left = y - y.mean() - u @ (u.T @ y)
    predicted = np.full(len(y), np.nan)
    for rows in rows_left_out(groups):
        parts, apart = _apart(u, np.ones(u.shape[1]), rows)
        is_known = np.linalg.eigvalsh(apart)[:, 0] > 1.0 - _FULL
        known = rows[is_known]
        predicted[known] = y[known] - _errors(parts[is_known], apart[is_known], left[known])
        for own in rows[~is_known]:
            predicted[own] = _least_squares_without(columns, y, own)
    return predicted


def left_out_ridge_by(
    groups: NDArray[np.int64], columns: Floats, y: Floats, directions: Directions | None = None
) -> Floats:
    """Each row predicted by ridge regression on all other groups; the strength that does best so is used."""
    directions = directions or Directions.of(columns)
    u, shrink = directions.u, directions.shrink
    left = y - y.mean() - (shrink * (u.T @ y)) @ u.T
    predicted = np.full(left.shape, np.nan)
    for rows in rows_left_out(groups):
        predicted[:, rows] = y[rows] - _errors(*_apart(u, shrink, rows), left[:, rows])
    return np.asarray(predicted[np.argmin([rmse(each, y) for each in predicted])])


def rmse(predicted: Floats, y: Floats) -> float:
    """Root mean square error over the rows that could be predicted; NaN when none could."""
    known = np.isfinite(predicted)
    return float(np.sqrt(((predicted - y)[known] ** 2).mean())) if known.any() else float("nan")


def _apart(u: Floats, shrink: Floats, rows: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Each group's part v of the hat matrix v v', and one less the smaller of v v' and v'v.

    u, shrink : directions of the columns and how much of each the fit takes (for several fits, a row each
                and as many first places in what is returned); the mean is taken whole
    """
    parts = u[rows] * np.sqrt(shrink)[..., None, None, :]
    parts = np.concatenate([parts, np.full((*parts.shape[:-1], 1), len(u) ** -0.5)], axis=-1)
    turned = np.swapaxes(parts, -1, -2)
    product = parts @ turned if parts.shape[-2] <= parts.shape[-1] else turned @ parts
    return parts, np.eye(product.shape[-1]) - product


def _errors(parts: Floats, apart: Floats, left: Floats) -> Floats:
    """Left-out errors of whole groups from what the fit to all leaves over (Woodbury's identity)."""
    if apart.shape[-1] == parts.shape[-2]:
        return np.asarray(np.linalg.solve(apart, left[..., None])[..., 0])
    inner = np.linalg.solve(apart, np.swapaxes(parts, -1, -2) @ left[..., None])
    return np.asarray(left + (parts @ inner)[..., 0])


def _least_squares_without(columns: Floats, y: Floats, rows: NDArray[np.int64]) -> Floats:
    kept = np.delete(np.arange(len(y)), rows)
    centre, mean = columns[kept].mean(axis=0), y[kept].mean()
    coefficients = np.linalg.lstsq(columns[kept] - centre, y[kept] - mean, rcond=None)[0]
    return np.asarray(mean + (columns[rows] - centre) @ coefficients)
