"""Linear mixed models by restricted maximum likelihood, with Satterthwaite's degrees of freedom.

The model is y = X b + random effects + error, its covariance a sum of known kernels, each with a
parameter of its own: V = sum_k theta_k K_k. A kernel of a random factor is Z Z'; the error's is the
identity; a covariance between two random effects of one subject is a kernel too, whose parameter may
be negative. Rows that no kernel joins (in a panel: two assessors' rows) stand in blocks of their own, so
that a season's scores cost no more than its assessors do.

Fitted by scoring on the average of expected and observed information, steps halved where needed, variances
held at zero or above.

sources : Patterson & Thompson, Biometrika 58 (1971) 545 (REML); Satterthwaite, Biometrics Bulletin 2
          (1946) 110; Fai & Cornelius, J. Stat. Comput. Simul. 54 (1996) 363 (all from memory). Checked
          against
          lme4 1.1.31, lmerTest 3.1.3 and emmeans 1.8.4.1 on six data sets (tests/panel).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, ndtr, ndtri, stdtr, stdtrit

Array = NDArray[np.float64]

MOST_STEPS = 100
TOLERANCE = 1e-10
# A variance below this part of the whole is zero as far as rounding can tell.
_ZERO = 1e-10
# Small blocks are worked through together: one multiplication of 100 rows costs less than ten of ten.
_PACKED_ROWS = 120


@dataclass(frozen=True)
class Block:
    """Rows that share random effects: response (n), design (n, p), one kernel (n, n) a parameter."""

    response: Array
    design: Array
    kernels: tuple[Array, ...]


def t_quantile(probability: float, df: float) -> float:
    """Student's t quantile; the normal one without end to the degrees of freedom."""
    return float(stdtrit(df, probability) if np.isfinite(df) else ndtri(probability))


@dataclass(frozen=True)
class Estimate:
    """A contrast: value, standard error, degrees of freedom [points of the response; 1].

    unit_u : relative standard uncertainty of the point itself, where that was estimated too: it widens the
             interval but cannot make a difference out of none, nor none out of one
    """

    value: float
    se: float
    df: float
    unit_u: float = 0.0

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Lower and upper limit at `level`, by Student's t, the unit's uncertainty at the limit added."""
        half = t_quantile(0.5 + level / 2.0, self.df) * self.se
        unit = t_quantile(0.5 + level / 2.0, np.inf) * self.unit_u
        low = self.value - float(np.hypot(half, unit * (self.value - half)))
        return low, self.value + float(np.hypot(half, unit * (self.value + half)))

    @property
    def p_value(self) -> float:
        """Two-sided probability of a value at least this far from zero."""
        if self.se == 0.0:
            return 1.0 if self.value == 0.0 else 0.0
        t = -abs(self.value) / self.se
        return float(2.0 * (stdtr(self.df, t) if np.isfinite(self.df) else ndtr(t)))


@dataclass(frozen=True)
class RemlFit:
    """A fitted model.

    theta     : one parameter a kernel, in their order
    theta_cov : their covariance; zero where a variance stands at zero
    beta, cov : fixed effects and their covariance
    slopes    : derivative of `cov` by each parameter (needed for degrees of freedom)
    weighted  : V^-1 (y - X b), block after block: theta_k Z_k' weighted predicts the random effects
    criterion : -2 log restricted likelihood, as lme4 prints it
    theta_expected_cov, moments, crossed : covariance of the parameters by expected information, X'V^-1 K_k
                V^-1 X and X'V^-1 K_i V^-1 K_j V^-1 X (Kenward and Roger's adjustment needs them)
    """

    theta: Array
    theta_cov: Array
    beta: Array
    cov: Array
    slopes: tuple[Array, ...]
    weighted: Array
    criterion: float
    theta_expected_cov: Array
    moments: tuple[Array, ...]
    crossed: Array

    def estimate(self, contrast: Array) -> Estimate:
        """The contrast l'b with its standard error and Satterthwaite's degrees of freedom."""
        variance = float(contrast @ self.cov @ contrast)
        gradient = np.array([contrast @ slope @ contrast for slope in self.slopes])
        spread = float(gradient @ self.theta_cov @ gradient)
        df = 2.0 * variance**2 / spread if spread > 0.0 else np.inf
        return Estimate(float(contrast @ self.beta), float(np.sqrt(max(variance, 0.0))), float(df))

    def f_test(self, contrasts: Array) -> tuple[float, float, float, float]:
        """F, numerator and denominator degrees of freedom, and p that all rows of `contrasts` are zero.

        method : the contrasts are turned so that they are independent, each gets Satterthwaite's degrees
                 of freedom nu; the denominator's follow from the mean of nu / (nu - 2), Fai & Cornelius 1996
        """
        covariance = contrasts @ self.cov @ contrasts.T
        values, vectors = np.linalg.eigh(covariance)
        kept = values > values.max() * 1e-10
        turned = vectors.T[kept] @ contrasts
        estimates = [self.estimate(row) for row in turned]
        count = len(estimates)
        f_value = float(sum((each.value / each.se) ** 2 for each in estimates) / count)
        usable = [each.df / (each.df - 2.0) for each in estimates if 2.0 < each.df < np.inf]
        if len(usable) < count:
            df = float(min(each.df for each in estimates))
        else:
            expected = sum(usable)
            df = 2.0 * expected / (expected - count) if expected > count else np.inf
        return f_value, float(count), df, float(fdtrc(count, min(df, 1e9), f_value))


def factor_kernel(levels: NDArray[np.int64]) -> Array:
    """Z Z' of a random factor: one where two rows have the same level."""
    same: Array = (levels[:, None] == levels[None, :]).astype(np.float64)
    return same


