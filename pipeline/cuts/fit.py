"""A run's effective stages and its charge's correction, and the reading that cannot be right.

Two steps. First a robust fit (soft-L1 loss) that one wild jar cannot pull along. Then, linear about that
fit, generalised least squares with the errors as they arise: a wrong volume shifts every later jar, a
reading is wrong by itself. In this frame each suspicion (this strength, this spout, this volume, the
charge, a changed reflux) is one more unknown; its estimate over its uncertainty is the test, and what the
estimate takes away is the value expected.

Sources: soft-L1 loss as in scipy.optimize.least_squares; test of a mean shift in a linear model:
R. D. Cook, S. Weisberg, Residuals and Influence in Regression, 1982, section 2.2 (from memory). Simple
batch distillation and equilibrium: as `pipeline.science.run_curve`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import takewhile

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

from pipeline.cuts.model import Course, RunSet, as_drops, course, within_bounds
from pipeline.cuts.robust import Errors, Gross, Slopes, mend_volumes, readings_of, robust_fit, slopes_of

Array = NDArray[np.float64]

FLAG_CHANCE = 0.012
"""How often one or more readings of a run that was read well may be called wrong (all of them together)."""
SHAPE_Z = 4.0
"""For a bow, a step or the charge, which more than one honest cause can bring about."""

_LEAST_FREEDOM = 4
_MOST_SUSPICIONS = 2
_VAGUEST_STAGES = 0.5
_SHAPES = {"strength": "one jar", "spout": "one jar", "volume": "step", "charge": "charge", "bow": "bow"}
_WORST_CONDITION = 1e8
_DOUBTED_CHI2 = 2.0
_DOUBTED_Z = 8.0
_DOUBTED_SHARE = 0.5


@dataclass(frozen=True)
class Suspicion:
    """What could be wrong with a run: `what` is strength, spout, volume, charge or bow.

    jar      : index of the jar, -1 where none
    shift    : logged less expected, in the unit of the thing (% vol, L); share of the charge; stages
    shift_u  : its standard uncertainty
    z        : shift over its uncertainty, the run's own scatter allowed for
    """

    what: str
    jar: int
    shift: float
    shift_u: float
    z: float


@dataclass(frozen=True)
class RunFit:
    """One run's fit; NaN where it could not be made.

    shape   : what the residuals look like: as expected, one jar, step, bow, charge; or not fitted
    edge_u  : standard uncertainty of the expected strength at the spout at each edge [% vol]
    jar_u   : of the expected strength of each jar, its own reading's error not counted [% vol]
    """

    stages: float = np.nan
    stages_u: float = np.nan
    stages_low: float = np.nan
    stages_high: float = np.nan
    correction: float = np.nan
    correction_u: float = np.nan
    charge_scale: float = np.nan
    reduced_chi2: float = np.nan
    readings: int = 0
    suspicions: tuple[Suspicion, ...] = ()
    runner_up: Suspicion | None = None
    shape: str = "not fitted"
    edge_u: Array = field(default_factory=lambda: np.empty(0))
    jar_u: Array = field(default_factory=lambda: np.empty(0))

    @property
    def is_fitted(self) -> bool:
        return bool(np.isfinite(self.stages))


@dataclass(frozen=True)
class Fits:
    """All runs' fits and the course each expects, row by row; `drops` are the runs as `course` counts."""

    runs: list[RunFit]
    course: Course
    drops: RunSet


def fit_runs(runs: RunSet, errors: Errors | None = None) -> Fits:
    """Fit every run at once.

    runs    : charges and jars at 20 degC; a run without a strength read in any jar is left unfitted
    errors  : of the readings; the instruments' defaults when none are given
    returns : stages with a 95 % interval and the charge's correction for each run, and what looks wrong
    """
    errors = errors or Errors()
    stages, correction = robust_fit(runs, errors)
    drops = as_drops(runs, stages, correction)
    stages, correction = robust_fit(drops, errors, stages, correction)
    state = _State(drops, stages, correction, np.ones(runs.runs), {}, [RunFit()] * runs.runs)
    everything = range(runs.runs)
    state = _pass(state, everything, errors)
    # A step, a bow or a charge may be one volume so wrong that no straight line reaches it.
    doubted = [row for row in everything if _is_doubted(state.fits[row], drops.filled_l[row])]
    state = _pass(_mended(state, doubted, errors), everything, errors)
    state = _pass(state, doubted, errors)
    measured = state.measured
    return Fits(state.fits, course(measured, state.stages, state.correction), measured)


