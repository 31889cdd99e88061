"""Rows of the fit tables on scores: what is written down of each fitted attribute."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import Any

import numpy as np
import polars as pl

from pipeline.multiplicity import benjamini_hochberg, holm
from pipeline.panel.agreement import concordance, intraclass
from pipeline.panel.assessors import assessor_figures
from pipeline.panel.mixed import Estimate
from pipeline.panel.tastings import MOST_SAMPLES, SeasonPanel, Tasting, cell_means, complete_samples

Row = dict[str, Any]
Tasted = Mapping[str, Row]
"""What is known of each tasted spirit, by its name."""

LEVEL = 0.05
_PERMUTED_BELOW = 8
"""Tables with fewer samples than this get their rank p from shuffles, not from the chi-square of large
ones."""

F64, I64, TEXT, BOOL = pl.Float64, pl.Int64, pl.String, pl.Boolean

SAMPLE_MEAN = {
    "season": TEXT,
    "tasting": TEXT,
    "tasted": TEXT,
    "label": TEXT,
    "batch": TEXT,
    "cask": TEXT,
    "lot": TEXT,
    "attribute": TEXT,
    "assessors": I64,
    "scores": I64,
    "score_raw_mean": F64,
    "panel_mean": F64,
    "panel_mean_se": F64,
    "panel_mean_df": F64,
    "panel_mean_low": F64,
    "panel_mean_high": F64,
    "above_average": F64,
    "above_average_low": F64,
    "above_average_high": F64,
    "told_apart_from": I64,
    "is_scaled": BOOL,
    "no_fit_reason": TEXT,
}
SAMPLE_DIFFERENCE = {
    "season": TEXT,
    "tasting": TEXT,
    "attribute": TEXT,
    "tasted_a": TEXT,
    "tasted_b": TEXT,
    "label_a": TEXT,
    "label_b": TEXT,
    "score_difference": F64,
    "score_difference_low": F64,
    "score_difference_high": F64,
    "p_difference": F64,
    "p_held": F64,
    "is_told_apart": BOOL,
    "comparison": TEXT,
}
PANEL = {
    "season": TEXT,
    "tasting": TEXT,
    "attribute": TEXT,
    "samples": I64,
    "assessors": I64,
    "scores": I64,
    "empty_frac": F64,
    "assessor_sd": F64,
    "interaction_sd": F64,
    "error_sd": F64,
    "f_samples": F64,
    "df_samples": F64,
    "df_error": F64,
    "p_samples": F64,
    "p_held": F64,
    "usual_half_width": F64,
    "order_effect": F64,
    "order_effect_low": F64,
    "order_effect_high": F64,
    "f_scaling": F64,
    "p_scaling": F64,
    "complete_samples": I64,
    "icc_single": F64,
    "icc_single_low": F64,
    "icc_single_high": F64,
    "icc_panel": F64,
    "kendall_w": F64,
    "w_p_value": F64,
    "is_scaled": BOOL,
    "no_fit_reason": TEXT,
}
ASSESSOR = {
    "season": TEXT,
    "attribute": TEXT,
    "assessor": TEXT,
    "scores": I64,
    "samples": I64,
    "level_above": F64,
    "scale_slope": F64,
    "scale_slope_se": F64,
    "agreement": F64,
    "repeat_sd": F64,
    "repeats": I64,
    "f_samples": F64,
    "p_discrimination": F64,
    "hint": TEXT,
}


def frame_of(rows: list[Row], schema: Mapping[str, Any]) -> pl.DataFrame:
    """Rows as a frame of the schema; what is not a number was not measured."""
    frame = pl.DataFrame(rows, schema=dict(schema), orient="row")
    floats = [name for name, kind in schema.items() if kind == F64]
    return frame.with_columns(
        pl.when(pl.col(name).is_finite()).then(pl.col(name)).alias(name) for name in floats
    )


def mean_rows(panel: SeasonPanel, tasted: Tasted) -> Iterator[tuple[list[Row], list[Row]]]:
    """For each set and attribute: rows of sample means, rows of differences between samples."""
    for tasting in panel.tastings:
        for attribute in tasting.attributes():
            differences = _difference_rows(tasting, attribute, tasted)
            yield _mean_rows(tasting, attribute, tasted, differences), differences


def _mean_rows(tasting: Tasting, attribute: str, tasted: Tasted, differences: list[Row]) -> list[Row]:
    scores, fitted = tasting.scores[attribute], tasting.best_fit(attribute)
    raw = scores.raw_means()
    rows = []
    for sample, place in enumerate(tasting.seen[attribute]):
        name = tasting.tasted[place]
        own = scores.sample == sample
        row: Row = {
            "season": tasting.season,
            "tasting": tasting.name,
            "tasted": name,
            **{key: tasted[name][key] for key in ("label", "batch", "cask", "lot")},
            "attribute": attribute,
            "assessors": len(np.unique(scores.assessor[own])),
            "scores": int(own.sum()),
            "score_raw_mean": float(raw[sample]),
            "is_scaled": attribute in tasting.scaled,
            "no_fit_reason": tasting.reasons.get(attribute),
        }
        if fitted is not None:
            mean = fitted.mean(sample)
            row |= _estimate("panel_mean", mean) | {"panel_mean_se": mean.se, "panel_mean_df": mean.df}
            row |= _estimate("above_average", fitted.deviation(sample))
            row["told_apart_from"] = sum(
                each["is_told_apart"] for each in differences if name in (each["tasted_a"], each["tasted_b"])
            )
        rows.append({key: row.get(key) for key in SAMPLE_MEAN})
    return rows


def _estimate(name: str, estimate: Estimate) -> Row:
    low, high = estimate.interval()
    return {name: estimate.value, f"{name}_low": low, f"{name}_high": high}


def _difference_rows(tasting: Tasting, attribute: str, tasted: Tasted) -> list[Row]:
    fitted, seen = tasting.best_fit(attribute), tasting.seen[attribute]
    if fitted is None or len(seen) > MOST_SAMPLES:
        return []
    pairs = list(combinations(range(len(seen)), 2))
    estimates = [fitted.difference(one, other) for one, other in pairs]
    held = holm([each.p_value for each in estimates])
    rows = []
    for (one, other), estimate, p_held in zip(pairs, estimates, held, strict=True):
        a, b = tasting.tasted[seen[one]], tasting.tasted[seen[other]]
        rows.append(
            {
                "season": tasting.season,
                "tasting": tasting.name,
                "attribute": attribute,
                "tasted_a": a,
                "tasted_b": b,
                "label_a": tasted[a]["label"],
                "label_b": tasted[b]["label"],
                **_estimate("score_difference", estimate),
                "p_difference": estimate.p_value,
                "p_held": float(p_held),
                "is_told_apart": bool(p_held <= LEVEL),
                "comparison": comparison(tasted[a], tasted[b]),
            }
        )
    return rows


SAME_SPIRIT, LIKE_CASKS = "same spirit, two casks", "two spirits, like casks"
NEW_SPIRITS = "two new spirits"
_SAME_FROM, _OTHER_TO = 0.9, 0.5
_SIZE_RATIO = 1.5
_AGE_GAP_YEARS = 0.25


def comparison(one: Row, other: Row) -> str | None:
    """Whether a pair of tasted spirits differs by its cask alone, or by its spirit alone; None otherwise.

    The same spirit: nine tenths of their alcohol from the same batches in the same shares, be it one batch
    or a vat of several; another spirit: not more than half. Like casks: one wood, capacities within a half
    of each other, ages within three months (all own choices). New spirits: neither was ever in a cask.
    """
    origins = [each["origins"] for each in (one, other)]
    if any(sum(shares.values()) < _SAME_FROM for shares in origins):
        return None
    shared = sum(min(share, origins[1].get(batch, 0.0)) for batch, share in origins[0].items())
    if shared >= _SAME_FROM:
        return SAME_SPIRIT if one["cask"] != other["cask"] else None
    in_cask = [each["cask"] is not None for each in (one, other)]
    if shared > _OTHER_TO or in_cask[0] != in_cask[1]:
        return None
    if not in_cask[0]:
        return NEW_SPIRITS
    return LIKE_CASKS if _are_like(one, other) else None


def _are_like(one: Row, other: Row) -> bool:
    known = ("wood", "capacity_l", "cask_years")
    if any(each[name] is None for each in (one, other) for name in known) or one["wood"] != other["wood"]:
        return False
    small, large = sorted((float(one["capacity_l"]), float(other["capacity_l"])))
    apart = abs(float(one["cask_years"]) - float(other["cask_years"]))
    return large <= _SIZE_RATIO * small and apart <= _AGE_GAP_YEARS


def panel_rows(panel: SeasonPanel) -> list[Row]:
    """One row a set and attribute: what the panel as a whole could tell."""
    rows = []
    for tasting in panel.tastings:
        own = [_panel_row(tasting, attribute, panel) for attribute in tasting.attributes()]
        p_values = [np.nan if row["p_samples"] is None else row["p_samples"] for row in own]
        for row, q_value in zip(own, benjamini_hochberg(p_values), strict=True):
            row["p_held"] = float(q_value)
        rows += own
    return rows


def _panel_row(tasting: Tasting, attribute: str, panel: SeasonPanel) -> Row:
    scores, fitted = tasting.scores[attribute], tasting.best_fit(attribute)
    table = cell_means(scores)
    row: Row = dict.fromkeys(PANEL)
    row |= {
        "season": tasting.season,
        "tasting": tasting.name,
        "attribute": attribute,
        "samples": scores.samples,
        "assessors": scores.assessors,
        "scores": len(scores.value),
        "empty_frac": float(np.mean(~np.isfinite(table))),
        "is_scaled": attribute in tasting.scaled,
        "no_fit_reason": tasting.reasons.get(attribute),
    }
    complete = complete_samples(table)
    row["complete_samples"] = len(complete)
    if len(complete) > 1:
        row |= _agreement(complete)
    if fitted is None:
        return row
    f_value, df, df_error, p_value = fitted.sample_test()
    for name in ("assessor", "interaction", "error"):
        variance = fitted.variance(name)
        row[f"{name}_sd"] = None if variance is None else float(np.sqrt(variance))
    halves = [np.ptp(fitted.difference(0, other).interval()) / 2.0 for other in range(1, scores.samples)]
    row |= {
        "f_samples": f_value,
        "df_samples": df,
        "df_error": df_error,
        "p_samples": p_value,
        "usual_half_width": float(np.median(halves)),
    }
    order = fitted.order_effect()
    if order is not None:
        row |= _estimate("order_effect", order)
    scaling = panel.scaling[attribute]
    return row | {"f_scaling": scaling.f_scaling, "p_scaling": scaling.p_scaling}


def _agreement(complete: np.ndarray) -> Row:
    row: Row = {}
    icc = intraclass(complete)
    if icc is not None:
        row |= {
            "icc_single": icc.single,
            "icc_single_low": icc.single_low,
            "icc_single_high": icc.single_high,
            "icc_panel": icc.panel,
        }
    ranks = concordance(complete, 999 if len(complete) < _PERMUTED_BELOW else 0)
    if ranks is not None:
        row |= {"kendall_w": ranks.w, "w_p_value": ranks.p_value}
    return row


def assessor_rows(panel: SeasonPanel) -> list[Row]:
    """One row an attribute and assessor, over the whole season."""
    rows = []
    for attribute in panel.scaling:
        sets = [
            (each.scores[attribute], each.fits[attribute])
            for each in panel.tastings
            if attribute in each.fits
        ]
        names = panel.tastings[0].assessors
        for figures in assessor_figures(sets, panel.scaling[attribute]):
            row = {name: getattr(figures, name, None) for name in ASSESSOR}
            rows.append(
                row | {"season": panel.season, "attribute": attribute, "assessor": names[figures.assessor]}
            )
    return rows
