"""Cells and names made to do harm: text stays text in the database, on the terminal and in exports."""

from __future__ import annotations

import io
import json
import re
import zipfile
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.export import frame_as_bytes, frame_as_csv, frame_as_json, frame_as_text, lines_shown
from pipeline.logs import load_raw, read_logs
from pipeline.problems import problems_as_csv, problems_as_json, problems_as_text
from pipeline.settings import Settings

CELLS = [
    '=cmd|"/c calc"!A1',
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "</script><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "'; drop table raw.file; --",
    "\x1b]0;title\x07\x1b[2J",
    "\x9b31mred",
    "../../outside.csv",
    "/outside.csv",
    "read_csv('outside.csv')",
    "\u202egnp.exe",
    "\u2066hidden\u2069\u200b",
    "long " * 20_000,
]
UNSEEN = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200b\u202a-\u202e\u2066-\u2069]")


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """Logs with every hostile cell in names, notes and numbers, one in a file of a hostile name."""
    logs = tmp_path / "logs"
    logs.mkdir()
    quoted = ['"' + cell.replace('"', '""') + '"' for cell in CELLS]
    rows = [f"{cell},yeast,{cell},{cell},{cell}" for cell in quoted]
    text = "\n".join(["batch,step,item,mass,note", *rows]) + "\n"
    (logs / "\x1b[31m<b>'; drop--\u202e.csv").write_text(text, encoding="utf-8")
    return logs


def test_hostile_cells_are_kept_as_they_are(hostile: Path) -> None:
    frames = read_logs(hostile, Settings())
    assert frames.rows_in == len(CELLS)
    assert frames.cells["batch_log"]["item"].to_list() == CELLS
    assert frames.values["batch_value"]["mass_kg"].null_count() == len(CELLS), "none of them is a number"
    with duckdb.connect(":memory:") as connection:
        load_raw(connection, frames)
        kept = connection.sql("select item from raw.batch_log order by line").fetchall()
    assert [row[0] for row in kept] == CELLS


@pytest.mark.parametrize("shown", [problems_as_text, problems_as_csv, problems_as_json])
def test_problems_send_nothing_unseen_and_run_nothing(hostile: Path, shown) -> None:
    frames = read_logs(hostile, Settings())
    text = shown(frames.problems).replace("\r\n", "\n")
    assert UNSEEN.search(text) is None
    assert frames.problems["message"].str.len_chars().max() < 2000, "a long cell is cut"
    if shown is problems_as_csv:
        cells = pl.read_csv(io.StringIO(text), infer_schema=False)
        found = cells.select(pl.all().str.contains(r"^[=+@\t-]").any()).row(0)
        assert not any(found)


def test_exports_neutralise_formulas_and_say_how_many() -> None:
    frame = pl.DataFrame({"note": CELLS})
    text, neutralised = frame_as_csv(frame)
    assert neutralised == 4
    back = pl.read_csv(io.StringIO(text))["note"].to_list()
    assert back == [f"'{cell}" if cell[0] in "=+-@" else cell for cell in CELLS]
    assert UNSEEN.search(lines_shown(text)) is None
    assert UNSEEN.search(frame_as_text(frame)) is None
    as_json = frame_as_json(frame)
    assert UNSEEN.search(as_json) is None
    assert [row["note"] for row in json.loads(as_json)] == CELLS


def test_a_spreadsheet_export_holds_no_formula_and_no_link() -> None:
    book = frame_as_bytes(pl.DataFrame({"note": CELLS[:14]}), "xlsx")
    with zipfile.ZipFile(io.BytesIO(book)) as parts:
        sheet = parts.read("xl/worksheets/sheet1.xml").decode()
        assert "<f>" not in sheet
        assert not any("hyperlink" in name or "externalLink" in name for name in parts.namelist())


@pytest.mark.parametrize("codes", [["=1+1", "417"], []])
def test_a_list_of_texts_is_one_text_of_an_export_and_no_formula(codes: list[str]) -> None:
    frame = pl.DataFrame({"codes": [codes]}, schema={"codes": pl.List(pl.String)})
    text, neutralised = frame_as_csv(frame)
    assert (text, neutralised) == (("codes\n'=1+1; 417\n", 1) if codes else ('codes\n""\n', 0))
    with zipfile.ZipFile(io.BytesIO(frame_as_bytes(frame, "xlsx"))) as parts:
        assert "<f>" not in parts.read("xl/worksheets/sheet1.xml").decode()


def test_an_ingredient_named_by_signs_alone_is_offered_to_nobody(tmp_path: Path) -> None:
    (tmp_path / "ingredients.csv").write_text("ingredient,kind,extract\n--,grain,80\n\\,grain,80\n")
    (tmp_path / "batch.csv").write_text("batch,step,item,mass\nB1,grain,plae malt,40\n")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems.filter(pl.col("kind") == "unknown_ingredient")["message"].str.contains(
        "is it pale malt"
    ).to_list() == [True]


def test_no_link_leads_out_of_the_folder(tmp_path: Path) -> None:
    logs, outside = tmp_path / "logs", tmp_path / "outside"
    (logs / "deep").mkdir(parents=True)
    outside.mkdir()
    (outside / "secret.csv").write_text("batch,step,item\nSECRET,yeast,ale\n")
    (logs / "deep" / "file.csv").symlink_to(outside / "secret.csv")
    (logs / "deep" / "folder").symlink_to(outside, target_is_directory=True)
    (logs / "deep" / "loop").symlink_to(logs, target_is_directory=True)
    (logs / "book.xlsx").symlink_to(outside / "secret.csv")
    frames = read_logs(logs, Settings())
    assert frames.files.is_empty()
    assert set(frames.problems["kind"]) == {"link_not_followed"}
    assert len(frames.problems) == 4
    assert "SECRET" not in problems_as_text(frames.problems)
