"""How a cask's loss scatters from year to year, and what that adds to the interval of a forecast.

A cask does not lose the same share every year: summers and winters, doors and draughts, the store's own air.
The rate is taken to vary about the cask's own mean, each year by itself. How much is told by regauges that
lie further from their line than the readings' errors explain: three of one cask at least, for two always lie
on a line. One cask tells little, so all casks tell it together, each by the loss that its size leads to; what
is left open is carried along in full (the posterior of the scatter on a grid), so that few regauges give a
wide interval and not a wrong one.

Readings' errors alone would be the interval of what the cask held, not of what it will hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from pipeline.account.uncertain import Floats

FEWEST_POINTS = 3

# The scatter of one year's loss, as a share of the loss that the cask's size leads to: what it can be, and
# how likely that is before any regauge (half-normal). Own choice: a year's loss seldom departs from the
# cask's mean by its own size.
_GRID = np.linspace(0.0, 2.0, 41)
_PRIOR_SCALE = 0.4

# Regauges further off their line than this many standard deviations, were the scatter as large as the loss
# itself, are a mistake or a leak that began: they say nothing of other casks.
_BEYOND = 3.5

_HALVINGS = 40


@dataclass(frozen=True)
class Deviations:
    """What one cask's regauges say beside their line: residuals free of its level and rate.

    They are turned so that each stands for itself: with a scatter s, `values` have the variances
    1 + s^2 `walk`.

    values : how far off, in standard deviations by the readings; two fewer than the regauges
    walk   : what a scatter of one adds to the variance of each
    """

    values: Floats
    walk: Floats

    @property
    def is_beyond(self) -> bool:
        """Whether no weather explains them."""
        square = float(np.sum(self.values**2 / (1.0 + self.walk)))
        return bool(special.chdtrc(self.values.size, square) < 2.0 * special.ndtr(-_BEYOND))


@dataclass(frozen=True)
class Scatter:
    """The posterior of the scatter, on the grid, and how many casks stand behind it."""

    weight: Floats
    casks: int

    @property
    def mean_square(self) -> float:
        """Expected square of the scatter."""
        return float(self.weight @ _GRID**2)

    def half_width(self, read_u: Floats, process_unit: Floats, level: float = 0.95) -> Floats:
        """Half of the interval that holds `level` of what may come, by halving: a mixture of normals.

        read_u       : standard uncertainty of the forecasts by the readings
        process_unit : what a scatter of one would add, as a standard deviation
        """
        spread = np.sqrt(read_u[:, None] ** 2 + (process_unit[:, None] * _GRID) ** 2)
        wanted = 0.5 * (1.0 + level)
        high = float(special.ndtri(wanted)) * spread.max(axis=1)
        low = np.zeros_like(high)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            is_below = special.ndtr(middle[:, None] / spread) @ self.weight < wanted
            low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
        return np.asarray(0.5 * (low + high))


def deviations_of(years: Floats, ln_off: Floats, ln_u: Floats, scale: float) -> Deviations | None:
    """What the regauges of one cask say of the scatter; None where they are too few.

    years  : of the regauges
    ln_off : ln of what was found over what the line had expected
    ln_u   : standard uncertainty of each ln, by its readings
    scale  : share of its content that a cask of this size loses a year
    """
    is_usable = np.isfinite(ln_off).all() and (ln_u > 0.0).all() and scale > 0.0
    if years.size < FEWEST_POINTS or not is_usable:
        return None
    since = years - years[0]
    line = np.stack([np.ones_like(since), since], axis=1)
    # The directions that are left once those of the line are taken out.
    off = np.linalg.svd(line)[0][:, 2:]
    read_cov, walk_cov = (off.T * ln_u**2) @ off, scale**2 * off.T @ _wander(since, since) @ off
    walk, turned = linalg.eigh(walk_cov, read_cov)
    return Deviations(turned.T @ off.T @ ln_off, np.maximum(walk, 0.0))


def scatter_of(told: Sequence[Deviations]) -> Scatter | None:
    """What these casks say together; None if there are none."""
    if not told:
        return None
    squares = np.concatenate([each.values for each in told]) ** 2
    variance = 1.0 + np.concatenate([each.walk for each in told])[:, None] * _GRID**2
    log_likelihood = -0.5 * np.sum(np.log(variance) + squares[:, None] / variance, axis=0)
    log_weight = log_likelihood - 0.5 * (_GRID / _PRIOR_SCALE) ** 2
    weight = np.exp(log_weight - log_weight.max())
    return Scatter(weight / weight.sum(), len(told))


def walk_variance(years: Floats, at_years: float) -> float:
    """Variance of a forecast by the wandering alone, for one whose yearly rates vary by 1.

    The line of least squares through the points puts the weight c on each; the wandering W is off by
    W(T) - sum c W(t): its variance is K(T, T) + c'Kc - 2 c'K(t, T).

    years    : of the points that the line is laid through
    at_years : the day of the forecast, not before the last point

    >>> round(walk_variance(np.array([0.0, 1.0]), 2.0), 12)
    1.0
    """
    since, until = years - years[0], at_years - years[0]
    around = since - since.mean()
    weight = np.append(-1.0 / since.size - (until - since.mean()) * around / (around @ around), 1.0)
    points = np.append(since, until)
    return float(weight @ _wander(points, points) @ weight)


def _wander(one: Floats, other: Floats) -> Floats:
    """Covariance of what a rate that varies by 1 from year to year has added up to at two times.

    Two moments h years apart share the year with the chance 1 - h, and so the rate: its autocovariance. What
    it adds up to has the variance V(t) = 2 int (t - h)(1 - h) dh, and the covariance of two sums is half of
    V(t) + V(u) - V(|t - u|).
    """
    return np.asarray(
        0.5 * (_added_up(one[:, None]) + _added_up(other[None, :]) - _added_up(one[:, None] - other[None, :]))
    )


def _added_up(years: Floats) -> Floats:
    t = np.abs(years)
    return np.where(t < 1.0, t**2 - t**3 / 3.0, t - 1.0 / 3.0)
