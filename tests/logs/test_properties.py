"""What must hold whatever stands in a log: no crash, no row lost, no file changed."""

from __future__ import annotations

import csv
import hashlib
import io
import tempfile
from pathlib import Path

import polars as pl
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from pipeline.logs import LogFrames, read_logs
from pipeline.logs.fields import KINDS_OF_FILE
from pipeline.problems import KINDS, problems_as_csv, problems_as_json, problems_as_text
from pipeline.settings import Settings

HEADERS = [",".join(kind.fields) for kind in KINDS_OF_FILE.values()]

CELL = st.one_of(
    st.sampled_from(
        [
            *("", " ", "0", "5", "1,5", "1.5", "5 gal", "62 %", "1.062", "15.2 P", "-3", "1e400", "nan"),
            *("B1", "K1", "s1", "Ana", "grain", "wort", "collect", "hearts", "fill", "gauge", "rye malt"),
            *("2025-09-14", "14/09/2025", "yes", "triangle", "fruit", "#", '"', "=1+1", "a\nb", "\x00"),
        ]
    ),
    st.text(max_size=8),
)


def _read_bytes(content: bytes, date_order: str = "") -> LogFrames:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "log.csv")
        path.write_bytes(content)
        before = hashlib.sha256(content).hexdigest()
        frames = read_logs(Path(folder), Settings(date_order=date_order))
        assert hashlib.sha256(path.read_bytes()).hexdigest() == before, "a log was changed"
        assert [each.name for each in Path(folder).iterdir()] == ["log.csv"], "a file was left behind"
    return frames


def _check_account(frames: LogFrames) -> None:
    """Rows in are rows used plus rows set aside, each row set aside has its problem, and no used one has."""
    for file in frames.files.iter_rows(named=True):
        assert file["rows_in"] == file["rows_used"] + file["rows_set_aside"]
        assert 0 <= file["rows_used"] <= file["rows_in"]
        _check_rows(frames, file)
    # Whatever the text, it can be printed.
    for shown in (problems_as_text, problems_as_csv, problems_as_json):
        assert "\x1b" not in shown(frames.problems)


def _check_rows(frames: LogFrames, file: dict[str, object]) -> None:
    aside = {code for code, kind in KINDS.items() if kind.effect == "row set aside"}
    whole = {code for code, kind in KINDS.items() if kind.effect == "file set aside"}
    problems = frames.problems
    if problems["kind"].is_in(whole).any():
        assert file["rows_used"] == 0
        return
    bad_lines = set(problems.filter(pl.col("kind").is_in(aside))["line"])
    assert len(bad_lines) == file["rows_set_aside"]
    if file["kind"] is None:
        return
    cells = frames.cells[str(file["kind"])]
    assert len(cells) == file["rows_in"], "every row in is in the raw table"
    if file["kind"] == "tasting_sheet":
        return
    values = {
        "batch_log": "batch_value",
        "cask_log": "cask_value",
        "tasting_key": "tasting_key_value",
        "difference_test": "difference_value",
        "ingredient_list": "ingredient_value",
    }
    rows = frames.values[values[str(file["kind"])]]
    if "is_set_aside" in rows.columns:
        told = rows.filter("is_set_aside")
        assert set(told["line"]) <= bad_lines, "what is told of rows set aside is of those rows"
        assert told["line"].is_unique().all()
        assert (
            told.select(pl.col(pl.Float64).is_null().all()).row(0)
            == (True,) * told.select(pl.col(pl.Float64)).width
        )
        rows = rows.filter(~pl.col("is_set_aside"))
    used = rows["line"].to_list()
    assert set(used) == set(cells["line"]) - bad_lines
    assert len(used) == file["rows_used"]


@given(st.binary(max_size=400))
def test_any_bytes(content: bytes) -> None:
    _check_account(_read_bytes(content))


@given(st.text(max_size=400), st.sampled_from(["utf-8", "utf-16"]))
def test_any_text(content: str, encoding: str) -> None:
    _check_account(_read_bytes(content.encode(encoding, "replace")))


@given(st.sampled_from(HEADERS), st.text(alphabet='ab1,;"\n\r\t #.', max_size=120))
def test_any_text_below_a_good_header(header: str, body: str) -> None:
    _check_account(_read_bytes(f"{header}\n{body}".encode()))


@st.composite
def _tables(draw: st.DrawFn) -> tuple[str, list[list[str]]]:
    kind = draw(st.sampled_from(sorted(KINDS_OF_FILE)))
    header = list(KINDS_OF_FILE[kind].fields)
    rows = draw(st.lists(st.lists(CELL, min_size=len(header), max_size=len(header)), max_size=6))
    out = io.StringIO()
    writer = csv.writer(out, delimiter=draw(st.sampled_from(",;\t")), quoting=csv.QUOTE_ALL)
    writer.writerow(header)
    writer.writerows(rows)
    return out.getvalue(), rows


@hypothesis_settings(max_examples=200)
@given(_tables(), st.sampled_from(["", "dmy", "mdy"]))
def test_any_cells_in_a_table(table: tuple[str, list[list[str]]], date_order: str) -> None:
    text, rows = table
    frames = _read_bytes(text.encode("utf-8", "replace"), date_order)
    _check_account(frames)
    if "\x00" not in text and not set(frames.problems["kind"]) & {"mixed_decimals", "not_text"}:
        filled = [row for row in rows if any(cell.strip() for cell in row)]
        assert frames.rows_in == len(filled), "the rows that csv wrote and that hold anything"
