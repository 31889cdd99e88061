"""Columns of figures that know which readings they came from.

A figure is worked out from readings, each with its own standard uncertainty and independent of the others.
To first order its uncertainty is the root of the sum, over the readings, of (derivative x uncertainty)
squared (JCGM 100:2008, section 5.1.2). An `Uncertain` column keeps those derivatives beside its values, in a
sparse matrix of one row a figure and one column a reading. Two figures made from the same reading stay
correlated through every sum, ratio and mixture, because the reading's column is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

# Step of the central differences, relative to the argument; its error is of the order of its square.
_RELATIVE_STEP = 1e-5


@dataclass(frozen=True)
class Uncertain:
    """A column of values and the derivative of each with respect to every reading.

    values   : one a row; NaN where a figure is not known
    jacobian : sparse, rows x readings; derivative of the row's value [its unit per unit of the reading]
    """

    values: Floats
    jacobian: Any

    @classmethod
    def exact(cls, values: npt.ArrayLike, readings: int) -> Uncertain:
        """A column without error, such as a laboratory's constant."""
        column = np.asarray(values, dtype=float)
        return cls(column, sparse.csr_matrix((column.size, readings)))

    @classmethod
    def from_parts(
        cls,
        values: npt.ArrayLike,
        parts: Sequence[tuple[npt.ArrayLike, npt.ArrayLike, npt.ArrayLike]],
        readings: int,
    ) -> Uncertain:
        """A column from (row, reading, derivative) triplets; equal (row, reading) pairs add up.

        Triplets with a reading below zero or a derivative that is not a number are left out: they stand for
        readings that were not taken.
        """
        column = np.asarray(values, dtype=float)
        rows = np.concatenate([np.asarray(part[0], dtype=np.int64) for part in parts] or [np.empty(0, int)])
        names = np.concatenate([np.asarray(part[1], dtype=np.int64) for part in parts] or [np.empty(0, int)])
        slopes = np.concatenate([np.asarray(part[2], dtype=float) for part in parts] or [np.empty(0)])
        kept = (names >= 0) & np.isfinite(slopes) & (slopes != 0.0)
        shape = (column.size, readings)
        return cls(column, sparse.csr_matrix((slopes[kept], (rows[kept], names[kept])), shape=shape))

    @property
    def size(self) -> int:
        """How many rows."""
        return int(self.values.size)

    @property
    def readings(self) -> int:
        """How many readings there are in all."""
        return int(self.jacobian.shape[1])

    def u(self, reading_u: Floats) -> Floats:
        """Standard uncertainty of each row; NaN where the value is not known.

        reading_u : standard uncertainty of each reading, in its own unit
        """
        variance = np.asarray(self.jacobian.multiply(self.jacobian) @ reading_u**2).ravel()
        return np.where(np.isnan(self.values), np.nan, np.sqrt(variance))

    def take(self, rows: npt.ArrayLike) -> Uncertain:
        """The rows of these numbers, in this order; a number below zero gives a row that is not known."""
        wanted = np.asarray(rows, dtype=np.int64)
        is_there = wanted >= 0
        if self.size == 0:
            return Uncertain(np.full(wanted.size, np.nan), sparse.csr_matrix((wanted.size, self.readings)))
        values = np.where(is_there, self.values[np.where(is_there, wanted, 0)], np.nan)
        picker = _ones(np.flatnonzero(is_there), wanted[is_there], (wanted.size, self.size))
        return Uncertain(values, (picker @ self.jacobian).tocsr())

    def __add__(self, other: Uncertain | float | Floats) -> Uncertain:
        if isinstance(other, Uncertain):
            return Uncertain(self.values + other.values, self.jacobian + other.jacobian)
        return Uncertain(self.values + other, self.jacobian)

    def __sub__(self, other: Uncertain | float | Floats) -> Uncertain:
        return self + other * -1.0 if isinstance(other, Uncertain) else self + -np.asarray(other)

    def __mul__(self, other: Uncertain | float | Floats) -> Uncertain:
        if isinstance(other, Uncertain):
            return Uncertain(
                self.values * other.values,
                _scaled(self.jacobian, other.values) + _scaled(other.jacobian, self.values),
            )
        return Uncertain(self.values * other, _scaled(self.jacobian, other))

    def __truediv__(self, other: Uncertain | float | Floats) -> Uncertain:
        """The quotient; NaN where the divisor is zero, as SQL's guarded division gives null."""
        if not isinstance(other, Uncertain):
            return self * (1.0 / np.asarray(other))
        divisor = np.where(other.values == 0.0, np.nan, other.values)
        quotient = self.values / divisor
        return Uncertain(
            quotient, _scaled(self.jacobian, 1.0 / divisor) - _scaled(other.jacobian, quotient / divisor)
        )

    def or_zero(self) -> Uncertain:
        """Zero, without error, where the value is not known."""
        return Uncertain(np.where(np.isnan(self.values), 0.0, self.values), self._known_jacobian())

    def otherwise(self, other: Uncertain) -> Uncertain:
        """The other column's row where this one's is not known."""
        return choose(~np.isnan(self.values), self, other)

    def sum_by(self, groups: npt.ArrayLike, count: int, must_have: bool = False) -> Uncertain:
        """Sums of the rows by group; a group is not known as soon as one of its rows is not.

        groups    : number of each row's group, 0 to `count` - 1; below zero for a row that is in none
        must_have : a group without a row is then not known, instead of zero
        """
        numbers = np.asarray(groups, dtype=np.int64)
        belongs = numbers >= 0
        adder = _ones(numbers[belongs], np.flatnonzero(belongs), (count, self.size))
        known = np.where(np.isnan(self.values), 0.0, self.values)
        missing = adder @ np.isnan(self.values).astype(float)
        if must_have:
            missing = missing + (np.bincount(numbers[belongs], minlength=count) == 0)
        sums = np.where(missing > 0, np.nan, adder @ known)
        return Uncertain(sums, (adder @ self._known_jacobian()).tocsr())

    def _known_jacobian(self) -> Any:
        if not np.isnan(self.values).any():
            return self.jacobian
        return _scaled(self.jacobian, (~np.isnan(self.values)).astype(float))


