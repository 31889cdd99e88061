"""Serving plans: Williams squares, so that no sample always comes first or always after the same one, and
blind codes.

source : E. J. Williams, Australian J. Scientific Research A 2 (1949) 149 (construction from memory; the
         balance
         itself is what tests/panel checks)
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

FIRST_CODE, LAST_CODE = 101, 999


def williams_square(samples: int) -> NDArray[np.int64]:
    """Serving orders in which every sample stands equally often at every place and after every other one.

    samples : how many, 2 or more
    returns : one row an order; as many rows as samples when their number is even, twice as many when odd

    >>> williams_square(4).tolist()
    [[0, 3, 1, 2], [1, 0, 2, 3], [2, 1, 3, 0], [3, 2, 0, 1]]
    """
    if samples < 2:
        raise ValueError(f"a serving order needs two samples or more, not {samples}")
    first = np.zeros(samples, dtype=np.int64)
    first[1::2] = samples - 1 - np.arange(samples // 2)
    first[2::2] = np.arange(1, (samples + 1) // 2)
    square = (first[None, :] + np.arange(samples)[:, None]) % samples
    return square if samples % 2 == 0 else np.vstack([square, square[:, ::-1]])


def serving_orders(assessors: int, samples: int, rng: np.random.Generator) -> NDArray[np.int64]:
    """One order an assessor, from Williams squares whose samples and rows are drawn at random.

    With as many assessors as the square has rows (or a multiple) the plan is balanced; with fewer, nearly.
    """
    orders: list[NDArray[np.int64]] = []
    while sum(len(each) for each in orders) < assessors:
        square = williams_square(samples)
        names = rng.permutation(samples)
        # An odd square is balanced only whole: its halves stay together, rows shuffled within each.
        halves = square.reshape(-1, samples, samples)
        orders.append(names[np.vstack([half[rng.permutation(samples)] for half in halves])])
    return np.vstack(orders)[:assessors]


def is_balanced(orders: NDArray[np.int64]) -> bool:
    """Whether every sample stands equally often at every place and directly after every other sample."""
    count = int(orders.max()) + 1
    places = np.zeros((count, orders.shape[1]), dtype=np.int64)
    follows = np.zeros((count, count), dtype=np.int64)
    for row in orders:
        places[row, np.arange(len(row))] += 1
        follows[row[:-1], row[1:]] += 1
    off_diagonal = follows[~np.eye(count, dtype=bool)]
    return bool(len(np.unique(places)) == 1 and len(np.unique(off_diagonal)) == 1)


def blind_codes(count: int, rng: np.random.Generator, taken: frozenset[str] = frozenset()) -> list[str]:
    """Three-digit codes, none twice, none of `taken`, none that a person reads as a sign (111, 123, 321,
    100s).

    Raises `ValueError` when there are not so many.
    """
    free = [str(code) for code in range(FIRST_CODE, LAST_CODE + 1) if not _is_telling(str(code))]
    free = [code for code in free if code not in taken]
    if count > len(free):
        raise ValueError(f"{count} codes are wanted, but only {len(free)} three-digit codes are free")
    return [free[place] for place in rng.choice(len(free), size=count, replace=False)]


def _is_telling(code: str) -> bool:
    steps = {int(after) - int(before) for before, after in pairwise(code)}
    return steps in ({-1}, {0}, {1}) or code.endswith("00")
