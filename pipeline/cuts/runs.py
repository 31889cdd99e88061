"""Every run's own curve as tables: `fit.own_curve`, `fit.jar_expected`.

Reads one row a jar with its run's charge and the settings beside; knows no other run, no SQL and no files.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.account.partition import PartOf
from pipeline.cuts.fit import Fits, RunFit, Suspicion, fit_runs
from pipeline.cuts.model import pot_strengths, run_set
from pipeline.cuts.robust import Errors
from pipeline.cuts.schemas import JAR_EXPECTED_SCHEMA, OWN_CURVE_SCHEMA
from pipeline.kept_parts import KeptParts, number_within, read_again
from pipeline.python_step import OfPart

Array = NDArray[np.float64]

READS = """
    select
        jar.batch, jar.run, jar.jar_no, jar.file_id, jar.line, jar.run_kind, jar.cut, jar.volume_l,
        if(jar.strength_basis = 'measured', jar.abv_20c_pct_vol, null) as abv_20c_pct_vol,
        jar.spout_abv_20c_pct_vol, jar.minutes_min,
        run.season, run.still, run.operator, run.started_at, run.charge_volume_l, run.charge_abv_pct_vol,
        run.charge_lpa, run.recovery_frac, run.last_spout_pct_vol, run.minutes_min as run_minutes_min,
        run.collected_volume_l, run.charge_abv_pct_vol_u, run.recovery_frac_u,
        (select number_value from raw.setting where name = 'uncertainty.strength_pct_vol') as strength_u,
        (select number_value from raw.setting where name = 'uncertainty.volume_frac') as volume_u
    from metric.jar as jar
    inner join metric.run as run using (batch, run)
    order by run.started_at nulls last, jar.batch, jar.run, jar.jar_no
"""


MAKES = {
    "fit.own_curve": "every run's own curve, not yet held against its still: effective stages, what its "
    "charge must have been, where hearts began and ended. One row a run that filled a jar.",
    "fit.jar_expected": "every jar beside what its run's curve puts there. One row a jar of a run that could "
    "be fitted.",
}
OF_PARTS = {
    "fit.own_curve": OfPart("batch", "batch, run"),
    "fit.jar_expected": OfPart("batch", "batch, run, jar_no"),
}

Row = dict[str, Any]


@dataclass(frozen=True)
class _Run:
    """One run as logged: its jars in order, as rows of the frame."""

    jars: list[Row]

    @property
    def head(self) -> Row:
        return self.jars[0]

    @property
    def usable(self) -> int:
        """How many jars from the first on have a volume: after a gap nobody knows where the run stands."""
        volumes = [jar["volume_l"] for jar in self.jars]
        return next((i for i, volume in enumerate(volumes) if not (volume or 0.0) > 0.0), len(volumes))


def fit_season(frame: pl.DataFrame, season_parts: pl.DataFrame, parts: KeptParts) -> Iterator[pl.DataFrame]:
    """Fit every run of `READS`; the frames of `MAKES` in order.

    season_parts : account.part
    parts        : what an earlier build worked out; a run's fit looks at no other run, but the runs of some
                   dozens of batches are fitted quicker together than one by one
    """
    cut, files = number_within([frame.with_columns(PartOf.told(season_parts, "piece").batches())], "file_id")
    curves, jars = parts.joined("run curves", cut, fit_part)
    yield curves.drop("part").sort("batch", "run")
    yield read_again(jars, "file_id", files).drop("part").sort("batch", "run", "jar_no")


def fit_part(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows of `fit.own_curve` and of `fit.jar_expected`."""
    runs = [_Run(part.to_dicts()) for part in frame.partition_by("batch", "run", maintain_order=True)]
    fits = _fit(runs)
    pot = pot_strengths(fits.drops, np.array([fit.stages for fit in fits.runs]), fits.course)
    curves = [_run_row(run, fits, i) for i, run in enumerate(runs)]
    jars = [row for i, run in enumerate(runs) for row in _jar_rows(run, fits, i, pot[i])]
    return (
        pl.DataFrame(curves, schema=OWN_CURVE_SCHEMA, orient="row"),
        pl.DataFrame(jars, schema=JAR_EXPECTED_SCHEMA, orient="row"),
    )


