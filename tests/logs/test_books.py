"""Spreadsheets as logs: the contract of plain text, sheet by sheet. Another library makes the books."""

from __future__ import annotations

import datetime as dt
import io
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
import xlsxwriter

from pipeline.logs import LogFrames, load_raw, read_logs
from pipeline.logs.books import Book
from pipeline.logs.keep import kept_from
from pipeline.settings import Settings

sys.path.insert(0, str(Path(__file__).parent))
from used_rows import used_rows

Read = Callable[..., LogFrames]

HEADER = ["batch", "when", "step", "run", "item", "cut", "volume", "gravity", "strength", "minutes", "note"]


def _book(fill: Callable[[Any, Any], None], *more: tuple[str, Callable[[Any, Any], None]]) -> bytes:
    """A book with a sheet `Log` that `fill` fills, and more sheets by name."""
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        for title, write in (("Log", fill), *more):
            write(book, book.add_worksheet(title))
    return out.getvalue()


def _rows(*rows: list[Any]) -> Callable[[Any, Any], None]:
    def fill(book: Any, sheet: Any) -> None:
        for number, row in enumerate(rows):
            for column, value in enumerate(row):
                if value is not None:
                    sheet.write(number, column, value)

    return fill


def _log(*rows: list[Any]) -> bytes:
    return _book(_rows(HEADER, *rows))


def _row(step: str, **cells: Any) -> list[Any]:
    return [{"batch": "B1", "step": step, **cells}.get(name) for name in HEADER]


def _found(frames: LogFrames) -> list[tuple[Any, ...]]:
    return frames.problems.select("kind", "line", "column").rows()


def test_a_sheet_is_read_like_the_same_log_as_text(read: Read, tmp_path: Path) -> None:
    rows = [
        _row("wort", when="2025-09-14 08:30", volume=140.5, gravity=1.062, note="ünder way"),
        _row("wash", when="2025-09-15", gravity="15 P"),
        _row("collect", run="strip", cut="low wines", volume="5 gal", strength="62 %vol"),
    ]
    text = "\n".join(",".join("" if cell is None else str(cell) for cell in row) for row in [HEADER, *rows])
    plain = used_rows(read(text))
    (tmp_path / "log.csv").unlink()
    frames = read(_log(*rows), "season.xlsx")
    assert frames.problems.is_empty()
    assert used_rows(frames).equals(plain)
    assert frames.files.select("path", "kind", "decimal_mark", "rows_in").rows() == [
        ('season.xlsx sheet "Log"', "batch_log", ".", 3)
    ]


def test_dates_times_percents_and_units_of_number_formats(read: Read) -> None:
    def fill(book: Any, sheet: Any) -> None:
        _rows(HEADER, _row("collect", run="s", cut="hearts"), _row("mash"), _row("collect", run="s"))(
            book, sheet
        )
        day, clock = (
            book.add_format({"num_format": "dd/mm/yy"}),
            book.add_format({"num_format": "d mmm hh:mm"}),
        )
        sheet.write_datetime(1, 1, dt.datetime(2025, 3, 4), day)
        sheet.write_datetime(2, 1, dt.datetime(2025, 3, 4, 8, 30), clock)
        sheet.write_datetime(3, 1, dt.datetime(2025, 3, 4), clock)
        sheet.write_number(1, 8, 0.625, book.add_format({"num_format": "0.0%"}))
        sheet.write_number(1, 6, 5, book.add_format({"num_format": '0.00" gal"'}))
        sheet.write_number(3, 6, 1250.5, book.add_format({"num_format": "#,##0"}))
        sheet.write_number(3, 8, 70, book.add_format({"num_format": "0.0;[Red]-0.0"}))

    frames = read(_book(fill), "season.xlsx")
    values = frames.values["batch_value"].filter(~pl.col("is_set_aside"))
    cells = frames.cells["batch_log"]
    assert cells["when"].to_list() == ["2025-03-04", "2025-03-04 08:30", "2025-03-04 00:00"]
    assert cells["strength"].to_list() == ["62.5 %", None, "70"]
    assert values["has_time"].to_list() == [False, True]
    assert values["strength_reading"].to_list() == [62.5, 70]
    # 1 US gal = 3.785411784 L exactly (NIST Handbook 44, appendix C).
    assert values["volume_l"].to_list() == [5 * 3.785411784, 1250.5]


