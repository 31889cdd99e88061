"""How much of the scale each assessor uses: slopes on what the samples are, and the typical assessor.

Cell by cell, with samples, evenings and places taken off as the plain fit found them:

    y_is = level_i + b_i x_s + e_is,   x_s ~ N(0, s_x^2),   e_is ~ N(0, psi_i)

with a level for every assessor and evening and an error of each assessor's own. That is one common factor:
its slopes are not drawn together by the error of the panel's mean, as slopes on a mean are, and a person who
scores at random lends the samples nothing. Only the slopes' ratios are known, so one assessor has to be
called 1: the typical one. Neither the mean nor the median will do, since a few people on half the scale
draw both down. A panel is therefore taken as three sorts of people,

    usual ones around the typical slope, those who use about half of the scale, those who use far more,

how many of each and how far the usual ones spread unknown; the typical slope, its uncertainty and each
assessor's slope drawn towards his sort come from a fixed grid.

sources : EM for one factor with errors of their own, Rubin & Thayer, Psychometrika 47 (1982) 69 (from
          memory); mixed assessor model: see `pipeline.panel.scaling`. The three sorts and their sizes are
          our own choice, tested by simulation (tests/panel).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.panel.mixed import Array

MOST_STEPS = 300
TOLERANCE = 1e-5
_PRIOR_CELLS = 2.0
"""So many cells at the panel's pooled error stand beside each assessor's own: a few cells fit too well."""

_TYPICAL = np.exp(np.linspace(-0.7, 0.7, 71))
"""Typical slopes looked at, around the median one."""
_SPREADS = np.array([0.0, 0.05, 0.1, 0.15, 0.2, 0.3])
_SPREAD_PRIOR = np.exp(-0.5 * (_SPREADS / 0.1) ** 2)
_OUTSIDE = np.array([0.01, 0.05, 0.1, 0.2, 0.3, 0.4])
"""Shares of people outside the usual use of the scale; each as likely beforehand."""
_SORTS = ((0.8, 0.5, 0.12), (0.2, 1.6, 0.3))
"""Of those outside: their part, where they lie and how they spread, in typical slopes."""
_LEAST_SLOPE = 0.1


@dataclass(frozen=True)
class Cells:
    """Mean score of each assessor (rows) and sample (columns), all sets side by side.

    value   : the means, whatever stands where there was none
    weight  : how much a cell's mean tells beside one of a single pour; 0 where there was none
    evening : the set of each column, from 0
    """

    value: Array
    weight: Array
    evening: NDArray[np.int64]


@dataclass(frozen=True)
class Slopes:
    """Slopes of the one-factor model, their mean square being 1, and their standard errors."""

    value: Array
    se: Array


@dataclass(frozen=True)
class Typical:
    """The typical assessor of a panel.

    slope      : his slope
    relative_u : its standard uncertainty as a part of it: that of the unit in which differences are told
    drawn      : every assessor's slope in typical ones, drawn towards his sort by its uncertainty
    """

    slope: float
    relative_u: float
    drawn: Array


def factor_slopes(cells: Cells) -> Slopes:
    """Maximum likelihood slopes of one common factor by EM; standard errors without end on samples alike."""
    known = (cells.weight > 0.0).astype(np.float64)
    joined = np.eye(int(cells.evening.max()) + 1)[cells.evening]
    tasted = np.maximum(cells.weight @ joined, 1e-12)

    def level(values: Array) -> Array:
        found: Array = (cells.weight * values) @ joined / tasted
        return found

    middle = level(cells.value)
    own = (cells.value - middle @ joined.T) * known
    freedom = np.maximum(known.sum(axis=1) - ((known @ joined) > 0.0).sum(axis=1) - 1.0, 1.0)
    slopes = np.ones(len(own))
    error = np.full(len(own), max(0.5 * float(np.sum(cells.weight * own**2)) / float(freedom.sum()), 1e-12))
    spread = float(error[0])
    square = np.zeros(len(own))
    for _ in range(MOST_STEPS):
        doubt = 1.0 / (1.0 / spread + np.sum(cells.weight * (slopes**2 / error)[:, None], axis=0))
        gap = cells.value - middle @ joined.T
        place = doubt * np.sum(cells.weight * (slopes / error)[:, None] * gap, axis=0)
        places = np.broadcast_to(place, own.shape)
        at = level(places)
        shift = (places - at @ joined.T) * known
        # What is not known of the samples' places belongs to their squares, less what the levels took.
        square = np.sum(cells.weight * (shift**2 + doubt), axis=1)
        square -= np.sum(((cells.weight**2 * doubt) @ joined) / tasted, axis=1)
        square = np.maximum(square, 1e-12)
        found = np.sum(cells.weight * shift * own, axis=1) / square
        left = np.maximum(np.sum(cells.weight * own**2, axis=1) - found**2 * square, 0.0)
        pooled = float(left.sum() / freedom.sum())
        error = np.maximum((left + _PRIOR_CELLS * pooled) / (freedom + _PRIOR_CELLS), 1e-12)
        size = max(float(np.sqrt(np.mean(found**2))), 1e-6)
        middle = level(cells.value) - found[:, None] * at
        spread = max(float(np.mean(place**2 + doubt)) * size**2, 1e-12)
        found = found / size
        square = square * size**2
        moved = float(np.max(np.abs(found - slopes)))
        slopes = found
        if moved < TOLERANCE:
            break
    return Slopes(slopes, np.sqrt(error / square))


def typical_slope(slopes: Array, se: Array) -> Typical:
    """The typical assessor's slope by averaging over a grid of slopes, spreads and shares of others.

    slopes, se : slopes and their standard errors, one an assessor; their median must be above zero
    """
    typical = float(np.median(slopes)) * _TYPICAL
    usual = [_normal(slopes, se, typical, 1.0, spread) for spread in _SPREADS]
    inside = np.stack([density for density, _ in usual], axis=1)
    inside_mean = np.stack([mean for _, mean in usual], axis=1)
    outside, outside_mean = np.zeros((len(typical), len(slopes))), np.zeros((len(typical), len(slopes)))
    for part, centre, spread in _SORTS:
        density, mean = _normal(slopes, se, typical, centre, spread)
        outside += part * density
        outside_mean += part * density * mean
    outside_mean /= np.maximum(outside, 1e-300)
    share = _OUTSIDE[None, None, :, None]
    apart = share * outside[:, None, None, :]
    both = (1.0 - share) * inside[:, :, None, :] + apart
    log_weight = np.log(np.maximum(both, 1e-300)).sum(axis=-1) + np.log(_SPREAD_PRIOR)[None, :, None]
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    apart = apart / np.maximum(both, 1e-300)
    drawn = (1.0 - apart) * inside_mean[:, :, None, :] + apart * outside_mean[:, None, None, :]
    drawn /= typical[:, None, None, None]
    at, logs = weight.sum(axis=(1, 2)), np.log(typical)
    middle = float(at @ logs)
    return Typical(
        slope=float(np.exp(middle)),
        relative_u=float(np.sqrt(at @ (logs - middle) ** 2)),
        drawn=np.maximum(np.einsum("tsp,tspn->n", weight, drawn), _LEAST_SLOPE),
    )


def _normal(slopes: Array, se: Array, typical: Array, centre: float, spread: float) -> tuple[Array, Array]:
    """Density of each slope for a sort of people, and that slope drawn towards it; (typical, people)."""
    own = (typical * spread)[:, None] ** 2
    variance = own + se**2
    gap = slopes - (typical * centre)[:, None]
    density = np.exp(-0.5 * gap**2 / variance) / np.sqrt(2.0 * np.pi * variance)
    return density, (typical * centre)[:, None] + gap * own / variance