def errors_of(head: Row) -> Errors:
    """The instruments' errors from the settings that travel with every row."""
    return Errors(head["strength_u"], head["volume_u"])


def charge_abv_u(head: Row) -> float:
    """Standard uncertainty of the charge's strength [% vol]: the account's, else one reading's."""
    return float(head["charge_abv_pct_vol_u"] or head["strength_u"])


def _fit(runs: list[_Run]) -> Fits:
    def number(value: float | None) -> float:
        return math.nan if value is None else float(value)

    jars = [
        [
            (jar["volume_l"], number(jar["abv_20c_pct_vol"]), number(jar["spout_abv_20c_pct_vol"]))
            for jar in run.jars[: run.usable]
        ]
        for run in runs
    ]
    return fit_runs(
        run_set(
            [number(run.head["charge_volume_l"]) for run in runs],
            [number(run.head["charge_abv_pct_vol"]) for run in runs],
            [charge_abv_u(run.head) for run in runs],
            jars,
        ),
        errors_of(runs[0].head) if runs else Errors(),
    )


def _run_row(run: _Run, fits: Fits, row: int) -> Row:
    fit, head = fits.runs[row], run.head
    shared = {
        name: head[name] for name in ("batch", "run", "season", "run_kind", "still", "operator", "started_at")
    }
    rate, drift = _takeoff(run)
    shared |= {"jars": len(run.jars), "takeoff_per_min_l": rate, "takeoff_drift_frac": drift}
    shared |= _hearts(run, fits, row, "start") | _hearts(run, fits, row, "end")
    if not fit.is_fitted:
        return shared | {"residual_shape": "not fitted", "reason": _why_not(run)}
    first = fit.suspicions[0] if fit.suspicions else None
    return shared | {
        "readings": fit.readings,
        "stages": fit.stages,
        "stages_u": fit.stages_u,
        "stages_low": fit.stages_low,
        "stages_high": fit.stages_high,
        "charge_correction_frac": fit.correction,
        "charge_correction_frac_u": fit.correction_u,
        "reduced_chi2": None if math.isnan(fit.reduced_chi2) else fit.reduced_chi2,
        "residual_shape": fit.shape,
        "suspect_jar_no": run.jars[first.jar]["jar_no"] if first and first.jar >= 0 else None,
        "suspect_column": first.what if first else None,
    }


def _why_not(run: _Run) -> str:
    head = run.head
    if head["charge_volume_l"] is None or head["charge_abv_pct_vol"] is None:
        return "the charge was not measured"
    if not run.usable:
        return "the first jar's volume was not measured"
    if all(jar["abv_20c_pct_vol"] is None for jar in run.jars[: run.usable]):
        return "no jar's strength was measured"
    return "too few readings to tell the still's enrichment"


def _takeoff(run: _Run) -> tuple[float | None, float | None]:
    """Litres a minute over the timed jars, and its change from the first to the last as a share of it."""
    timed = [
        (float(jar["minutes_min"]), float(jar["volume_l"]))
        for jar in run.jars
        if (jar["minutes_min"] or 0.0) > 0.0 and (jar["volume_l"] or 0.0) > 0.0
    ]
    if not timed:
        return None, None
    minutes, litres = (np.array(each) for each in zip(*timed, strict=True))
    rate = float(litres.sum() / minutes.sum())
    if len(timed) < 4:
        return rate, None
    middle = np.cumsum(minutes) - minutes / 2.0
    slope = np.polyfit(middle, litres / minutes, 1, w=np.sqrt(minutes))[0]
    return rate, float(slope * (middle[-1] - middle[0]) / rate)