@dataclass(frozen=True)
class _State:
    """Where the fits stand between two passes: linearised where, with which volumes put right."""

    drops: RunSet
    stages: Array
    correction: Array
    charge_scale: Array
    gross: dict[int, Gross]
    fits: list[RunFit]

    @property
    def measured(self) -> RunSet:
        """The runs with the charge's volume as fitted."""
        return replace(self.drops, charge_l=self.drops.charge_l * self.charge_scale)


def _is_doubted(fit: RunFit, volume_l: Array) -> bool:
    """Whether the first suspicion is too large for the straight line that raised it."""
    if not fit.suspicions or fit.suspicions[0].what in ("strength", "spout"):
        return False
    first = fit.suspicions[0]
    is_large = first.what == "volume" and abs(first.shift) > _DOUBTED_SHARE * volume_l[first.jar]
    return is_large or fit.reduced_chi2 > _DOUBTED_CHI2 or abs(first.z) > _DOUBTED_Z


def _mended(state: _State, rows: list[int], errors: Errors) -> _State:
    if not rows:
        return state
    drops, stages, correction, gross = mend_volumes(state.drops, rows, errors)
    put_right = list(gross)
    new_stages, new_correction = state.stages.copy(), state.correction.copy()
    new_stages[put_right], new_correction[put_right] = stages[put_right], correction[put_right]
    scale = state.charge_scale.copy()
    scale[put_right] = [each.found_l if each.jar < 0 else 1.0 for each in gross.values()]
    return replace(
        state, drops=drops, stages=new_stages, correction=new_correction, charge_scale=scale, gross=gross
    )


def _pass(state: _State, rows: Iterable[int], errors: Errors) -> _State:
    """One linear step of some of the runs, from where each stands."""
    fits, stages, correction, scale = (
        list(state.fits),
        state.stages.copy(),
        state.correction.copy(),
        state.charge_scale.copy(),
    )
    rows = list(rows)
    if not rows:
        return state
    measured = state.measured
    slopes = slopes_of(measured, stages, correction)
    for row in rows:
        here = _Place(float(stages[row]), float(correction[row]), float(scale[row]))
        fit = _linear(measured, row, slopes, errors, here, state.gross.get(row))
        fits[row] = fit
        if fit.is_fitted:
            stages[row], correction[row], scale[row] = fit.stages, fit.correction, fit.charge_scale
    stages, correction = within_bounds(stages, correction)
    scale = np.clip(scale, 0.3, 3.0)
    return replace(state, stages=stages, correction=correction, charge_scale=scale, fits=fits)


@dataclass(frozen=True)
class _Place:
    """Where a run is linearised: stages, correction of the charge's strength, factor on its volume."""

    stages: float
    correction: float
    charge_scale: float


def _volume_slopes(here: Course, row: int, volume_l: Array) -> Array:
    """How each expected reading moves with each jar's volume [% vol per L]: rows jars then spouts."""
    jars = volume_l.size
    spout, jar = here.spout_abv[row, : jars + 1], here.jar_abv[row, :jars]
    later, last = _later(jars)
    # A jar moves with the edge before it and the edge after it; each edge with every volume up to it.
    by_end, by_start = (spout[1:] - jar) / volume_l, (jar - spout[:-1]) / volume_l
    of_jars = by_end[:, None] * later + by_start[:, None] * last
    of_spouts = here.spout_slope[row, 1 : jars + 1][:, None] * later
    return np.concatenate([of_jars, of_spouts])


