"""Woods, sizes and places of casks compared, each beside what its size alone leads to."""

from __future__ import annotations

import polars as pl

from pipeline.charts import PAGE, page_spec
from pipeline.charts.casks import cask_comparison
from pipeline.report.blocks import Block, Figure, Heading3, Paragraphs, folded, table_of
from pipeline.report.text import NOT_MEASURED, number

_KINDS = {"wood": "Woods", "size": "Sizes", "place": "Places"}
_LIKELY_LUCK = 0.05
_COLUMNS = [
    "group_kind",
    "group_name",
    "casks",
    "loss_frac_per_year_mean",
    "loss_frac_per_year_low",
    "loss_frac_per_year_high",
    "predicted_loss_frac_per_year",
    "loss_over_predicted",
    "loss_over_predicted_low",
    "loss_over_predicted_high",
    "loss_p_value",
    "loss_over_predicted_p_value",
]
READING = (
    "1 is the loss that a cask's size alone leads to, by its surface for each litre, from what a 200 L cask "
    "loses in a year (season.toml). Bars are 95 % intervals, over all casks of the logs but leaking ones. "
    "Each comparison is made by itself: where one wood has sizes or places of its own, it cannot say which "
    "of them it is."
)


def comparison(groups: pl.DataFrame) -> list[Block]:
    """Sentences, a picture and a table; nothing where there is nothing to compare."""
    compared = groups.filter(pl.col("loss_over_predicted").is_not_null() & (pl.len().over("group_kind") > 1))
    if compared.is_empty():
        return []
    sentences = [
        sentence
        for kind, title in _KINDS.items()
        for sentence in _said(title, compared.filter(pl.col("group_kind") == kind).to_dicts())
    ]
    rows = compared.with_columns(
        group_label=pl.format("{}: {}", "group_kind", "group_name"),
        group_text=pl.Series([_times(row) for row in compared.to_dicts()], dtype=pl.String),
    )
    said = "; ".join(
        f"{label} {text}" for label, text in rows.select("group_label", "group_text").iter_rows()
    )
    return [
        Heading3("Woods, sizes and places compared"),
        Paragraphs(sentences),
        Figure(
            "cask-comparison",
            "Loss of alcohol a year, as times what the cask's size leads to",
            f"How many times what its size leads to each kind of cask loses: {said}.",
            page_spec(cask_comparison(rows, PAGE)),
            READING,
        ),
        folded(table_of(groups, _COLUMNS, "Casks by wood, size and place", leave_off_blank=True)),
    ]


def _said(title: str, levels: list[dict[str, object]]) -> list[str]:
    """Whether the casks can tell one kind's levels apart, and if so which loses least and most."""
    if not levels:
        return []
    chance = levels[0]["loss_over_predicted_p_value"]
    if not isinstance(chance, float) or chance >= _LIKELY_LUCK:
        return [
            f"{title}: the casks cannot tell them apart; differences like these come by luck "
            f"{_percent(chance)} % of the time."
        ]
    ordered = sorted(levels, key=lambda row: (row["loss_over_predicted"], row["group_name"]))
    least, most = ordered[0], ordered[-1]
    how = "more or less than surface for each litre explains" if title == "Sizes" else "even at one size"
    return [
        f"{title}: they differ, {how} (luck alone would do so {_percent(chance)} % of the time). "
        f"Least loses {least['group_name']}, {_times(least)}; most {most['group_name']}, {_times(most)}."
    ]


def _percent(chance: object) -> str:
    if not isinstance(chance, float):
        return NOT_MEASURED
    return "less than 0.1" if chance < 1e-3 else number(100.0 * chance, 1 if chance < 0.1 else 0)


def _times(row: dict[str, object]) -> str:
    """`1.2 times (0.8 to 1.5)`: how many times what the size leads to, with its 95 % interval.

    >>> name = "loss_over_predicted"
    >>> _times({name: 1.17, f"{name}_low": 0.84, f"{name}_high": 1.5})
    '1.2 times (0.8 to 1.5)'
    """
    names = ("loss_over_predicted", "loss_over_predicted_low", "loss_over_predicted_high")
    mean, low, high = (number(float(str(row[name])), 1) for name in names)
    return f"{mean} times ({low} to {high})"
