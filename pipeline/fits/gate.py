"""Does a family of choices matter at all? Permutation gates, and how many of them are asked at once.

A gate asks whether a family goes with what a fit without it leaves over more closely than it would had its
choices fallen to the batches by luck (the choices are permuted against the leftovers, as N. R. Draper, D.
M. Stoneman, Technometrics 8 (1966) 695-699 do, from memory). Since the leftovers know nothing of the
family, the gate keeps its level however the other families were fitted; where choices went together it errs
on the side of silence. The measure is the size of a ridge fit, which stays meaningful where columns nearly
repeat each other; its strength comes from the family's prior scale. Several gates together: Y. Benjamini,
Y. Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300 (from memory), at 4 %, so that a season in which
nothing matters passes any gate less than once in twenty.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from pipeline.fits.mixture import Floats

PERMUTATIONS = 1999
LEVEL = 0.04
"""Share of passed gates that may be luck; with nothing real, the chance that any passes.

One in twenty is what is promised; the rest is kept in hand.
"""

_FEWEST_LEFT = 4
# Past this many rows the permutation distribution is the normal theory's to every printed digit.
_MOST_PERMUTED = 2000
_SEED = 20


@lru_cache(maxsize=4)
def _orders(rows: int) -> NDArray[np.int64]:
    """The fixed permutations of so many rows, so that the same season gives the same answer."""
    rng = np.random.default_rng(_SEED)
    return rng.permuted(np.tile(np.arange(rows), (PERMUTATIONS, 1)), axis=1)


def gate_p_value(left_over: Floats, family: Floats, scale: float) -> float | None:
    """Chance of as much explained by luck; None when it cannot be asked.

    left_over (n,) : what a fit without the family leaves of the response
    family (n, p)  : the family's columns
    scale          : the family's prior scale, which sets how gently it is fitted
    It cannot be asked when the family did not vary or has hardly fewer columns than there are rows.
    """
    n = len(left_over)
    left = left_over - left_over.mean()
    own = family - family.mean(axis=0)
    rank = _rank(own)
    if rank == 0 or n - 1 - rank < _FEWEST_LEFT or np.ptp(left_over) == 0:
        return None
    if n > _MOST_PERMUTED:
        return _f_p_value(left, own, rank)
    values, vectors = np.linalg.eigh(own.T @ own)
    kept = values > 1e-9 * values.max()
    directions = own @ (vectors[:, kept] / np.sqrt(values[kept] + (2.0 / scale) ** 2))
    observed = ((left @ directions) ** 2).sum()
    explained = ((left[_orders(n)] @ directions) ** 2).sum(axis=1)
    beyond = int((explained >= observed * (1.0 - 1e-9)).sum())
    return (1 + beyond) / (PERMUTATIONS + 1)


def passed(p_values: Sequence[float | None], level: float = LEVEL) -> list[bool]:
    """Which gates are passed when all are asked together (Benjamini and Hochberg's sequence)."""
    asked = sorted((p, place) for place, p in enumerate(p_values) if p is not None)
    last = 0
    for rank, (p, _) in enumerate(asked, start=1):
        if p <= level * rank / len(asked):
            last = rank
    kept = {place for _, place in asked[:last]}
    return [place in kept for place in range(len(p_values))]


def _f_p_value(left: Floats, own: Floats, rank: int) -> float:
    fitted = own @ np.linalg.lstsq(own, left, rcond=None)[0]
    freedom = len(left) - 1 - rank
    ratio = (fitted @ fitted / rank) / ((left - fitted) @ (left - fitted) / freedom)
    return float(fdtrc(rank, freedom, ratio))


def _rank(columns: Floats) -> int:
    if columns.shape[1] == 0:
        return 0
    values = np.linalg.svd(columns, compute_uv=False)
    return int((values > 1e-7 * np.sqrt(len(columns))).sum())