@lru_cache(maxsize=256)
def _later(jars: int) -> tuple[Array, Array]:
    """One where a row's jar is the column's or comes after it; one where it comes after it."""
    return np.tri(jars), np.tri(jars, k=-1)


@dataclass(frozen=True)
class _Frame:
    """One run, linear about its place, whitened: every error one standard deviation, independent.

    residual : readings, then what was logged of the charge (strength, volume)
    design   : by stages, by the charge's strength, by the charge's volume
    shifts   : one column a suspicion, in the order of `names`
    unwhitener : lower factor of the readings' covariance
    """

    residual: Array
    design: Array
    shifts: Array
    names: list[tuple[str, int]]
    unwhitener: Array

    def with_shifts(self, taken: list[int]) -> Array:
        """The design with the suspicions of these numbers as unknowns."""
        return np.concatenate([self.design, self.shifts[:, taken]], axis=1) if taken else self.design


@dataclass(frozen=True)
class _Columns:
    """A run before whitening; see `_Frame`. `spread` is what the jars' volumes do to each reading."""

    residual: Array
    design: Array
    shifts: Array
    names: list[tuple[str, int]]
    spread: Array
    bend_u: Array


def _columns(runs: RunSet, row: int, slopes: Slopes, errors: Errors) -> _Columns | None:
    volume_l = runs.filled_l[row]
    volume_l = volume_l[volume_l > 0.0]
    jars, width = volume_l.size, runs.volume_l.shape[1]
    pick = np.r_[0:jars, width : width + jars]
    readings, expected = readings_of(runs)[row, pick], slopes.expected[row, pick]
    known = np.isfinite(readings) & np.isfinite(expected)
    if not known[:jars].any() or not np.isfinite(runs.charge_abv[row] * runs.charge_l[row]):
        return None
    here = slopes.course
    by_volume = _volume_slopes(here, row, volume_l)[known]
    by_stages = slopes.by_stages[row, pick][known]
    place = np.tile(0.5 * (here.lpa_frac[row, 1 : jars + 1] + here.lpa_frac[row, :jars]), 2)[known]
    bow = by_stages * (place - place.mean())
    by_charge = -(by_volume @ volume_l)
    index = np.flatnonzero(known)
    names = [("strength", int(i)) if i < jars else ("spout", int(i - jars)) for i in index]
    names += [("volume", jar) for jar in range(jars)] + [("charge", -1), ("bow", -1)]
    return _Columns(
        (readings - expected)[known],
        np.column_stack([by_stages, slopes.by_correction[row, pick][known], by_charge]),
        np.column_stack([np.eye(index.size), by_volume, by_charge, bow]),
        names,
        by_volume * (errors.volume_frac * volume_l),
        np.tile(_bend_u(here, row, volume_l, errors), 2)[known],
    )


def _bend_u(here: Course, row: int, volume_l: Array, errors: Errors) -> Array:
    """What a straight line misses where the run falls off steeply: its bend times the place's variance."""
    slope = here.spout_slope[row, : volume_l.size + 1]
    place_variance = errors.volume_frac**2 * np.cumsum(volume_l**2)
    return np.asarray(2.0 * np.abs(np.diff(slope)) / volume_l * place_variance)


def _whiten(
    columns: _Columns, runs: RunSet, row: int, reading_u: float, errors: Errors, here: _Place
) -> _Frame:
    covariance = np.diag(reading_u**2 + columns.bend_u**2) + columns.spread @ columns.spread.T
    lower = np.linalg.cholesky(covariance)
    parts = (columns.residual[:, None], columns.design, columns.shifts)
    white = np.linalg.solve(lower, np.concatenate(parts, axis=1))
    prior = np.zeros((2, white.shape[1]))
    strength_u = runs.charge_abv_u[row] / runs.charge_abv[row]
    prior[0, 0], prior[0, 2] = -here.correction / strength_u, 1.0 / strength_u
    prior[1, 0], prior[1, 3] = (1.0 - here.charge_scale) / errors.volume_frac, 1.0 / errors.volume_frac
    # A charge logged wrong is one whose entry says nothing: the suspicion speaks on the entry alone.
    charge = columns.names.index(("charge", -1)) + 4
    prior[1, charge], white[:, charge] = 1.0 / errors.volume_frac, 0.0
    white = np.concatenate([white, prior])
    whole = np.asarray(white, dtype=np.float64)
    return _Frame(whole[:, 0], whole[:, 1:4], whole[:, 4:], columns.names, np.asarray(lower))


