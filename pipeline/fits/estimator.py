"""The hierarchical fit as a scikit-learn regressor, for pipelines, cross-validation and comparisons.

Imports scikit-learn (0.8 s), so that nothing else in the package does: a review runs without it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Self

import numpy as np
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data

from pipeline.fits.blocks import Block, BlockFit, Contrasts
from pipeline.fits.mixture import Floats, TMixture


class HierarchicalBlocks(RegressorMixin, BaseEstimator):
    """Regression with blocks of exchangeable coefficients, summed over a grid of variance ratios.

    Parameters
    ----------
    blocks : sequence of sequences of column numbers, or None
        The columns of each block (grains, yeasts, ...); None: all columns are one block. Columns in no
        block have flat coefficients, beside the intercept.
    scales : sequence of float, or None
        Half-t(3) prior scale of each block's coefficients, in residual standard deviations per unit of a
        column; None: 8 for one block (shares of a mixture), 8 and 2 for two, 1 for any further.
    steps : int or None
        Steps of each block's grid; None: as many as keep a fit fast.

    Attributes
    ----------
    fit_ : the fitted `pipeline.fits.blocks.BlockFit`
    coef_, intercept_ : posterior means
    """

    def __init__(
        self,
        blocks: Sequence[Sequence[int]] | None = None,
        scales: Sequence[float] | None = None,
        steps: int | None = None,
    ) -> None:
        self.blocks = blocks
        self.scales = scales
        self.steps = steps

    def fit(self, X: Any, y: Any, sample_weight: Any = None) -> Self:
        """Fit to rows X (n, columns) and y (n,); `sample_weight`: inverse relative error variances."""
        X, y = validate_data(self, X, y, y_numeric=True, dtype=np.float64, ensure_min_samples=2)
        weights = None if sample_weight is None else _check_sample_weight(sample_weight, X)
        self._columns, self._flat = self._layout(X.shape[1])
        scales = list(self.scales) if self.scales is not None else [8.0, 2.0]
        scales += [1.0] * (len(self._columns) - len(scales))
        blocks = [Block(f"block {k}", len(columns), scales[k]) for k, columns in enumerate(self._columns)]
        # Centred, so that the prior asks nothing of the mean.
        self.centre_ = X.mean(axis=0)
        shrunk, flat = self._parts(X)
        self.fit_ = BlockFit(np.asarray(y, dtype=float), shrunk, blocks, flat, weights, self.steps)
        questions = Contrasts(
            np.zeros((X.shape[1], self.fit_.flat.shape[1])), np.zeros((X.shape[1], self.fit_.shrunk.shape[1]))
        )
        placed = [column for block in self._columns for column in block]
        questions.shrunk[placed, range(len(placed))] = 1.0
        questions.flat[self._flat, range(1, 1 + len(self._flat))] = 1.0
        self.coef_ = self.fit_.ask(questions).mean
        self.intercept_ = float(self.predict(self.centre_[None, :])[0] - self.centre_ @ self.coef_)
        return self

    def predict(self, X: Any, return_std: bool = False) -> Floats | tuple[Floats, Floats]:
        """Expected results of rows X; with `return_std`, also the standard deviation of a new result."""
        mixture = self._ask(X, 1.0 if return_std else 0.0)
        return (mixture.mean, mixture.sd) if return_std else mixture.mean

    def predict_interval(self, X: Any, level: float = 0.95) -> tuple[Floats, Floats]:
        """The interval in which each row's expected result lies with probability `level`."""
        return self._ask(X, 0.0).interval(level)

    def contrast(self, vectors: Any) -> TMixture:
        """What the fit says of linear contrasts (questions, columns) of the coefficients."""
        check_is_fitted(self)
        vectors = np.atleast_2d(np.asarray(vectors, dtype=float))
        flat = np.column_stack([np.zeros(len(vectors)), vectors[:, self._flat]])
        return self.fit_.ask(Contrasts(flat, self._shrunk(vectors)))

    def _ask(self, X: Any, noise: float) -> TMixture:
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=np.float64)
        shrunk, flat = self._parts(X)
        return self.fit_.ask(Contrasts(flat, shrunk), noise)

    def _layout(self, width: int) -> tuple[list[list[int]], list[int]]:
        columns = [list(range(width))] if self.blocks is None else [list(block) for block in self.blocks]
        placed = [column for block in columns for column in block]
        if len(set(placed)) < len(placed) or not set(placed) <= set(range(width)):
            raise ValueError("blocks must name columns of X, each at most once")
        return columns, [column for column in range(width) if column not in placed]

    def _parts(self, X: Floats) -> tuple[Floats, Floats]:
        centred = X - self.centre_
        return self._shrunk(centred), np.column_stack([np.ones(len(X)), centred[:, self._flat]])

    def _shrunk(self, rows: Floats) -> Floats:
        return rows[:, [column for block in self._columns for column in block]]
