"""How well a fit predicts what it has not seen, beside the plain answers; drift, and batches that sway it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, stdtrit

from pipeline.fits import baselines
from pipeline.fits.blocks import BlockFit, Contrasts, LeftOut
from pipeline.fits.curvature import CLEARLY_BETTER, MOST_ROWS, left_out_curved
from pipeline.fits.design import Problem, fit_problem
from pipeline.fits.effects import LEVEL, Effect, Question
from pipeline.fits.grouping import groups_of
from pipeline.fits.mixture import Floats

DRIFT_LEVEL = 0.01
FAR_OFF = 3.0
"""Left-out errors of more predicted standard deviations than this are named."""

SWAYS = 1.0
"""A batch whose leaving-out moves a reported effect by more of its standard deviations is named."""


@dataclass(frozen=True)
class Quality:
    """Left-out errors (root mean square) and what else a reader should know before trusting the effects.

    explained_left_out : 1 - (fit's squared error) / (mean's), left out; at or below 0 the mean wins
    drift_p            : chance of residuals lining up with the order of batches as they do, by luck
    rmse_curved        : of the Gaussian process; None when not tried
    """

    units: int
    rmse_mean: float
    rmse_least_squares: float
    rmse_ridge: float
    rmse_fit: float
    rmse_recipe_out: float
    rmse_mean_recipe_out: float
    rmse_least_squares_recipe_out: float
    rmse_ridge_recipe_out: float
    explained_left_out: float
    residual_sd: float
    drift: float
    drift_p: float
    rmse_curved: float | None

    @property
    def is_better_than_mean(self) -> bool:
        """Whether the fit predicts unseen batches better than their mean does."""
        return self.explained_left_out > 0.0

    @property
    def is_curved(self) -> bool:
        """Whether curvature or interaction shows: the Gaussian process is clearly better left out."""
        return self.rmse_curved is not None and self.rmse_curved < CLEARLY_BETTER * self.rmse_fit


@dataclass(frozen=True)
class Prediction:
    """One unit predicted by the others, and how it sways the fit (`swayed`: the effect it moves most)."""

    unit: str
    observed: float
    predicted: float
    low: float
    high: float
    off_by_sd: float
    sway: float
    swayed: str


@dataclass(frozen=True)
class Foretold:
    """Every unit predicted by the others, in the order of making: `Prediction` column by column."""

    units: tuple[str, ...]
    observed: Floats
    predicted: Floats
    low: Floats
    high: Floats
    off_by_sd: Floats
    sway: Floats
    swayed: tuple[str, ...]

    @property
    def far_off(self) -> list[str]:
        """The units that came out far off what the others foretell."""
        return [self.units[k] for k in np.flatnonzero(np.abs(self.off_by_sd) > FAR_OFF)]

    def notable(self) -> list[Prediction]:
        """Those of which there is something to say: far off, or an effect rests on them alone."""
        is_notable = (np.abs(self.off_by_sd) > FAR_OFF) | (self.sway > SWAYS)
        return [self._one(int(k)) for k in np.flatnonzero(is_notable)]

    def _one(self, k: int) -> Prediction:
        return Prediction(
            self.units[k],
            float(self.observed[k]),
            float(self.predicted[k]),
            float(self.low[k]),
            float(self.high[k]),
            float(self.off_by_sd[k]),
            float(self.sway[k]),
            self.swayed[k],
        )


def judge(fit: BlockFit, problem: Problem) -> tuple[Quality, LeftOut]:
    """The quality of a fit, and its left-out predictions."""
    y, columns = problem.y, problem.straight
    left_out = fit.left_out()
    mean_error = baselines.rmse(baselines.left_out_mean(y), y)
    error = baselines.rmse(left_out.mean, y)
    recipes = groups_of(problem.recipes)
    recipe_out = fit.left_out_by(recipes)
    directions = baselines.Directions.of(columns)
    curved = None
    if len(y) <= MOST_ROWS and columns.shape[1]:
        curved = baselines.rmse(left_out_curved(columns, y), y)
    drift, drift_p = _drift(y - left_out.mean)
    return (
        Quality(
            len(y),
            mean_error,
            baselines.rmse(baselines.left_out_least_squares(columns, y, directions), y),
            baselines.rmse(baselines.left_out_ridge(columns, y, directions), y),
            error,
            baselines.rmse(recipe_out, y),
            baselines.rmse(baselines.left_out_mean_by(recipes, y), y),
            baselines.rmse(baselines.left_out_least_squares_by(recipes, columns, y, directions), y),
            baselines.rmse(baselines.left_out_ridge_by(recipes, columns, y, directions), y),
            1.0 - (error / mean_error) ** 2,
            fit.residual_sd,
            drift,
            drift_p,
            curved,
        ),
        left_out,
    )


def predictions(
    fit: BlockFit, problem: Problem, left_out: LeftOut, asked: list[Question], sds: Floats
) -> Foretold:
    """Every unit predicted by the others, with a 95 % interval for a new result, and its sway."""
    reach = float(stdtrit(fit.freedom - 1.0, 0.975)) * np.sqrt((fit.freedom - 3.0) / (fit.freedom - 1.0))
    sway, swayed = np.zeros(len(problem.y)), ("",) * len(problem.y)
    if asked:
        vectors = np.stack([question.vector for question in asked])
        shifts = fit.shifts_without_each(Contrasts(np.zeros((len(asked), fit.flat.shape[1])), vectors))
        sways = np.abs(shifts) / sds
        most = sways.argmax(axis=1)
        sway, swayed = sways[np.arange(len(most)), most], _words_of(asked, most)
    return Foretold(
        problem.units,
        problem.y,
        left_out.mean,
        left_out.mean - reach * left_out.sd,
        left_out.mean + reach * left_out.sd,
        (problem.y - left_out.mean) / left_out.sd,
        sway,
        swayed,
    )


def _words_of(asked: Sequence[Question], places: NDArray[np.int64]) -> tuple[str, ...]:
    words = np.array([question.words for question in asked], dtype=object)
    return tuple(words[places].tolist())


def fallen_without(problem: Problem, left: Sequence[str], named: Sequence[Effect]) -> list[Question]:
    """Which named effects are no longer clear of nought when the units `left` are left out of the fit.

    The design stays as it is; only the rows go.
    """
    without = set(left)
    kept = np.array([row for row, unit in enumerate(problem.units) if unit not in without])
    families = tuple(replace(family, columns=family.columns[kept]) for family in problem.families)
    fit = fit_problem(replace(problem, y=problem.y[kept], y_u=problem.y_u[kept], families=families))
    vectors = np.stack([effect.question.vector for effect in named])
    low, high = fit.ask(Contrasts(np.zeros((len(named), fit.flat.shape[1])), vectors)).interval(LEVEL)
    return [effect.question for effect, lo, hi in zip(named, low, high, strict=True) if lo <= 0 <= hi]


def _drift(errors: Floats) -> tuple[float, float]:
    """Correlation of left-out errors with the order of the units, and its p value."""
    if len(errors) < 4 or np.ptp(errors) <= 0:
        return 0.0, 1.0
    found = float(np.corrcoef(np.arange(len(errors)), errors)[0, 1])
    # With no drift at all, (1 + r) / 2 is a beta variate.
    shape = len(errors) / 2.0 - 1.0
    return found, float(2.0 * betainc(shape, shape, (1.0 - abs(found)) / 2.0))
