"""Many comparisons at once: Holm's sequence, and Benjamini and Hochberg's.

sources : S. Holm, Scand. J. Statistics 6 (1979) 65; Y. Benjamini & Y. Hochberg, J. R. Statist. Soc. B 57
          (1995) 289 (both from memory)
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def holm(p_values: ArrayLike) -> NDArray[np.float64]:
    """p values held to all comparisons together: below 0.05, at most one set in twenty claims falsely.

    NaN (not tested) stays NaN and does not count.

    >>> holm([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    return _adjusted(p_values, lambda ranked: _running_max(ranked * (len(ranked) - np.arange(len(ranked)))))


def benjamini_hochberg(p_values: ArrayLike) -> NDArray[np.float64]:
    """q values: of the comparisons below 0.10, at most about a tenth are false. NaN stays NaN.

    >>> benjamini_hochberg([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.04, 0.04]
    """
    return _adjusted(p_values, lambda ranked: _step_up(ranked * len(ranked) / np.arange(1, len(ranked) + 1)))


def _running_max(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.maximum.accumulate(values)


def _step_up(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.minimum.accumulate(values[::-1])[::-1]


def _adjusted(p_values: ArrayLike, rule: Callable[[Floats], Floats]) -> NDArray[np.float64]:
    values = np.asarray(p_values, dtype=np.float64)
    adjusted = np.full(values.shape, np.nan)
    tested = np.flatnonzero(np.isfinite(values))
    order = tested[np.argsort(values[tested], kind="stable")]
    adjusted[order] = np.minimum(rule(values[order]), 1.0) if len(order) else []
    return adjusted
