"""Smooth surfaces over one grid, looked up together at many scattered points.

Cubic tensor-product splines through every value. scipy's own look-up of scattered points searches all knots
anew for each point and each surface; here the knots are searched once for all surfaces.

Sources: C. de Boor, A Practical Guide to Splines, 1978, chapter X, the recurrence of B-splines (from memory;
held against scipy's look-up in tests/cuts/test_surface.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_ORDER = 4  # cubic


@dataclass(frozen=True)
class Surfaces:
    """Cubic surfaces with the same knots; `coefficients`: a row a pair of knots, a column a surface."""

    first_knots: Array
    second_knots: Array
    coefficients: Array

    def at(self, first: Array, second: Array) -> Array:
        """Every surface at each point: one row a point, one column a surface; held at the grid's ends."""
        return self._sums(first, second, has_slope=False)[0]

    def at_with_slope(self, first: Array, second: Array) -> tuple[Array, Array]:
        """Every surface and its slope along the second axis at each point."""
        values, slopes = self._sums(first, second, has_slope=True)
        return values, slopes

    def _sums(self, first: Array, second: Array, has_slope: bool) -> list[Array]:
        place, by_first = _basis(self.first_knots, first)
        other, by_second = _basis(self.second_knots, second)
        along = [by_second]
        if has_slope:
            along.append(_slopes(self.second_knots, other, second))
        width = self.second_knots.size - _ORDER
        corner = (place - _ORDER + 1) * width + other - _ORDER + 1
        sums = [np.zeros((place.size, self.coefficients.shape[1])) for _ in along]
        for i in range(_ORDER):
            near = [self.coefficients[corner + (i * width + j)] for j in range(_ORDER)]
            for total, by in zip(sums, along, strict=True):
                line = by[0][:, None] * near[0]
                for j in range(1, _ORDER):
                    line += by[j][:, None] * near[j]
                total += by_first[i][:, None] * line
        return sums


def surfaces_through(first: Array, second: Array, values: Sequence[Array]) -> Surfaces:
    """The surfaces through values on a grid: `values` one array (first, second) a surface."""
    splines = [RectBivariateSpline(first, second, each, kx=3, ky=3, s=0) for each in values]
    first_knots, second_knots, _ = splines[0].tck
    return Surfaces(
        np.asarray(first_knots),
        np.asarray(second_knots),
        np.ascontiguousarray(np.stack([each.tck[2] for each in splines], axis=1)),
    )


def _basis(knots: Array, at: Array) -> tuple[Index, Array]:
    """Which interval of the knots each point lies in, and the four B-splines that are not nought there."""
    at = np.clip(at, knots[0], knots[-1])
    last = knots.size - _ORDER - 1
    place = np.clip(np.searchsorted(knots, at, side="right") - 1, _ORDER - 1, last)
    return place, _raised(knots, place, at, _ORDER)


def _raised(knots: Array, place: Index, at: Array, order: int) -> Array:
    """The B-splines of an order over each point by the recurrence from the order below; one row each."""
    basis = np.ones((1, at.size))
    for degree in range(1, order):
        raised = np.zeros((degree + 1, at.size))
        for i in range(degree):
            right, left = knots[place + i + 1], knots[place + i + 1 - degree]
            share = basis[i] / (right - left)
            raised[i] += share * (right - at)
            raised[i + 1] = share * (at - left)
        basis = raised
    return basis


def _slopes(knots: Array, place: Index, at: Array) -> Array:
    """The slopes of the four B-splines over each point."""
    lower = _raised(knots, place, np.clip(at, knots[0], knots[-1]), _ORDER - 1)
    slopes = np.zeros((_ORDER, at.size))
    degree = _ORDER - 1
    for i in range(degree):
        share = degree * lower[i] / (knots[place + i + 1] - knots[place + i + 1 - degree])
        slopes[i] -= share
        slopes[i + 1] += share
    return slopes
