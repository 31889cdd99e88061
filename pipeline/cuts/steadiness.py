"""How steady the cuts are: `fit.control_chart`, `.control_signal`, `.cut_steadiness`, `.cut_spread`.

Reads one frame, one row a spirit run in the order run; knows no SQL and no files. A series is one figure
of one still, whole or by operator or by recipe. What the charge explains is taken out before charting.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cuts import control
from pipeline.cuts.capability import ppk
from pipeline.cuts.schemas import (
    CONTROL_CHART_SCHEMA,
    CONTROL_SIGNAL_SCHEMA,
    CUT_SPREAD_SCHEMA,
    CUT_STEADINESS_SCHEMA,
    RUN_COLUMNS,
)
from pipeline.cuts.spread import adjust, dummies, split

Array = NDArray[np.float64]
Row = dict[str, Any]

READS = """
    select
        run.batch, run.run, run.season, run.still, run.operator, run.started_at, batch.recipe,
        run.charge_abv_pct_vol, run.foreshots_frac, run.heads_frac, run.hearts_frac, run.tails_frac,
        run.hearts_frac_u, curve.suspect_column,
        charged.feints_charged_lpa / nullif(charged.charge_lpa, 0e0) as feints_share_frac,
        curve.hearts_start_spout_pct_vol, curve.hearts_start_spout_pct_vol_u,
        curve.hearts_end_spout_pct_vol, curve.hearts_end_spout_pct_vol_u,
        curve.takeoff_per_min_l, curve.stages,
        (select number_value from raw.setting where name = 'cuts.baseline_runs') as baseline_runs,
        (select text_value from raw.setting where name = 'cuts.rules') as rules,
        (select number_value from raw.setting where name = 'cuts.hearts_start_pct_vol.low') as start_low,
        (select number_value from raw.setting where name = 'cuts.hearts_start_pct_vol.high') as start_high,
        (select number_value from raw.setting where name = 'cuts.hearts_end_pct_vol.low') as end_low,
        (select number_value from raw.setting where name = 'cuts.hearts_end_pct_vol.high') as end_high,
        (select number_value from raw.setting where name = 'cuts.hearts_frac.low') as frac_low,
        (select number_value from raw.setting where name = 'cuts.hearts_frac.high') as frac_high
    from metric.run as run
    inner join metric.batch as batch using (batch)
    inner join account.run as charged on charged.batch = run.batch and charged.run = run.run
    left join fit.run_curve as curve on curve.batch = run.batch and curve.run = run.run
    where run.run_kind = 'spirit'
    order by run.started_at nulls last, run.batch, run.run
