"""How steady the cuts are: `fit.control_chart`, `.control_signal`, `.cut_steadiness`, `.cut_spread`.

Reads one frame, one row a spirit run in the order run; knows no SQL and no files. A series is one figure
of one still, whole or by operator or by recipe. What the charge explains is taken out before charting.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
import polars as pl

from pipeline.cuts import control
from pipeline.cuts.capability import ppk
from pipeline.cuts.schemas import (
    CONTROL_CHART_SCHEMA,
    CONTROL_SIGNAL_SCHEMA,
    CUT_SPREAD_SCHEMA,
    CUT_STEADINESS_SCHEMA,
    RUN_COLUMNS,
)
from pipeline.cuts.series import LIMITS, NO_PHASE, PHASES, Array, Drift, Phase, Places, Row, Series, Signal
from pipeline.cuts.spread import adjust, dummies, split

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


def chart_cuts(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Chart every figure of `READS`; the four frames of `MAKES` in order."""
    charted = list(_all_series(frame))
    drifts = list(Drift.of_all([series.values for series in charted]))
    phases = [_phase(series) for series in charted]
    signals = [
        _signals(series, phase, drift) for series, phase, drift in zip(charted, phases, drifts, strict=True)
    ]
    steadiness = [
        _steadiness(frame, series, phase, len(found))
        for series, phase, found in zip(charted, phases, signals, strict=True)
    ]
    spread = [row for still, mine in _by(frame, "still") for row in _spread(still, frame[mine])]
    yield _chart(frame, charted, phases, drifts)
    yield _signal_table(frame, charted, signals)
    yield pl.DataFrame(steadiness, schema=CUT_STEADINESS_SCHEMA, orient="row")
    yield pl.DataFrame(spread, schema=CUT_SPREAD_SCHEMA, orient="row")


def _by(runs: pl.DataFrame, name: str) -> list[tuple[str | None, Places]]:
    """The rows of the runs by the value of a column, each group in its own order; the nameless first."""
    groups = runs.select(name).with_row_index("row").group_by(name, maintain_order=True).agg("row")
    found = zip(groups[name].to_list(), groups["row"], strict=True)
    return sorted(
        ((value, rows.to_numpy().astype(np.int64)) for value, rows in found), key=lambda group: group[0] or ""
    )


def _numbers(runs: pl.DataFrame, names: Iterable[str]) -> dict[str, Array]:
    """Columns of the runs; NaN not known."""
    return {name: runs[name].cast(pl.Float64).fill_null(np.nan).to_numpy() for name in names}


def _all_series(runs: pl.DataFrame) -> Iterator[Series]:
    numbers = _numbers(runs, {*FIGURES, *COVARIATES})
    groups = {grouping: _by(runs, grouping) for grouping in GROUPINGS}
    of_still = np.zeros(runs.height, dtype=np.bool_)
    for still, mine in groups["still"]:
        of_still[:] = False
        of_still[mine] = True
        for figure in FIGURES:
            is_known = of_still & np.isfinite(numbers[figure])
            known = np.flatnonzero(is_known)
            if known.size < 2:
                continue
            settings = runs.row(int(known[0]), named=True)
            adjusted = np.full(runs.height, np.nan)
            adjusted[known] = _adjusted(figure, {name: each[known] for name, each in numbers.items()})
            for grouping in GROUPINGS:
                for name, rows in groups[grouping]:
                    own = rows[is_known[rows]]
                    if own.size == 0 or (grouping != "still" and (name is None or own.size < 2)):
                        continue
                    key = {"figure": figure, "still": still, "grouping": grouping, "group_name": name}
                    yield Series(key, settings, own, numbers[figure][own], adjusted[own])


def _adjusted(figure: str, numbers: Mapping[str, Array]) -> Array:
    values = numbers[figure]
    if values.size < LEAST_TO_ADJUST:
        return values
    return adjust(values, _covariates(numbers, figure))


def _covariates(numbers: Mapping[str, Array], figure: str, names: tuple[str, ...] = COVARIATES) -> Array:
    """The covariates that are known in every run and differ between runs, one column each, in sd."""
    columns = []
    for name in names:
        column = numbers[name]
        if name != figure and np.all(np.isfinite(column)) and column.std() > 1e-9:
            columns.append((column - column.mean()) / column.std())
    return np.array(columns).T.reshape(numbers[figure].size, -1)


def _phase(series: Series) -> Phase | None:
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
    return Phase(first, last, limits, bounds[0], bounds[1])


