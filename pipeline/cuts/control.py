"""Control charts: individuals and moving range, EWMA, tabular CUSUM, run rules, phases, run lengths.

Works on one figure's values in the order of the runs, older first. Constants are the published three-decimal
ones (d2 1.128, D4 3.267 for ranges of two), so that printed examples come out to the last digit.

Sources: individuals and moving range, EWMA, CUSUM: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2
(constants and forms from memory; worked examples in tests/cuts/test_control.py); D. C. Montgomery,
G. C. Runger, Applied Statistics and Probability for Engineers, chapter 16; run rules: L. S. Nelson, Journal
of Quality Technology 16 (1984) 237-239, and the Western Electric Statistical Quality Control Handbook, 1956;
Q statistics: C. P. Quesenberry, Journal of Quality Technology 23 (1991) 213-224 (formula from memory,
property tested by simulation); run lengths by the Markov chain of D. Brook, D. A. Evans, Biometrika 59
(1972) 539-549.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import prod

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtr, stdtrit

Array = NDArray[np.float64]

D2 = 1.128
D4 = 3.267
LEAST_RUNS = 8
TRIAL_RUNS = 20
ESTABLISHED_RUNS = 50
"""Fewer runs than these: no limits; provisional; trial limits; from the last on, established (own choice)."""

CUSUM_K = 0.5
CUSUM_H = 5.0
EWMA_WEIGHT = 0.2
EWMA_WIDTH = 2.962
"""In control both run 465 to 500 points between false alarms; a shift of one sigma takes 10."""

_TAIL = float(ndtr(3.0))
# Stretches that are looked at together.
_AT_ONCE = 100

RULES = {
    "beyond limits": "Nelson 1, Western Electric 1: one point beyond three sigma",
    "two of three": "Nelson 5, Western Electric 2: two of three beyond two sigma on one side",
    "four of five": "Nelson 6, Western Electric 3: four of five beyond one sigma on one side",
    "nine on one side": "Nelson 2: nine in a row on one side of the centre",
    "eight on one side": "Western Electric 4: eight in a row on one side of the centre",
    "six rising or falling": "Nelson 3: six in a row, each above or each below the one before",
    "fourteen alternating": "Nelson 4: fourteen in a row, up and down by turns",
    "fifteen close": "Nelson 7: fifteen in a row within one sigma",
    "eight away": "Nelson 8: eight in a row beyond one sigma, on either side",
    "CUSUM": f"tabular CUSUM, k {CUSUM_K}, h {CUSUM_H:g}: a lasting shift",
    "EWMA": f"EWMA, weight {EWMA_WEIGHT}, width {EWMA_WIDTH}: a lasting shift",
}
"""Each signal by name, with who published the rule."""

NELSON = (
    "beyond limits",
    "nine on one side",
    "six rising or falling",
    "fourteen alternating",
    "two of three",
    "four of five",
    "fifteen close",
    "eight away",
)
WESTERN_ELECTRIC = ("beyond limits", "two of three", "four of five", "eight on one side")
DEFAULT_RULES = ("beyond limits",)
"""One rule by default: each further one adds false signals (all eight: one in 25 runs of a steady still)."""


@dataclass(frozen=True)
class Individuals:
    """Limits of an individuals chart from one stretch of runs; `sigma` is from the moving ranges."""

    runs: int
    mean: float
    sd: float
    mr_bar: float

    @property
    def sigma(self) -> float:
        return self.mr_bar / D2

    @property
    def limits(self) -> tuple[float, float]:
        """Three sigma either side of the mean: for looking back on the stretch itself."""
        return self.mean - 3.0 * self.sigma, self.mean + 3.0 * self.sigma

    @property
    def range_limit(self) -> float:
        return D4 * self.mr_bar

    def next_run(self, coverage: float = 2 * _TAIL - 1) -> tuple[float, float]:
        """Probability limits for one run to come, exact for normal data however few the runs were."""
        half = (
            float(stdtrit(self.runs - 1, 0.5 + coverage / 2.0)) * self.sd * float(np.sqrt(1 + 1 / self.runs))
        )
        return self.mean - half, self.mean + half


def individuals(values: Array) -> Individuals:
    """The individuals and moving-range chart of a stretch of two or more runs."""
    return Individuals(
        values.size, float(values.mean()), float(values.std(ddof=1)), float(np.abs(np.diff(values)).mean())
    )


def ewma(values: Array, target: float, weight: float = EWMA_WEIGHT) -> Array:
    """The exponentially weighted moving average, starting from the target.

    values : the points of one series, or of many side by side, a column each (in what follows as well)
    """
    averages = _in_columns(weight * values)
    last = np.full(averages.shape[1:], target)
    carried = np.empty_like(last)
    for row in averages:
        np.multiply(last, 1.0 - weight, out=carried)
        last = np.add(row, carried, out=row)
    return averages.reshape(values.shape)


def ewma_half_width(
    sigma: float, points: Array, weight: float = EWMA_WEIGHT, width: float = EWMA_WIDTH
) -> Array:
    """Half the distance between the EWMA's limits at the 1st, 2nd ... point (inf: for ever after)."""
    settled = width * sigma * np.sqrt(weight / (2.0 - weight))
    return np.asarray(settled * np.sqrt(1.0 - (1.0 - weight) ** (2.0 * points)))


