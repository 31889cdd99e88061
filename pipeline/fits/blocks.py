"""The hierarchical fit itself: blocks of exchangeable coefficients, summed over a grid of variance ratios.

The model, for batches i with known relative weights w_i:

    y_i = f_i'a + sum over blocks k of x_ik'b_k + e_i,   e_i ~ N(0, s^2 / w_i),
    a flat,   every coefficient of block k ~ N(0, (r_k s)^2),   r_k ~ half-t(3, scale_k),
    s^2 ~ inverse gamma(1, v / 2) with v the variance of y.

For given ratios r all is conjugate (normal and inverse gamma), so the fit is a sum over a fixed grid of
ratios: no random numbers, the same answer each time. Left-out predictions follow in closed form from the
same matrices, the grid's weights taken anew for each batch left out. Half-t on standard deviations as
A. Gelman, Bayesian Analysis 1 (2006) 515, recommends for few groups (abstract read); conjugate algebra
from memory, held to published fits and to brute force in tests/fits.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dtrtri

from pipeline.fits.grids import late_grid, ratio_grid
from pipeline.fits.grouping import rows_left_out
from pipeline.fits.mixture import Floats, TMixture

# Cells of the grid that weigh less than this beside the heaviest change no printed digit.
_NEGLIGIBLE = 1e-4
# The same while blocks that come late still stand at nought.
_NEGLIGIBLE_BEFORE = 1e-3
# Most cells of the grid in all: with more blocks, each gets fewer steps.
_MOST_CELLS = 2400
_MOST_CELLS_AND_LATE = 1300
# Numbers of a matrix worked on at once when groups are left out: as many as stay in fast memory.
_AT_ONCE = 2_000_000
# Numbers of a row and a cell worked on at once when each row is left out: many arrays of them stay there.
_CELLS_AT_ONCE = 16_384
# Rows of all columns worked on at once, for the same reason.
_ROWS_AT_ONCE = 1_000
# Directions in which a group's rows reach less than this beside the farthest are rounding.
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Block:
    """Columns whose coefficients are exchangeable.

    columns : how many columns
    scale   : half-t(3) scale of the block's ratio r, in residual standard deviations per unit of a column
    grid    : ratios and their prior masses to use instead of that prior (one ratio: a known one)
    is_late : summed over only where the other blocks' ratios have weight without it: it is there to widen
    """

    name: str
    columns: int
    scale: float
    grid: tuple[Floats, Floats] | None = None
    is_late: bool = False


@dataclass(frozen=True)
class Contrasts:
    """Linear questions to a fit: `flat` (questions, flat columns) and `shrunk` (questions, block columns)."""

    flat: Floats
    shrunk: Floats


@dataclass(frozen=True)
class LeftOut:
    """Predictions of rows by a fit that never saw them."""

    mean: Floats
    sd: Floats


@dataclass(frozen=True)
class Draws:
    """Joint draws from a fit: coefficients (draws, block columns), flat ones, residual sd."""

    shrunk: Floats
    flat: Floats
    residual_sd: Floats


def steps_for(blocks: Sequence[Block]) -> int:
    """Steps of each block's grid so that all blocks together stay affordable."""
    count = sum(not block.is_late for block in blocks)
    if count < len(blocks):
        return {2: 16, 3: 9}.get(count, max(4, int(_MOST_CELLS_AND_LATE ** (1.0 / max(count, 1)))))
    return {0: 1, 1: 64, 2: 24, 3: 12}.get(count, max(4, int(_MOST_CELLS ** (1.0 / max(count, 1)))))


