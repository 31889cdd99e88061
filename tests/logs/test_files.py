"""Files as they come: encodings, delimiters, line ends, comments, blank lines, odd names and places."""

from __future__ import annotations

import codecs
import gzip
import os
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline.logs import LogFrames, read_logs
from pipeline.settings import Settings

sys.path.insert(0, str(Path(__file__).parent))
from used_rows import used_rows

Read = Callable[..., LogFrames]

LOG = "batch,when,step,volume,gravity,note\nB1,2025-09-14,wort,400,1.062,café\nB1,2025-09-15,wash,,1.050,\n"
NOTES = ["café", None]


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        (LOG.encode("utf-8"), "utf-8"),
        (LOG.encode("utf-8-sig"), "utf-8-sig"),
        (LOG.encode("utf-16"), "utf-16"),
        (codecs.BOM_UTF16_BE + LOG.encode("utf-16-be"), "utf-16"),
        (LOG.encode("utf-16-le"), "utf-16-le"),
        (LOG.encode("utf-16-be"), "utf-16-be"),
    ],
    ids=["utf-8", "bom", "utf-16", "utf-16 big-endian", "no mark le", "no mark be"],
)
def test_every_encoding_of_unicode_is_read_without_a_word(read: Read, content: bytes, encoding: str) -> None:
    frames = read(content)
    assert frames.problems.is_empty()
    assert frames.cells["batch_log"]["note"].to_list() == NOTES
    assert frames.files["encoding"].to_list() == [encoding]


def test_windows_1252_is_read_and_said(read: Read) -> None:
    frames = read(LOG.encode("windows-1252"))
    assert frames.problems["kind"].to_list() == ["windows_1252"]
    assert frames.cells["batch_log"]["note"].to_list() == NOTES
    assert frames.rows_set_aside == 0


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_delimiters_and_line_ends(read: Read, delimiter: str, line_end: str) -> None:
    frames = read(LOG.replace(",", delimiter).replace("\n", line_end))
    assert frames.problems.is_empty()
    assert frames.values["batch_value"]["volume_l"].to_list() == [400.0, None]
    assert frames.values["batch_value"]["line"].to_list() == [2, 3]
    assert frames.files["delimiter"].to_list() == [delimiter]


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_decimal_commas_where_the_delimiter_is_no_comma(read: Read, delimiter: str) -> None:
    log = "batch;step;volume;gravity;note\nB1;wort;400,5 L;1,062;1.5 h late\nB1;wash;;12,5 P;\n"
    frames = read(log.replace(";", delimiter))
    assert frames.problems.is_empty()
    assert frames.files["decimal_mark"].to_list() == [","]
    assert frames.values["batch_value"]["volume_l"].to_list() == [400.5, None]
    assert frames.values["batch_value"]["gravity_reading"].to_list() == [1.062, 12.5]
    assert frames.cells["batch_log"]["gravity"].to_list() == ["1,062", "12,5 P"], "text stays as written"


def test_decimal_marks_are_a_matter_of_each_file(read: Read, tmp_path: Path) -> None:
    (tmp_path / "comma.csv").write_text("batch;step;volume;gravity\nB1;wort;400;1,062\n")
    (tmp_path / "point.csv").write_text("batch;step;volume;gravity\nB2;wort;400;1.062\n")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems.is_empty()
    assert frames.files["decimal_mark"].to_list() == [",", "."]
    assert frames.values["batch_value"]["gravity_reading"].to_list() == [1.062, 1.062]


