"""The robust fit: where a run lies, whatever one wild reading or one wild volume says.

All runs side by side by Gauss-Newton steps of the soft-L1 loss. A wild strength is left aside by the loss; a
wild volume shifts every later jar, so where a run is in doubt each volume in turn is set free and the one
that puts the run in order is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.cuts.model import Course, RunSet, course, within_bounds

Array = NDArray[np.float64]

_FIRST_STAGES = 0.4
_NUDGE = 1e-3
_STEPS = 9
_NEAR = 5e-4  # the linear step goes the rest
_LEAST_READINGS = 6
_CLEAR_GAIN = 15.0
_PLAINER = 4.0  # one charge against the choice among a score of jars
_FIRST_FACTORS = (0.15, 0.6, 1.6)
_FREE_STEPS = 10
_WIDEST_FACTOR = 8.0


@dataclass(frozen=True)
class Errors:
    """Standard uncertainties of what was logged of a run.

    strength_pct_vol : of a strength read [% vol]
    volume_frac      : of a volume, as a fraction of it
    model_pct_vol    : of the model itself at any one jar (temperatures, hold-up) [% vol]; own choice
    """

    strength_pct_vol: float = 0.3
    volume_frac: float = 0.01
    model_pct_vol: float = 0.15

    @property
    def reading(self) -> float:
        return float(np.hypot(self.strength_pct_vol, self.model_pct_vol))


@dataclass(frozen=True)
class Slopes:
    """A course and how each reading (jars, then spouts) moves with what is fitted."""

    course: Course
    expected: Array
    by_stages: Array
    by_correction: Array


def readings_of(runs: RunSet) -> Array:
    return np.concatenate([runs.jar_abv, runs.spout_abv], axis=1)


def _expected(course_: Course) -> Array:
    return np.concatenate([course_.jar_abv, course_.spout_abv[:, 1:]], axis=1)


def slopes_of(runs: RunSet, stages: Array, correction: Array) -> Slopes:
    here = course(runs, stages, correction)
    expected = _expected(here)
    return Slopes(
        here,
        expected,
        (_expected(course(runs, stages + _NUDGE, correction, has_slope=False)) - expected) / _NUDGE,
        (_expected(course(runs, stages, correction + _NUDGE, has_slope=False)) - expected) / _NUDGE,
    )


def _marginal_u(runs: RunSet, here: Course, errors: Errors) -> Array:
    """Standard uncertainty of each reading by itself, its place in the run being uncertain too."""
    filled = runs.filled_l
    place_u = errors.volume_frac * np.hypot(np.sqrt(np.cumsum(filled**2, axis=1)), here.edge_l[:, 1:])
    steep = np.concatenate(
        [0.5 * (here.spout_slope[:, 1:] + here.spout_slope[:, :-1]), here.spout_slope[:, 1:]], axis=1
    )
    return np.asarray(np.hypot(errors.reading, steep * np.concatenate([place_u, place_u], axis=1)))


def robust_fit(
    runs: RunSet, errors: Errors, stages: Array | None = None, correction: Array | None = None
) -> tuple[Array, Array]:
    """Gauss-Newton steps of the soft-L1 loss, all runs together; a weak pull keeps empty runs in place."""
    stages = np.full(runs.runs, _FIRST_STAGES) if stages is None else stages
    correction = np.zeros(runs.runs) if correction is None else correction
    for _ in range(_STEPS):
        slopes = slopes_of(runs, stages, correction)
        step = _step(runs, slopes, errors, correction, [slopes.by_stages, slopes.by_correction])
        step = np.clip(step, [-0.25, -0.05], [0.25, 0.05])
        stages, correction = within_bounds(stages + step[:, 0], correction + step[:, 1])
        if np.abs(step).max(initial=0.0) < _NEAR:
            break
    return stages, correction


def _prior_u(runs: RunSet, errors: Errors) -> Array:
    """Here the correction stands for the charge's volume as well; the linear step parts the two."""
    return np.hypot(runs.charge_abv_u / runs.charge_abv, errors.volume_frac)


def _step(runs: RunSet, slopes: Slopes, errors: Errors, correction: Array, by: list[Array]) -> Array:
    """One reweighted least-squares step of the soft-L1 loss; `by` starts with stages and correction."""
    sd = _marginal_u(runs, slopes.course, errors)
    z = (readings_of(runs) - slopes.expected) / sd
    known = np.isfinite(z)
    z = np.where(known, z, 0.0)
    weight = np.where(known, 1.0 / np.sqrt(1.0 + z**2), 0.0)
    columns = np.stack([np.where(known & np.isfinite(each), each / sd, 0.0) for each in by], axis=2)
    weighted = columns * weight[:, :, None]
    normal = np.swapaxes(weighted, 1, 2) @ columns
    right = np.swapaxes(weighted, 1, 2) @ z[:, :, None]
    prior = 1.0 / _prior_u(runs, errors) ** 2
    # A weak pull on every other unknown keeps a run without readings where it is.
    normal[:, range(len(by)), range(len(by))] += 1e-2
    normal[:, 1, 1] += prior
    right[:, 1, 0] -= prior * correction
    return np.asarray(np.linalg.solve(normal, right)[:, :, 0])


@dataclass(frozen=True)
class Gross:
    """A volume that cannot be what was logged: what was logged and what puts the run in order [L].

    jar -1 is the charge, in shares of what was logged.
    """

    jar: int
    logged_l: float
    found_l: float


