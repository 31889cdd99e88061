"""A sparse symmetric positive definite matrix, factorised along a chain of blocks.

The matrix of a season's balances is long and thin: a run touches its own batch, and a batch its neighbours
through the feints they share. Reordered by reverse Cuthill-McKee it has a narrow band, and a narrow band
can be cut into blocks that touch only the next one. Work and memory then grow in proportion to the number
of batches, and the elements of the inverse that are wanted (those where the matrix itself is not zero) come
along at the same price.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.linalg import lapack
from scipy.sparse.csgraph import reverse_cuthill_mckee

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Smaller blocks cost more in calls than they save in arithmetic.
_SMALLEST_BLOCK = 24

# Two balances that say the same, to rounding, make the matrix singular; this share of its diagonal is added.
_RIDGE = 1e-13


class NotPositiveError(ArithmeticError):
    """The matrix is not positive definite: two balances say the same of the same measurements."""


@dataclass(frozen=True)
class ChainFactor:
    """Block Cholesky factor of a reordered matrix.

    order  : the matrix's row in each place of the factor
    starts : first place of each block, and the number of rows at the end
    undo   : inverse of the Cholesky factor of each diagonal block, after the blocks before it
    below  : the factor's block under each diagonal block but the last
    """

    order: Ints
    starts: Ints
    undo: list[Floats]
    below: list[Floats]
    matrix: Any

    def solve(self, right: Floats) -> Floats:
        """The solution of matrix @ x = right."""
        placed = right[self.order]
        parts = [placed[first:last] for first, last in _pairs(self.starts)]
        found: list[Floats] = []
        for number, part in enumerate(parts):
            if number:
                part = part - self.below[number - 1] @ found[-1]
            found.append(self.undo[number] @ part)
        for number in range(len(found) - 1, -1, -1):
            part = found[number]
            if number + 1 < len(found):
                part = part - self.below[number].T @ found[number + 1]
            found[number] = self.undo[number].T @ part
        answer = np.empty_like(right)
        answer[self.order] = np.concatenate(found) if found else placed
        return answer

    def inverse_on_pattern(self) -> Any:
        """The inverse's elements where the matrix has elements, as a sparse matrix.

        Block by block from the last (Takahashi's equations): with D a block's own matrix after elimination
        and G = D^-1 S to the next block, inverse(own, next) = -G inverse(next) and
        inverse(own) = D^-1 + G inverse(next) G'.
        """
        upper = _chain_entries(self.matrix, self.order, self.starts)
        values = np.zeros(upper.rows.size)
        after: Floats = np.empty((0, 0))
        for number in range(len(self.undo) - 1, -1, -1):
            undo = self.undo[number]
            own = undo.T @ undo
            across: Floats = np.empty((own.shape[0], 0))
            if number + 1 < len(self.undo):
                gain = undo.T @ self.below[number].T
                across = -gain @ after
                own = own - across @ gain.T
            first, last = upper.first[number], upper.first[number + 1]
            block = np.concatenate([own, across], axis=1)
            values[first:last] = block[upper.rows[first:last], upper.columns[first:last]]
            after = own
        shape = self.matrix.shape
        rows, columns = self.order[upper.place_rows], self.order[upper.place_columns]
        half = sparse.csr_matrix((values, (rows, columns)), shape=shape)
        is_diagonal = rows == columns
        diagonal = sparse.csr_matrix(
            (values[is_diagonal], (rows[is_diagonal], columns[is_diagonal])), shape=shape
        )
        return half + half.T - diagonal


@dataclass(frozen=True)
class _Entries:
    """Elements on and right of the diagonal, block by block; counted from the block's start."""

    first: list[int]
    rows: Ints
    columns: Ints
    place_rows: Ints
    place_columns: Ints
    values: Floats


def factorise(matrix: Any) -> ChainFactor:
    """Factorise a sparse symmetric positive definite matrix.

    raises : `NotPositiveError`
    """
    csr = matrix.tocsr()
    order = np.asarray(reverse_cuthill_mckee(csr, symmetric_mode=True), dtype=np.int64)
    starts = _block_starts(csr, order)
    entries = _chain_entries(csr, order, starts)
    undo: list[Floats] = []
    below: list[Floats] = []
    blocks = list(_pairs(starts))
    for number, (first, last) in enumerate(blocks):
        size = last - first
        following = blocks[number + 1][1] - last if number + 1 < len(blocks) else 0
        dense = np.zeros((size, size + following))
        begin, end = entries.first[number], entries.first[number + 1]
        dense[entries.rows[begin:end], entries.columns[begin:end]] = entries.values[begin:end]
        own = dense[:, :size].T.copy()
        own.flat[:: size + 1] *= 1.0 + _RIDGE
        if number:
            own -= below[-1] @ below[-1].T
        factor, failed = lapack.dpotrf(own, lower=1, clean=1)
        if failed:
            raise NotPositiveError("the balances' matrix is not positive definite")
        # Blocks are small: to multiply by the factor's inverse is quicker than to solve with it.
        undo.append(np.asarray(lapack.dtrtri(factor, lower=1)[0]))
        if following:
            below.append(dense[:, size:].T @ undo[-1].T)
    return ChainFactor(order, starts, undo, below, csr)


def _pairs(starts: Ints) -> Iterator[tuple[int, int]]:
    return zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True)


def _places(order: Ints) -> Ints:
    place = np.empty_like(order)
    place[order] = np.arange(order.size)
    return place


def _block_starts(matrix: Any, order: Ints) -> Ints:
    """Cut the reordered rows so that no row reaches back farther than the block before its own."""
    size = order.size
    if not size:
        return np.zeros(1, dtype=np.int64)
    place = _places(order)
    coo = matrix.tocoo()
    rows, columns = place[coo.row], place[coo.col]
    # reach[c]: one past the last row that touches any column before c.
    last_touch = np.zeros(size + 1, dtype=np.int64)
    np.maximum.at(last_touch, columns + 1, rows + 1)
    reach = np.maximum.accumulate(last_touch)
    starts = [0, min(_SMALLEST_BLOCK, size)]
    while starts[-1] < size:
        starts.append(min(size, max(int(reach[starts[-1]]), starts[-1] + _SMALLEST_BLOCK)))
    return np.array(starts, dtype=np.int64)


def _chain_entries(matrix: Any, order: Ints, starts: Ints) -> _Entries:
    place = _places(order)
    coo = matrix.tocoo()
    rows, columns = place[coo.row], place[coo.col]
    kept = columns >= rows
    rows, columns, values = rows[kept], columns[kept], coo.data[kept]
    block = np.searchsorted(starts, rows, side="right") - 1
    by_block = np.argsort(block, kind="stable")
    rows, columns, values, block = rows[by_block], columns[by_block], values[by_block], block[by_block]
    first = np.searchsorted(block, np.arange(starts.size)).tolist()
    offset = starts[block]
    return _Entries(first, rows - offset, columns - offset, rows, columns, values)