# RFC 4180 (2005), section 2: the examples of rules 1, 2, 5, 6 and 7 in the form of a log.
@pytest.mark.parametrize(
    ("cells", "read_as"),
    [
        ("aaa,bbb", ["aaa", "bbb"]),
        ('"aaa","bbb"', ["aaa", "bbb"]),
        ('"aaa","b\r\nbb"', ["aaa", "b\nbb"]),
        ('"aaa","b""bb"', ["aaa", 'b"bb']),
        ('"a,aa",bbb', ["a,aa", "bbb"]),
    ],
)
@pytest.mark.parametrize("ending", ["\r\n", ""], ids=["line break at the end", "none"])
def test_quotes_as_in_rfc_4180(read: Read, cells: str, read_as: list[str], ending: str) -> None:
    frames = read(f"batch,step,item,note\r\nB1,yeast,{cells}{ending}")
    assert frames.problems.is_empty()
    assert frames.cells["batch_log"].select("item", "note").row(0) == tuple(read_as)


def test_lines_are_counted_as_an_editor_shows_them(read: Read) -> None:
    frames = read(
        "# my log\n\nbatch,step,item,note\n# grain\n"
        'B1,yeast,ale,"two\nlines"\n'
        "\n,,,\n   \n"
        "B1,yeast,lager,\n"
        '"B1",yeast,third,"# no comment"\n'
    )
    assert frames.problems.is_empty()
    assert frames.cells["batch_log"].select("line", "item").rows() == [
        (5, "ale"),
        (10, "lager"),
        (11, "third"),
    ]
    assert frames.rows_in == 3


def test_a_comment_may_hold_quotes_that_do_not_close(read: Read) -> None:
    frames = read('batch,step,item\n# a 5" pipe, "unclosed\nB1,yeast,ale\nB1,yeast,"lager"\n')
    assert frames.problems.is_empty()
    assert used_rows(frames).select("line", "item").rows() == [(3, "ale"), (4, "lager")]


def test_a_quote_inside_a_plain_cell_is_a_letter(read: Read) -> None:
    frames = read('batch,step,item,note\nB1,yeast,ale,a 5" pipe\nB1,yeast,lager,"and\nmore"\n')
    assert frames.problems.is_empty()
    assert frames.cells["batch_log"]["note"].to_list() == ['a 5" pipe', "and\nmore"]


def test_what_a_spreadsheet_leaves_is_taken(read: Read) -> None:
    frames = read("batch,step,item,,\nB1,yeast,ale,,\n,,,,\n,,,,\n")
    assert frames.problems.is_empty()
    assert frames.rows_in == 1


def test_column_names_in_any_dress(read: Read) -> None:
    frames = read(
        "Session,ASSESSOR,test,Sample A,sample-b,Correct \ns,Ana,Duo_Trio,417,892,YES\ns,Ben,duo trio,1,2,0\n"
    )
    assert frames.problems.is_empty()
    rows = frames.values["difference_value"].select("test", "sample_a", "sample_b", "is_correct").rows()
    assert rows == [("duo-trio", "417", "892", True), ("duo-trio", "1", "2", False)]


def test_a_column_the_format_does_not_know_is_kept(read: Read) -> None:
    frames = read("batch,step,item,moon,tide\nB1,yeast,ale,full,\nB1,yeast,lager,,\n")
    assert frames.problems["kind"].to_list() == ["unknown_column", "unknown_column"]
    assert frames.cells["batch_log"]["other"].to_list() == ['{"moon":"full","tide":null}', None]
    assert frames.rows_set_aside == 0


def test_any_depth_and_any_name(tmp_path: Path) -> None:
    deep = tmp_path / "a" / "b" / "c d" / "é" / 'quo"te' / "六"
    deep.mkdir(parents=True)
    (deep / "Батч 7.csv").write_text("step,item\nyeast,ale\n")
    (tmp_path / "line\nbreak.TSV").write_text("step\titem\nyeast\tale\n")
    (tmp_path / ".hidden.csv").write_text("step,item\nyeast,ale\n")
    (tmp_path / "readme.md").write_text("no log")
    frames = read_logs(tmp_path, Settings())
    assert frames.files["path"].to_list() == ['a/b/c d/é/quo"te/六/Батч 7.csv', "line\nbreak.TSV"]
    assert frames.values["batch_value"]["batch"].to_list() == ["Батч 7", "line\nbreak"]
    assert frames.problems.is_empty()


