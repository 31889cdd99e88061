"""Scores of one attribute: each sample's mean, adjusted for who tasted what, when and in which place.

The model of one set of tastings:

    score = mean + slope_assessor * sample + session + order * place
            + assessor + assessor:session + assessor:sample + error

Sample, session and order are fixed, all that holds an assessor is random: what is said is meant for people
like these, not for these alone. assessor:sample can be told from error only where an assessor scored a
sample twice; then the samples are judged against it, never against the error alone. The slopes
(mixed assessor model) are 1 unless given; see `pipeline.panel.scaling`.

Two kinds of interval come of it: of a mean ("with another panel": it holds how differently people use the
scale) and of a difference, which does not. Samples are compared by differences.

source : two-way mixed model and tests against the interaction as in Naes, Brockhoff & Tomic, Statistics for
         Sensory and Consumer Science, 2010 (from memory); checked against lme4, lmerTest and emmeans.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.panel.mixed import Array, Block, Estimate, RemlFit, factor_kernel, fit_reml

Levels = NDArray[np.int64]

LEAST_ASSESSORS = 3
"""Fewer assessors than this speak for themselves only: raw means, no interval."""


@dataclass(frozen=True)
class Scores:
    """Scores of one attribute, one entry a pour: levels count from 0, `order` is NaN where not written."""

    value: Array
    assessor: Levels
    sample: Levels
    session: Levels
    order: Array

    @property
    def assessors(self) -> int:
        return len(np.unique(self.assessor))

    @property
    def samples(self) -> int:
        return int(self.sample.max()) + 1

    def raw_means(self) -> Array:
        """Mean of each sample over its assessors, each assessor counting once."""
        means = np.full(self.samples, np.nan)
        for sample in range(self.samples):
            own = self.sample == sample
            people = self.assessor[own]
            means[sample] = np.mean([self.value[own][people == one].mean() for one in np.unique(people)])
        return means


@dataclass(frozen=True)
class ScoreFit:
    """The fitted model of one attribute; all estimates in points of the scale.

    fit            : the mixed model below
    contrasts      : (samples, samples - 1), how each sample's place among them follows from the fixed effects
    has            : names of the variances in the order of `fit.theta`
    order_at       : place of the order effect among the fixed effects; None when it could not be had
    sessions       : number of session columns
    unit_u         : relative standard uncertainty of the typical use of the scale, the unit of differences
    """

    fit: RemlFit
    contrasts: Array
    has: tuple[str, ...]
    order_at: int | None
    sessions: int
    unit_u: float = 0.0

    def variance(self, name: str) -> float | None:
        """Variance of a random part (`assessor`, `session`, `interaction`, `error`); None when not in the
        model."""
        return float(self.fit.theta[self.has.index(name)]) if name in self.has else None

    def mean(self, sample: int) -> Estimate:
        """Adjusted mean of a sample: at an average place and session, for people like these."""
        contrast = self._place(sample)
        contrast[0] = 1.0
        return self.fit.estimate(contrast)

    def deviation(self, sample: int) -> Estimate:
        """How far a sample lies above the average of the set."""
        return self._compared(self._place(sample))

    def difference(self, one: int, other: int) -> Estimate:
        """How far one sample lies above another."""
        return self._compared(self._place(one) - self._place(other))

    def places(self) -> Array:
        """Every sample's deviation from the set's average."""
        return self.contrasts @ self.fit.beta[1 : 1 + self.contrasts.shape[1]]

    def order_effect(self) -> Estimate | None:
        """Change of a score from one place in the serving order to the next; None when it could not be
        had."""
        if self.order_at is None:
            return None
        contrast = np.zeros(len(self.fit.beta))
        contrast[self.order_at] = 1.0
        return self.fit.estimate(contrast)

    def sample_test(self) -> tuple[float, float, float, float]:
        """F, its two degrees of freedom, and p that all samples are alike."""
        size = self.contrasts.shape[1]
        contrasts = np.zeros((size, len(self.fit.beta)))
        contrasts[:, 1 : 1 + size] = np.eye(size)
        return self.fit.f_test(contrasts)

    def _compared(self, contrast: Array) -> Estimate:
        return replace(self.fit.estimate(contrast), unit_u=self.unit_u)

    def _place(self, sample: int) -> Array:
        contrast = np.zeros(len(self.fit.beta))
        contrast[1 : 1 + self.contrasts.shape[1]] = self.contrasts[sample]
        return contrast


def sum_contrasts(levels: int) -> Array:
    """Sum-to-zero coding: one row a level; the last level is minus the sum of the others."""
    return np.vstack([np.eye(levels - 1), -np.ones((1, levels - 1))])


def fit_scores(
    scores: Scores, slopes: Array | None = None, unit_u: float = 0.0, start: Array | None = None
) -> ScoreFit:
    """Fit one attribute of one set of tastings.

    slopes : slope of each assessor level on the scale, 1 for the panel's typical use; None for all 1
    unit_u : relative standard uncertainty of that typical use
    start  : variances to begin from, those of the plain fit: saves steps, changes nothing else
    raises : `ValueError` with the reason when samples cannot be compared
    """
    if scores.samples < 2:
        raise ValueError("there is one sample only")
    if scores.assessors < LEAST_ASSESSORS:
        raise ValueError(f"fewer than {LEAST_ASSESSORS} assessors")
    contrasts = sum_contrasts(scores.samples)
    stretch = np.ones(len(scores.value)) if slopes is None else slopes[scores.assessor]
    session_columns = _session_columns(scores)
    columns = [np.ones((len(scores.value), 1)), stretch[:, None] * contrasts[scores.sample], session_columns]
    order = _order_column(scores)
    order_at: int | None = None
    if order is not None:
        with_order = np.hstack([*columns, order[:, None]])
        if np.linalg.matrix_rank(with_order) == with_order.shape[1] < len(scores.value) - 2:
            columns.append(order[:, None])
            order_at = with_order.shape[1] - 1
    design = np.hstack(columns)
    has, kernels_of = _random_parts(scores)
    blocks = []
    for assessor in np.unique(scores.assessor):
        own = np.flatnonzero(scores.assessor == assessor)
        blocks.append(Block(scores.value[own], design[own], kernels_of(own)))
    return ScoreFit(fit_reml(blocks, start=start), contrasts, has, order_at, session_columns.shape[1], unit_u)


def _session_columns(scores: Scores) -> Array:
    sessions = np.unique(scores.session)
    if len(sessions) < 2:
        return np.zeros((len(scores.value), 0))
    return sum_contrasts(len(sessions))[np.searchsorted(sessions, scores.session)]


def _order_column(scores: Scores) -> Array | None:
    """Place in the serving order less its mean; None unless every pour has one and they differ."""
    if not np.all(np.isfinite(scores.order)) or np.ptp(scores.order) == 0.0:
        return None
    centred: Array = scores.order - scores.order.mean()
    return centred


def _random_parts(scores: Scores) -> tuple[tuple[str, ...], Callable[[Levels], tuple[Array, ...]]]:
    """Which random parts the data can tell apart, and their kernels for the rows of one assessor."""
    people = int(scores.assessor.max()) + 1
    evenings = scores.session * people + scores.assessor
    cells = scores.sample * people + scores.assessor
    has_sessions = len(np.unique(evenings)) > scores.assessors
    # One repeated cell alone would carry a variance on a single comparison.
    has_repeats = len(cells) - len(np.unique(cells)) >= 2
    names = ["assessor"]
    names += ["session"] if has_sessions else []
    names += ["interaction"] if has_repeats else []
    names.append("error")

    def kernels_of(own: Levels) -> tuple[Array, ...]:
        kernels = [np.ones((len(own), len(own)))]
        if has_sessions:
            kernels.append(factor_kernel(scores.session[own]))
        if has_repeats:
            kernels.append(factor_kernel(scores.sample[own]))
        return (*kernels, np.eye(len(own)))

    return tuple(names), kernels_of


def linked_sets(assessor: Levels, sample: Levels, session: Levels) -> Levels:
    """Number of the set each pour belongs to: samples are comparable when a chain of tasters links them.

    Two samples are linked when one assessor scored both in one session. Samples of different sets were
    never held against each other, so no difference between them can be told from the mood of an evening.
    """
    people = int(assessor.max()) + 1 if len(assessor) else 0
    sittings = session * people + assessor
    _, sitting = np.unique(sittings, return_inverse=True)
    root = np.arange(int(sample.max()) + 1 if len(sample) else 0)

    def find(node: int) -> int:
        while root[node] != node:
            root[node] = root[root[node]]
            node = int(root[node])
        return node

    first: dict[int, int] = {}
    for where, what in zip(sitting.tolist(), sample.tolist(), strict=True):
        known = first.setdefault(where, what)
        one, other = find(known), find(what)
        root[max(one, other)] = min(one, other)
    names = np.array([find(what) for what in sample.tolist()], dtype=np.int64)
    return np.unique(names, return_inverse=True)[1].astype(np.int64)