def test_formulas_are_taken_by_their_value_and_said(read: Read) -> None:
    def fill(book: Any, sheet: Any) -> None:
        _rows(HEADER, *[_row("wash", when="2025-09-14") for _ in range(3)])(book, sheet)
        for row in (1, 2, 3):
            sheet.write_formula(row, 7, "=1+0.05", None, 1.05)

    frames = read(_book(fill), "season.xlsx")
    assert frames.values["batch_value"]["gravity_reading"].to_list() == [1.05] * 3
    assert _found(frames) == [("formula_values", 2, "gravity")]
    assert (
        'season.xlsx sheet "Log" line 2, column gravity: has formulas (3 cells)'
        in frames.problems["message"][0]
    )


def test_a_formula_never_computed_and_an_error_are_no_values(read: Read) -> None:
    def fill(book: Any, sheet: Any) -> None:
        _rows(HEADER, *[_row("wash", when="2025-09-14", gravity=1.05) for _ in range(4)])(book, sheet)
        sheet.write_formula(1, 7, "=B2*2", None, "#DIV/0!")
        sheet.write_formula(2, 0, "=NA()", None, "#N/A")
        sheet.write_formula(3, 7, "=B2*2", None, "")

    content = _book(fill)
    # What a program writes that computes nothing: a formula without any value.
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.infolist():
            new.writestr(part, old.read(part).replace(b"<v></v>", b""))
    frames = read(out.getvalue(), "season.xlsx")
    assert _found(frames) == [
        ("cell_without_value", 3, "batch"),
        ("not_a_number", 2, "gravity"),
        ("not_a_number", 4, "gravity"),
    ]
    messages = frames.problems["message"].to_list()
    assert '"#N/A" is an error of the spreadsheet' in messages[0]
    assert '"#DIV/0!" is not a number (an error of the spreadsheet)' in messages[1]
    assert '"=B2*2" is not a number (a formula, not what it comes to)' in messages[2]
    assert (frames.rows_in, frames.rows_set_aside) == (4, 1)
    assert frames.values["batch_value"].filter(~pl.col("is_set_aside"))["line"].to_list() == [2, 4, 5]


def test_rows_with_merged_cells_are_set_aside_and_never_filled(read: Read) -> None:
    def fill(book: Any, sheet: Any) -> None:
        _rows(HEADER, *[_row("yeast", item="ale") for _ in range(5)])(book, sheet)
        sheet.merge_range(2, 0, 3, 0, "B2")
        sheet.merge_range(5, 4, 5, 5, "ale")

    frames = read(_book(fill), "season.xlsx")
    assert _found(frames) == [("merged_cells", line, None) for line in (3, 4, 6)]
    assert "has merged cells (A3:A4)" in frames.problems["message"][0]
    assert (frames.rows_in, frames.rows_set_aside) == (5, 3)


def test_sheets_hidden_empty_and_of_other_kinds(read: Read) -> None:
    def hidden(book: Any, sheet: Any) -> None:
        _rows(HEADER, _row("yeast", item="ale"))(book, sheet)
        sheet.hide()

    content = _book(
        _rows(HEADER, _row("yeast", item="ale")),
        ("Old", hidden),
        ("Blank", _rows()),
        ("Sums", _rows(["total", 5])),
        (
            "Casks",
            _rows(["cask", "step", "volume", "strength", "source"], ["K1", "fill", 50, 60, "B1 hearts"]),
        ),
        ("B 7", _rows(["step", "item"], ["yeast", "ale"])),
    )
    frames = read(content, "deep/season.xlsm")
    kinds = dict(frames.problems.select("file", "kind").rows())
    name = 'deep/season.xlsm sheet "{}"'.format
    assert kinds == {
        name("Sums"): "unknown_header",
        name("Old"): "hidden_sheet",
        name("Blank"): "empty_file",
    }
    assert frames.values["cask_value"]["cask"].to_list() == ["K1"]
    assert frames.values["batch_value"]["batch"].to_list() == ["B1", "B 7"], "a sheet names its batch"
    assert frames.files["file_id"].to_list() == [1, 2, 3, 4, 5, 6]


