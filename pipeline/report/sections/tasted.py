"""Every sample tasted, with an anchor of its own: what it was, how it scored, what was said of it."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.report.blocks import Entries
from pipeline.report.data import SeasonData
from pipeline.report.text import counted, listed, number, unique_slugs

MOST_WORDS = 6


def sample_anchors(data: SeasonData) -> dict[str, str]:
    """The place on the page of each spirit tasted."""
    slugs = unique_slugs(data.flavour.tasted["tasted"].unique(maintain_order=True).to_list())
    return {tasted: f"sample-{slug}" for tasted, slug in slugs.items()}


def sample_entries(data: SeasonData) -> Entries:
    """One entry a spirit tasted, in the order of tasting."""
    own = data.flavour
    anchors = sample_anchors(data)
    entries = []
    for (tasted,), poured in own.tasted.group_by(["tasted"], maintain_order=True):
        first = poured.row(0, named=True)
        means = own.means.filter(pl.col("tasted") == tasted)
        words = own.words.filter((pl.col("tasted") == tasted) & (pl.col("said") > 0))
        known = [_what_it_was(first, poured["session"].to_list())]
        known += [
            _scores(str(each), rows) for (each,), rows in means.group_by("tasting", maintain_order=True)
        ]
        if words.height:
            known.append(_words(words))
        entries.append((anchors[str(tasted)], str(first["label"]), known))
    return Entries(entries)


def _what_it_was(row: dict[str, Any], sessions: list[str]) -> str:
    """Its spirit, wood and age; grain and yeast are its main batch's, and in a mixture stand by its name."""
    of_batch = ", ".join(each for each in (row["main_grain"], row["yeast"]) if each)
    parts = [of_batch, row["wood"]]
    if row["cask_years"] is not None:
        parts.append(f"{number(row['cask_years'], 1)} years in cask")
    main = f"batch {row['main_batch']}"
    if (row["main_batch_frac"] or 0.0) < 1.0:
        made_of = f"{main} ({of_batch})" if of_batch else main
        parts[0] = f"alcohol {row['spirit_of'].replace(main, made_of, 1)}" if row["spirit_of"] else None
    elif row["main_batch"] != row["batch"]:
        parts.insert(0, f"spirit of {main}")
    said = ", ".join(str(part) for part in parts if part) or "what it was made from is not known"
    return f"{said[:1].upper()}{said[1:]}. Tasted in {listed(list(dict.fromkeys(sessions)))}."


def _scores(tasting: str, rows: pl.DataFrame) -> str:
    return f"Scores in {tasting}: {'; '.join(_score(row) for row in rows.iter_rows(named=True))}."


def _score(row: dict[str, Any]) -> str:
    if row["panel_mean"] is None:
        return f"{row['attribute']} {number(row['score_raw_mean'], 1)} (plain mean, no interval)"
    low, high = number(row["panel_mean_low"], 1), number(row["panel_mean_high"], 1)
    apart = f", told apart from {row['told_apart_from']}" if row["told_apart_from"] else ""
    return f"{row['attribute']} {number(row['panel_mean'], 1)} ({low} to {high}{apart})"


def _words(words: pl.DataFrame) -> str:
    most = words.sort(["said", "word"], descending=[True, False]).head(MOST_WORDS)
    said = [
        f"{word} ({count} of {people})"
        for word, count, people in most.select("word", "said", "assessors").rows()
    ]
    return f"Words: {', '.join(said)}; {counted(words.height, 'word')} in all."
