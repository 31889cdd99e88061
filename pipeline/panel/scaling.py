"""The mixed assessor model: people who use more or less of the scale, and people who disagree.

An assessor's slope is how much of a difference between samples he writes down, the typical assessor's being
1. Part of the interaction between assessor and sample is only that; the rest is disagreement. The slopes of
one assessor are taken together over all sets of a season, because how much of a scale a person uses is a
habit and one evening says little about it.

The classic slope is taken on the panel's mean, which holds the assessor's own scores: one who scores at
random agrees with himself in it and seems to use much of the scale. It serves the classic split only. What
is used and told is the slope of one common factor, in units of the typical assessor, see
`pipeline.panel.slopes`. Where the slopes are too uncertain all of them stay 1, and a difference is one of the
panel's own average use of the scale.

sources : Brockhoff & Skovgaard, Food Qual. Pref. 5 (1994) 215; Brockhoff, Schlich & Skovgaard, Food Qual.
          Pref. 39 (2015) 156 (scaling split from disagreement, from memory; checked by a hand calculation
          confirmed in R).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from pipeline.panel.mixed import Array
from pipeline.panel.scores import ScoreFit, Scores, sum_contrasts
from pipeline.panel.slopes import Cells as FactorCells
from pipeline.panel.slopes import factor_slopes, typical_slope

LEAST_ASSESSORS = 4
MOST_SLOPE_SE = 0.2
"""Slopes are used where their middle standard error is below this. On samples that are alike, or on few of
them, nobody's scale can be read; the simulation in tests/panel shows what is gained and what is not (own
choice)."""


@dataclass(frozen=True)
class Scaling:
    """How the assessors use the scale, over one or more sets of one attribute.

    assessors          : the levels below, in the order of `slopes`
    classic            : each assessor's slope on the panel's mean, averaging 1 where tables are complete
    slopes             : each assessor's slope on the common factor, in slopes of the typical assessor
    slope_se           : its standard error, from that assessor's own scatter
    drawn, drawn_se    : the slopes drawn towards what people like him have, and what is not known of them
    unit_u             : relative standard uncertainty of the typical assessor's slope
    ss_scaling, df_scaling           : sum of squares of slopes differing
    ss_disagreement, df_disagreement : what is left of the interaction
    """

    assessors: tuple[int, ...]
    classic: Array
    slopes: Array
    slope_se: Array
    drawn: Array
    drawn_se: Array
    unit_u: float
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
        return float(fdtrc(self.df_scaling, self.df_disagreement, self.f_scaling))

    @property
    def is_usable(self) -> bool:
        """Whether every assessor has a slope at all."""
        known = np.isfinite(self.slope_se) & (self.slope_se > 0.0)
        return len(self.slopes) >= LEAST_ASSESSORS and bool(known.all())

    @property
    def is_carried(self) -> bool:
        """Whether the data say enough of the slopes to use them."""
        return self.is_usable and float(np.median(self.drawn_se)) < MOST_SLOPE_SE

    def by_level(self) -> Array:
        """The slope to use for each assessor level, counted from 0; 1 for a level that scored nothing."""
        slopes = np.ones(max(self.assessors) + 1)
        slopes[list(self.assessors)] = self.drawn
        return slopes


def read_scaling(sets: Sequence[tuple[Scores, ScoreFit]]) -> Scaling:
    """Slopes and the split of the interaction, from plain fits of one or more sets of one attribute."""
    people = sorted({int(one) for scores, _ in sets for one in np.unique(scores.assessor)})
    sums = {one: _Sums() for one in people}
    interaction, df_interaction = 0.0, 0
    for scores, fitted in sets:
        cells = centred_cells(scores, fitted)
        for one, cell in cells.items():
            interaction += float(np.sum(cell.weights * (cell.own - cell.place) ** 2))
            sums[one].add(cell)
        count = sum(len(cell.own) for cell in cells.values())
        df_interaction += count - len(cells) - scores.samples + 1
    squares = np.array([sums[one].place_square for one in people])
    classic = np.array([sums[one].classic() for one in people])
    ss_scaling = float(np.sum((classic - 1.0) ** 2 * squares))
    df_scaling = int(np.sum(squares > 0.0)) - 1
    found = factor_slopes(_factor_cells(sets, people))
    # Others who agree on nothing give no scale to measure a slope by.
    is_usable = float(np.median(found.value)) > 0.0
    typical = typical_slope(found.value, found.se) if is_usable else None
    return Scaling(
        assessors=tuple(people),
        classic=classic,
        slopes=found.value / typical.slope if typical else np.ones(len(people)),
        slope_se=found.se / typical.slope if typical else np.full(len(people), np.nan),
        drawn=typical.drawn if typical else np.ones(len(people)),
        drawn_se=found.se / typical.slope if typical else np.full(len(people), np.nan),
        unit_u=typical.relative_u if typical else 0.0,
        ss_scaling=ss_scaling,
        df_scaling=df_scaling,
        ss_disagreement=max(interaction - ss_scaling, 0.0),
        df_disagreement=df_interaction - df_scaling,
    )


def _factor_cells(sets: Sequence[tuple[Scores, ScoreFit]], people: Sequence[int]) -> FactorCells:
    """The cells of all sets side by side, sessions and places in the order taken off."""
    values, weights, evenings = [], [], []
    for number, (scores, fitted) in enumerate(sets):
        cell = np.searchsorted(people, scores.assessor) * scores.samples + scores.sample
        shape = (len(people), scores.samples)
        size = len(people) * scores.samples
        pours = np.bincount(cell, minlength=size).reshape(shape).astype(np.float64)
        left = scores.value - _nuisance(scores, fitted)
        total = np.bincount(cell, weights=left, minlength=size).reshape(shape)
        own, error = fitted.variance("interaction") or 0.0, fitted.variance("error") or 1.0
        seen = np.maximum(pours, 1.0)
        values.append(total / seen)
        weights.append(np.where(pours > 0.0, (own + error) / (own + error / seen), 0.0))
        evenings.append(np.full(scores.samples, number))
    return FactorCells(np.hstack(values), np.hstack(weights), np.concatenate(evenings))


@dataclass(frozen=True)
class Cells:
    """One assessor's mean score of each sample of a set, less his own level; weights are numbers of pours.

    place  : the samples' fitted places, centred in the same way
    others : mean of the other assessors' scores less their levels; NaN where nobody else scored the sample
    level  : the level taken off, above the panel's
    """

    samples: NDArray[np.int64]
    own: Array
    place: Array
    others: Array
    weights: Array
    level: float


def centred_cells(scores: Scores, fitted: ScoreFit) -> dict[int, Cells]:
    """Every assessor's cells of one set, session and order effects taken off."""
    places, middle = fitted.places(), float(fitted.fit.beta[0])
    value = scores.value - _nuisance(scores, fitted)
    raw = {}
    total, count = np.zeros(scores.samples), np.zeros(scores.samples)
    for one in np.unique(scores.assessor).tolist():
        mine = scores.assessor == one
        samples, where = np.unique(scores.sample[mine], return_inverse=True)
        weights = np.bincount(where).astype(np.float64)
        means = np.bincount(where, weights=value[mine]) / weights
        level = float(np.average(means - places[samples], weights=weights))
        raw[one] = (samples, means - level, weights, level)
        total[samples] += means - level
        count[samples] += 1.0
    cells = {}
    for one, (samples, means, weights, level) in raw.items():
        left = count[samples] - 1.0
        others = np.divide(total[samples] - means, left, out=np.full(len(samples), np.nan), where=left > 0.0)
        cells[one] = Cells(
            samples=samples,
            own=_centred(means, weights),
            place=_centred(places[samples], weights),
            others=_centred(others, weights * np.isfinite(others)),
            weights=weights,
            level=level - middle,
        )
    return cells


def _centred(values: Array, weights: Array) -> Array:
    known = np.isfinite(values)
    if not weights[known].sum() > 0.0:
        return values
    return values - float(np.average(values[known], weights=weights[known]))


class _Sums:
    """One assessor's sums over all sets."""

    def __init__(self) -> None:
        self.place_square = self.place_product = 0.0

    def add(self, cell: Cells) -> None:
        self.place_square += float(np.sum(cell.weights * cell.place**2))
        self.place_product += float(np.sum(cell.weights * cell.place * cell.own))

    def classic(self) -> float:
        return self.place_product / self.place_square if self.place_square > 0.0 else 1.0


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
