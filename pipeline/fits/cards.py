"""The batches worth running next as lines to print."""

from __future__ import annotations

import polars as pl

from pipeline.fits.responses import SCORE, response_of
from pipeline.fits.wording import why_words

NOTHING = (
    "Nothing to propose: the logs hold too few measured batches of differing grain, "
    "or [next] in season.toml allows none."
)


def next_cards(batches: pl.DataFrame, aim: str) -> list[str]:
    """Lines for `stillseason next` from `fit.next_batch`; `aim` is yield, score or both."""
    is_score = pl.col("response").str.starts_with(SCORE)
    if aim != "both":
        batches = batches.filter(is_score if aim == "score" else ~is_score)
    if batches.is_empty():
        return [NOTHING]
    lines = []
    for name in batches["response"].unique(maintain_order=True).sort(descending=True):
        lines.append(f"For {response_of(name).words}:")
        for why, sentence in batches.filter(pl.col("response") == name).select("why", "sentence").iter_rows():
            lines.append(f"- {why_words(why)}. {sentence}")
    return lines