def test_a_name_that_would_drive_the_terminal_is_shown_not_sent(tmp_path: Path) -> None:
    (tmp_path / "red\x1b[31m.csv").write_text("")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems["message"][0].startswith("red\\x1b[31m.csv is empty")


def test_one_file_instead_of_a_folder(tmp_path: Path) -> None:
    (tmp_path / "one.csv").write_text("step,item\nyeast,ale\n")
    (tmp_path / "two.csv").write_text("step,item\nyeast,ale\n")
    assert read_logs(tmp_path / "one.csv", Settings()).files["path"].to_list() == ["one.csv"]


def test_an_empty_folder_has_every_frame(tmp_path: Path) -> None:
    frames = read_logs(tmp_path, Settings())
    assert frames.rows_in == 0
    assert all(frame.is_empty() for frame in (*frames.cells.values(), *frames.values.values()))


def test_progress_is_told_file_by_file(tmp_path: Path) -> None:
    for name in "abc":
        (tmp_path / f"{name}.csv").write_text("step,item\nyeast,ale\n")
    told: list[tuple[int, int]] = []
    read_logs(tmp_path, Settings(), lambda what, done, total: told.append((done, total)))
    assert told == [(1, 3), (2, 3), (3, 3)]


def test_hash_and_size_are_of_the_bytes(read: Read) -> None:
    frames = read(b"step,item\n")
    # sha256sum of the ten bytes, by GNU coreutils.
    assert frames.files.select("size_bytes", "sha256").row(0) == (
        10,
        "2f11b80f8830f697794aae546f9baae074504c045b304bc5d527fb9a5af9bd09",
    )


def test_a_cell_that_looks_like_a_formula_or_markup_stays_text(read: Read) -> None:
    cells = [
        "=1+1",
        "+1",
        "-1",
        "@cmd",
        "<script>alert(1)</script>",
        "'; drop table raw.file; --",
        "..\\..\\x",
    ]
    frames = read("batch,step,item,note\n" + "".join(f'007,yeast,ale,"{cell}"\n' for cell in cells))
    assert frames.problems.is_empty()
    assert used_rows(frames)["note"].to_list() == cells
    assert set(frames.values["batch_value"]["batch"]) == {"007"}


def test_a_file_name_that_is_no_utf_8_is_read_and_shown(tmp_path: Path) -> None:
    with open(os.fsencode(tmp_path) + b"/bad\xff.csv", "w") as file:
        file.write("step,item\nyeast,ale\n")
    frames = read_logs(tmp_path, Settings())
    assert frames.files["path"].to_list() == ["bad\\xff.csv"]
    assert frames.values["batch_value"]["batch"].to_list() == ["bad\\xff"]


def test_a_file_name_of_spaces_names_no_batch(read: Read) -> None:
    frames = read("step,item\nyeast,ale\n", " .csv")
    assert frames.problems.select("kind", "column").rows() == [("missing_value", "batch")]


TWO_ROWS = "batch,when,step,item\nB1,2025-09-14,yeast,ale\nB1,2025-09-15,yeast,lager\n"


@pytest.mark.parametrize("name", ["B1.csv.gz", "deep/B1.TSV.GZ"])
def test_packed_log_is_read_like_the_file_in_it(read: Read, name: str) -> None:
    plain = TWO_ROWS if "csv" in name else TWO_ROWS.replace(",", "\t")
    frames = read(gzip.compress(plain.encode()), name)
    assert frames.problems.is_empty()
    assert used_rows(frames)["item"].to_list() == ["ale", "lager"]
    assert frames.cells["batch_log"]["line"].to_list() == [2, 3]


def test_packed_log_names_its_batch_without_either_ending(read: Read) -> None:
    frames = read(gzip.compress(b"step,item\nyeast,ale\n"), "R-07.csv.gz")
    assert frames.values["batch_value"]["batch"].to_list() == ["R-07"]


