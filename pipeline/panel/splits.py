"""Rows of the table that splits each attribute's variance between spirit, cask and panel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from pipeline.panel.mixed import Array
from pipeline.panel.shares import (
    KEPT,
    LEAST_SAMPLES,
    LEVEL,
    MOST_SAMPLES,
    Part,
    Standing,
    split_variance,
    standings,
)
from pipeline.panel.tables import BOOL, F64, I64, TEXT, Row, Tasted
from pipeline.panel.tastings import SeasonPanel, Tasting

FLAVOUR_SHARE = {
    "season": TEXT,
    "attribute": TEXT,
    "flavour_part": TEXT,
    "samples": I64,
    "part_variance": F64,
    "share_frac": F64,
    "share_low_frac": F64,
    "share_high_frac": F64,
    "part_levels": I64,
    "own_part_frac": F64,
    "goes_with": TEXT,
    "is_told_apart": BOOL,
}
SAMPLE_PARTS = ("grain bill", "yeast", "cut", "cask", "batch", "evening")
PANEL_PARTS = ("assessor", "assessor and sample", "error")
_HALF_KNOWN = 0.5


def share_rows(
    panel: SeasonPanel, tasted: Tasted, batches_of: pl.DataFrame, batches: pl.DataFrame, bills: pl.DataFrame
) -> list[Row]:
    """The split of every attribute of a season; no rows where fewer than 8 samples have known batches.

    batches_of : fit.tasted_batch: tasted, batch, share_frac
    batches    : metric.batch: batch, yeast, hearts_start_pct_vol, hearts_end_pct_vol
    bills      : metric.batch_ingredient: batch, ingredient, share_frac
    """
    made = _Made(batches_of, batches, bills)
    rows: list[Row] = []
    for attribute in panel.scaling:
        sets = [each for each in panel.tastings if attribute in each.fits]
        rows += _attribute_rows(panel, attribute, sets, tasted, made)
    return rows


class _Made:
    """What each tasted spirit was made of, as mappings."""

    def __init__(self, batches_of: pl.DataFrame, batches: pl.DataFrame, bills: pl.DataFrame) -> None:
        self.batches: dict[str, dict[str, float]] = {}
        for name, batch, share in batches_of.select("tasted", "batch", "share_frac").iter_rows():
            if share is not None:
                self.batches.setdefault(name, {})[batch] = share
        self.yeast = {row["batch"]: row["yeast"] for row in batches.iter_rows(named=True)}
        self.cuts = {
            row["batch"]: (row["hearts_start_pct_vol"], row["hearts_end_pct_vol"])
            for row in batches.iter_rows(named=True)
        }
        self.bill: dict[str, dict[str, float]] = {}
        for batch, ingredient, share in bills.select("batch", "ingredient", "share_frac").iter_rows():
            if share is not None:
                self.bill.setdefault(batch, {})[ingredient] = share

    def knows(self, name: str) -> bool:
        return sum(self.batches.get(name, {}).values()) >= _HALF_KNOWN

    def weighted(self, name: str, of_batch: Mapping[str, Mapping[str, float]]) -> dict[str, float]:
        total: dict[str, float] = {}
        for batch, share in self.batches[name].items():
            for key, value in of_batch.get(batch, {}).items():
                total[key] = total.get(key, 0.0) + share * value
        return total


def _attribute_rows(
    panel: SeasonPanel, attribute: str, sets: Sequence[Tasting], tasted: Tasted, made: _Made
) -> list[Row]:
    names, evening, means, errors = [], [], [], []
    for number, tasting in enumerate(sets):
        fitted = tasting.best_fit(attribute)
        seen = [tasting.tasted[place] for place in tasting.seen[attribute]]
        kept = [row for row, name in enumerate(seen) if made.knows(name)]
        if fitted is None or not kept:
            continue
        place = np.zeros((len(kept), len(fitted.fit.beta)))
        place[:, 0] = 1.0
        place[:, 1 : 1 + fitted.contrasts.shape[1]] = fitted.contrasts[kept]
        covariance = place @ fitted.fit.cov @ place.T
        # The people were the same on every evening: where they stand on the scale is no error between
        # evenings.
        covariance -= (fitted.variance("assessor") or 0.0) / tasting.scores[attribute].assessors
        names += [seen[row] for row in kept]
        evening += [number] * len(kept)
        means.append(place @ fitted.fit.beta)
        errors.append(covariance)
    if not LEAST_SAMPLES <= len(names) <= MOST_SAMPLES:
        return []
    parts = _parts(names, np.array(evening), tasted, made)
    split = split_variance(np.concatenate(means), _positive(errors), parts)
    panel_draws = _panel_draws(attribute, sets)
    draws = np.hstack([split.draws, panel_draws])
    shares = draws / draws.sum(axis=1, keepdims=True)
    low, high = np.quantile(shares, [(1.0 - LEVEL) / 2.0, (1.0 + LEVEL) / 2.0], axis=0)
    standing = {each.name: each for each in standings(parts)}
    rows = []
    for column, part in enumerate([*split.names, *PANEL_PARTS]):
        if not draws[:, column].any():
            continue
        own = standing.get(part, Standing(part, 1, 1.0, ""))
        rows.append(
            {
                "season": panel.season,
                "attribute": attribute,
                "flavour_part": part,
                "samples": len(names),
                "part_variance": float(np.mean(draws[:, column])),
                "share_frac": float(np.mean(shares[:, column])),
                "share_low_frac": float(low[column]),
                "share_high_frac": float(high[column]),
                "part_levels": own.levels,
                "own_part_frac": own.own_frac,
                "goes_with": own.goes_with or None,
                "is_told_apart": own.is_told_apart,
            }
        )
    return rows


def _positive(errors: Sequence[Array]) -> Array:
    """The evenings' error covariances on one diagonal, small negative directions (from rounding) put to
    zero."""
    size = sum(len(each) for each in errors)
    whole = np.zeros((size, size))
    start = 0
    for each in errors:
        values, vectors = np.linalg.eigh(each)
        stop = start + len(each)
        whole[start:stop, start:stop] = (vectors * np.maximum(values, 0.0)) @ vectors.T
        start = stop
    return whole


def _parts(names: Sequence[str], evening: np.ndarray, tasted: Tasted, made: _Made) -> list[Part]:
    single = {batch: {batch: 1.0} for name in names for batch in made.batches[name]}
    yeasts = {batch: {made.yeast[batch]: 1.0} for batch in single if made.yeast.get(batch) is not None}
    columns = {
        "grain bill": _table([made.weighted(name, made.bill) for name in names]),
        "yeast": _table([made.weighted(name, yeasts) for name in names]),
        "cut": _cut_columns(names, made),
        "cask": _cask_columns(names, tasted),
        "batch": _table([made.weighted(name, single) for name in names]),
        "evening": np.eye(int(evening.max()) + 1)[evening],
    }
    return [Part(name, columns[name]) for name in SAMPLE_PARTS]


def _table(rows: Sequence[Mapping[str, float]]) -> Array:
    keys = sorted({key for row in rows for key in row})
    return np.array([[row.get(key, 0.0) for key in keys] for row in rows]).reshape(len(rows), len(keys))


def _cut_columns(names: Sequence[str], made: _Made) -> Array:
    """Where hearts began and ended, each brought to unit spread; the middle where it was not measured."""
    columns = np.full((len(names), 2), np.nan)
    for row, name in enumerate(names):
        for end in range(2):
            known = [
                (share, made.cuts.get(batch, (None, None))[end])
                for batch, share in made.batches[name].items()
            ]
            told = [(share, value) for share, value in known if value is not None]
            if told:
                columns[row, end] = sum(share * value for share, value in told) / sum(
                    share for share, _ in told
                )
    return _unit_columns(columns)


def _cask_columns(names: Sequence[str], tasted: Tasted) -> Array:
    """The woods (none for new spirit) and the years in them."""
    woods = _table([{tasted[name]["wood"]: 1.0} if tasted[name]["wood"] else {} for name in names])
    years = np.array([[tasted[name]["cask_years"] or 0.0] for name in names])
    return np.hstack([woods, _unit_columns(years)])


def _unit_columns(columns: Array) -> Array:
    kept = []
    for column in columns.T:
        known = np.isfinite(column)
        spread = float(column[known].std()) if known.any() else 0.0
        if spread > 1e-9:
            middle = float(column[known].mean())
            kept.append(np.where(known, (column - middle) / spread, 0.0))
    return np.array(kept).T if kept else np.zeros((len(columns), 0))


def _panel_draws(attribute: str, sets: Sequence[Tasting], seed: int = 2) -> Array:
    """Draws of the panel's own variances of one score, from their chi-square distributions."""
    rng = np.random.default_rng(seed)
    fits = [(each.best_fit(attribute), each.scores[attribute]) for each in sets]
    columns = []
    for name in ("assessor", "interaction", "error"):
        found = [
            (fitted.variance(name) or 0.0, scores)
            for fitted, scores in fits
            if fitted is not None and name in fitted.has
        ]
        if not found:
            columns.append(np.zeros(KEPT))
            continue
        weights = [len(scores.value) - scores.samples - scores.assessors for _, scores in found]
        variance = float(np.average([value for value, _ in found], weights=np.maximum(weights, 1)))
        people = max(scores.assessors for _, scores in found)
        df = people - 1 if name == "assessor" else max(sum(weights), 1)
        columns.append(variance * df / rng.chisquare(df, size=KEPT))
    return np.stack(columns, axis=1)