def _linear(
    runs: RunSet, row: int, slopes: Slopes, errors: Errors, here: _Place, gross: Gross | None
) -> RunFit:
    columns = _columns(runs, row, slopes, errors)
    if columns is None:
        return RunFit()
    frame = _whiten(columns, runs, row, errors.reading, errors, here)
    readings = columns.residual.size
    taken, suspicions, runner_up = _search(frame, readings, gross)
    freedom = readings - 1 - len(suspicions)
    is_judged = freedom >= _LEAST_FREEDOM
    design = frame.with_shifts(taken)
    if np.linalg.cond(design) > _WORST_CONDITION:
        return RunFit()
    chi2 = _chi2(frame.residual, design)
    reading_u = errors.reading
    if is_judged:
        # The jars themselves say how well they were read: the interval is theirs, not the settings'.
        reading_u *= float(np.clip(np.sqrt(chi2 / freedom), 0.3, 10.0))
        frame = _whiten(columns, runs, row, reading_u, errors, here)
        design = frame.with_shifts(taken)
    covariance = np.asarray(np.linalg.inv(design.T @ design), dtype=np.float64)
    shift = covariance @ (design.T @ frame.residual)
    u = np.sqrt(np.diag(covariance))
    if not u[0] < _VAGUEST_STAGES:
        return RunFit()
    gain = np.linalg.solve(frame.unwhitener.T, (covariance[0] @ design.T)[:readings])
    of_readings = reading_u**2 * float(gain @ gain) / float(covariance[0, 0])
    half = _quantile(freedom / of_readings**2 if is_judged else np.inf) * float(u[0])
    found = here.stages + float(shift[0])
    edge_u, jar_u = _expected_u(runs, row, slopes, errors, covariance[:2, :2])
    return RunFit(
        found,
        float(u[0]),
        found - half,
        found + half,
        here.correction + float(shift[1]),
        float(u[1]),
        here.charge_scale * (1.0 + float(shift[2])),
        chi2 / freedom if is_judged else np.nan,
        readings,
        suspicions,
        runner_up,
        _SHAPES[suspicions[0].what] if suspicions else "as expected" if is_judged else "not judged",
        edge_u,
        jar_u,
    )


def _search(
    frame: _Frame, readings: int, gross: Gross | None
) -> tuple[list[int], tuple[Suspicion, ...], Suspicion | None]:
    """Suspicions voiced, the loudest first, each given those before it; and the runner-up to the first."""
    taken: list[int] = []
    suspicions: list[Suspicion] = []
    runner_up = None
    if gross is not None and gross.jar < 0:
        tested = _suspect(frame, frame.design, readings)
        suspicions.append(next(each for each in tested if each.what == "charge"))
        taken.append(frame.names.index(("charge", -1)))
    elif gross is not None:
        suspicions.append(_gross_suspicion(frame, gross))
        taken.append(frame.names.index(("volume", gross.jar)))
    quietest = min(_threshold(what, readings) for what in _SHAPES)
    while len(suspicions) < _MOST_SUSPICIONS and readings - 1 - len(suspicions) >= _LEAST_FREEDOM:
        tested = _suspect(frame, frame.with_shifts(taken), readings)
        loud = takewhile(lambda each: abs(each.z) >= quietest, tested)
        voiced = [each for each in loud if abs(each.z) >= _threshold(each.what, readings)]
        if not voiced:
            break
        if not suspicions:
            runner_up = next(iter(voiced[1:]), None)
        suspicions.append(voiced[0])
        taken.append(frame.names.index((voiced[0].what, voiced[0].jar)))
    return taken, tuple(suspicions), runner_up