def test_packed_log_that_unpacks_to_too_much_is_refused(read: Read, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.logs.find.LARGEST_UNPACKED", 1000)
    frames = read(gzip.compress(TWO_ROWS.encode() + b"\n" * 10_000), "B1.csv.gz")
    assert frames.problems["kind"].to_list() == ["cannot_unpack"]
    assert "more than 1,000 bytes" in frames.problems["message"][0]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda packed: packed[: len(packed) // 2], "it ends too early"),
        (lambda packed: packed[:-8] + bytes(8), "its content is not what was packed"),
        (lambda packed: packed + b"and more", "it is no gzip file, or something else stands behind one"),
        (lambda packed: b"batch,step\n", "it is no gzip file"),
        (lambda packed: packed[:20] + b"\xff\xff\xff" + packed[23:], "it is damaged"),
    ],
    ids=["cut off", "checksum", "tail", "plain", "damaged"],
)
def test_packed_log_that_cannot_be_unpacked_says_why(
    read: Read, change: Callable[[bytes], bytes], says: str
) -> None:
    frames = read(change(gzip.compress(TWO_ROWS.encode())), "B1.csv.gz")
    assert frames.problems["kind"].to_list() == ["cannot_unpack"]
    assert f"cannot be unpacked: {says}" in frames.problems["message"][0]


@pytest.mark.parametrize("line", ["sep=,", '"sep=,"', "SEP=;"])
def test_line_that_tells_a_spreadsheet_the_delimiter_is_passed_over(read: Read, line: str) -> None:
    frames = read(f"{line}\n{TWO_ROWS}")
    assert frames.problems.is_empty()
    assert frames.values["batch_value"]["line"].to_list() == [3, 4]


def test_a_few_broken_bytes_cost_their_cells_and_rows_only(read: Read) -> None:
    frames = read(
        b"batch,step,volume,gravity,note\nB1,wort,400,1.062,caf\xc3\xa9\nB1,wash,,1.0\xb00,\nB1,wa\xfeh,,1.040,\n"
        b"B1,wash,,1.030,caf\xe9\nB1,wash,,1.020,\n"
    )
    assert frames.problems.select("kind", "line", "column").rows() == [
        ("broken_bytes", 4, "step"),
        ("broken_bytes_in_cell", 3, "gravity"),
        ("broken_bytes_in_cell", 5, "note"),
    ]
    used = frames.values["batch_value"].filter(~pl.col("is_set_aside"))
    assert used.select("line", "gravity_reading", "cells_set_aside").rows() == [
        (2, 1.062, None),
        (3, None, "gravity"),
        (5, 1.030, "note"),
        (6, 1.020, None),
    ]
    assert (frames.rows_in, frames.rows_set_aside) == (5, 1)


def test_a_replacement_character_that_is_text_is_text(read: Read) -> None:
    frames = read("batch,step,item,note\nB1,yeast,ale \ufffd,lost long ago \ufffd\n")
    assert frames.problems.is_empty()
    assert used_rows(frames)["item"].to_list() == ["ale \ufffd"]


def test_a_batch_with_broken_bytes_makes_no_batch(read: Read) -> None:
    frames = read(b"batch,step,item,note\nB1,yeast,ale,caf\xc3\xa9\nB\xff,yeast,ale,\n")
    assert frames.values["batch_value"].select("batch", "is_set_aside").rows() == [
        ("B1", False),
        ("B1", True),
    ]


def test_zeros_that_a_power_cut_left_at_the_end_cost_their_row_only(read: Read) -> None:
    frames = read(b"batch,step,item\nB1,yeast,ale\nB1,yeast,lag" + bytes(4096))
    assert frames.problems.select("kind", "line").rows() == [("broken_bytes", 3)]
    assert (frames.rows_in, frames.rows_set_aside) == (2, 1)
    assert "byte" in frames.problems["message"][0]