@dataclass(frozen=True)
class Shares:
    """Many small columns, each as a share of one of a few that lean on many readings.

    Like `part / whole.take(whole_of)`, of which only the uncertainty is asked for: a share of a still's
    charge leans on every reading behind the charge, and to write those out for each jar is much of the work
    of a long season.

    whole_of : the number of each row's whole; below zero for a row that has none
    """

    part: Uncertain
    whole: Uncertain
    whole_of: Ints

    @property
    def values(self) -> Floats:
        """The shares; NaN where there is no whole, or nothing of it."""
        return np.asarray(self.part.values / self._wholes())

    def u(self, reading_u: Floats) -> Floats:
        """Standard uncertainty of each row: that of a quotient of two figures that share readings."""
        share, parts = self.values, self.part.jacobian.tocoo()
        whole_u, of = np.append(self.whole.u(reading_u), np.nan), self.whole_of
        beside = self.whole.jacobian.sorted_indices()
        kept = of[parts.row] >= 0
        rows, readings = parts.row[kept], parts.col[kept]
        shared = np.zeros(0)
        if rows.size:
            shared = (
                parts.data[kept] * np.asarray(beside[of[rows], readings]).ravel() * reading_u[readings] ** 2
            )
        covariance = np.bincount(rows, shared, share.size)
        variance = self.part.u(reading_u) ** 2 - 2.0 * share * covariance + (share * whole_u[of]) ** 2
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)) / np.abs(self._wholes()))

    def _wholes(self) -> Floats:
        wholes = np.append(self.whole.values, np.nan)[self.whole_of]
        return np.where(wholes == 0.0, np.nan, wholes)


def choose(condition: Flags, yes: Uncertain, no: Uncertain) -> Uncertain:
    """Row by row one column or the other."""
    flags = np.asarray(condition, dtype=float)
    return Uncertain(
        np.where(condition, yes.values, no.values),
        _scaled(yes.jacobian, flags) + _scaled(no.jacobian, 1.0 - flags),
    )


def apply(function: Callable[..., Any], *arguments: Uncertain) -> Uncertain:
    """A function of columns, row by row, with its derivatives by central differences.

    function : numbers in, numbers out, row by row, such as those of `pipeline.science`
    """
    values = [argument.values for argument in arguments]
    result = np.asarray(function(*values), dtype=float)
    jacobian = sparse.csr_matrix((result.size, arguments[0].readings if arguments else 0))
    for position, argument in enumerate(arguments):
        jacobian = jacobian + _scaled(argument.jacobian, slope(function, values, position, result))
    return Uncertain(result, jacobian)


def slope(
    function: Callable[..., Any], values: Sequence[Any], position: int, result: Floats | None = None
) -> Floats:
    """Derivative of a function with respect to one of its arguments; zero where it is not known.

    result : what the function gives at `values`, if that is known already
    """
    at = np.asarray(values[position], dtype=float)
    step = _RELATIVE_STEP * np.maximum(np.abs(at), 1e-2)
    up = np.asarray(function(*values[:position], at + step, *values[position + 1 :]), dtype=float)
    down = np.asarray(function(*values[:position], at - step, *values[position + 1 :]), dtype=float)
    here = np.asarray(function(*values), dtype=float) if result is None else result
    # At the end of a range only one side can be had (water is 0 %vol and no less).
    change = np.where(np.isnan(down), up - here, np.where(np.isnan(up), here - down, up - down))
    width = np.where(np.isnan(down) | np.isnan(up), step, 2.0 * step)
    return np.asarray(np.nan_to_num(change / width, nan=0.0), dtype=float)


def _scaled(matrix: Any, factors: npt.ArrayLike) -> Any:
    """Each row of a sparse matrix times its own factor; a factor that is not a number counts as zero.

    The new matrix has its own numbers and the old one's places: nobody changes a column in place.
    """
    column = np.broadcast_to(np.nan_to_num(np.asarray(factors, dtype=float), nan=0.0), matrix.shape[0])
    data = matrix.data * np.repeat(column, np.diff(matrix.indptr))
    return sparse.csr_matrix((data, matrix.indices, matrix.indptr), shape=matrix.shape)


def _ones(rows: Ints, columns: Ints, shape: tuple[int, int]) -> Any:
    return sparse.csr_matrix((np.ones(rows.size), (rows, columns)), shape=shape)