"""

FIGURES = (
    "hearts_start_spout_pct_vol",
    "hearts_end_spout_pct_vol",
    "foreshots_frac",
    "heads_frac",
    "hearts_frac",
    "tails_frac",
    "takeoff_per_min_l",
    "charge_abv_pct_vol",
)
GROUPINGS = ("still", "operator", "recipe")
COVARIATES = ("charge_abv_pct_vol", "feints_share_frac")
_TARGETS = {
    "hearts_start_spout_pct_vol": "start",
    "hearts_end_spout_pct_vol": "end",
    "hearts_frac": "frac",
}
_RULES = {
    "one": control.DEFAULT_RULES,
    "western electric": control.WESTERN_ELECTRIC,
    "nelson": control.NELSON,
}
_ROUNDING = 1e-9
_GROSS = ("volume", "charge")
LEAST_TO_ADJUST = 20
LEAST_TO_SPLIT = 20
"""Runs of a still below which nothing is adjusted for the charge, and no variance parted (own choice)."""

MAKES = ("fit.control_chart", "fit.control_signal", "fit.cut_steadiness", "fit.cut_spread")
WHAT = (
    "every run's place on the control charts of the cuts. One row a run, figure and grouping.",
    "every signal on those charts, with the published rule it breaks. One row a signal.",
    "how steady each cut is: spread, limits, where the next run will land, capability. "
    "One row a figure and group of runs.",
    "what the spread of a cut is made of. One row a figure, still and part.",
)


@dataclass(frozen=True)
class _Series:
    """One figure's values over the runs of a group, in order; `values` adjusted for the charge.

    runs     : `RUN_COLUMNS`
    settings : the distiller's, by the names of `READS`
    """

    key: Row
    settings: Mapping[str, Any]
    runs: pl.DataFrame
    logged: Array
    values: Array


@dataclass(frozen=True)
class _Phase:
    """The stretch that the limits come from, and the limits at every point of the series."""

    first: int
    last: int
    limits: control.Individuals
    lower: Array
    upper: Array

    def names(self) -> pl.Expr:
        """Of every point, whether it lies before, in or after the stretch."""
        place = pl.int_range(pl.len())
        return (
            pl.when(place < self.first)
            .then(pl.lit("before"))
            .when(place < self.last)
            .then(pl.lit("baseline"))
            .otherwise(pl.lit("after"))
        )


@dataclass(frozen=True)
class _Drift:
    """The charts that start by themselves, at every point: Q, its EWMA and limit, its sums up and down."""

    q: Array
    average: Array
    limit: Array
    up: Array
    down: Array

    @classmethod
    def of_all(cls, all_values: Sequence[Array]) -> Iterator[_Drift]:
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
            own = (slice(q.size), k)
            yield cls(q, average[own], limit[: q.size], up[own], down[own])


def _side_by_side(all_values: Sequence[Array]) -> Array:
    """Series as columns, each from the top; NaN below the shorter ones."""
    columns = np.full((max((values.size for values in all_values), default=0), len(all_values)), np.nan)
    for k, values in enumerate(all_values):
        columns[: values.size, k] = values
    return columns


def chart_cuts(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Chart every figure of `READS`; the four frames of `MAKES` in order."""
    points = [pl.DataFrame(schema=CONTROL_CHART_SCHEMA)]
    signals: list[Row] = []
    steadiness: list[Row] = []
    charted = list(_all_series(frame))
    drifts = _Drift.of_all([series.values for series in charted])
    for series, drift in zip(charted, drifts, strict=True):
        phase = _phase(series)
        found = _signals(series, phase, drift)
        points.append(_chart(series, phase, drift))
        signals += found
        steadiness.append(_steadiness(series, phase, len(found)))
    spread = [row for still, mine in _by(frame, "still") for row in _spread(still, mine)]
    yield pl.concat(points)
    yield pl.DataFrame(signals, schema=CONTROL_SIGNAL_SCHEMA, orient="row")
    yield pl.DataFrame(steadiness, schema=CUT_STEADINESS_SCHEMA, orient="row")
    yield pl.DataFrame(spread, schema=CUT_SPREAD_SCHEMA, orient="row")


def _by(runs: pl.DataFrame, name: str) -> list[tuple[str | None, pl.DataFrame]]:
    """Runs by the value of a column, each group in its own order; the nameless first."""
    groups = [(mine[name][0], mine) for mine in runs.partition_by(name, maintain_order=True)]
    return sorted(groups, key=lambda group: group[0] or "")


def _all_series(runs: pl.DataFrame) -> Iterator[_Series]:
    for still, mine in _by(runs, "still"):
        for figure in FIGURES:
            known = mine.filter(pl.col(figure).is_finite())
            if known.height < 2:
                continue
            logged = known[figure].to_numpy()
            settings = known.row(0, named=True)
            known = known.select(
                *{*RUN_COLUMNS, *GROUPINGS},
                pl.Series("logged_value", logged),
                pl.Series("adjusted_value", _adjusted(figure, known, logged)),
            )
            for grouping in GROUPINGS:
                for name, group in _by(known, grouping):
                    if grouping != "still" and (name is None or group.height < 2):
                        continue
                    key = {"figure": figure, "still": still, "grouping": grouping, "group_name": name}
                    yield _Series(
                        key,
                        settings,
                        group.select(*RUN_COLUMNS),
                        group["logged_value"].to_numpy(),
                        group["adjusted_value"].to_numpy(),
                    )


def _adjusted(figure: str, runs: pl.DataFrame, values: Array) -> Array:
    if runs.height < LEAST_TO_ADJUST:
        return values
    return adjust(values, _covariates(runs, figure))


