"""How steady the cuts are: `fit.control_chart`, `.control_signal`, `.cut_steadiness`, `.cut_spread`.

Reads one frame, one row a spirit run in the order run; knows no SQL and no files. A series is one figure
of one still, whole or by operator or by recipe. What the charge explains is taken out before charting.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby
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
    """One figure's values over the runs of a group, in order; `values` adjusted for the charge."""

    key: Row
    runs: list[Row]
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

    def name(self, place: int) -> str:
        return "baseline" if self.first <= place < self.last else "after" if place >= self.last else "before"


def chart_cuts(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Chart every figure of `READS`; the four frames of `MAKES` in order."""
    runs = frame.to_dicts()
    points: list[Row] = []
    signals: list[Row] = []
    steadiness: list[Row] = []
    for series in _all_series(runs):
        phase = _phase(series)
        chart = _chart(series, phase)
        found = _signals(series, phase, chart)
        points += chart
        signals += found
        steadiness.append(_steadiness(series, phase, len(found)))
    spread = [row for still, mine in _by(runs, "still") for row in _spread(still, mine)]
    return iter(
        [
            pl.DataFrame(points, schema=CONTROL_CHART_SCHEMA, orient="row"),
            pl.DataFrame(signals, schema=CONTROL_SIGNAL_SCHEMA, orient="row"),
            pl.DataFrame(steadiness, schema=CUT_STEADINESS_SCHEMA, orient="row"),
            pl.DataFrame(spread, schema=CUT_SPREAD_SCHEMA, orient="row"),
        ]
    )


def _by(runs: list[Row], name: str) -> list[tuple[str | None, list[Row]]]:
    """Runs by the value of a column, each group in its own order; the nameless first."""
    ordered = sorted(runs, key=lambda run: run[name] or "")
    return [
        (mine[0][name], mine)
        for mine in (list(each) for _, each in groupby(ordered, lambda run: run[name] or ""))
    ]


def _all_series(runs: list[Row]) -> Iterator[_Series]:
    for still, mine in _by(runs, "still"):
        for figure in FIGURES:
            known = [run for run in mine if run[figure] is not None and math.isfinite(run[figure])]
            if len(known) < 2:
                continue
            logged = np.array([run[figure] for run in known])
            adjusted = _adjusted(figure, known, logged)
            for grouping in GROUPINGS:
                for name, group in _by(known, grouping):
                    if grouping != "still" and (name is None or len(group) < 2):
                        continue
                    at = [place for place, run in enumerate(known) if (run[grouping] or "") == (name or "")]
                    key = {"figure": figure, "still": still, "grouping": grouping, "group_name": name}
                    yield _Series(key, [known[i] for i in at], logged[at], adjusted[at])


def _adjusted(figure: str, runs: list[Row], values: Array) -> Array:
    if len(runs) < LEAST_TO_ADJUST:
        return values
    return adjust(values, _covariates(runs, figure))


def _covariates(runs: list[Row], figure: str, names: tuple[str, ...] = COVARIATES) -> Array:
    """The covariates that are known in every run and differ between runs, one column each, in sd."""
    columns = []
    for name in names:
        column = np.array([math.nan if run[name] is None else run[name] for run in runs], dtype=np.float64)
        if name != figure and np.all(np.isfinite(column)) and column.std() > 1e-9:
            columns.append((column - column.mean()) / column.std())
    return np.array(columns).T.reshape(len(runs), -1)


def _phase(series: _Series) -> _Phase | None:
    """The distiller's own baseline if it is set and long enough, else the first steady stretch."""
    wanted = int(series.runs[0]["baseline_runs"] or 0)
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


def _chart(series: _Series, phase: _Phase | None) -> list[Row]:
    values = series.values
    ranges = np.concatenate([[np.nan], np.abs(np.diff(values))])
    q = control.self_starting(values)
    started = np.nan_to_num(q)
    average = control.ewma(started, 0.0)
    widths = control.ewma_half_width(1.0, np.maximum(np.arange(values.size) - 1.0, 1.0))
    up, down = control.cusum(started, 0.0, control.CUSUM_K, control.CUSUM_H)
    rows = []
    for place, run in enumerate(series.runs):
        row = series.key | {"run_position": place + 1} | {name: run[name] for name in RUN_COLUMNS}
        row |= {
            "logged_value": series.logged[place],
            "adjusted_value": values[place],
            "moving_range": _null(ranges[place]),
            "q_statistic": _null(q[place]),
            "ewma": average[place],
            "ewma_limit": widths[place],
            "cusum_up": up[place],
            "cusum_down": down[place],
        }
        if phase is not None:
            row |= {
                "phase": phase.name(place),
                "centre": phase.limits.mean,
                "lower_limit": phase.lower[place],
                "upper_limit": phase.upper[place],
                "moving_range_limit": phase.limits.range_limit,
            }
        rows.append(row)
    return rows


def _null(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _signals(series: _Series, phase: _Phase | None, chart: list[Row]) -> list[Row]:
    found = _rule_signals(series, phase) if phase is not None else []
    found += _drift_signals(series, chart)
    return [row for _, row in sorted(found, key=lambda each: each[0])]


def _rule_signals(series: _Series, phase: _Phase) -> list[tuple[int, Row]]:
    # Three sigma is the limit in force at each point, so that one rule serves both phases.
    z = (series.values - phase.limits.mean) / (0.5 * (phase.upper - phase.lower) / 3.0)
    rules = _RULES[series.runs[0]["rules"] or "one"]
    return [
        (place, _signal(series, place, rule, z[place], phase.limits.mean, place))
        for rule in rules
        for place in control.rule_hits(z, rule)
    ]


def _drift_signals(series: _Series, chart: list[Row]) -> list[tuple[int, Row]]:
    """Where the charts of Q see a lasting shift: the first point of each crossing, and since when."""
    found, centre = [], float(series.values.mean())
    is_out_before = False
    for place, row in enumerate(chart):
        for side, name in ((1.0, "cusum_up"), (-1.0, "cusum_down")):
            if row[name] > control.CUSUM_H:
                since = _since(chart, place, name)
                found.append((place, _signal(series, place, "CUSUM", side, centre, since)))
        is_out = abs(row["ewma"]) > row["ewma_limit"] and row["q_statistic"] is not None
        if is_out and not is_out_before:
            found.append((place, _signal(series, place, "EWMA", row["ewma"], centre, place)))
        is_out_before = is_out
    return found


def _since(chart: list[Row], place: int, name: str) -> int:
    """The run after the sum last stood at nought (or was set back to it)."""
    while place > 0 and 0.0 < chart[place - 1][name] <= control.CUSUM_H:
        place -= 1
    return place


def _signal(series: _Series, place: int, rule: str, side: float, centre: float, since: int) -> Row:
    run = series.runs[place]
    return (
        series.key
        | {name: run[name] for name in RUN_COLUMNS}
        | {
            "rule": rule,
            "rule_source": control.RULES[rule],
            "adjusted_value": series.values[place],
            "centre": centre,
            "direction": "high" if side > 0 else "low",
            "since_batch": series.runs[since]["batch"],
            "since_run": series.runs[since]["run"],
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
        first, last = (series.runs[i] for i in (phase.first, phase.last - 1))
        row |= {
            "baseline_runs": phase.last - phase.first,
            "baseline_first": f"{first['batch']} {first['run']}",
            "baseline_last": f"{last['batch']} {last['run']}",
            "limits_standing": standing(phase.last - phase.first),
        }
    return row | _capability(series)


def _capability(series: _Series) -> Row:
    """Ppk of the logged values against the distiller's own bounds, where there are any."""
    target = _TARGETS.get(series.key["figure"])
    run = series.runs[0]
    if target is None or run[f"{target}_low"] is None or series.logged.size < 4:
        return {}
    low, high = run[f"{target}_low"], run[f"{target}_high"]
    sd = float(series.logged.std(ddof=1))
    bounds: Row = {"target_low": low, "target_high": high}
    if not sd > 0.0:
        return bounds
    index = ppk(low, high, float(series.logged.mean()), sd, series.logged.size)
    return bounds | {"ppk": index.value, "ppk_low": index.low, "ppk_high": index.high}


def _spread(still: str | None, runs: list[Row]) -> Iterator[Row]:
    for figure in _TARGETS:
        # A run whose volumes cannot be right says nothing of how steady the cuts are.
        known = [run for run in runs if run[figure] is not None and run["suspect_column"] not in _GROSS]
        if len(known) < LEAST_TO_SPLIT:
            continue
        values = np.array([run[figure] for run in known], dtype=np.float64)
        charge = _covariates(known, figure, (*COVARIATES, "stages"))
        blocks = [
            ("charge and still", charge),
            ("operator", dummies([run["operator"] for run in known])),
            ("recipe", dummies([run["recipe"] for run in known])),
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


def _reading_u(figure: str, runs: list[Row]) -> float:
    """Root mean square of the figure's own uncertainty over the runs."""
    return float(
        np.sqrt(np.mean([run[f"{figure}_u"] ** 2 for run in runs if run[f"{figure}_u"] is not None]))
    )


RULE_SETS: Mapping[str, tuple[str, ...]] = _RULES