def fit_reml(
    blocks: Sequence[Block], bounded: Sequence[bool] | None = None, start: Array | None = None
) -> RemlFit:
    """Fit the model whose rows stand in `blocks`; the error's kernel comes last.

    bounded : for each parameter, whether it is a variance and may not fall below zero (default: all are)
    start   : parameters to begin from; the error's must be above zero
    raises  : `ValueError` when the fixed effects cannot be told apart or no error is left
    """
    packs = _packed(blocks)
    count = len(packs[0].kernels)
    is_bounded = np.ones(count, dtype=bool) if bounded is None else np.asarray(bounded, dtype=bool)
    response = np.concatenate([pack.response for pack in packs])
    design = np.vstack([pack.design for pack in packs])
    rows, columns = design.shape
    if rows <= columns or np.linalg.matrix_rank(design) < columns:
        raise ValueError(f"{columns} fixed effects cannot be told apart by {rows} rows")
    rest = response - design @ np.linalg.lstsq(design, response, rcond=None)[0]
    scale = float(rest @ rest) / (rows - columns)
    if scale <= 1e-20 * max(1.0, float(np.mean(response**2))):
        raise ValueError("the rows leave no error to judge by")
    theta = np.where(is_bounded, scale / count, 0.0) if start is None else start
    state = _evaluate(packs, theta)
    for _ in range(MOST_STEPS):
        step = _bounded_step(state, theta, is_bounded)
        gain = float(state.gradient @ step)
        if gain < TOLERANCE:
            break
        theta, state = _climb(packs, theta, step, state, is_bounded, scale)
    return _finish(theta, state, is_bounded, scale, rows - columns)


@dataclass(frozen=True)
class _Pack:
    """Neighbouring blocks worked through together; kernels (parameters, n, n), zero between two blocks."""

    response: Array
    design: Array
    kernels: Array

    def covariance(self, theta: Array) -> Array:
        """The sum of the kernels, each times its parameter."""
        flat: Array = theta @ self.kernels.reshape(len(theta), -1)
        return flat.reshape(self.kernels.shape[1:])


def _packed(blocks: Sequence[Block]) -> list[_Pack]:
    """The blocks in the same order, neighbours joined into larger ones of at most so many rows."""
    packs: list[list[Block]] = []
    rows = 0
    for block in blocks:
        rows += len(block.response)
        if packs and rows <= _PACKED_ROWS:
            packs[-1].append(block)
        else:
            packs.append([block])
            rows = len(block.response)
    return [_joined(pack) for pack in packs]


