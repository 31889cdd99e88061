"""The binomial distribution by the incomplete beta function: chances and critical numbers, many at once.

The figures of scipy.stats' `binom` (held to it in tests/panel), which takes a third of a second to import.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import bdtrik, betainc, betaincc

Array = NDArray[np.float64]


def chance_of_at_least(correct: ArrayLike, trials: ArrayLike, frac: float) -> Array:
    """Chance of so many right answers or more when each is right with `frac`, above 0 and below 1."""
    correct, trials = np.broadcast_arrays(np.asarray(correct, float), np.asarray(trials, float))
    inside = np.clip(correct, 1.0, trials)
    found = betainc(inside, trials - inside + 1.0, frac)
    return np.asarray(np.where(correct < 1.0, 1.0, np.where(correct > trials, 0.0, found)))


def chance_of_at_most(correct: ArrayLike, trials: ArrayLike, frac: float) -> Array:
    """Chance of so many right answers or fewer."""
    correct, trials = np.broadcast_arrays(np.asarray(correct, float), np.asarray(trials, float))
    inside = np.clip(correct, 0.0, trials - 1.0)
    found = betaincc(inside + 1.0, trials - inside, frac)
    return np.asarray(np.where(correct < 0.0, 0.0, np.where(correct >= trials, 1.0, found)))


def fewest_beyond(level: float, trials: NDArray[np.int64], frac: float) -> NDArray[np.int64]:
    """Fewest right answers that luck reaches with at most `level`; one more than the trials where none do."""
    number = np.ceil(bdtrik(1.0 - level, trials, frac)) + 1.0
    # The root may lie a rounding to either side of a whole number.
    number = np.where(chance_of_at_least(number - 1.0, trials, frac) <= level, number - 1.0, number)
    number = np.where(chance_of_at_least(number, trials, frac) > level, number + 1.0, number)
    return np.asarray(number, dtype=np.int64)
