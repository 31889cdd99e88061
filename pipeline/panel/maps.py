"""Rows of the tables that place samples: words said of them, the maps of scores and of words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.multiplicity import benjamini_hochberg
from pipeline.panel.flavour_map import LEAST_SAMPLES, map_flavours
from pipeline.panel.lexicon import Lexicon
from pipeline.panel.mixed import Array
from pipeline.panel.tables import F64, I64, TEXT, Row, Tasted
from pipeline.panel.tastings import OVERALL, SeasonPanel, Tasting
from pipeline.panel.words import LEAST_TICKS, cochran_q, correspondence, words_p_value

DESCRIPTOR = {
    "season": TEXT,
    "tasting": TEXT,
    "word": TEXT,
    "word_family": TEXT,
    "tasted": TEXT,
    "label": TEXT,
    "batch": TEXT,
    "cask": TEXT,
    "said": I64,
    "assessors": I64,
    "said_in_all": I64,
    "cochran_q": F64,
    "q_df": I64,
    "p_word": F64,
    "p_held": F64,
}
FLAVOUR_MAP = {
    "season": TEXT,
    "tasting": TEXT,
    "map": TEXT,
    "kind": TEXT,
    "name": TEXT,
    "label": TEXT,
    "batch": TEXT,
    "cask": TEXT,
    "yeast": TEXT,
    "main_grain": TEXT,
    "wood": TEXT,
    "cask_years": F64,
    "map_x": F64,
    "map_y": F64,
    "ellipse_major": F64,
    "ellipse_minor": F64,
    "ellipse_turned_deg": F64,
    "axis_1_frac": F64,
    "axis_2_frac": F64,
    "samples": I64,
    "assessors": I64,
    "p_map": F64,
}
_KNOWN = ("label", "batch", "cask", "yeast", "main_grain", "wood", "cask_years")
_PERMUTATIONS = 999


def score_map_rows(panel: SeasonPanel, tasted: Tasted) -> list[Row]:
    """The map of each set's adjusted means, where it has samples and attributes enough."""
    rows: list[Row] = []
    for tasting in panel.tastings:
        rows += _score_map(tasting, tasted)
    return rows


def _score_map(tasting: Tasting, tasted: Tasted) -> list[Row]:
    attributes = [
        name for name in tasting.attributes() if name != OVERALL and tasting.best_fit(name) is not None
    ]
    # Only samples that have a mean for every attribute can be placed.
    shared = set(range(len(tasting.tasted))).intersection(*(tasting.seen[name] for name in attributes))
    places = sorted(shared) if attributes else []
    if len(places) < LEAST_SAMPLES or len(attributes) < 2:
        return []
    means = np.empty((len(places), len(attributes)))
    table = np.full((len(tasting.assessors), len(places), len(attributes)), np.nan)
    for column, name in enumerate(attributes):
        fitted, scores = tasting.best_fit(name), tasting.scores[name]
        level = {place: sample for sample, place in enumerate(tasting.seen[name])}
        for row, place in enumerate(places):
            means[row, column] = fitted.mean(level[place]).value if fitted is not None else np.nan
            own = scores.sample == level[place]
            for one in np.unique(scores.assessor[own]):
                table[one, row, column] = scores.value[own & (scores.assessor == one)].mean()
    # Somebody who left an attribute or most glasses out has no place of his own in the drawing.
    present = np.isfinite(table).all(axis=1).any(axis=1) & (np.isfinite(table).mean(axis=(1, 2)) > 0.5)
    present &= np.isfinite(table).any(axis=1).all(axis=1)
    table = table[present]
    if len(table) and not np.isfinite(table).any(axis=0).all():
        table = table[:0]
    try:
        found = map_flavours(means, table)
    except ValueError:
        return []
    common = {
        "season": tasting.season,
        "tasting": tasting.name,
        "map": "scores",
        "axis_1_frac": float(found.axis_frac[0]),
        "axis_2_frac": float(found.axis_frac[1]),
        "samples": len(places),
        "assessors": len(table),
        "p_map": None,
    }
    rows = []
    for row, place in enumerate(places):
        name = tasting.tasted[place]
        ellipse = found.ellipses[row] if found.ellipses else None
        rows.append(
            _map_row(common, "sample", name, found.samples[row], tasted)
            | {
                "ellipse_major": ellipse.major if ellipse else None,
                "ellipse_minor": ellipse.minor if ellipse else None,
                "ellipse_turned_deg": ellipse.turned_deg if ellipse else None,
            }
        )
    rows += [
        _map_row(common, "attribute", name, found.attributes[column], {})
        for column, name in enumerate(attributes)
    ]
    return rows


def _map_row(common: Row, kind: str, name: str, place: Array, tasted: Tasted) -> Row:
    known = {key: tasted[name][key] for key in _KNOWN} if name in tasted else dict.fromkeys(_KNOWN)
    row: Row = dict.fromkeys(FLAVOUR_MAP)
    own = {"kind": kind, "name": name, "label": known["label"] or name}
    return row | common | known | own | {"map_x": float(place[0]), "map_y": float(place[1])}


