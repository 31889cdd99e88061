"""The columns of the tables of the cuts, in the order they stand."""

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

OWN_CURVE_SCHEMA = pl.Schema(
    {
        "batch": pl.String(),
        "run": pl.String(),
        "season": pl.String(),
        "run_kind": pl.String(),
        "still": pl.String(),
        "operator": pl.String(),
        "started_at": pl.Datetime("us"),
        "jars": pl.Int64(),
        "readings": pl.Int64(),
        "stages": pl.Float64(),
        "stages_u": pl.Float64(),
        "stages_low": pl.Float64(),
        "stages_high": pl.Float64(),
        "charge_correction_frac": pl.Float64(),
        "charge_correction_frac_u": pl.Float64(),
        "reduced_chi2": pl.Float64(),
        "residual_shape": pl.String(),
        "suspect_jar_no": pl.Int64(),
        "suspect_column": pl.String(),
        "hearts_start_spout_pct_vol": pl.Float64(),
        "hearts_start_spout_pct_vol_u": pl.Float64(),
        "hearts_start_basis": pl.String(),
        "hearts_start_lpa_frac": pl.Float64(),
        "hearts_end_spout_pct_vol": pl.Float64(),
        "hearts_end_spout_pct_vol_u": pl.Float64(),
        "hearts_end_basis": pl.String(),
        "hearts_end_lpa_frac": pl.Float64(),
        "hearts_end_fall_lpa": pl.Float64(),
        "takeoff_per_min_l": pl.Float64(),
        "takeoff_drift_frac": pl.Float64(),
        "reason": pl.String(),
    }
)

JAR_EXPECTED_SCHEMA = pl.Schema(
    {
        "batch": pl.String(),
        "run": pl.String(),
        "season": pl.String(),
        "jar_no": pl.Int64(),
        "file_id": pl.Int32(),
        "line": pl.Int32(),
        "run_kind": pl.String(),
        "cut": pl.String(),
        "volume_l": pl.Float64(),
        "abv_20c_pct_vol": pl.Float64(),
        "expected_abv_pct_vol": pl.Float64(),
        "expected_abv_pct_vol_u": pl.Float64(),
        "spout_abv_20c_pct_vol": pl.Float64(),
        "expected_spout_pct_vol": pl.Float64(),
        "expected_spout_pct_vol_u": pl.Float64(),
        "expected_pot_pct_vol": pl.Float64(),
        "residual_pct_vol": pl.Float64(),
        "curve_lpa_frac_start": pl.Float64(),
        "curve_lpa_frac_end": pl.Float64(),
        "suspect_column": pl.String(),
        "suspect_z": pl.Float64(),
        "logged_value": pl.Float64(),
        "expected_value": pl.Float64(),
        "expected_value_u": pl.Float64(),
        "suspect_also": pl.String(),
    }
)

STILL_SCHEMA = pl.Schema(
    {
        "still": pl.String(),
        "run_kind": pl.String(),
        "runs": pl.Int64(),
        "runs_fitted": pl.Int64(),
        "stages_mean": pl.Float64(),
        "stages_mean_low": pl.Float64(),
        "stages_mean_high": pl.Float64(),
        "stages_between_sd": pl.Float64(),
        "charge_correction_mean_frac": pl.Float64(),
        "runs_off": pl.Int64(),
    }
)

STRIP_STOP_SCHEMA = pl.Schema(
    {
        "batch": pl.String(),
        "run": pl.String(),
        "season": pl.String(),
        "still": pl.String(),
        "started_at": pl.Datetime("us"),
        "charge_lpa": pl.Float64(),
        "charge_abv_pct_vol": pl.Float64(),
        "last_spout_pct_vol": pl.Float64(),
        "recovery_frac": pl.Float64(),
        "recovery_frac_u": pl.Float64(),
        "expected_recovery_frac": pl.Float64(),
        "recovery_difference_frac": pl.Float64(),
        "earlier_stop_pct_vol": pl.Float64(),
        "earlier_lpa": pl.Float64(),
        "earlier_min": pl.Float64(),
        "later_stop_pct_vol": pl.Float64(),
        "later_lpa": pl.Float64(),
        "later_min": pl.Float64(),
    }
)
