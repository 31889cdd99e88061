"""Tables and folds: what a cell without a value says, and what of a page is printed."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.report.blocks import (
    MOST_ROWS_ON_PAPER,
    MOST_SENTENCES_ON_PAPER,
    Figures,
    Folded,
    Paragraphs,
    Terms,
    folded,
    table_of,
)


def texts(frame: pl.DataFrame) -> list[list[str]]:
    return [[cell.text for cell in row] for row in table_of(frame, frame.columns, "A table").rows]


def test_words_that_are_not_there_are_blank_or_not_logged_never_not_measured():
    frame = pl.DataFrame(
        {"goes_with": [None, "yeast"], "toast": [None, "light"], "word_family": ["fruit", None]},
        schema=dict.fromkeys(("goes_with", "toast", "word_family"), pl.String),
    )
    assert texts(frame) == [["", "not logged", "fruit"], ["yeast", "light", ""]]


def test_a_number_that_does_not_exist_says_why():
    frame = pl.DataFrame(
        {"p_held": [None], "needed_correct": [None], "panel_mean": [None], "wash_lpa": [None]},
        schema={
            "p_held": pl.Float64,
            "needed_correct": pl.Int64,
            "panel_mean": pl.Float64,
            "wash_lpa": pl.Float64,
        },
    )
    table = table_of(frame, frame.columns, "A table")
    assert [cell.text for cell in table.rows[0]] == [
        "not tested",
        "too few trials",
        "not adjusted",
        "not measured",
    ]
    assert all(cell.missing for cell in table.rows[0])


@pytest.mark.parametrize(("rows", "printed"), [(MOST_ROWS_ON_PAPER, True), (MOST_ROWS_ON_PAPER + 1, False)])
def test_short_tables_are_printed_and_long_ones_named(rows, printed):
    assert (
        folded(table_of(pl.DataFrame({"batches": range(rows)}), ["batches"], "A table")).on_paper is printed
    )


def test_few_sentences_are_printed_and_many_are_not_nor_charts_and_lists_of_terms():
    assert Folded("Some", Paragraphs(["A sentence."] * MOST_SENTENCES_ON_PAPER)).on_paper
    assert not Folded("Many", Paragraphs(["A sentence."] * (MOST_SENTENCES_ON_PAPER + 1))).on_paper
    assert not Folded("Charts", Figures([])).on_paper
    assert not Folded("Terms", Terms([])).on_paper
