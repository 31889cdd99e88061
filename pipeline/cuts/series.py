"""A series of one figure over the runs of a group: what it holds, and what its charts say at every point."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.cuts import control

Array = NDArray[np.float64]
Places = NDArray[np.int64]
Row = dict[str, Any]

PHASES = ("before", "baseline", "after", None)
NO_PHASE = PHASES.index(None)
LIMITS = ("centre", "lower_limit", "upper_limit", "moving_range_limit")


@dataclass(frozen=True)
class Series:
    """One figure's values over the runs of a group, in order; `values` adjusted for the charge.

    rows     : which rows of `READS` the runs are
    settings : the distiller's, by the names of `READS`
    """

    key: Row
    settings: Mapping[str, Any]
    rows: Places
    logged: Array
    values: Array


@dataclass(frozen=True)
class Phase:
    """The stretch that the limits come from, and the limits at every point of the series."""

    first: int
    last: int
    limits: control.Individuals
    lower: Array
    upper: Array

    def words(self) -> Places:
        """Whether each point lies before, in or after the stretch: the place of its word in `PHASES`."""
        place = np.arange(self.lower.size)
        return (place >= self.first).astype(np.int64) + (place >= self.last)

    def at_points(self) -> Array:
        """The limits at every point (`LIMITS`, points)."""
        centre, of_ranges = (
            np.full(self.lower.size, each) for each in (self.limits.mean, self.limits.range_limit)
        )
        return np.stack([centre, self.lower, self.upper, of_ranges])


@dataclass(frozen=True)
class Signal:
    """A signal at a point of a series, which began at the point `since`; points by their place."""

    place: int
    rule: str
    is_high: bool
    centre: float
    since: int


@dataclass(frozen=True)
class Drift:
    """The charts that start by themselves, at every point: Q, its EWMA and limit, its sums up and down."""

    q: Array
    average: Array
    limit: Array
    up: Array
    down: Array

    @classmethod
    def of_all(cls, all_values: Sequence[Array]) -> Iterator[Drift]:
        """Of many series: a point needs the one before, but all series take a step together."""
        offs, squares = control.off_those_before(_side_by_side(all_values))
        found = [
            control.q_statistics(offs[: values.size, k], squares[: values.size, k])
            for k, values in enumerate(all_values)
        ]
        started = _side_by_side([np.nan_to_num(q) for q in found])
        average = control.ewma(started, 0.0)
        up, down = control.cusum(started, 0.0, control.CUSUM_K, control.CUSUM_H)
        limit = control.ewma_half_width(1.0, np.maximum(np.arange(len(started)) - 1.0, 1.0))
        for k, q in enumerate(found):
            own = [np.array(each[: q.size, k]) for each in (average, up, down)]
            yield cls(q, own[0], limit[: q.size], own[1], own[2])


def _side_by_side(all_values: Sequence[Array]) -> Array:
    """Series as columns, each from the top; NaN below the shorter ones."""
    columns = np.full((max((values.size for values in all_values), default=0), len(all_values)), np.nan)
    for k, values in enumerate(all_values):
        columns[: values.size, k] = values
    return columns
