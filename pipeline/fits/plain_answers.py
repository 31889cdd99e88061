"""The fits' questions answered by plain methods, with their own intervals: for `make calibrate`.

Imports scikit-learn, which takes most of a second; only the calibration imports this.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student_t
from sklearn.linear_model import BayesianRidge, RidgeCV

from pipeline.fits.baselines import RIDGE_STRENGTHS
from pipeline.fits.design import Problem
from pipeline.fits.effects import LEVEL
from pipeline.fits.mixture import Floats

LEAST_SQUARES, RIDGE, BAYESIAN_RIDGE, NOTHING = "least squares", "ridge", "BayesianRidge", "no effect at all"
PLAIN_METHODS = (LEAST_SQUARES, RIDGE, BAYESIAN_RIDGE, NOTHING)

MOST_CONDITION = 30.0
"""Condition number of the scaled columns from which least squares is called ill-posed.

The usual alarm of D. A. Belsley, E. Kuh, R. E. Welsch, Regression Diagnostics (1980) (from memory).
"""

_NOUGHT = 1e-9


@dataclass(frozen=True)
class PlainAnswers:
    """Estimates of the questions, and how far their 95 % intervals reach to either side."""

    estimate: Floats
    reach: Floats

    @property
    def is_clear(self) -> NDArray[np.bool_]:
        """Whether each interval is clear of nought: what a reader of the plain method would call shown."""
        return np.asarray(np.abs(self.estimate) > self.reach)


def plain_answers(problem: Problem, vectors: Sequence[Floats]) -> dict[str, PlainAnswers]:
    """The questions (in the problem's columns; products left out) answered by each plain method.

    Least squares: t intervals, without end where the design cannot answer. Ridge at the strength that
    predicts left out best: the normal theory's interval at that strength, since it has none of its own.
    BayesianRidge: its own posterior. `NOTHING` says nought to everything.
    """
    columns, y = problem.straight, problem.y
    asked = np.array([vector[: columns.shape[1]] for vector in vectors]).reshape(-1, columns.shape[1])
    centred, rest = columns - columns.mean(axis=0), y - y.mean()
    return {
        LEAST_SQUARES: _least_squares(centred, rest, asked),
        RIDGE: _ridge(centred, rest, asked),
        BAYESIAN_RIDGE: _bayesian_ridge(columns, y, asked),
        NOTHING: PlainAnswers(np.zeros(len(asked)), np.zeros(len(asked))),
    }


def is_well_posed(problem: Problem) -> bool:
    """Whether least squares can tell all effects apart without near-ties magnifying the noise.

    Shares of a family sum to one, so that one column of each is expected to follow from the others; beyond
    these the columns (centred, each over its length) must be independent, with a condition number of 30 at
    most, and fewer than the batches.
    """
    centred = problem.straight - problem.straight.mean(axis=0)
    lengths = np.linalg.norm(centred, axis=0)
    scaled = centred[:, lengths > _NOUGHT] / lengths[lengths > _NOUGHT]
    families = [family for family in problem.families if family.is_shares or family.name == "setting"]
    free = scaled.shape[1] - len(families)
    if free < 1 or free > len(problem.y) - 2:
        return False
    values = np.linalg.svd(scaled, compute_uv=False)
    return bool(values[free - 1] * MOST_CONDITION >= values[0])


def _least_squares(columns: Floats, y: Floats, asked: Floats) -> PlainAnswers:
    u, values, rows = np.linalg.svd(columns, full_matrices=False)
    kept = values > 1e-9 * max(float(values.max(initial=0.0)), _NOUGHT)
    u, values, rows = u[:, kept], values[kept], rows[kept]
    coefficients = rows.T @ (u.T @ y / values)
    freedom = len(y) - 1 - int(kept.sum())
    estimate = asked @ coefficients
    if freedom < 1:
        return PlainAnswers(estimate, np.full(len(asked), np.inf))
    variance = float(((y - columns @ coefficients) ** 2).sum()) / freedom
    spread = np.sqrt(variance * ((asked @ rows.T / values) ** 2).sum(axis=1))
    outside = np.linalg.norm(asked - asked @ rows.T @ rows, axis=1)
    is_answered = outside <= 1e-6 * np.maximum(np.linalg.norm(asked, axis=1), _NOUGHT)
    reach = student_t.ppf(0.5 + LEVEL / 2.0, freedom) * spread
    return PlainAnswers(estimate, np.where(is_answered, reach, np.inf))


def _ridge(columns: Floats, y: Floats, asked: Floats) -> PlainAnswers:
    model = RidgeCV(alphas=RIDGE_STRENGTHS).fit(columns, y)
    _, values, rows = np.linalg.svd(columns, full_matrices=False)
    shrink = values**2 / (values**2 + model.alpha_)
    freedom = max(len(y) - 1.0 - float((2.0 * shrink - shrink**2).sum()), 1.0)
    variance = float(((y - columns @ model.coef_) ** 2).sum()) / freedom
    pull = values / (values**2 + model.alpha_)
    spread = np.sqrt(variance * ((asked @ rows.T * pull) ** 2).sum(axis=1))
    return PlainAnswers(asked @ model.coef_, student_t.ppf(0.5 + LEVEL / 2.0, freedom) * spread)


def _bayesian_ridge(columns: Floats, y: Floats, asked: Floats) -> PlainAnswers:
    # Scaled, because BayesianRidge's own priors have a unit.
    model = BayesianRidge().fit(columns, (y - y.mean()) / y.std())
    spread = y.std() * np.sqrt(np.einsum("qi,ij,qj->q", asked, model.sigma_, asked))
    return PlainAnswers(asked @ model.coef_ * y.std(), student_t.ppf(0.5 + LEVEL / 2.0, np.inf) * spread)