def _joined(blocks: Sequence[Block]) -> _Pack:
    ends = np.cumsum([0, *(len(block.response) for block in blocks)])
    kernels = np.zeros((len(blocks[0].kernels), ends[-1], ends[-1]))
    for block, start, end in zip(blocks, ends[:-1], ends[1:], strict=True):
        kernels[:, start:end, start:end] = block.kernels
    return _Pack(
        np.concatenate([block.response for block in blocks]),
        np.vstack([block.design for block in blocks]),
        kernels,
    )


@dataclass(frozen=True)
class _State:
    log_likelihood: float
    gradient: Array
    expected: Array
    observed: Array
    beta: Array
    cov: Array
    moments: Array
    crossed: Array
    weighted: Array


def _evaluate(packs: Sequence[_Pack], theta: Array) -> _State:
    """Restricted log likelihood at theta, its gradient, and both information matrices.

    With P = V^-1 - V^-1 X C X' V^-1: gradient_k = -(tr P K_k - y' P K_k P y) / 2, expected information
    tr(P K_i P K_j) / 2, observed y' P K_i P K_j P y - tr(P K_i P K_j) / 2. All sums run over the blocks.

    raises : `LinAlgError` when the covariance is not positive
    """
    covariances = [pack.covariance(theta) for pack in packs]
    roots = [np.linalg.cholesky(each) for each in covariances]
    log_det = 2.0 * sum(float(np.log(np.diagonal(root)).sum()) for root in roots)
    inverses = [np.asarray(np.linalg.inv(each), dtype=np.float64) for each in covariances]
    solved = [inverse @ pack.design for pack, inverse in zip(packs, inverses, strict=True)]
    information = sum(pack.design.T @ each for pack, each in zip(packs, solved, strict=True))
    cov = np.linalg.inv(np.asarray(information))
    beta = cov @ sum(each.T @ pack.response for pack, each in zip(packs, solved, strict=True))
    residual = [pack.response - pack.design @ beta for pack in packs]
    weighted = [inverse @ rest for inverse, rest in zip(inverses, residual, strict=True)]
    fit = sum(float(rest @ each) for rest, each in zip(residual, weighted, strict=True))
    freedom = sum(len(rest) for rest in residual) - len(beta)
    log_likelihood = -0.5 * (
        freedom * np.log(2.0 * np.pi) + log_det + float(np.linalg.slogdet(np.asarray(information))[1]) + fit
    )
    parts = zip(packs, inverses, solved, weighted, strict=True)
    sums = [_sums(pack.kernels, inverse, each, rest) for pack, inverse, each, rest in parts]
    moments, crossed, traces, pair_traces, bends, quadratic, pair_quadratic = (
        np.sum(each, axis=0) for each in zip(*sums, strict=True)
    )
    covered = cov @ moments
    gradient = -0.5 * (traces - np.trace(covered, axis1=1, axis2=2) - quadratic)
    trace = (
        pair_traces
        - 2.0 * np.einsum("pq,ijqp->ij", cov, crossed)
        + np.einsum("ipq,jqp->ij", covered, covered)
    )
    return _State(
        float(log_likelihood),
        gradient,
        expected=0.5 * trace,
        observed=pair_quadratic - bends @ cov @ bends.T - 0.5 * trace,
        beta=np.asarray(beta),
        cov=cov,
        moments=moments,
        crossed=crossed,
        weighted=np.concatenate(weighted),
    )