def _gross_suspicion(frame: _Frame, gross: Gross) -> Suspicion:
    """A volume that has been set free already: what the jars want of it beside what was logged."""
    column = frame.shifts[:, frame.names.index(("volume", gross.jar))]
    basis, _ = np.linalg.qr(frame.design)
    free = column - basis @ (basis.T @ column)
    size = float(free @ free)
    further = float(free @ frame.residual) / size
    shift, u = gross.logged_l - gross.found_l - further, 1.0 / np.sqrt(size)
    return Suspicion("volume", gross.jar, shift, float(u), float(shift / u))


def _quantile(freedom: float) -> float:
    """The 97.5 % point of Student's t for a broken number of degrees of freedom (Satterthwaite's)."""
    return float(stdtrit(freedom, 0.975)) if np.isfinite(freedom) else float(ndtri(0.975))


def _chi2(residual: Array, design: Array) -> float:
    basis, _ = np.linalg.qr(design)
    rest = residual - basis @ (basis.T @ residual)
    return float(rest @ rest)


def _threshold(what: str, readings: int) -> float:
    """Standard deviations beyond which a suspicion is voiced, the number of readings allowed for."""
    if what in ("strength", "spout"):
        return float(ndtri(1.0 - FLAG_CHANCE / (2.0 * readings)))
    return SHAPE_Z


def _suspect(frame: _Frame, design: Array, readings: int) -> Iterator[Suspicion]:
    """Every suspicion tested given the design, the loudest first."""
    basis, _ = np.linalg.qr(design)
    rest = frame.residual - basis @ (basis.T @ frame.residual)
    free = frame.shifts - basis @ (basis.T @ frame.shifts)
    size = np.sum(free**2, axis=0)
    # A shift that the fit itself can follow (or one taken already) cannot be told from it.
    whole = np.sum(frame.shifts**2, axis=0)
    told = size > 1e-3 * np.maximum(whole, 1e-12)
    raw = np.where(told, free.T @ rest / np.sqrt(np.where(told, size, 1.0)), 0.0)
    chi2 = float(rest @ rest)
    freedom = max(readings - 1 - (design.shape[1] - 3) - 1, 1)
    scale = np.sqrt(np.maximum(chi2 - raw**2, 0.0) / freedom)
    z = raw / np.maximum(scale, 1.0)
    order = np.argsort(-np.abs(z), kind="stable")
    return (
        _suspicion(frame.names[i], float(raw[i]), float(np.sqrt(size[i])), float(z[i]))
        for i in order
        if told[i]
    )


def _suspicion(name: tuple[str, int], raw: float, size: float, z: float) -> Suspicion:
    # A reading too high is a residual above nought; a volume too high is one that the jars want smaller.
    what, jar = name
    side = 1.0 if what in ("strength", "spout", "charge") else -1.0
    return Suspicion(what, jar, side * raw / size, 1.0 / size, side * z)


def _expected_u(
    runs: RunSet, row: int, slopes: Slopes, errors: Errors, covariance: Array
) -> tuple[Array, Array]:
    """Uncertainty of the expected strengths: of the fit, and of the litres at which each edge stands."""
    jars = int((runs.filled_l[row] > 0.0).sum())
    width = runs.volume_l.shape[1]
    here = slopes.course
    place_u = errors.volume_frac * np.sqrt(np.cumsum(runs.filled_l[row] ** 2))[:jars]

    def u(of: NDArray[np.int_], slope: Array) -> Array:
        rows = np.column_stack([slopes.by_stages[row, of], slopes.by_correction[row, of]])
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", rows, covariance, rows) + (slope * place_u) ** 2))

    steep = here.spout_slope[row, 1 : jars + 1]
    return u(np.arange(width, width + jars), steep), u(np.arange(jars), steep)
