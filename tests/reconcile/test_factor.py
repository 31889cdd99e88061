"""The sparse factorisation against dense linear algebra (numpy)."""

import numpy as np
import pytest
from scipy import sparse

from pipeline.reconcile.factor import NotPositiveError, factorise


def spread_matrix(size: int, seed: int, reach: int = 6) -> sparse.csr_matrix:
    """A V A' of random balances that touch quantities near them, their order shuffled."""
    rng = np.random.default_rng(seed)
    rows = np.repeat(np.arange(size), 5)
    columns = rows + rng.integers(0, reach, rows.size)
    balances = sparse.csr_matrix(
        (rng.standard_normal(rows.size), (rows, columns)), shape=(size, size + reach)
    )
    order = rng.permutation(size)
    return (balances @ balances.T + sparse.eye(size) * 0.1).tocsr()[order][:, order]


@pytest.mark.parametrize("size", [1, 7, 24, 25, 200])
@pytest.mark.parametrize("seed", [1, 2])
def test_solution_and_inverse_agree_with_dense_ones(size, seed):
    matrix = spread_matrix(size, seed)
    dense = matrix.toarray()
    factor = factorise(matrix)
    right = np.random.default_rng(seed).standard_normal(size)
    np.testing.assert_allclose(factor.solve(right), np.linalg.solve(dense, right), rtol=1e-8, atol=1e-10)
    pattern = dense != 0.0
    inverse = factor.inverse_on_pattern().toarray()
    np.testing.assert_allclose(inverse[pattern], np.linalg.inv(dense)[pattern], rtol=1e-7, atol=1e-9)


def test_sets_that_share_nothing_are_solved_side_by_side():
    matrix = sparse.block_diag([spread_matrix(30, 3), spread_matrix(2, 4), spread_matrix(60, 5)]).tocsr()
    right = np.arange(92.0)
    np.testing.assert_allclose(
        factorise(matrix).solve(right), np.linalg.solve(matrix.toarray(), right), rtol=1e-8
    )


def test_a_matrix_that_is_not_positive_is_refused():
    with pytest.raises(NotPositiveError):
        factorise(sparse.csr_matrix(np.array([[1.0, 2.0], [2.0, 1.0]])))