def _hearts(run: _Run, fits: Fits, row: int, end: str) -> Row:
    """Where hearts began or ended: as read at the spout, else by the curve, with its uncertainty."""
    jars = [i for i, jar in enumerate(run.jars) if jar["cut"] == "hearts"]
    if not jars or (end == "start" and jars[0] == 0):
        return {}
    edge = jars[0] - 1 if end == "start" else jars[-1]
    names = {
        part: f"hearts_{end}_{part}" for part in ("spout_pct_vol", "spout_pct_vol_u", "basis", "lpa_frac")
    }
    found: Row = {}
    fit, course = fits.runs[row], fits.course
    is_known = fit.is_fitted and edge < run.usable
    if is_known:
        found[names["lpa_frac"]] = float(course.lpa_frac[row, edge + 1])
        if end == "end":
            found["hearts_end_fall_lpa"] = _fall_lpa(fits, row, edge + 1)
    read = run.jars[edge]["spout_abv_20c_pct_vol"]
    is_doubted = any(each.what == "spout" and each.jar == edge for each in fit.suspicions)
    if read is not None and not is_doubted:
        found |= {names["spout_pct_vol"]: read, names["spout_pct_vol_u"]: run.head["strength_u"]}
        found[names["basis"]] = "read"
    elif is_known:
        found |= {
            names["spout_pct_vol"]: float(course.spout_abv[row, edge + 1]),
            names["spout_pct_vol_u"]: float(fit.edge_u[edge]),
            names["basis"]: "curve",
        }
    return found


def _fall_lpa(fits: Fits, row: int, edge: int) -> float | None:
    """Pure alcohol that comes over while the spout falls by one % vol, at an edge."""
    slope, spout = fits.course.spout_slope[row, edge], fits.course.spout_abv[row, edge]
    return float(-spout / 100.0 / slope) if slope < 0.0 else None


def _jar_rows(run: _Run, fits: Fits, row: int, pot: Array) -> Iterator[Row]:
    fit, course = fits.runs[row], fits.course
    if not fit.is_fitted:
        return
    for i, jar in enumerate(run.jars[: run.usable]):
        # The course counts drops; the jar holds their mixture, a little less of it and a little stronger.
        contraction = float(fits.drops.volume_l[row, i]) / jar["volume_l"]
        if abs(contraction - 1.0) > _MOST_CONTRACTION:
            # The fit has put a gross volume right: what fills the jar is not what was logged.
            contraction = 1.0
        expected = float(course.jar_abv[row, i]) * contraction
        logged = jar["abv_20c_pct_vol"]
        yield (
            {
                name: jar[name]
                for name in (
                    "batch",
                    "run",
                    "season",
                    "jar_no",
                    "file_id",
                    "line",
                    "run_kind",
                    "cut",
                    "volume_l",
                )
            }
            | {
                "abv_20c_pct_vol": logged,
                "expected_abv_pct_vol": expected,
                "expected_abv_pct_vol_u": float(fit.jar_u[i]),
                "spout_abv_20c_pct_vol": jar["spout_abv_20c_pct_vol"],
                "expected_spout_pct_vol": float(course.spout_abv[row, i + 1]),
                "expected_spout_pct_vol_u": float(fit.edge_u[i]),
                "expected_pot_pct_vol": float(pot[i + 1]),
                "residual_pct_vol": None if logged is None else logged - expected,
                "curve_lpa_frac_start": float(course.lpa_frac[row, i]),
                "curve_lpa_frac_end": float(course.lpa_frac[row, i + 1]),
            }
            | _suspicion_of(fit, i, jar)
        )


_MOST_CONTRACTION = 0.05
_LOGGED = {"strength": "abv_20c_pct_vol", "spout": "spout_abv_20c_pct_vol", "volume": "volume_l"}


def _suspicion_of(fit: RunFit, jar_index: int, jar: Row) -> Row:
    mine: Suspicion | None = next((each for each in fit.suspicions if each.jar == jar_index), None)
    if mine is None:
        return {}
    logged = float(jar[_LOGGED[mine.what]])
    also = fit.runner_up if mine is fit.suspicions[0] else None
    return {
        "suspect_column": mine.what,
        "suspect_z": mine.z,
        "logged_value": logged,
        "expected_value": logged - mine.shift,
        "expected_value_u": mine.shift_u,
        "suspect_also": None if also is None else _named(also, jar["jar_no"] - jar_index),
    }


def _named(suspicion: Suspicion, first_no: int) -> str:
    if suspicion.jar < 0:
        return {"charge": "the charge", "bow": "a reflux that changed"}[suspicion.what]
    return f"the {suspicion.what} of jar {suspicion.jar + first_no}"
