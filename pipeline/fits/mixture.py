"""Mixtures of Student's t: what a fit says of a quantity once its variance ratios are summed out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

Floats = NDArray[np.float64]

_END, _STEPS_PER_UNIT = 30, 500
_MOST_STEPS = 100
# Of the quantity's standard deviation: a step to a quantile as short as this is the last.
_NO_STEP = 1e-12


@lru_cache(maxsize=256)
def _table_of(freedom: float) -> tuple[Floats, Floats]:
    """The t distribution function on a fine grid, and its rise from each place of it to the next.

    Read off with a straight line from place to place it is right to 1e-6, and many times as fast.
    """
    places = np.linspace(-_END, _END, 2 * _END * _STEPS_PER_UNIT + 1)
    table = np.asarray(stdtr(freedom, places))
    return table, np.append(np.diff(table), 0.0)


@dataclass(frozen=True)
class TMixture:
    """Several quantities at once, each a mixture of t distributions of the same degrees of freedom.

    weights : (cells,), summing to 1
    centres : (cells, quantities)
    scales  : (cells, quantities), of the t distributions, above zero
    freedom : degrees of freedom of every t
    """

    weights: Floats
    centres: Floats
    scales: Floats
    freedom: float

    @cached_property
    def mean(self) -> Floats:
        """Mean of each quantity (the t have more than one degree of freedom)."""
        return self.weights @ self.centres

    @cached_property
    def sd(self) -> Floats:
        """Standard deviation of each quantity; degrees of freedom at most 2 count as 2.1."""
        freedom = max(self.freedom, 2.1)
        within = self.weights @ self.scales**2 * freedom / (freedom - 2.0)
        return np.sqrt(within + self.weights @ (self.centres - self.mean) ** 2)

    def cdf(self, values: Floats) -> Floats:
        """Probability that each quantity lies at or below `values` (one value a quantity)."""
        return self._cdf_and_slope(values)[0]

    def quantile(self, level: float) -> Floats:
        """The value that each quantity stays below with probability `level`.

        Newton steps inside a bracket that holds the root by Cantelli's inequality; where one would leave
        it, or is not half as long as the step before, the bracket is halved instead.
        """
        wide = self.sd / np.sqrt(min(level, 1.0 - level))
        low, high = self.mean - wide, self.mean + wide
        value = self.mean + self.sd * np.clip(stdtrit(self.freedom, level), -4.0, 4.0)
        step = 2.0 * wide
        for _ in range(_MOST_STEPS):
            reached, slope = self._cdf_and_slope(value)
            is_below = reached < level
            low, high = np.where(is_below, value, low), np.where(is_below, high, value)
            change = (level - reached) / np.maximum(slope, 1e-300)
            is_last = np.abs(change) <= _NO_STEP * self.sd
            is_wild = (value + change < low) | (value + change > high) | (np.abs(change) > step / 2.0)
            change = np.where(is_wild & ~is_last, (low + high) / 2.0 - value, change)
            value, step = value + change, np.abs(change)
            if is_last.all():
                break
        return np.asarray(value)

    def interval(self, level: float) -> tuple[Floats, Floats]:
        """The central interval that holds each quantity with probability `level`."""
        tail = (1.0 - level) / 2.0
        return self.quantile(tail), self.quantile(1.0 - tail)

    def chance_positive(self) -> Floats:
        """Probability that each quantity is above zero; as the mirrored chance, so that none is lost."""
        return replace(self, centres=-self.centres).cdf(np.zeros(self.centres.shape[1]))

    def _cdf_and_slope(self, values: Floats) -> tuple[Floats, Floats]:
        """The distribution function of each quantity and its derivative."""
        table, rises = _table_of(self.freedom)
        place = np.clip(
            ((values - self.centres) / self.scales + _END) * _STEPS_PER_UNIT, 0.0, len(table) - 1.0
        )
        below = place.astype(np.int64)
        rise = rises[below]
        reached = table[below] + (place - below) * rise
        return self.weights @ reached, self.weights @ (rise * (_STEPS_PER_UNIT / self.scales))