def _chart(
    runs: pl.DataFrame,
    charted: Sequence[Series],
    phases: Sequence[Phase | None],
    drifts: Sequence[Drift],
) -> pl.DataFrame:
    """The points of all series, one series after the other: `CONTROL_CHART_SCHEMA`."""
    sizes = np.array([series.values.size for series in charted], dtype=np.int64)
    position = np.arange(sizes.sum()) - np.repeat(np.cumsum(sizes) - sizes, sizes) + 1
    values = pl.Series(_joined(series.values for series in charted))
    columns: dict[str, pl.Series | pl.Expr] = {
        name: column.gather(np.repeat(np.arange(sizes.size), sizes))
        for name, column in _keys(charted).items()
    }
    columns |= {
        "run_position": pl.Series(position),
        "logged_value": pl.Series(_joined(series.logged for series in charted)),
        "adjusted_value": values,
        "moving_range": pl.when(pl.Series(position) > 1).then(values.diff().abs()),
        "q_statistic": pl.Series(_joined(drift.q for drift in drifts), nan_to_null=True),
        "ewma": pl.Series(_joined(drift.average for drift in drifts)),
        "ewma_limit": pl.Series(_joined(drift.limit for drift in drifts)),
        "cusum_up": pl.Series(_joined(drift.up for drift in drifts)),
        "cusum_down": pl.Series(_joined(drift.down for drift in drifts)),
    }
    columns |= _phase_columns(phases, sizes)
    points: pl.DataFrame = runs.select(*RUN_COLUMNS)[_rows_of(charted)].with_columns(**columns)
    return points.select(pl.col(name).cast(dtype) for name, dtype in CONTROL_CHART_SCHEMA.items())


def _phase_columns(phases: Sequence[Phase | None], sizes: Places) -> dict[str, pl.Series]:
    """The limits at every point of all series of so many points, and whether they come from before it."""
    words = [
        np.full(size, NO_PHASE) if phase is None else phase.words()
        for phase, size in zip(phases, sizes.tolist(), strict=True)
    ]
    limits = [
        np.full((len(LIMITS), size), np.nan) if phase is None else phase.at_points()
        for phase, size in zip(phases, sizes.tolist(), strict=True)
    ]
    word = np.concatenate([np.empty(0, dtype=np.int64), *words])
    found = {"phase": pl.Series(PHASES, dtype=pl.String).gather(word)}
    for name, column in zip(
        LIMITS, np.concatenate([np.empty((len(LIMITS), 0)), *limits], axis=1), strict=True
    ):
        found[name] = pl.Series(column, nan_to_null=True)
    return found


def _joined(arrays: Iterable[Array]) -> Array:
    """Arrays one behind the other, also where there are none."""
    return np.concatenate([np.empty(0), *arrays])


def _rows_of(charted: Sequence[Series]) -> Places:
    """The rows of the runs of all series, one series after the other."""
    return np.concatenate([np.empty(0, dtype=np.int64), *(series.rows for series in charted)])


def _keys(charted: Sequence[Series]) -> dict[str, pl.Series]:
    """What series are called, a column each of the words, one row a series."""
    names = ("figure", "still", "grouping", "group_name")
    return {name: pl.Series([series.key[name] for series in charted], dtype=pl.String) for name in names}


def _signals(series: Series, phase: Phase | None, drift: Drift) -> list[Signal]:
    found = _rule_signals(series, phase) if phase is not None else []
    found += _drift_signals(series, drift)
    return sorted(found, key=lambda signal: signal.place)


def _rule_signals(series: Series, phase: Phase) -> list[Signal]:
    # Three sigma is the limit in force at each point, so that one rule serves both phases.
    z = (series.values - phase.limits.mean) / (0.5 * (phase.upper - phase.lower) / 3.0)
    rules = _RULES[series.settings["rules"] or "one"]
    return [
        Signal(place, rule, bool(z[place] > 0), phase.limits.mean, place)
        for rule in rules
        for place in control.rule_hits(z, rule)
    ]


def _drift_signals(series: Series, drift: Drift) -> list[Signal]:
    """Where the charts of Q see a lasting shift: the first point of each crossing, and since when."""
    centre = float(series.values.mean())
    found = []
    for is_high, sums in ((True, drift.up), (False, drift.down)):
        places = np.flatnonzero(sums > control.CUSUM_H)
        found += [
            Signal(place, "CUSUM", is_high, centre, since)
            for place, since in zip(places.tolist(), _since(sums, places).tolist(), strict=True)
        ]
    is_out = (np.abs(drift.average) > drift.limit) & ~np.isnan(drift.q)
    is_first = is_out & ~np.concatenate([[False], is_out[:-1]])
    return found + [
        Signal(place, "EWMA", bool(drift.average[place] > 0), centre, place)
        for place in np.flatnonzero(is_first).tolist()
    ]


