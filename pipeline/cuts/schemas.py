"""The columns of the tables of how steady the cuts are, in the order they stand."""

from __future__ import annotations

import polars as pl

_SERIES = {"figure": pl.String(), "still": pl.String(), "grouping": pl.String(), "group_name": pl.String()}
RUN_COLUMNS = {
    "batch": pl.String(),
    "run": pl.String(),
    "season": pl.String(),
    "operator": pl.String(),
    "started_at": pl.Datetime("us"),
}

CONTROL_CHART_SCHEMA = pl.Schema(
    _SERIES
    | {"run_position": pl.Int64()}
    | RUN_COLUMNS
    | {
        "logged_value": pl.Float64(),
        "adjusted_value": pl.Float64(),
        "phase": pl.String(),
        "centre": pl.Float64(),
        "lower_limit": pl.Float64(),
        "upper_limit": pl.Float64(),
        "moving_range": pl.Float64(),
        "moving_range_limit": pl.Float64(),
        "q_statistic": pl.Float64(),
        "ewma": pl.Float64(),
        "ewma_limit": pl.Float64(),
        "cusum_up": pl.Float64(),
        "cusum_down": pl.Float64(),
    }
)
CONTROL_SIGNAL_SCHEMA = pl.Schema(
    _SERIES
    | RUN_COLUMNS
    | {
        "rule": pl.String(),
        "rule_source": pl.String(),
        "adjusted_value": pl.Float64(),
        "centre": pl.Float64(),
        "direction": pl.String(),
        "since_batch": pl.String(),
        "since_run": pl.String(),
    }
)
CUT_STEADINESS_SCHEMA = pl.Schema(
    _SERIES
    | {
        "runs": pl.Int64(),
        "figure_mean": pl.Float64(),
        "figure_sd": pl.Float64(),
        "adjusted_sd": pl.Float64(),
        "range_sd": pl.Float64(),
        "baseline_runs": pl.Int64(),
        "baseline_first": pl.String(),
        "baseline_last": pl.String(),
        "limits_standing": pl.String(),
        "next_run_low": pl.Float64(),
        "next_run_high": pl.Float64(),
        "signals": pl.Int64(),
        "target_low": pl.Float64(),
        "target_high": pl.Float64(),
        "ppk": pl.Float64(),
        "ppk_low": pl.Float64(),
        "ppk_high": pl.Float64(),
    }
)
CUT_SPREAD_SCHEMA = pl.Schema(
    {
        "figure": pl.String(),
        "still": pl.String(),
        "runs": pl.Int64(),
        "spread_part": pl.String(),
        "share_frac": pl.Float64(),
        "share_low_frac": pl.Float64(),
        "share_high_frac": pl.Float64(),
    }
)
