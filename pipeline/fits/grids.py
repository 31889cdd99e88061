"""The grids that a block's ratio is summed over: ratios, and the prior mass of each one's cell."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import stdtr

from pipeline.fits.mixture import Floats

# A ratio of nought is worked out as this.
_NOUGHT = 1e-4
_PRIOR_FREEDOM = 3.0


@lru_cache(maxsize=64)
def ratio_grid(scale: float, steps: int) -> tuple[Floats, Floats]:
    """Ratios (the first nought) and the prior mass of each one's cell.

    The ratios span 0.3/8 to 40/8 of the scale times eight, in equal steps of their logarithm, as wide as
    the half-t(3) prior has any use for; a cell reaches half way to its neighbours.
    """
    return _with_masses(np.geomspace(0.0375, 15.0, steps - 1), scale)


@lru_cache(maxsize=16)
def late_grid(scale: float) -> tuple[Floats, Floats]:
    """Nought and three ratios about the prior's middle: enough for a block that is there to widen."""
    return _with_masses(np.array([0.1, 0.35, 1.2]), scale)


def _with_masses(steps: Floats, scale: float) -> tuple[Floats, Floats]:
    """Nought and the steps times the scale, with the prior mass of each one's cell."""
    ratios = np.concatenate([[0.0], steps * scale])
    ends = np.concatenate([[0.0], [ratios[1] / 2.0], np.sqrt(ratios[1:-1] * ratios[2:]), [np.inf]])
    mass = np.diff(2.0 * stdtr(_PRIOR_FREEDOM, ends / scale) - 1.0)
    return np.maximum(ratios, _NOUGHT), mass
