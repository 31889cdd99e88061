"""Rows of totals below a log: told, left out, and nothing of the batch is lost by them."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from pipeline.logs import LogFrames

Read = Callable[..., LogFrames]

HEADER = "batch,when,step,run,item,cut,mass,volume,strength"
ROWS = "B1,2025-10-11,grain,,pale malt,,40,,\nB1,2025-10-11,grain,,rye malt,,10.5,,\n"


@pytest.mark.parametrize(
    "row", ["Total,,,,,,50.5,,", ",,SUM:,,,,50.5,1,2", ",,,,Summe,,7,,", ",,,,,,50.5,,312"]
)
def test_a_row_of_totals_is_told_and_leaves_no_mark_on_its_batch(read: Read, row: str) -> None:
    frames = read(f"{HEADER}\n{ROWS}{row}\n")
    assert frames.problems.select("kind", "line").rows() == [("totals_row", 4)]
    assert (frames.rows_in, frames.rows_set_aside) == (3, 1)
    assert frames.values["batch_value"].select("line", "is_set_aside").rows() == [(2, False), (3, False)]


@pytest.mark.parametrize(
    "row",
    [
        ",,,,,,,4,77",  # a jar whose writer was in a hurry: no sum, and no word that says so
        "B1,,,,,,50.5,,",
        ",2025-10-12,,,,,50.5,,",
        ",,,,total loss of rye,,50.5,,",
    ],
)
def test_a_row_that_may_be_something_done_still_leaves_its_batch_in_doubt(read: Read, row: str) -> None:
    frames = read(f"{HEADER}\n{ROWS}{row}\n")
    assert "totals_row" not in set(frames.problems["kind"])
    assert "missing_value" in set(frames.problems["kind"])
    assert frames.values["batch_value"].filter(line=4).select("is_set_aside").rows() == [(True,)]


def test_totals_stand_in_files_whose_name_is_the_batch(read: Read) -> None:
    frames = read("step,item,mass\ngrain,pale malt,40\n,,40\n", "B7.csv")
    assert frames.problems["kind"].to_list() == ["totals_row"]
    assert frames.values["batch_value"]["batch"].to_list() == ["B7"]


def test_a_sheet_of_scores_has_no_totals(read: Read) -> None:
    frames = read("session,assessor,sample,fruit\ns,Ana,417,6\n,,,6\n")
    assert set(frames.problems["kind"]) == {"missing_value"}
