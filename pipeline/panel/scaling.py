"""The mixed assessor model: people who use more or less of the scale, and people who disagree.

An assessor's slope is how much of a difference between samples he writes down, the panel's mean being 1. Part of
the interaction between assessor and sample is only that; the rest is disagreement. The slopes of one
assessor are taken together over all sets of a season, because how much of a scale a person uses is a habit and
one evening says little about it.

Slopes are drawn towards 1 by as much as they are uncertain, then set so that the typical assessor (the
median) has 1: a minority that uses half the scale then draws the samples together less. Where the slopes are
too uncertain all of them stay 1, and a difference is one of the panel's own average use of the scale.

sources : Brockhoff & Skovgaard, Food Qual. Pref. 5 (1994) 215; Brockhoff, Schlich & Skovgaard, Food Qual. Pref. 39
          (2015) 156 (scaling split from disagreement, from memory; checked by a hand calculation confirmed in R).
          Drawing together by uncertainty and the median are our own choice, tested by simulation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution

from pipeline.panel.mixed import Array
from pipeline.panel.scores import ScoreFit, Scores, sum_contrasts

LEAST_ASSESSORS = 4
MOST_SLOPE_SE = 0.2
"""Slopes are used where their middle standard error is below this. On samples that are alike, or on few of them,
nobody's scale can be read; the simulation in tests/panel shows what is gained and what is not (own choice)."""


@dataclass(frozen=True)
class Scaling:
    """How the assessors use the scale, over one or more sets of one attribute.

    assessors          : the levels below, in the order of `slopes`
    slopes             : each assessor's slope, mean 1 by construction (where tables are complete)
    slope_se           : its standard error
    ss_scaling, df_scaling           : sum of squares of slopes differing
    ss_disagreement, df_disagreement : what is left of the interaction
    """

    assessors: tuple[int, ...]
    slopes: Array
    slope_se: Array
    ss_scaling: float
    df_scaling: int
    ss_disagreement: float
    df_disagreement: int

    @property
    def f_scaling(self) -> float:
        """F of the slopes against disagreement; NaN when there is nothing to hold it against."""
        if self.df_disagreement < 1 or self.df_scaling < 1 or self.ss_disagreement <= 0.0:
            return float("nan")
        return (self.ss_scaling / self.df_scaling) / (self.ss_disagreement / self.df_disagreement)

    @property
    def p_scaling(self) -> float:
        """p that all slopes are alike."""
        return float(f_distribution.sf(self.f_scaling, self.df_scaling, self.df_disagreement))

    @property
    def is_carried(self) -> bool:
        """Whether the data say enough of the slopes to use them."""
        known = np.isfinite(self.slope_se) & (self.slope_se > 0.0)
        return (
            len(self.slopes) >= LEAST_ASSESSORS
            and bool(known.all())
            and float(np.median(self.slope_se)) < MOST_SLOPE_SE
        )

    def shrunken(self) -> Array:
        """Slopes drawn towards 1 by their uncertainty (empirical Bayes), the median set to 1."""
        count = len(self.slopes)
        if not self.is_carried:
            return np.ones(count)
        noise = self.slope_se**2
        spread = float(np.sum((self.slopes - 1.0) ** 2) / (count - 1) - noise.mean())
        if spread <= 0.0:
            return np.ones(count)
        drawn = 1.0 + (self.slopes - 1.0) * spread / (spread + noise)
        # A slope at or below zero is somebody who marks the other way round: no scale to be mended.
        drawn = np.maximum(drawn, 0.2)
        return drawn / float(np.median(self.slopes))


def read_scaling(sets: Sequence[tuple[Scores, ScoreFit]]) -> Scaling:
    """Slopes and the split of the interaction, from plain fits of one or more sets of one attribute."""
    people = sorted({int(one) for scores, _ in sets for one in np.unique(scores.assessor)})
    index = {one: place for place, one in enumerate(people)}
    products, squares = np.zeros(len(people)), np.zeros(len(people))
    interaction, df_interaction, df_scaling, ss_scaling = 0.0, 0, 0, 0.0
    for scores, fitted in sets:
        cells = _cells(scores, fitted)
        interaction += cells.interaction
        df_interaction += cells.df
        for one, product, square in zip(cells.people, cells.products, cells.squares, strict=True):
            products[index[one]] += product
            squares[index[one]] += square
    seen = squares > 0.0
    slopes = np.where(seen, np.divide(products, squares, out=np.ones_like(products), where=seen), 1.0)
    ss_scaling = float(np.sum((slopes - 1.0) ** 2 * squares))
    df_scaling = int(seen.sum()) - 1
    left = max(interaction - ss_scaling, 0.0)
    df_left = df_interaction - df_scaling
    mean_square = left / df_left if df_left > 0 else np.nan
    slope_se = np.sqrt(np.divide(mean_square, squares, out=np.full(len(people), np.nan), where=seen))
    return Scaling(tuple(people), slopes, slope_se, ss_scaling, df_scaling, left, df_left)


@dataclass(frozen=True)
class _Cells:
    people: list[int]
    products: list[float]
    squares: list[float]
    interaction: float
    df: int


def _cells(scores: Scores, fitted: ScoreFit) -> _Cells:
    """Within each assessor: scores on the samples' places, and what the places leave."""
    places = fitted.places()
    value = scores.value - _nuisance(scores, fitted)
    people, products, squares = [], [], []
    interaction, count = 0.0, 0
    for one in np.unique(scores.assessor):
        own = scores.assessor == one
        samples, where = np.unique(scores.sample[own], return_inverse=True)
        weights = np.bincount(where).astype(np.float64)
        means = np.bincount(where, weights=value[own]) / weights
        place = places[samples]
        place = place - np.average(place, weights=weights)
        means = means - np.average(means, weights=weights)
        people.append(int(one))
        products.append(float(np.sum(weights * place * means)))
        squares.append(float(np.sum(weights * place**2)))
        interaction += float(np.sum(weights * (means - place) ** 2))
        count += len(samples)
    return _Cells(people, products, squares, interaction, count - len(people) - scores.samples + 1)


def _nuisance(scores: Scores, fitted: ScoreFit) -> Array:
    """Session and order effects of each pour, to be taken off before people are compared."""
    taken = np.zeros(len(scores.value))
    start = 1 + fitted.contrasts.shape[1]
    if fitted.sessions:
        sessions = np.unique(scores.session)
        columns = sum_contrasts(len(sessions))[np.searchsorted(sessions, scores.session)]
        taken += columns @ fitted.fit.beta[start : start + fitted.sessions]
    if fitted.order_at is not None:
        taken += (scores.order - scores.order.mean()) * fitted.fit.beta[fitted.order_at]
    return taken