def test_what_a_spreadsheet_leaves_around_a_log_is_passed_over(read: Read) -> None:
    def fill(book: Any, sheet: Any) -> None:
        sheet.write(0, 0, "# my season")
        for column, name in enumerate(["step", "item"]):
            sheet.write(2, column, name)
        sheet.write_row(4, 0, ["yeast", "ale"])
        sheet.write_row(6, 0, ["# a comment", "x"])
        sheet.write_row(8, 0, ["yeast", "lager", None, "too far to the right"])
        bold = book.add_format({"bold": True})
        for row in range(9, 40):
            for column in range(12):
                sheet.write_blank(row, column, None, bold)
        sheet.set_column(0, 16383, 12)

    frames = read(_book(fill), "B7.xlsx")
    assert _found(frames) == [("ragged_row", 9, None)]
    assert frames.rows_in == 2
    assert frames.values["batch_value"].filter(~pl.col("is_set_aside")).select("batch", "line").rows() == [
        ("B7", 5)
    ]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"PK\x03\x04", "it is no .xlsx book"),
        (b"batch,step\n", "it is no .xlsx book"),
        (b"", "it is no .xlsx book"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "it is locked by a password, or of a kind older"),
        (_log(_row("yeast", item="ale"))[:-900], "it is no .xlsx book"),
    ],
    ids=["cut off", "plain text", "nothing", "password", "half"],
)
def test_a_book_that_cannot_be_read_is_named(read: Read, content: bytes, says: str) -> None:
    frames = read(content, "season.xlsx")
    assert frames.problems.select("file", "kind").rows() == [("season.xlsx", "broken_book")]
    assert says in frames.problems["message"][0]
    assert frames.files["sha256"].is_not_null().all()


def test_a_book_with_a_broken_sheet_loses_that_sheet(read: Read) -> None:
    content = _book(
        _rows(HEADER, _row("yeast", item="ale")), ("Two", _rows(HEADER, _row("yeast", item="ale")))
    )
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.infolist():
            data = old.read(part)
            new.writestr(part, data[: len(data) // 2] if part.filename.endswith("sheet1.xml") else data)
    frames = read(out.getvalue(), "season.xlsx")
    assert frames.problems.select("file", "kind").rows() == [('season.xlsx sheet "Log"', "broken_book")]
    assert frames.rows_in == 1


@pytest.mark.parametrize("limit", ["LARGEST_BOOK", "MOST_PARTS", "MOST_CELLS"])
def test_a_book_that_unpacks_to_too_much_is_refused(
    read: Read, monkeypatch: pytest.MonkeyPatch, limit: str
) -> None:
    monkeypatch.setattr(f"pipeline.logs.books.{limit}", 8)
    frames = read(_log(_row("yeast", item="ale")), "season.xlsx")
    assert frames.problems["kind"].to_list() == ["broken_book"]
    assert "more than 8" in frames.problems["message"][0]


def test_entities_that_grow_without_end_are_refused(read: Read) -> None:
    lols = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))
    bomb = f'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY l0 "lol">{lols}]><x>&l9;</x>'
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(_log(_row("yeast", item="ale")))) as old,
        zipfile.ZipFile(out, "w") as new,
    ):
        for part in old.infolist():
            new.writestr(part, bomb if part.filename.endswith("sharedStrings.xml") else old.read(part))
    assert read(out.getvalue(), "season.xlsx").problems["kind"].to_list() == ["broken_book"]