class BlockFit:
    """A fitted model of blocks; see the module for what it is. Ask it with `ask`, `left_out`, `draw`."""

    def __init__(
        self,
        y: Floats,
        shrunk: Floats,
        blocks: Sequence[Block],
        flat: Floats | None = None,
        weights: Floats | None = None,
        steps: int | None = None,
        residual_prior: tuple[float, float] | None = None,
    ) -> None:
        """y (n,); shrunk (n, all blocks' columns); flat (n, f), a column of ones when None; weights (n,).

        residual_prior : degrees of freedom and variance that the prior of s^2 is worth; 2 and half the
        variance of y when None
        """
        n = len(y)
        self.flat = np.ones((n, 1)) if flat is None else flat
        self.weights = np.ones(n) if weights is None else weights * (n / weights.sum())
        self.shrunk = shrunk
        self.y = y
        self.blocks = tuple(blocks)
        if sum(block.columns for block in blocks) != shrunk.shape[1]:
            raise ValueError("the blocks' columns do not add up to the columns given")
        if sorted(self.blocks, key=lambda block: block.is_late) != list(self.blocks):
            raise ValueError("late blocks come after all others")
        # Worked out in units of the response's own spread, so that the prior of s^2 has no unit.
        spread = float(np.std(y, ddof=1)) if n > 1 else 0.0
        self.unit = spread if spread > 0 else 1.0
        self._prior_freedom, variance = residual_prior or (2.0, 0.5 * self.unit**2)
        self._prior_rest = self._prior_freedom * variance / self.unit**2 / 2.0
        self._project()
        self._sum_over_grid(steps or steps_for(self.blocks))

    def _project(self) -> None:
        """Take the flat part out of response and columns, by least squares."""
        root = np.sqrt(self.weights)[:, None]
        self._q, r = np.linalg.qr(root * self.flat)
        self._flat_inverse = np.linalg.pinv(r)
        self._response = root[:, 0] * self.y / self.unit
        along = self._q.T @ self._response
        self._flat_y = self._flat_inverse @ along
        self._y = self._response - self._q @ along
        columns = self.shrunk if (self.weights == 1.0).all() else root * self.shrunk
        along = self._q.T @ columns
        self._flat_columns = self._flat_inverse @ along
        self._d = columns - self._q @ along
        # Of all columns with one another, the response last: every cell of the grid is worked out from these.
        beside = np.column_stack([self._d, self._y])
        self._products = beside.T @ beside
        # Of a choice that no row has only the prior knows, so it is left out of the algebra.
        is_used = self._products.diagonal()[:-1] > 0.0
        self._used, self._unused = np.flatnonzero(is_used), np.flatnonzero(~is_used)

    def _sum_over_grid(self, steps: int) -> None:
        self.freedom = self._prior_freedom + len(self.y) - self.flat.shape[1]
        picks, grids = self._cells(steps)
        late = [place for place, block in enumerate(self.blocks) if block.is_late]
        if late:
            picks = self._where_weight_is(picks, grids, late)
        log_weight, factor, ratios, half = self._weigh(picks, grids)
        log_weight -= log_weight.max()
        kept = log_weight > np.log(_NEGLIGIBLE)
        self.ratios, self._log_weight = ratios[kept], log_weight[kept]
        self._factor, self._half = factor[kept], half[kept]
        self._rest = self._rest_of(self._half)
        weight = np.exp(self._log_weight)
        self.cell_weights = weight / weight.sum()

    def _weigh(
        self, picks: NDArray[np.int64], grids: Sequence[tuple[Floats, Floats]], width: int | None = None
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Log weight of each cell, its Cholesky factor, its ratios by column, and the factor's half answer.

        width : take only so many of the columns, and so many of the blocks as make them up
        """
        ratios = self._ratios_of(picks, grids)[:, :width]
        log_prior = sum((np.log(grid[1])[picks[:, k]] for k, grid in enumerate(grids)), np.zeros(len(picks)))
        used = self._used if width is None else self._used[self._used < width]
        # The right hand side as a last row: its part of the factor is the half answer, and costs no solving.
        bordered = np.repeat(self._products[np.ix_([*used, -1], [*used, -1])][None], len(picks), axis=0)
        bordered[:, -1, -1] = 2.0 * (self._y @ self._y) + 1.0
        places = np.arange(len(used))
        bordered[:, places, places] += ratios[:, used] ** -2.0
        factor = np.linalg.cholesky(bordered)
        half = np.asarray(factor[:, -1, :-1], dtype=float)
        factor = np.asarray(factor[:, :-1, :-1], dtype=float)
        log_root = np.log(factor[:, places, places] * ratios[:, used]).sum(axis=1)
        log_weight = log_prior - log_root - self.freedom / 2.0 * np.log(self._rest_of(half))
        return log_weight, factor, ratios, half

    def _ratios_of(self, picks: NDArray[np.int64], grids: Sequence[tuple[Floats, Floats]]) -> Floats:
        """The ratio of each column (cells, columns)."""
        ratios = [np.repeat(g[0][picks[:, k], None], self.blocks[k].columns, 1) for k, g in enumerate(grids)]
        return np.concatenate(ratios or [np.ones((len(picks), 0))], axis=1)

    def _rest_of(self, half: Floats) -> Floats:
        return np.asarray(self._prior_rest + (self._y @ self._y - (half**2).sum(axis=1)) / 2.0)

    def _where_weight_is(
        self, picks: NDArray[np.int64], grids: Sequence[tuple[Floats, Floats]], late: Sequence[int]
    ) -> NDArray[np.int64]:
        """The cells whose other ratios have weight while the late blocks (the last ones) stand at nought."""
        after = int(np.prod([len(grids[place][0]) for place in late]))
        by_others = picks.reshape(-1, after, picks.shape[1])
        width = sum(block.columns for block in self.blocks if not block.is_late)
        log_weight = self._weigh(by_others[:, 0], grids, width)[0]
        near = log_weight - log_weight.max() > np.log(_NEGLIGIBLE_BEFORE)
        return np.asarray(by_others[near].reshape(-1, picks.shape[1]))

    def _cells(self, steps: int) -> tuple[NDArray[np.int64], list[tuple[Floats, Floats]]]:
        """Every combination of the blocks' ratios, by its place in each grid; and the grids."""
        grids = [
            block.grid or (late_grid(block.scale) if block.is_late else ratio_grid(block.scale, steps))
            for block in self.blocks
        ]
        if not grids:
            return np.zeros((1, 0), dtype=np.int64), grids
        picks = np.stack(np.meshgrid(*[np.arange(len(grid[0])) for grid in grids], indexing="ij"), -1)
        return picks.reshape(-1, len(grids)), grids

    @cached_property
    def _root(self) -> Floats:
        """Of each cell, for the columns in use: the covariance is this @ its transpose times s^2."""
        inverses = [dtrtri(factor.T)[0] for factor in self._factor if factor.size]
        return np.array(inverses, dtype=float).reshape(self._factor.shape)

    @cached_property
    def _coefficients(self) -> Floats:
        """Posterior means in each cell, in the response's own spread."""
        coefficients = np.zeros(self.ratios.shape)
        coefficients[:, self._used] = (self._root @ self._half[:, :, None])[:, :, 0]
        return coefficients

    @cached_property
    def _residual(self) -> Floats:
        """What each cell leaves over of each row."""
        return np.asarray(self._y - self._coefficients @ self._d.T)

    @cached_property
    def _leverage(self) -> Floats:
        """The diagonal of each cell's hat matrix."""
        columns = self._d[:, self._used]
        leverage = np.empty((len(self._root), len(columns)))
        # One matrix for all cells: asking for new memory takes longer than the product.
        reaches = np.empty((_ROWS_AT_ONCE, columns.shape[1]))
        for rows in _stretches(len(columns), _ROWS_AT_ONCE):
            some, reach = columns[rows], reaches[: len(columns) - rows.start]
            for own, root in zip(leverage[:, rows], self._root, strict=True):
                np.matmul(some, root, out=reach)
                np.einsum("ij,ij->i", reach, reach, out=own)
        leverage += (self._q**2).sum(axis=1)
        return np.minimum(leverage, 1.0 - 1e-9, out=leverage)

    @cached_property
    def residual_sd(self) -> float:
        """Posterior mean of the residual standard deviation's square, as a standard deviation."""
        return self.unit * float(np.sqrt(self.cell_weights @ (2.0 * self._rest / (self.freedom - 2.0))))

    @cached_property
    def covariance(self) -> Floats:
        """Covariance of the block coefficients in units of the residual variance, over the grid."""
        weighed = self._root * np.sqrt(self.cell_weights)[:, None, None]
        wide = np.swapaxes(weighed, 0, 1).reshape(len(self._used), -1)
        covariance = np.diag(self.cell_weights @ self.ratios**2)
        covariance[np.ix_(self._used, self._used)] = wide @ wide.T
        return covariance

    @cached_property
    def typical_ratios(self) -> dict[str, float]:
        """Root mean square of each block's ratio r over the grid: how large its effects are taken to be."""
        ends = np.cumsum([block.columns for block in self.blocks])
        squares = self.cell_weights @ self.ratios**2
        return {b.name: float(np.sqrt(squares[end - 1])) for b, end in zip(self.blocks, ends, strict=True)}

    @cached_property
    def coefficients(self) -> Floats:
        """Posterior means of the block coefficients."""
        return np.asarray(self.unit * (self.cell_weights @ self._coefficients))

    @cached_property
    def fitted(self) -> Floats:
        """What the fit expects of its own rows."""
        return self.expect(self.shrunk, self.flat)

    def expect(self, shrunk: Floats, flat: Floats | None = None) -> Floats:
        """The means of `predict`, without its intervals, for many rows at once."""
        flat = np.ones((len(shrunk), 1)) if flat is None else flat
        coefficients = self.coefficients / self.unit
        return np.asarray(
            self.unit * (flat @ (self._flat_y - self._flat_columns @ coefficients) + shrunk @ coefficients)
        )

    def ask(self, questions: Contrasts, noise: float = 0.0) -> TMixture:
        """What the fit says of each question; with `noise` 1, of a new batch's own result there."""
        rest = questions.shrunk - questions.flat @ self._flat_columns
        flat_part = questions.flat @ self._flat_inverse
        fixed = (flat_part**2).sum(axis=1)
        centres = questions.flat @ self._flat_y + self._coefficients @ rest.T
        reach = rest[:, self._used] @ self._root
        spread = np.einsum("cqi,cqi->cq", reach, reach) + fixed + noise
        spread += self.ratios[:, self._unused] ** 2 @ (rest[:, self._unused] ** 2).T
        scales = np.sqrt(np.maximum(spread, 1e-18) * (2.0 * self._rest / self.freedom)[:, None])
        return TMixture(self.cell_weights, self.unit * centres, self.unit * scales, self.freedom)

    def sd_of(self, said: TMixture) -> Floats:
        """Standard deviation of each answer of `ask` in units of the residual's, over the grid."""
        variance = (said.scales / self.unit) ** 2 / (2.0 * self._rest / self.freedom)[:, None]
        return np.asarray(np.sqrt(self.cell_weights @ variance))

    def covariance_of(self, questions: Contrasts) -> Floats:
        """Covariance of the answers in units of the residual variance, over the grid."""
        rest = questions.shrunk - questions.flat @ self._flat_columns
        flat_part = questions.flat @ self._flat_inverse
        return np.asarray(rest @ self.covariance @ rest.T + flat_part @ flat_part.T)

    def predict(self, shrunk: Floats, flat: Floats | None = None, noise: float = 0.0) -> TMixture:
        """What the fit says of rows of columns."""
        return self.ask(Contrasts(np.ones((len(shrunk), 1)) if flat is None else flat, shrunk), noise)

    def left_out(self) -> LeftOut:
        """Each row predicted by the fit to all the others, in closed form; sd of a new result there."""
        mean, sd = np.empty((2, len(self.y)))
        for rows in _stretches(len(self.y), 1 + _CELLS_AT_ONCE // len(self._rest)):
            mean[rows], sd[rows] = self._left_out_each(rows)
        root = np.sqrt(self.weights)
        return LeftOut(self.unit * mean / root, self.unit * sd / root)

    def _left_out_each(self, rows: slice) -> tuple[Floats, Floats]:
        """Mean and standard deviation of `left_out` for some rows, in units of the weighted response."""
        free, residual = 1.0 - self._leverage[:, rows], self._residual[:, rows]
        freedom = self.freedom - 1.0
        rest = self._rest[:, None] - residual**2 / (2.0 * free)
        log_weight = (
            (self._log_weight + self.freedom / 2.0 * np.log(self._rest))[:, None]
            - freedom / 2.0 * np.log(rest)
            - 0.5 * np.log(free)
        )
        weight = np.exp(log_weight - log_weight.max(axis=0))
        weight /= weight.sum(axis=0)
        centres = self._response[rows] - residual / free
        variance = 2.0 * rest / max(freedom - 2.0, 0.5) / free
        mean = (weight * centres).sum(axis=0)
        return mean, np.sqrt((weight * (variance + (centres - mean) ** 2)).sum(axis=0))

    def left_out_by(self, groups: NDArray[np.int64]) -> Floats:
        """Each row predicted by the fit to the rows of all other groups (for recipes that repeat).

        NaN for the rows of a group of more than 400, or that is all there is.
        """
        predicted = np.full(len(self.y), np.nan)
        width = len(self._used) + self.flat.shape[1]
        for rows in rows_left_out(groups):
            numbers = len(self.ratios) * min(rows.shape[1], width) * width
            for some in np.array_split(rows, min(len(rows), 1 + len(rows) * numbers // _AT_ONCE)):
                predicted[some] = self._predict_left_out(some)
        return predicted

    def _predict_left_out(self, rows: NDArray[np.int64]) -> Floats:
        """Each group of rows (groups, rows of each) predicted by the fit to all others.

        The rows of a group lie in few directions, the choices of a recipe being few: Woodbury's identity is
        worked out in these.
        """
        sides, inner = _directions(np.concatenate([self._d[:, self._used], self._q], axis=1)[rows])
        shape, used = inner.shape[:2], len(self._used)
        # All groups' rows at once through each cell's root.
        reach = inner[:, :, :used].reshape(shape[0] * shape[1], used) @ self._root
        reach, flat = reach.reshape(len(self._root), *shape, used), inner[:, :, used:]
        hat = reach @ np.swapaxes(reach, 2, 3) + flat @ np.swapaxes(flat, 1, 2)
        apart = np.eye(hat.shape[-1]) - hat
        residual = self._residual[:, rows, None]
        along = np.swapaxes(sides, 1, 2) @ residual
        errors = (residual + sides @ (np.linalg.solve(apart, along) - along))[..., 0]
        rest = self._rest[:, None] - (residual[..., 0] * errors).sum(axis=2) / 2.0
        freedom = self.freedom - rows.shape[1]
        log_weight = (
            (self._log_weight + self.freedom / 2.0 * np.log(self._rest))[:, None]
            - freedom / 2.0 * np.log(rest)
            - 0.5 * np.linalg.slogdet(apart)[1]
        )
        weight = np.exp(log_weight - log_weight.max(axis=0))
        weight /= weight.sum(axis=0)
        mean = self._response[rows] - np.einsum("cg,cgm->gm", weight, errors)
        return np.asarray(self.unit * mean / np.sqrt(self.weights[rows]))

    def shifts_without_each(self, questions: Contrasts) -> Floats:
        """How far each row's leaving-out moves each answer (rows, questions), ratios as fitted."""
        rest = questions.shrunk - questions.flat @ self._flat_columns
        leverage = self.cell_weights @ self._leverage
        residual = self._y - self._d @ (self.coefficients / self.unit)
        pull = self._q @ (questions.flat @ self._flat_inverse).T
        for rows in _stretches(len(self.y), _ROWS_AT_ONCE):
            pull[rows] += self._d[rows] @ self.covariance @ rest.T
        return np.asarray(-self.unit * pull * (residual / (1.0 - leverage))[:, None])

    @cached_property
    def draws(self) -> Draws:
        """Two thousand joint draws, made once."""
        return self.draw(2000)

    def draw(self, count: int, seed: int = 1) -> Draws:
        """Joint draws, the same for the same seed; cells are taken in proportion, not by luck."""
        rng = np.random.default_rng(seed)
        ends = np.cumsum(self.cell_weights)
        cells = np.minimum(np.searchsorted(ends, (np.arange(count) + 0.5) / count), len(ends) - 1)
        residual_sd = np.sqrt(2.0 * self._rest[cells] / rng.chisquare(self.freedom, count))
        noise = rng.standard_normal((count, self.shrunk.shape[1]))
        noise[:, self._unused] *= self.ratios[cells][:, self._unused]
        used = noise[:, self._used]
        for cell in np.unique(cells):
            # Draws of one cell stand side by side.
            own = slice(*np.searchsorted(cells, [cell, cell + 1]))
            used[own] = used[own] @ self._root[cell].T
        noise[:, self._used] = used
        shrunk = self._coefficients[cells] + residual_sd[:, None] * noise
        loose = rng.standard_normal((count, self.flat.shape[1])) @ self._flat_inverse.T
        flat = self._flat_y - shrunk @ self._flat_columns.T + residual_sd[:, None] * loose
        return Draws(self.unit * shrunk, self.unit * flat, self.unit * residual_sd)


def _stretches(count: int, length: int) -> Iterator[slice]:
    """So many rows in stretches of a length; the last may be shorter."""
    for start in range(0, count, length):
        yield slice(start, start + length)


def _directions(rows: Floats) -> tuple[Floats, Floats]:
    """Stacks of rows as `sides @ inner`: few orthonormal columns, and as many rows that stand for all."""
    sides, sizes, turned = np.linalg.svd(rows, full_matrices=False)
    count = int((sizes > _ROUNDING * sizes[:, :1]).sum(axis=1).max())
    return sides[:, :, :count], (sizes[:, :, None] * turned)[:, :count]