def _since(sums: Array, places: Places) -> Places:
    """For each of some points, the run after the sum last stood at nought (or was set back to it)."""
    ends = np.flatnonzero(~((sums > 0.0) & (sums <= control.CUSUM_H)))
    return np.asarray(np.concatenate([[-1], ends])[np.searchsorted(ends, places)] + 1)


def _signal_table(
    runs: pl.DataFrame, charted: Sequence[Series], signals: Sequence[Sequence[Signal]]
) -> pl.DataFrame:
    """The signals of all series, one series after the other: `CONTROL_SIGNAL_SCHEMA`."""
    found = [signal for of_series in signals for signal in of_series]
    of_series = np.repeat(np.arange(len(signals)), [len(each) for each in signals])
    # Where the points of each series begin among those of all.
    starts = np.cumsum([0, *(series.rows.size for series in charted)])[of_series]
    rows = _rows_of(charted)
    at = starts + np.array([signal.place for signal in found], dtype=np.int64)
    began = rows[starts + np.array([signal.since for signal in found], dtype=np.int64)]
    columns: dict[str, pl.Series] = {
        name: column.gather(of_series) for name, column in _keys(charted).items()
    }
    columns |= {
        "rule": pl.Series([signal.rule for signal in found], dtype=pl.String),
        "rule_source": pl.Series([control.RULES[signal.rule] for signal in found], dtype=pl.String),
        "adjusted_value": pl.Series(_joined(series.values for series in charted)[at]),
        "centre": pl.Series([signal.centre for signal in found], dtype=pl.Float64),
        "direction": pl.Series(["high" if signal.is_high else "low" for signal in found], dtype=pl.String),
        "since_batch": runs["batch"].gather(began),
        "since_run": runs["run"].gather(began),
    }
    table: pl.DataFrame = runs.select(*RUN_COLUMNS)[rows[at]].with_columns(**columns)
    return table.select(pl.col(name).cast(dtype) for name, dtype in CONTROL_SIGNAL_SCHEMA.items())


def standing(runs: int) -> str:
    """What limits from so many runs are worth."""
    if runs < control.LEAST_RUNS:
        return "none"
    if runs < control.TRIAL_RUNS:
        return "provisional"
    return "trial" if runs < control.ESTABLISHED_RUNS else "established"


def _steadiness(runs: pl.DataFrame, series: Series, phase: Phase | None, signals: int) -> Row:
    whole, logged = control.individuals(series.values), control.individuals(series.logged)
    row: Row = series.key | {
        "runs": series.values.size,
        "figure_mean": logged.mean,
        "figure_sd": logged.sd,
        "adjusted_sd": whole.sd,
        "range_sd": whole.sigma,
        "limits_standing": "none",
        "signals": signals,
    }
    if series.values.size >= 4:
        low, high = logged.next_run(0.95)
        row |= {"next_run_low": low, "next_run_high": high}
    if phase is not None:
        first, last = (int(series.rows[place]) for place in (phase.first, phase.last - 1))
        row |= {
            "baseline_runs": phase.last - phase.first,
            "baseline_first": f"{runs['batch'][first]} {runs['run'][first]}",
            "baseline_last": f"{runs['batch'][last]} {runs['run'][last]}",
            "limits_standing": standing(phase.last - phase.first),
        }
    return row | _capability(series, logged)


def _capability(series: Series, logged: control.Individuals) -> Row:
    """Ppk of the logged values against the distiller's own bounds, where there are any."""
    target = _TARGETS.get(series.key["figure"])
    if target is None or series.settings[f"{target}_low"] is None or logged.runs < 4:
        return {}
    low, high = series.settings[f"{target}_low"], series.settings[f"{target}_high"]
    bounds: Row = {"target_low": low, "target_high": high}
    if not logged.sd > 0.0:
        return bounds
    index = ppk(low, high, logged.mean, logged.sd, logged.runs)
    return bounds | {"ppk": index.value, "ppk_low": index.low, "ppk_high": index.high}


def _spread(still: str | None, runs: pl.DataFrame) -> Iterator[Row]:
    # A run whose volumes cannot be right says nothing of how steady the cuts are.
    trusted = runs.filter(~pl.col("suspect_column").is_in(_GROSS).fill_null(value=False))
    for figure in _TARGETS:
        known = trusted.filter(pl.col(figure).is_not_null())
        if known.height < LEAST_TO_SPLIT:
            continue
        values = known[figure].to_numpy()
        covariates = (*COVARIATES, "stages")
        charge = _covariates(_numbers(known, {figure, *covariates}), figure, covariates)
        blocks = [
            ("charge and still", charge),
            ("operator", dummies(known["operator"])),
            ("recipe", dummies(known["recipe"])),
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