def test_without_the_extra_a_sentence_says_how_to_install_it(
    read: Read, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    frames = read(_log(_row("yeast", item="ale")), "season.xlsx")
    assert frames.problems["kind"].to_list() == ["no_spreadsheet_reader"]
    assert "pip install 'stillseason[spreadsheets]'" in frames.problems["message"][0]


def test_cells_that_hold_formulas_as_text_markup_or_controls_stay_text(read: Read) -> None:
    def fill(book: Any, sheet: Any) -> None:
        _rows(HEADER, _row("yeast"), _row("yeast"), _row("yeast"))(book, sheet)
        for row, text in enumerate(
            ["=1+1", "<script>alert(1)</script>", "\u202edrop table\nraw.file"], start=1
        ):
            sheet.write_string(row, 4, text)

    frames = read(_book(fill), "season.xlsx")
    assert frames.problems.is_empty()
    assert used_rows(frames)["item"].to_list() == [
        "=1+1",
        "<script>alert(1)</script>",
        "\u202edrop table\nraw.file",
    ]


def _with_strings(content: bytes, old: bytes, new: bytes) -> bytes:
    """A book whose texts have `new` where they had `old`."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as parts, zipfile.ZipFile(out, "w") as changed:
        for part in parts.infolist():
            data = parts.read(part)
            changed.writestr(part, data.replace(old, new) if "sharedStrings" in part.filename else data)
    return out.getvalue()


def test_telemetry_on_a_sheet_is_refused_with_the_way_to_mend_it(read: Read) -> None:
    logger = _rows(["batch", "run", "when", "vapour [F]"], ["7", "spirit", "2031-02-11 08:00:00", 180.5])
    content = _book(_rows(HEADER, _row("yeast", item="ale")), ("Logger", logger))
    frames = read(content, "season.xlsx")
    (message,) = frames.problems["message"]
    assert message == (
        'season.xlsx sheet "Logger" line 1 is telemetry on a sheet of a spreadsheet, which is not read: '
        "batch,run,when,vapour [F]. Expected a logger's file as plain text (.csv, .tsv, or such a file "
        "packed by gzip). Mend: save the sheet as CSV (UTF-8), or take the file as the logger wrote it."
    )
    assert (frames.rows_in, frames.rows_set_aside) == (2, 1)
    assert used_rows(frames)["item"].to_list() == ["ale"], "the other sheet is read"


@pytest.mark.parametrize(
    ("escape", "text"),
    [
        # ECMA-376, part 1, 22.9.2.19: _xHHHH_ is the character HHHH.
        ("_x000D_&#10;", "two\nlines"),
        ("_x000D_", "two\nlines"),
        ("_x001B_", "two\x1blines"),
        ("\u200b", "two\u200blines"),
        ("\ufffd", "two\ufffdlines"),
        ("_x0041_", "two_x0041_lines"),
    ],
)
def test_characters_that_a_book_writes_in_its_own_way_are_text(read: Read, escape: str, text: str) -> None:
    content = _log(_row("yeast", item="ale", note="two?lines"))
    frames = read(_with_strings(content, b"two?lines", f"two{escape}lines".encode()), "season.xlsx")
    assert frames.problems.is_empty()
    assert used_rows(frames)["note"].to_list() == [text]


@pytest.mark.parametrize("escape", ["_x0000_", "_xD83D_", "_xdc00_", "_xFFFE_", "_xFFFF_"])
def test_characters_that_are_no_text_cost_their_row(read: Read, escape: str) -> None:
    content = _log(_row("yeast", item="ale"), _row("yeast", item="lager?"), _row("yeast", item="weizen"))
    frames = read(_with_strings(content, b"lager?", f"lager{escape}".encode()), "season.xlsx")
    assert _found(frames) == [("broken_in_sheet", 3, "item")]
    assert f'"lager\ufffd" holds a character that is no text ({escape[2:6]})' in frames.problems["message"][0]
    assert (frames.rows_in, frames.rows_set_aside) == (3, 1)
    marked = frames.values["batch_value"].select("line", "is_set_aside").rows()
    assert marked == [(2, False), (3, True), (4, False)]


@pytest.mark.parametrize("broken", [b"\x01", b"\xff", b"&#0;", b"&#55296;"])
def test_a_book_whose_characters_break_the_book_is_named(read: Read, broken: bytes) -> None:
    content = _log(_row("yeast", item="ale", note="two?lines"))
    frames = read(_with_strings(content, b"two?lines", b"two" + broken + b"lines"), "season.xlsx")
    assert frames.problems["kind"].to_list() == ["broken_book"]
    assert "save each sheet as CSV" in frames.problems["message"][0]


def test_an_unchanged_book_is_not_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "season.xlsx"
    log = _rows(HEADER, _row("wash", gravity="1.O5"))
    path.write_bytes(
        _book(log, ("Two", _rows(HEADER, _row("yeast", item="ale"))), ("Sums", _rows(["total"])))
    )
    read_titles: list[str] = []
    table = Book.table

    def note(book: Any, title: str) -> Any:
        read_titles.append(title)
        return table(book, title)

    monkeypatch.setattr("pipeline.logs.books.Book.table", note)
    with duckdb.connect(":memory:") as connection:
        fresh = read_logs(tmp_path, Settings())
        load_raw(connection, fresh)
        read_titles.clear()
        again = read_logs(tmp_path, Settings(), kept=kept_from(connection))
        assert read_titles == ["Sums"], "only what could not be read is tried again"
        assert again.files.equals(fresh.files)
        assert again.problems.equals(fresh.problems)
        assert used_rows(again).equals(used_rows(fresh))
        path.write_bytes(_book(log))
        changed = read_logs(tmp_path, Settings(), kept=kept_from(connection))
        assert changed.files["path"].to_list() == ['season.xlsx sheet "Log"']