def mend_volumes(
    runs: RunSet, rows: Sequence[int], errors: Errors
) -> tuple[RunSet, Array, Array, dict[int, Gross]]:
    """Those of the runs `rows` with a gross volume put right; the fits, and what was put right, by row.

    A volume is put right only where that explains the run clearly better than the worst reading alone being
    wrong; where the charge being wrong explains it as well, it is the charge.
    """
    stages, correction = robust_fit(runs, errors)
    loss, worst = _losses(runs, errors, stages, correction)
    volume_l, gross = runs.volume_l.copy(), {}
    for row in rows:
        if int(np.isfinite(readings_of(runs)[row]).sum()) < _LEAST_READINGS:
            continue
        jars = int((runs.filled_l[row] > 0.0).sum())
        found = _free_each(runs, row, jars, errors, float(stages[row]), float(correction[row]))
        best = int(np.argmin(found.loss))
        other = _other_charge(runs, row, errors)
        plainest = loss[row] - worst[row] - _CLEAR_GAIN
        if other.loss < plainest and other.loss < found.loss[best] + _PLAINER:
            gross[row] = Gross(-1, 1.0, other.factor)
            stages[row], correction[row] = other.stages, other.correction
        elif found.loss[best] < plainest:
            jar = best % jars
            gross[row] = Gross(jar, float(volume_l[row, jar]), float(found.volume_l[best]))
            volume_l[row, jar] = found.volume_l[best]
            stages[row], correction[row] = found.stages[best], found.correction[best]
    return replace(runs, volume_l=volume_l), stages, correction, gross


@dataclass(frozen=True)
class _OtherCharge:
    """The charge that suits a run best, as a factor on the one logged, and the fit with it."""

    loss: float
    factor: float
    stages: float
    correction: float


def _other_charge(runs: RunSet, row: int, errors: Errors) -> _OtherCharge:
    """The best charge from a third of the one logged to three times it."""
    factors = np.exp(np.linspace(-1.1, 1.1, 23))
    many = _copies(runs, row, factors.size)
    many = replace(many, charge_l=many.charge_l * factors)
    stages, correction = robust_fit(many, errors)
    loss = _losses(many, errors, stages, correction)[0]
    best = int(loss.argmin())
    return _OtherCharge(float(loss[best]), float(factors[best]), float(stages[best]), float(correction[best]))


def _copies(runs: RunSet, row: int, number: int) -> RunSet:
    """One run so many times."""
    return RunSet(
        np.repeat(runs.charge_l[row : row + 1], number),
        np.repeat(runs.charge_abv[row : row + 1], number),
        np.repeat(runs.charge_abv_u[row : row + 1], number),
        np.repeat(runs.volume_l[row : row + 1], number, axis=0),
        np.repeat(runs.jar_abv[row : row + 1], number, axis=0),
        np.repeat(runs.spout_abv[row : row + 1], number, axis=0),
    )


@dataclass(frozen=True)
class _Freed:
    """One row a jar set free and a start: the loss and where it was found."""

    loss: Array
    volume_l: Array
    stages: Array
    correction: Array


def _losses(runs: RunSet, errors: Errors, stages: Array, correction: Array) -> tuple[Array, Array]:
    """Soft-L1 loss of each run, and that of its worst reading."""
    here = course(runs, stages, correction)
    z = (readings_of(runs) - _expected(here)) / _marginal_u(runs, here, errors)
    each = np.where(np.isfinite(z), 2.0 * (np.sqrt(1.0 + np.nan_to_num(z) ** 2) - 1.0), 0.0)
    prior = (correction / _prior_u(runs, errors)) ** 2
    return each.sum(axis=1) + prior, each.max(axis=1, initial=0.0)


def _free_each(runs: RunSet, row: int, jars: int, errors: Errors, stages: float, correction: float) -> _Freed:
    """Fit one run once for each jar and first guess, that jar's volume free."""
    copies = jars * len(_FIRST_FACTORS)
    jar = np.arange(copies) % jars
    at = (np.arange(copies), jar)
    many = _copies(runs, row, copies)
    logged = many.volume_l
    log_factor = np.log(np.repeat(_FIRST_FACTORS, jars))
    s, k = np.full(copies, stages), np.full(copies, correction)

    def set_free(log_factors: Array) -> RunSet:
        volume_l = logged.copy()
        volume_l[at] *= np.exp(log_factors)
        return replace(many, volume_l=volume_l)

    for _ in range(_FREE_STEPS):
        freed = set_free(log_factor)
        slopes = slopes_of(freed, s, k)
        nudged = course(set_free(log_factor + _NUDGE), s, k, has_slope=False)
        by_factor = (_expected(nudged) - slopes.expected) / _NUDGE
        step = _step(freed, slopes, errors, k, [slopes.by_stages, slopes.by_correction, by_factor])
        s, k = within_bounds(s + np.clip(step[:, 0], -0.2, 0.2), k + np.clip(step[:, 1], -0.05, 0.05))
        bound = np.log(_WIDEST_FACTOR)
        log_factor = np.clip(log_factor + np.clip(step[:, 2], -0.3, 0.3), -bound, bound)
    freed = set_free(log_factor)
    return _Freed(_losses(freed, errors, s, k)[0], freed.volume_l[at], s, k)
