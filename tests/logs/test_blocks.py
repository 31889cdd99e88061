"""The quick way of cutting a text into rows gives what the careful way gives."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.logs import read_logs
from pipeline.logs.blocks import Buffer, plain_text
from pipeline.logs.header import read_header
from pipeline.logs.records import cut_records
from pipeline.settings import Settings

HEADER = "batch,step,item"


def _below(body: str, header: str = HEADER) -> tuple[str, int]:
    return f"{header}\n{body}", len(header) + 1


@pytest.mark.parametrize(
    "body",
    [
        "B1,yeast,ale\n",
        "B1,yeast,ale",
        'B1,yeast,"a, b"\n"B1","yeast","say ""so"""\n',
        'B1,yeast,""\n',
        ",,x\n",
        "a,b,c\n" * 1000,
    ],
)
def test_an_ordinary_text_takes_the_quick_way(body: str) -> None:
    text, below = _below(body)
    plain = plain_text(text, below, 2, read_header(HEADER))
    assert plain is not None
    assert plain.rows == len(body.removesuffix("\n").split("\n"))


@pytest.mark.parametrize(
    "body",
    [
        "",
        "\nB1,yeast,ale\n",
        "B1,yeast,ale\n\n",
        "# comment\nB1,yeast,ale\n",
        "B1,yeast,ale\n#B1,yeast,ale\n",
        "B1,yeast\n",
        "B1,yeast,ale,x\n",
        'B1,yeast,a 5" pipe\n',
        'B1,yeast,"two\nlines"\n',
        'B1,yeast,"open\n',
        'B1,yeast,"a"b"\n',
        "\ufeffB1,yeast,ale\n",
    ],
)
def test_anything_odd_is_cut_record_by_record(body: str) -> None:
    text, below = _below(body)
    assert plain_text(text, below, 2, read_header(HEADER)) is None


def test_a_row_too_short_does_not_hide_one_too_long(tmp_path: Path) -> None:
    good = "B1,yeast,ale\n" * 5000
    (tmp_path / "a.csv").write_text(f"{HEADER}\n{good}B1,yeast\n{good}B1,yeast,ale,4\n{good}")
    (tmp_path / "b.csv").write_text(f"{HEADER}\nB2,yeast,ale\n")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems.select("file", "line", "kind").rows() == [
        ("a.csv", 5002, "ragged_row"),
        ("a.csv", 10003, "ragged_row"),
    ]
    assert (frames.rows_in, frames.rows_set_aside) == (15_003, 2)
    values = frames.values["batch_value"]
    assert values["batch"].to_list()[-1] == "B2"
    assert values["line"].to_list()[-2] == 15_003


# What may stand in a cell of the quick way, the characters that other readers trip over among it.
CELL = st.text(alphabet='ab1 ,;"\t#.\u2028\x0b\x0c\x85\ufeffé', max_size=6)


@given(st.lists(st.tuples(CELL, CELL, CELL), min_size=1, max_size=8), st.sampled_from(",;\t"))
def test_both_ways_agree_on_what_csv_writes(rows: list[tuple[str, str, str]], delimiter: str) -> None:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="\n").writerows(rows)
    _check_both_ways(out.getvalue(), delimiter)


@given(st.text(alphabet='a,;"\n#', max_size=40), st.sampled_from(",;"))
def test_both_ways_agree_on_any_text(body: str, delimiter: str) -> None:
    _check_both_ways(body, delimiter)


def _check_both_ways(body: str, delimiter: str) -> None:
    header = HEADER.replace(",", delimiter)
    text, below = _below(body, header)
    known = read_header(header)
    plain = plain_text(text, below, 2, known)
    if plain is None:
        return
    careful = cut_records(plain.body.split("\n"), 2, delimiter, 3)
    quick, slow = (Buffer(known, lambda number, text: careful) for _ in range(2))
    quick.add_plain(1, plain)
    slow.add_records(1, careful)
    assert quick.as_block().frame.rows() == slow.as_block().frame.rows()
