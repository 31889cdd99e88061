"""The season's scores as sets that can be compared, each attribute fitted: frames in, records out.

The one place of the panel that reads frames of scores; the estimators know arrays only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.panel.habits import pool_scalings
from pipeline.panel.mixed import Array
from pipeline.panel.scaling import Scaling, read_scaling
from pipeline.panel.scores import ScoreFit, Scores, fit_scores, linked_sets

OVERALL = "overall"
"""The attribute that says how good, not what it tastes of: kept off the map."""

MOST_SAMPLES = 60
"""In a set of more samples than this every sample is held against the average, not every pair."""


@dataclass
class Tasting:
    """A set of samples that were held against each other: one evening, or evenings linked by a shared sample.

    tasted     : names of the samples, in the order of their level numbers
    assessors  : names of the assessors, numbered over the whole season
    scores     : scores by attribute, samples numbered as in `tasted`
    seen       : for each attribute, the places in `tasted` of its samples, in the order of its levels
    fits       : plain fits by attribute; `scaled` those with slopes, where the data carry them
    reasons    : why an attribute has no fit
    """

    season: str | None
    name: str
    tasted: list[str]
    assessors: list[str]
    scores: dict[str, Scores] = field(default_factory=dict)
    seen: dict[str, list[int]] = field(default_factory=dict)
    fits: dict[str, ScoreFit] = field(default_factory=dict)
    scaled: dict[str, ScoreFit] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)

    def best_fit(self, attribute: str) -> ScoreFit | None:
        """The fit with slopes where there is one, else the plain one; None where there is neither."""
        return self.scaled.get(attribute, self.fits.get(attribute))

    def attributes(self) -> list[str]:
        """The attributes scored, overall first, then by name."""
        return sorted(self.scores, key=lambda name: (name != OVERALL, name))


@dataclass
class SeasonPanel:
    """All sets of one season and, by attribute, how its assessors use the scale."""

    season: str | None
    tastings: list[Tasting]
    scaling: Mapping[str, Scaling]


def read_panels(scores: pl.DataFrame) -> list[SeasonPanel]:
    """Every season's sets, fitted.

    scores : fit.tasted_score: season, session, tasted, assessor, attribute, serving_order, score, tasted_on;
             a row without an attribute is a glass that was only described
    """
    panels = []
    for (season,), rows in scores.group_by(["season"], maintain_order=True):
        panels.append(_season_panel(None if season is None else str(season), rows))
    return panels


def _season_panel(season: str | None, rows: pl.DataFrame) -> SeasonPanel:
    tastings = _tastings(season, rows)
    scaling = {}
    for attribute in sorted({name for tasting in tastings for name in tasting.fits}):
        sets = [(each.scores[attribute], each.fits[attribute]) for each in tastings if attribute in each.fits]
        scaling[attribute] = read_scaling(sets)
    scaling = pool_scalings(scaling)
    for attribute, own in scaling.items():
        if own.is_carried:
            _fit_scaled(tastings, attribute, own)
    return SeasonPanel(season, tastings, scaling)


def _tastings(season: str | None, rows: pl.DataFrame) -> list[Tasting]:
    people = sorted(rows["assessor"].unique().to_list())
    tasted = rows["tasted"].unique(maintain_order=True).to_list()
    sessions = rows["session"].unique(maintain_order=True).to_list()
    levels = rows.select(
        pl.col("assessor").replace_strict(people, list(range(len(people))), return_dtype=pl.Int64),
        pl.col("tasted").replace_strict(tasted, list(range(len(tasted))), return_dtype=pl.Int64),
        pl.Series("session", [sessions.index(each) for each in rows["session"]], dtype=pl.Int64),
        "attribute",
        "tasted_on",
        pl.col("serving_order").cast(pl.Float64).fill_null(float("nan")),
        "score",
    )
    number = linked_sets(*(levels[name].to_numpy() for name in ("assessor", "tasted", "session")))
    found = []
    for (_,), part in levels.with_columns(pl.Series("set", number)).group_by(["set"], maintain_order=True):
        names = part["tasted"].unique(maintain_order=True).to_list()
        days = part.group_by("session", maintain_order=True).agg(pl.col("tasted_on").min())
        evenings = [
            str(sessions[each] or "without a name")
            for each in days.sort("tasted_on", nulls_last=True, maintain_order=True)["session"]
        ]
        tasting = Tasting(season, _set_name(evenings), [tasted[each] for each in names], people)
        scored = part.filter(pl.col("attribute").is_not_null())
        for (attribute,), own in scored.group_by(["attribute"], maintain_order=True):
            _add_attribute(tasting, str(attribute), own, names)
        found.append(tasting)
    _tell_apart(found)
    return found


def _tell_apart(tastings: list[Tasting]) -> None:
    """Number the sets of one evening whose tasters had no sample in common."""
    names = [each.name for each in tastings]
    for place, each in enumerate(tastings):
        if names.count(names[place]) > 1:
            each.name = f"{each.name} (part {names[: place + 1].count(names[place])})"


def _set_name(evenings: list[str]) -> str:
    shown = " + ".join(evenings[:3])
    return shown if len(evenings) <= 3 else f"{shown} + {len(evenings) - 3} more"


def _add_attribute(tasting: Tasting, attribute: str, rows: pl.DataFrame, names: list[int]) -> None:
    seen = rows["tasted"].unique(maintain_order=True).to_list()
    scores = Scores(
        value=rows["score"].to_numpy(),
        assessor=rows["assessor"].to_numpy(),
        sample=np.array([seen.index(each) for each in rows["tasted"].to_list()], dtype=np.int64),
        session=rows["session"].to_numpy(),
        order=rows["serving_order"].to_numpy(),
    )
    tasting.scores[attribute] = scores
    tasting.seen[attribute] = [names.index(each) for each in seen]
    if len(np.unique(linked_sets(scores.assessor, scores.sample, scores.session))) > 1:
        tasting.reasons[attribute] = "its samples were scored for this by different people"
        return
    try:
        tasting.fits[attribute] = fit_scores(scores)
    except ValueError as error:
        tasting.reasons[attribute] = str(error)


def _fit_scaled(tastings: list[Tasting], attribute: str, scaling: Scaling) -> None:
    slopes = scaling.by_level()
    for tasting in tastings:
        if attribute in tasting.fits:
            start = tasting.fits[attribute].fit.theta
            tasting.scaled[attribute] = fit_scores(tasting.scores[attribute], slopes, scaling.unit_u, start)


def cell_means(scores: Scores) -> Array:
    """Mean score by assessor (rows, those who scored) and sample (columns); NaN where none was given."""
    people = np.unique(scores.assessor)
    table = np.full((len(people), scores.samples), np.nan)
    for place, one in enumerate(people):
        own = scores.assessor == one
        for sample in np.unique(scores.sample[own]):
            table[place, sample] = scores.value[own & (scores.sample == sample)].mean()
    return table


def complete_samples(table: Array) -> Array:
    """The samples that every assessor scored, as (samples, assessors): what ranks and ICC are taken from."""
    return table[:, np.isfinite(table).all(axis=0)].T
