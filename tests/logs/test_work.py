"""Logs made to keep the reader busy: how much is looked at is counted, so that no machine is too slow."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline.logs import LogFrames, aside
from pipeline.logs.header import MOST_COLUMNS, HeaderError, read_header
from pipeline.logs.records import LONGEST_RECORD_LINES, cut_one_by_one
from pipeline.logs.values import parse_words, plain_word

sys.path.insert(0, str(Path(__file__).parent))
from used_rows import used_rows

Read = Callable[..., LogFrames]


class _Lines(list[str]):
    """Lines of a text that count how often one of them is asked for."""

    asked = 0

    def __getitem__(self, place):  # type-checked by its use: an index or a slice, as of any list
        found = super().__getitem__(place)
        self.asked += len(found) if isinstance(place, slice) else 1
        return found


@pytest.mark.parametrize("cells", [",", "1,", 'x",'], ids=["empty", "filled", "with quotes"])
def test_a_record_of_a_hundred_thousand_cells_costs_no_more_than_a_row(
    read: Read, monkeypatch: pytest.MonkeyPatch, cells: str
) -> None:
    asked = 0

    def counted(text: str) -> str:
        nonlocal asked
        asked += 1
        return plain_word(text)

    monkeypatch.setattr(aside, "plain_word", counted)
    frames = read(f"batch,step,item\nB1,yeast,ale\n,,x,{cells * 100_000}1\n")
    assert (frames.rows_in, frames.rows_set_aside) == (2, 1)
    (message,) = frames.problems["message"]
    assert "line 3 has 100,004 cells where the header has 3" in message or "double quote" in message
    assert len(message) < 1000, "the message shows the start of the record only"
    assert asked < 100, "the words of the steps and cuts, and twice a row's cells"


@pytest.mark.parametrize("line", ['B1,yeast,ale,a 5" pipe', 'B1,yeast,ale,"a ""5"" pipe"', 'B1,"yeast'])
def test_rows_with_a_quote_in_each_are_looked_at_once(line: str) -> None:
    lines = _Lines([line] * 3000)
    records, taken = cut_one_by_one(lines, 2, ",", 4, len(lines))
    assert taken == 3000
    assert len(records.rows) + len(records.bad) == 3000
    # Once for its cells, once for its text, once more to see whether a quote closes below.
    assert lines.asked <= 4 * 3000


def test_a_quote_that_never_closes_is_looked_for_so_far_and_no_farther() -> None:
    lines = _Lines(['B1,yeast,"ale', *["B1,yeast,ale"] * 3000])
    records, _ = cut_one_by_one(lines, 2, ",", 3, len(lines))
    assert [each.line for each in records.bad] == [2]
    assert len(records.rows) == 3000
    assert lines.asked <= LONGEST_RECORD_LINES + 4 * 3001


def test_a_header_of_a_hundred_thousand_columns_is_one_problem(read: Read) -> None:
    header = "batch,step,item," + ",".join(f"x{number}" for number in range(100_000))
    frames = read(f"{header}\nB1,yeast,ale\n")
    assert frames.problems.select("kind", "line").rows() == [("too_many_columns", 1)]
    assert (frames.rows_in, frames.rows_set_aside) == (1, 1)
    with pytest.raises(HeaderError):
        read_header(header)


def test_empty_columns_that_a_spreadsheet_saves_are_not_counted(read: Read) -> None:
    blank = "," * 16_384
    frames = read(f"batch,step,item{blank}\nB1,yeast,ale{blank}\n")
    assert frames.problems.is_empty()
    assert used_rows(frames)["item"].to_list() == ["ale"]


def test_the_widest_log_is_still_read(read: Read) -> None:
    extras = [f"x{number}" for number in range(MOST_COLUMNS - 3)]
    frames = read(f"batch,step,item,{','.join(extras)}\nB1,yeast,ale,{','.join('7' for _ in extras)}\n")
    assert set(frames.problems["kind"]) == {"unknown_column"}
    assert frames.rows_set_aside == 0


@pytest.mark.parametrize(
    "text", ["Top Up", " low__Wines ", "duo-trio", "\u00a0hearts\u2003", "ÄPFEL-Wein", ""]
)
def test_a_word_is_made_plain_alike_alone_and_in_a_column(text: str) -> None:
    value, failed = parse_words(pl.Series([text]), {plain_word(text): "known"}, pl.String)
    assert value.to_list() == ["known"]
    assert failed.size == 0