def cusum(values: Array, target: float, slack: float, decision: float = np.inf) -> tuple[Array, Array]:
    """Upper and lower tabular CUSUM; after a signal (a sum above `decision`) both start again from nought."""
    # Both sides of a point stand in one row: a point is a single step, however many series there are.
    sums = np.empty((len(values), 2, *values.shape[1:]))
    np.subtract(values, target + slack, out=sums[:, 0])
    np.subtract(target - slack, values, out=sums[:, 1])
    last = nought = np.zeros(sums.shape[1:])
    for row in sums:
        np.add(last, row, out=row)
        last = np.maximum(row, nought, out=row)
        # The larger side of each, where there is one: series may have ended.
        if np.fmax.reduce(row, axis=None) > decision:
            last = np.where(np.fmax.reduce(row) > decision, 0.0, row)
    return sums[:, 0], sums[:, 1]


def _in_columns(values: Array) -> Array:
    """One series as a column, so that each of its points is a row as well."""
    return values.reshape(len(values), prod(values.shape[1:]))


def self_starting(values: Array) -> Array:
    """Quesenberry's Q: how far each run lies from all before it, standard normal while nothing changes.

    NaN for the first two runs and while all before are alike. Needs neither a target nor a sigma.
    """
    return q_statistics(*off_those_before(values))


def off_those_before(values: Array) -> tuple[Array, Array]:
    """How far each point lies from the mean of all before it, and the sum of squares about that mean."""
    # Mean and squares of those before are carried along (B. P. Welford, Technometrics 4 (1962) 419-420).
    columns = _in_columns(values)
    offs, squares_before = np.empty((2, *columns.shape))
    mean, squares, part = np.zeros((3, columns.shape[1]))
    for place, (value, off, before) in enumerate(zip(columns, offs, squares_before, strict=True), start=1):
        before[:] = squares
        np.subtract(value, mean, out=off)
        np.add(mean, np.divide(off, place, out=part), out=mean)
        np.subtract(value, mean, out=part)
        np.add(squares, np.multiply(off, part, out=part), out=squares)
    return offs.reshape(values.shape), squares_before.reshape(values.shape)


def q_statistics(offs: Array, squares_before: Array) -> Array:
    """Q of one series from what `off_those_before` found."""
    before = np.arange(offs.size)
    spread = np.where((before >= 2) & (squares_before > 0.0), squares_before, np.nan)
    t = offs * np.sqrt(before * (before - 1) / ((before + 1.0) * spread))
    q = ndtri(stdtr(before - 1.0, t))
    return np.asarray(np.clip(q, -8.0, 8.0))


def rule_hits(z: Array, rule: str) -> list[int]:
    """Where a run rule is met: the places of the points that complete it. `z` in sigmas from the centre.

    Strict, as published: a point on a line breaks a run.
    """
    length, are_met = _WINDOWS[rule]
    if z.size < length:
        return []
    return (length - 1 + np.flatnonzero(are_met(sliding_window_view(z, length)))).tolist()


Hits = NDArray[np.bool_]


def _on_one_side(windows: Array) -> Hits:
    return np.asarray(np.all(windows > 0.0, axis=1) | np.all(windows < 0.0, axis=1))


def _are_trends(windows: Array) -> Hits:
    return _on_one_side(np.diff(windows, axis=1))


