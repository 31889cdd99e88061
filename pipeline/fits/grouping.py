"""Rows that are left out together: recipes as numbers, and the rows of each that can be left out whole."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

MOST_LEFT_OUT = 400
"""Rows of a group that can be left out whole; the matrix of a larger one would fill the memory."""


def groups_of(names: tuple[str, ...]) -> NDArray[np.int64]:
    """Numbers for names, for leaving out a recipe at a time."""
    return pl.Series(names, dtype=pl.String).rank("dense").to_numpy().astype(np.int64) - 1


def rows_left_out(groups: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """The rows of the groups that can be left out, groups of one size together: (groups, rows of each).

    A group that is all there is cannot be, nor one too large for the memory.
    """
    order = np.argsort(groups, kind="stable")
    found = np.split(order, np.flatnonzero(np.diff(groups[order])) + 1)
    sizes = sorted({len(rows) for rows in found if len(rows) <= min(len(groups) - 1, MOST_LEFT_OUT)})
    return [np.stack([rows for rows in found if len(rows) == size]) for size in sizes]
