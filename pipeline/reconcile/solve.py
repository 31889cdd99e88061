"""Data reconciliation: the smallest changes of the measurements that close every balance.

Minimise sum ((y - x) / u)^2 subject to f(x) = 0. With a constraint matrix A and V = diag(u^2):
x = y - V A' S^-1 A y, S = A V A'; g = (A y)' S^-1 (A y) is chi-square with as many degrees of freedom as
there are balances that do not serve to find something unmeasured. Where f is not linear it is replaced by
its tangent at the last x, again and again (successive linearisation).

z of a measurement is its change over the change's standard deviation; z^2 is by how much g falls when that
measurement is left out. Source: S. Narasimhan, C. Jordache, Data Reconciliation and Gross Error Detection,
Gulf, 2000 (method; the worked examples of it that the tests hold this to were read in a public collection).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.special import chdtrc, ndtri

from pipeline.reconcile.factor import ChainFactor, factorise

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

MOST_STEPS = 12
_CLOSE_ENOUGH = 1e-4


class Balances(Protocol):
    """Whatever can tell by how much each balance is open at x, and its derivatives."""

    def evaluate(self, x: Floats) -> tuple[Floats, Any]:
        """f(x), one a balance, and its sparse matrix of derivatives, balances x measurements."""
        ...


@dataclass(frozen=True)
class LinearBalances:
    """Balances A x = 0.

    matrix : A, sparse or dense
    """

    matrix: Any

    def evaluate(self, x: Floats) -> tuple[Floats, Any]:
        """A x and A."""
        csr = sparse.csr_matrix(self.matrix, dtype=float)
        return csr @ x, csr


@dataclass(frozen=True)
class Reconciled:
    """Outcome of a reconciliation.

    x           : reconciled values
    u           : their standard uncertainties
    z           : change of each measurement over its standard deviation, signed like logged - reconciled;
                  NaN for what no balance tests
    error_u     : standard deviation of the error that a measurement's z stands for; its estimate with the
                  measurement left out is y - z * error_u
    component   : number of each balance's connected set
    variable_in : number of each measurement's connected set, -1 when no balance names it
    chi2, df, p : by connected set
    """

    x: Floats
    u: Floats
    z: Floats
    error_u: Floats
    component: Ints
    variable_in: Ints
    chi2: Floats
    df: Floats
    p: Floats

    @property
    def total_chi2(self) -> float:
        """Sum over the sets."""
        return float(self.chi2.sum())

    @property
    def total_df(self) -> int:
        """Degrees of freedom of all the sets."""
        return round(float(self.df.sum()))


def reconcile(balances: Balances, y: Floats, u: Floats, is_free: Flags | None = None) -> Reconciled:
    """Reconcile measurements y of standard uncertainties u with balances.

    u       : nought for what is known exactly, and stays as it is
    is_free : what was not measured; its y is a guess to start from, its u a wide guess of how far off it is
    """
    free = np.zeros(y.size, dtype=bool) if is_free is None else is_free
    variance = u**2
    x = y.copy()
    for _ in range(MOST_STEPS):
        open_by, jacobian = balances.evaluate(x)
        residual = open_by + jacobian @ (y - x)
        factor = factorise(_spread(jacobian, variance))
        weights = factor.solve(residual)
        following = y - variance * (jacobian.T @ weights)
        # What is known exactly does not move, and has no uncertainty to measure its step by.
        step = float(np.max(np.abs(following - x)[u > 0.0] / u[u > 0.0], initial=0.0))
        x = following
        if step < _CLOSE_ENOUGH or isinstance(balances, LinearBalances):
            break
    return _judged(jacobian, residual, weights, factor, y, x, variance, free)


def _spread(jacobian: Any, variance: Floats) -> Any:
    return (jacobian @ sparse.diags(variance) @ jacobian.T).tocsr()


def _judged(
    jacobian: Any,
    residual: Floats,
    weights: Floats,
    factor: ChainFactor,
    y: Floats,
    x: Floats,
    variance: Floats,
    free: Flags,
) -> Reconciled:
    """Set by set: chi-square and p; measurement by measurement: z and uncertainties."""
    pattern = abs(factor.matrix)
    sets, component = connected_components(pattern, directed=False)
    component = component.astype(np.int64)
    variable_in = _sets_of_variables(jacobian, component, y.size)
    inverse = factor.inverse_on_pattern()
    # J' S^-1 J of each measurement: by how much it is tested at all.
    tested = np.asarray((inverse @ jacobian).multiply(jacobian).sum(axis=0)).ravel()
    # A free quantity takes up the share of a degree of freedom that the balances spend on finding it.
    taken = np.where(free, np.clip(variance * tested, 0.0, 1.0), 0.0)
    chi_square = _sums(component, residual * weights, sets)
    known = variable_in >= 0
    df = _sums(component, np.ones(component.size), sets) - _sums(variable_in[known], taken[known], sets)
    pull = np.asarray(jacobian.T @ weights).ravel()
    is_tested = ~free & (variance * tested > 1e-6)
    safe = np.where(is_tested, tested, 1.0)
    z = np.where(is_tested, pull / np.sqrt(safe), np.nan)
    left = np.sqrt(np.maximum(variance - variance**2 * tested, 0.0))
    p = np.where(df > 0.5, chdtrc(np.maximum(np.round(df), 1.0), chi_square), np.nan)
    return Reconciled(
        x=x,
        u=left,
        z=z,
        error_u=np.where(is_tested, 1.0 / np.sqrt(safe), np.nan),
        component=component,
        variable_in=variable_in,
        chi2=chi_square,
        df=df,
        p=p,
    )


def _sums(groups: Ints, values: Floats, count: int) -> Floats:
    return np.asarray(np.bincount(groups, weights=values, minlength=count), dtype=float)


def _sets_of_variables(jacobian: Any, component: Ints, count: int) -> Ints:
    coo = jacobian.tocoo()
    found = np.full(count, -1, dtype=np.int64)
    found[coo.col] = component[coo.row]
    return found


def critical_z(tests: int, level: float = 0.05) -> float:
    """The z that one of so many clean measurements exceeds with a chance of `level`.

    formula : Phi^-1(1 - a / 2), a = 1 - (1 - level)^(1 / tests)

    >>> round(critical_z(6), 3)  # six flows round a heat exchanger, at 5 %
    2.631
    """
    each = -np.expm1(np.log1p(-level) / max(tests, 1))
    return float(-ndtri(each / 2.0))