def _alternate(windows: Array) -> Hits:
    steps = np.diff(windows, axis=1)
    return np.asarray(np.all(steps[:, 1:] * steps[:, :-1] < 0.0, axis=1))


def _beyond(windows: Array, sigmas: float, least: int) -> Hits:
    """So many beyond on one side, the last point among them."""
    sides = [side * windows > sigmas for side in (1.0, -1.0)]
    up, down = (is_out[:, -1] & (is_out.sum(axis=1) >= least) for is_out in sides)
    return np.asarray(up | down)


# Each rule looks at many windows of so many points, one a row.
_WINDOWS: Mapping[str, tuple[int, Callable[[Array], Hits]]] = {
    "beyond limits": (1, lambda windows: np.abs(windows[:, 0]) > 3.0),
    "nine on one side": (9, _on_one_side),
    "eight on one side": (8, _on_one_side),
    "six rising or falling": (6, _are_trends),
    "fourteen alternating": (14, _alternate),
    "two of three": (3, lambda windows: _beyond(windows, 2.0, 2)),
    "four of five": (5, lambda windows: _beyond(windows, 1.0, 4)),
    "fifteen close": (15, lambda windows: np.all(np.abs(windows) < 1.0, axis=1)),
    "eight away": (8, lambda windows: np.all(np.abs(windows) > 1.0, axis=1)),
}


def first_steady(values: Array, most: int = TRIAL_RUNS) -> tuple[int, int] | None:
    """The first stretch with no point beyond its own limits: (first, one past the last); None if none is.

    Looked for from `most` runs downwards to `LEAST_RUNS`; more than half of the ranges nought is no stretch,
    since such limits say only how coarsely the figure was written down.
    """
    for length in sorted({min(most, values.size), 15, 12, LEAST_RUNS}, reverse=True):
        if not LEAST_RUNS <= length <= min(most, values.size):
            continue
        stretches = sliding_window_view(values, length)
        # The first steady one is mostly among the first.
        for start in range(0, len(stretches), _AT_ONCE):
            steady = np.flatnonzero(_are_steady(stretches[start : start + _AT_ONCE]))
            if steady.size:
                first = start + int(steady[0])
                return first, first + length
    return None


def _are_steady(stretches: Array) -> NDArray[np.bool_]:
    """Whether each of many stretches, one a row, stays within its own limits."""
    ranges = np.abs(np.diff(stretches, axis=1))
    mean = stretches.mean(axis=1, keepdims=True)
    half = 3.0 * ranges.mean(axis=1, keepdims=True) / D2
    is_within = (stretches >= mean - half) & (stretches <= mean + half)
    return np.asarray(is_within.all(axis=1) & (np.mean(ranges == 0.0, axis=1) <= 0.5))


def arl_ewma(weight: float, width: float, shift: float, states: int = 401) -> float:
    """Average number of points to an EWMA's signal (two-sided, limits settled), shift in sigmas."""
    limit = width * np.sqrt(weight / (2.0 - weight))
    cell = 2.0 * limit / states
    centres = -limit + cell * (np.arange(states) + 0.5)
    low, high = ((centres + side * cell / 2.0)[None, :] for side in (-1.0, 1.0))
    carried = (1.0 - weight) * centres[:, None]
    stay = ndtr((high - carried) / weight - shift) - ndtr((low - carried) / weight - shift)
    return float(np.linalg.solve(np.eye(states) - stay, np.ones(states))[states // 2])


def arl_cusum(k: float, h: float, shift: float, states: int = 400) -> float:
    """Average number of points to a two-sided CUSUM's signal, shift in sigmas.

    The two sides joined by 1/ARL = 1/ARL+ + 1/ARL- (exact for k above nought: C. S. van Dobben de Bruyn,
    Cumulative Sum Tests, 1968, from memory).
    """
    sides = [_arl_one_sided(k, h, side * shift, states) for side in (1.0, -1.0)]
    return 1.0 / sum(1.0 / each for each in sides)


def _arl_one_sided(k: float, h: float, shift: float, states: int) -> float:
    cell = 2.0 * h / (2 * states - 1)
    at = cell * np.arange(states)
    low, high = (at[None, :] - at[:, None] + side * cell / 2.0 + k - shift for side in (-1.0, 1.0))
    stay = ndtr(high) - ndtr(low)
    stay[:, 0] = ndtr(high[:, 0])
    return float(np.linalg.solve(np.eye(states) - stay, np.ones(states))[0])