def _covariates(runs: pl.DataFrame, figure: str, names: tuple[str, ...] = COVARIATES) -> Array:
    """The covariates that are known in every run and differ between runs, one column each, in sd."""
    columns = []
    for name in names:
        column = runs[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        if name != figure and np.all(np.isfinite(column)) and column.std() > 1e-9:
            columns.append((column - column.mean()) / column.std())
    return np.array(columns).T.reshape(runs.height, -1)


def _phase(series: _Series) -> _Phase | None:
    """The distiller's own baseline if it is set and long enough, else the first steady stretch."""
    wanted = int(series.settings["baseline_runs"] or 0)
    size = series.values.size
    stretch = (0, wanted) if control.LEAST_RUNS <= wanted <= size else control.first_steady(series.values)
    if stretch is None:
        return None
    first, last = stretch
    limits = control.individuals(series.values[first:last])
    # A figure written down alike every time has rounding for a spread.
    if not min(limits.sd, limits.mr_bar) > _ROUNDING * max(abs(limits.mean), _ROUNDING):
        return None
    is_baseline = (np.arange(size) >= first) & (np.arange(size) < last)
    bounds = [np.where(is_baseline, a, b) for a, b in zip(limits.limits, limits.next_run(), strict=True)]
    return _Phase(first, last, limits, bounds[0], bounds[1])


def _chart(series: _Series, phase: _Phase | None, drift: _Drift) -> pl.DataFrame:
    columns: dict[str, Any] = {name: pl.lit(value, pl.String) for name, value in series.key.items()}
    columns |= {
        "run_position": pl.int_range(1, pl.len() + 1),
        "logged_value": pl.Series(series.logged),
        "adjusted_value": pl.Series(series.values),
        "moving_range": pl.Series(series.values).diff().abs(),
        "q_statistic": pl.Series(drift.q, nan_to_null=True),
        "ewma": pl.Series(drift.average),
        "ewma_limit": pl.Series(drift.limit),
        "cusum_up": pl.Series(drift.up),
        "cusum_down": pl.Series(drift.down),
    }
    limits = ("phase", "centre", "lower_limit", "upper_limit", "moving_range_limit")
    columns |= dict.fromkeys(limits, pl.lit(None))
    if phase is not None:
        columns |= {
            "phase": phase.names(),
            "centre": pl.lit(phase.limits.mean),
            "lower_limit": pl.Series(phase.lower),
            "upper_limit": pl.Series(phase.upper),
            "moving_range_limit": pl.lit(phase.limits.range_limit),
        }
    charted = series.runs.with_columns(**columns)
    return charted.select(pl.col(name).cast(dtype) for name, dtype in CONTROL_CHART_SCHEMA.items())


def _signals(series: _Series, phase: _Phase | None, drift: _Drift) -> list[Row]:
    found = _rule_signals(series, phase) if phase is not None else []
    found += _drift_signals(series, drift)
    return [row for _, row in sorted(found, key=lambda each: each[0])]


def _rule_signals(series: _Series, phase: _Phase) -> list[tuple[int, Row]]:
    # Three sigma is the limit in force at each point, so that one rule serves both phases.
    z = (series.values - phase.limits.mean) / (0.5 * (phase.upper - phase.lower) / 3.0)
    rules = _RULES[series.settings["rules"] or "one"]
    return [
        (place, _signal(series, place, rule, z[place], phase.limits.mean, place))
        for rule in rules
        for place in control.rule_hits(z, rule)
    ]


def _drift_signals(series: _Series, drift: _Drift) -> list[tuple[int, Row]]:
    """Where the charts of Q see a lasting shift: the first point of each crossing, and since when."""
    centre = float(series.values.mean())
    found = [
        (place, _signal(series, place, "CUSUM", side, centre, _since(sums, place)))
        for side, sums in ((1.0, drift.up), (-1.0, drift.down))
        for place in np.flatnonzero(sums > control.CUSUM_H).tolist()
    ]
    is_out = (np.abs(drift.average) > drift.limit) & ~np.isnan(drift.q)
    is_first = is_out & ~np.concatenate([[False], is_out[:-1]])
    return found + [
        (place, _signal(series, place, "EWMA", drift.average[place], centre, place))
        for place in np.flatnonzero(is_first).tolist()
    ]


def _since(sums: Array, place: int) -> int:
    """The run after the sum last stood at nought (or was set back to it)."""
    while place > 0 and 0.0 < sums[place - 1] <= control.CUSUM_H:
        place -= 1
    return place


def _signal(series: _Series, place: int, rule: str, side: float, centre: float, since: int) -> Row:
    began = series.runs.row(since, named=True)
    return (
        series.key
        | series.runs.row(place, named=True)
        | {
            "rule": rule,
            "rule_source": control.RULES[rule],
            "adjusted_value": series.values[place],
            "centre": centre,
            "direction": "high" if side > 0 else "low",
            "since_batch": began["batch"],
            "since_run": began["run"],
        }
    )


def standing(runs: int) -> str:
    """What limits from so many runs are worth."""
    if runs < control.LEAST_RUNS:
        return "none"
    if runs < control.TRIAL_RUNS:
        return "provisional"
    return "trial" if runs < control.ESTABLISHED_RUNS else "established"


def _steadiness(series: _Series, phase: _Phase | None, signals: int) -> Row:
    whole = control.individuals(series.values)
    row: Row = series.key | {
        "runs": series.values.size,
        "figure_mean": float(series.logged.mean()),
        "figure_sd": float(series.logged.std(ddof=1)),
        "adjusted_sd": whole.sd,
        "range_sd": whole.sigma,
        "limits_standing": "none",
        "signals": signals,
    }
    if series.values.size >= 4:
        low, high = control.individuals(series.logged).next_run(0.95)
        row |= {"next_run_low": low, "next_run_high": high}
    if phase is not None:
        batch, run = series.runs["batch"], series.runs["run"]
        row |= {
            "baseline_runs": phase.last - phase.first,
            "baseline_first": f"{batch[phase.first]} {run[phase.first]}",
            "baseline_last": f"{batch[phase.last - 1]} {run[phase.last - 1]}",
            "limits_standing": standing(phase.last - phase.first),
        }
    return row | _capability(series)


def _capability(series: _Series) -> Row:
    """Ppk of the logged values against the distiller's own bounds, where there are any."""
    target = _TARGETS.get(series.key["figure"])
    if target is None or series.settings[f"{target}_low"] is None or series.logged.size < 4:
        return {}
    low, high = series.settings[f"{target}_low"], series.settings[f"{target}_high"]
    sd = float(series.logged.std(ddof=1))
    bounds: Row = {"target_low": low, "target_high": high}
    if not sd > 0.0:
        return bounds
    index = ppk(low, high, float(series.logged.mean()), sd, series.logged.size)
    return bounds | {"ppk": index.value, "ppk_low": index.low, "ppk_high": index.high}


def _spread(still: str | None, runs: pl.DataFrame) -> Iterator[Row]:
    # A run whose volumes cannot be right says nothing of how steady the cuts are.
    trusted = runs.filter(~pl.col("suspect_column").is_in(_GROSS).fill_null(value=False))
    for figure in _TARGETS:
        known = trusted.filter(pl.col(figure).is_not_null())
        if known.height < LEAST_TO_SPLIT:
            continue
        values = known[figure].to_numpy()
        charge = _covariates(known, figure, (*COVARIATES, "stages"))
        blocks = [
            ("charge and still", charge),
            ("operator", dummies(known["operator"].to_list())),
            ("recipe", dummies(known["recipe"].to_list())),
        ]
        columns = 1 + sum(block.shape[1] for _, block in blocks)
        if values.size < 2 * columns or not values.std() > 0.0:
            continue
        for part in split(values, blocks, _reading_u(figure, known)):
            yield {
                "figure": figure,
                "still": still,
                "runs": values.size,
                "spread_part": part.name,
                "share_frac": part.share,
                "share_low_frac": part.low,
                "share_high_frac": part.high,
            }


def _reading_u(figure: str, runs: pl.DataFrame) -> float:
    """Root mean square of the figure's own uncertainty over the runs."""
    return float(np.sqrt(np.mean(runs[f"{figure}_u"].drop_nulls().to_numpy() ** 2)))


RULE_SETS: Mapping[str, tuple[str, ...]] = _RULES