def word_rows(
    panel: SeasonPanel, words: pl.DataFrame, lexicon: Lexicon, tasted: Tasted
) -> tuple[list[Row], list[Row]]:
    """Rows of words said of each sample, with Cochran's test; rows of the map of words.

    words : fit.tasted_word of this season: tasted, assessor, pour_id, word ('' where none was written)
    """
    said_rows: list[Row] = []
    map_rows: list[Row] = []
    tidy = {word: lexicon.word(word) for word in words["word"].unique().to_list()}
    words = words.with_columns(pl.col("word").replace_strict(tidy, return_dtype=pl.String))
    for tasting in panel.tastings:
        own = words.filter(pl.col("tasted").is_in(tasting.tasted))
        if own.filter(pl.col("word") != "").is_empty():
            continue
        ticks = _Ticks(own, tasting.tasted)
        said_rows += _said_rows(tasting, ticks, lexicon, tasted)
        map_rows += _word_map(tasting, ticks, tasted)
    return said_rows, map_rows


class _Ticks:
    """Who said which word of which sample: `said` (assessors, samples, words), `was_there` (assessors,
    samples)."""

    def __init__(self, rows: pl.DataFrame, samples: Sequence[str]) -> None:
        self.samples = list(samples)
        self.people = sorted(rows["assessor"].unique().to_list())
        self.words = sorted(word for word in rows["word"].unique().to_list() if word)
        self.said = np.zeros((len(self.people), len(self.samples), len(self.words)))
        self.was_there = np.zeros((len(self.people), len(self.samples)), dtype=bool)
        people = {name: place for place, name in enumerate(self.people)}
        places = {name: place for place, name in enumerate(self.samples)}
        columns = {name: place for place, name in enumerate(self.words)}
        for assessor, sample, word in rows.select("assessor", "tasted", "word").iter_rows():
            self.was_there[people[assessor], places[sample]] = True
            if word:
                self.said[people[assessor], places[sample], columns[word]] = 1.0

    def complete(self) -> Array:
        """The ticks of those who tasted every sample: who missed some cannot be his own control."""
        return self.said[self.was_there.all(axis=1)]


def _said_rows(tasting: Tasting, ticks: _Ticks, lexicon: Lexicon, tasted: Tasted) -> list[Row]:
    complete = ticks.complete()
    totals = ticks.said.sum(axis=(0, 1)).astype(int)
    tests = [
        cochran_q(complete[:, :, column], _PERMUTATIONS) if totals[column] >= LEAST_TICKS else None
        for column in range(len(ticks.words))
    ]
    held = benjamini_hochberg([np.nan if test is None else test.p_value for test in tests])
    rows = []
    for column, word in enumerate(ticks.words):
        test = tests[column]
        for place, name in enumerate(ticks.samples):
            rows.append(
                {
                    "season": tasting.season,
                    "tasting": tasting.name,
                    "word": word,
                    "word_family": lexicon.family(word) or None,
                    "tasted": name,
                    **{key: tasted[name][key] for key in ("label", "batch", "cask")},
                    "said": int(ticks.said[:, place, column].sum()),
                    "assessors": int(ticks.was_there[:, place].sum()),
                    "said_in_all": int(totals[column]),
                    "cochran_q": None if test is None else test.q,
                    "q_df": None if test is None else test.df,
                    "p_word": None if test is None else test.p_value,
                    "p_held": float(held[column]),
                }
            )
    return rows


def _word_map(tasting: Tasting, ticks: _Ticks, tasted: Tasted) -> list[Row]:
    counts = ticks.said.sum(axis=0)
    often = np.flatnonzero(counts.sum(axis=0) >= LEAST_TICKS)
    placed = np.flatnonzero(counts[:, often].sum(axis=1) > 0.0) if len(often) else often
    if len(often) < 3 or len(placed) < LEAST_SAMPLES:
        return []
    found = correspondence(counts[np.ix_(placed, often)])
    if found is None or len(found.correlations) < 2:
        return []
    complete = ticks.complete()[:, placed][:, :, often]
    share = found.correlations**2 / found.inertia if found.inertia > 0.0 else found.correlations
    common = {
        "season": tasting.season,
        "tasting": tasting.name,
        "map": "words",
        "axis_1_frac": float(share[0]),
        "axis_2_frac": float(share[1]),
        "samples": len(placed),
        "assessors": len(ticks.people),
        "p_map": words_p_value(complete) if len(complete) > 1 else None,
    }
    rows = [
        _map_row(common, "sample", ticks.samples[place], found.rows[row], tasted)
        for row, place in enumerate(placed.tolist())
    ]
    rows += [
        _map_row(common, "word", ticks.words[place], found.columns[column], {})
        for column, place in enumerate(often.tolist())
    ]
    return rows
