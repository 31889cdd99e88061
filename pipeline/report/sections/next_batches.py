"""What to run next: two batches that promise most and two that teach most, for yield and for score."""

from __future__ import annotations

import polars as pl

from pipeline.fits.responses import response_of
from pipeline.fits.wording import plain, why_words
from pipeline.report.blocks import Block, Heading3, Paragraphs, Points, Section, folded, table_of
from pipeline.report.data import SeasonData

TITLE = "What to run next"
_CAUTION = (
    "A try is an experiment, not a promise: keep everything else as usual, change one thing at a time, and "
    "log it. A bill with raw grain needs its cook and enough malt, or it will not convert. The licence and "
    "local law come first. Under [next] in season.toml you set which yeasts, shares and stocks may be used."
)


def what_to_run_next(data: SeasonData) -> Section:
    """Cards of batches worth running, with what each would teach."""
    if data.next_batches.is_empty():
        return Section(
            "next", TITLE, ["There are too few measured batches of differing grain to propose one."]
        )
    blocks: list[Block] = []
    names = data.next_batches["response"].unique(maintain_order=True).sort(descending=True).to_list()
    for name in names:
        own = data.next_batches.filter(pl.col("response") == name)
        blocks.append(Heading3(f"For {response_of(name).words}"))
        blocks.append(
            Points([f"{why_words(why)}. {text}" for why, text in own.select("why", "sentence").iter_rows()])
        )
    columns = [
        "why",
        "composition",
        "yeast",
        "predicted",
        "predicted_low",
        "predicted_high",
        "chance_better_frac",
        "learns_contrast",
        "cost",
    ]
    blocks += [Paragraphs([_CAUTION]), folded(table_of(data.next_batches, columns, "Batches worth running"))]
    answer = [_first_try(data, name) for name in names]
    return Section("next", TITLE, answer, blocks, " ".join(answer))


def _first_try(data: SeasonData, name: str) -> str:
    """The batch that promises most of one response, in a sentence."""
    row = data.next_batches.filter(pl.col("response") == name).row(0, named=True)
    response = response_of(name)
    low, high = plain(response, row["predicted_low"]), plain(response, row["predicted_high"])
    told = data.fit_quality.filter(
        (pl.col("unit_kind") == "batch") & (pl.col("response") == name) & (pl.col("foretold_frac") > 0)
    )
    caution = "" if told.height else "; little more than a guess so far"
    return (
        f"A useful next try for {response.words}: {row['composition']} with {row['yeast']}, "
        f"{plain(response, row['predicted'])} {response.unit} expected (95 %: {low} to {high}){caution}."
    )