def _sums(kernels: Array, inverse: Array, solved: Array, weighted: Array) -> tuple[Array, ...]:
    """One pack's part of the sums over all rows, by kernel K_k or by pair of kernels K_i, K_j.

    inverse, solved, weighted : V^-1, V^-1 X, V^-1 (y - X b)
    returns : X'V^-1 K_k V^-1 X; X'V^-1 K_i V^-1 K_j V^-1 X; tr V^-1 K_k; tr V^-1 K_i V^-1 K_j;
              r'V^-1 K_k V^-1 X; r'V^-1 K_k V^-1 r; r'V^-1 K_i V^-1 K_j V^-1 r, with r = y - X b
    """
    count, rows, size = len(kernels), len(inverse), solved.shape[1]
    turned = inverse @ kernels
    flat, flipped = turned.reshape(count, -1), np.swapaxes(turned, 1, 2).reshape(count, -1)
    leaned, pulled = kernels @ solved, kernels @ weighted
    wide = np.swapaxes(leaned, 0, 1).reshape(rows, count * size)
    crossed = (wide.T @ inverse @ wide).reshape(count, size, count, size)
    return (
        solved.T @ leaned,
        np.swapaxes(crossed, 1, 2),
        np.trace(turned, axis1=1, axis2=2),
        flat @ flipped.T,
        pulled @ solved,
        pulled @ weighted,
        pulled @ inverse @ pulled.T,
    )


def _bounded_step(state: _State, theta: Array, is_bounded: NDArray[np.bool_]) -> Array:
    """The scoring step, with variances that stand at zero and would fall left where they are."""
    free = ~(is_bounded & (theta <= 0.0) & (state.gradient <= 0.0))
    step = np.zeros_like(theta)
    # The average of both is what converges fastest near the top; far off it may not be positive.
    slope = 0.5 * (state.expected + state.observed)
    if np.any(np.diag(slope) <= 0.0) or np.any(np.linalg.eigvalsh(slope) <= 0.0):
        slope = state.expected
    while free.any():
        some = np.flatnonzero(free)
        step[:] = 0.0
        step[some] = np.linalg.lstsq(slope[np.ix_(some, some)], state.gradient[some], rcond=None)[0]
        pinned = free & is_bounded & (theta <= 0.0) & (step < 0.0)
        if not pinned.any():
            break
        free &= ~pinned
    return step


def _climb(
    packs: Sequence[_Pack],
    theta: Array,
    step: Array,
    state: _State,
    is_bounded: NDArray[np.bool_],
    scale: float,
) -> tuple[Array, _State]:
    """Along the step as far as the likelihood rises; where it stays, when no part of it raises it."""
    length = 1.0
    for _ in range(40):
        tried = theta + length * step
        tried = np.where(is_bounded, np.maximum(tried, 0.0), tried)
        # The error keeps a foot above zero: without any, the covariance cannot be inverted.
        tried[-1] = max(tried[-1], 1e-8 * scale)
        found = _evaluate_if_positive(packs, tried)
        if found is not None and found.log_likelihood > state.log_likelihood:
            return tried, found
        length *= 0.5
    return theta, state


def _evaluate_if_positive(packs: Sequence[_Pack], theta: Array) -> _State | None:
    """The same; None where the covariance is not positive."""
    try:
        return _evaluate(packs, theta)
    except np.linalg.LinAlgError:
        return None


def _finish(
    theta: Array,
    state: _State,
    is_bounded: NDArray[np.bool_],
    scale: float,
    freedom: int,
) -> RemlFit:
    free = np.flatnonzero(~(is_bounded & (theta <= _ZERO * scale)))
    theta_cov = np.zeros((len(theta), len(theta)))
    information = state.observed[np.ix_(free, free)]
    if np.any(np.linalg.eigvalsh(information) <= 0.0):
        information = state.expected[np.ix_(free, free)]
    theta_cov[np.ix_(free, free)] = np.linalg.pinv(information)
    expected_cov = np.zeros_like(theta_cov)
    expected_cov[np.ix_(free, free)] = np.linalg.pinv(state.expected[np.ix_(free, free)])
    slopes = tuple(state.cov @ moment @ state.cov for moment in state.moments)
    return RemlFit(
        theta=theta,
        theta_cov=theta_cov,
        beta=state.beta,
        cov=state.cov,
        slopes=slopes,
        weighted=state.weighted,
        criterion=-2.0 * state.log_likelihood,
        theta_expected_cov=expected_cov,
        moments=tuple(state.moments),
        crossed=state.crossed,
    )
