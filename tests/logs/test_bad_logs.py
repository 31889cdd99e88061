"""Every kind of problem a log can have: a broken example each, and the exact problem it makes.

The examples are `tests/data/bad_logs/`, named for the kind they show; `expected.tsv` beside them says what
must be found in each, word for word.
"""

from __future__ import annotations

import csv
import gzip
import io
import os
import re
from collections import defaultdict
from pathlib import Path
from typing import BinaryIO, cast

import duckdb
import polars as pl
import pytest

import pipeline.logs
from pipeline.logs import LogFrames, read_logs
from pipeline.logs.blocks import LONGEST_CELL
from pipeline.logs.decode import UnreadableTextError
from pipeline.logs.find import LONGEST_LINE, bytes_of_lines
from pipeline.problems import KINDS, problems_frame
from pipeline.resources import sql_dir
from pipeline.settings import Settings
from pipeline.warehouse import make_tables, problems_of_account

BAD = Path(__file__).parents[1] / "data" / "bad_logs"
EXAMPLES = sorted([*BAD.glob("*.csv"), *BAD.glob("*.csv.gz")])

CHECKS = {path.stem for path in (sql_dir() / "90_check").glob("*.sql")}
"""Kinds that only the account finds, once every row has its place in it."""

# Kinds whose example cannot be kept as a file in a repository; they have tests of their own below, and those
# of spreadsheets in test_books.py.
MADE_HERE = {
    *("cannot_open", "link_not_followed", "cell_too_long", "line_too_long", "not_csv"),
    *("broken_book", "no_spreadsheet_reader", "merged_cells", "cell_without_value", "hidden_sheet"),
    *("formula_values", "telemetry_in_book", "broken_in_sheet"),
}


def _expected() -> dict[str, list[dict[str, str]]]:
    by_file: dict[str, list[dict[str, str]]] = defaultdict(list)
    with (BAD / "expected.tsv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file, delimiter="\t"):
            by_file[row["file"]].append(row)
    return by_file


EXPECTED = _expected()


def _kind_shown(path: Path) -> str:
    return path.name.split(".")[0].split("-")[0]


def _problems(path: Path, frames: LogFrames) -> pl.DataFrame:
    """What reading finds wrong with a log, and the check of the account that its name names."""
    if _kind_shown(path) not in CHECKS:
        return frames.problems
    with duckdb.connect(":memory:") as connection:
        table = f"problem.{_kind_shown(path)}"
        models = make_tables(connection, frames, Settings(), wanted=[table])
        found = problems_of_account(connection, [model for model in models if model.name == table])
        return pl.concat([frames.problems, problems_frame(found)])


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_broken_example_makes_exactly_its_problems(path: Path) -> None:
    frames = read_logs(path, Settings())
    found = [
        {
            "file": path.name,
            "rows_in": str(frames.rows_in),
            "rows_set_aside": str(frames.rows_set_aside),
            **{name: "" if row[name] is None else str(row[name]) for name in ("line", "column", "kind")},
            "found": row["found"] or "",
            "message": row["message"],
        }
        for row in _problems(path, frames).sort("line", "column", maintain_order=True).iter_rows(named=True)
    ]
    assert found == EXPECTED[path.name]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_broken_example_is_named_for_the_kind_it_shows(path: Path) -> None:
    assert _kind_shown(path) in {row["kind"] for row in EXPECTED[path.name]}


def test_every_kind_of_problem_of_the_logs_has_a_broken_example() -> None:
    sources = Path(pipeline.logs.__file__).parent.glob("*.py")
    words = {word for path in sources for word in re.findall(r'"(\w+)"', path.read_text(encoding="utf-8"))}
    of_logs = {code for code in KINDS if code in words}
    shown = {_kind_shown(path) for path in EXAMPLES}
    assert of_logs - shown == MADE_HERE


def test_spreadsheet_of_another_kind_is_named_and_not_read(tmp_path: Path) -> None:
    (tmp_path / "season.ods").write_bytes(b"PK\x03\x04")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems["message"].to_list() == [
        "season.ods is a spreadsheet of another kind, which is not read. Expected plain text (.csv, .tsv, or "
        "such a file packed by gzip) or a spreadsheet (.xlsx). Mend: save it as CSV (UTF-8) beside the other "
        "logs."
    ]


def test_symbolic_link_is_named_and_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.csv").write_text("batch,step,item\nB1,yeast,ale\n")
    logs = tmp_path / "logs"
    logs.mkdir()
    (logs / "file.csv").symlink_to(outside / "secret.csv")
    (logs / "folder").symlink_to(outside, target_is_directory=True)
    frames = read_logs(logs, Settings())
    assert frames.files.is_empty()
    assert set(frames.problems["message"].str.split(". Expected").list.first()) == {
        "file.csv is a symbolic link and was not followed",
        "folder is a symbolic link and was not followed",
    }


def test_something_that_is_no_file_is_named(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems["kind"].to_list() == ["cannot_open"]
    assert frames.problems["file"].to_list() == ["pipe.csv"]


class _Endless(io.RawIOBase):
    """A file of one line that has no end; reading far more of it than a line may have fails."""

    given = 0

    def readable(self) -> bool:
        return True

    def seek(self, place: int, whence: int = io.SEEK_SET) -> int:
        self.given = 0
        return place

    def read(self, size: int = -1) -> bytes:
        self.given += size
        assert size > 0, "never the whole file at once"
        assert self.given < 2 * LONGEST_LINE, "memory is that of the longest line"
        return b"x" * size


def test_a_line_without_end_is_left_before_it_fills_the_memory() -> None:
    with pytest.raises(UnreadableTextError) as refused:
        bytes_of_lines(cast(BinaryIO, _Endless()))
    assert (refused.value.code, refused.value.line) == ("line_too_long", 1)


@pytest.mark.parametrize("line_end", ["\n", "\r", "\r\n"])
@pytest.mark.parametrize("name", ["log.csv", "log.tsv.gz"])
def test_line_too_long_for_any_log_sets_its_file_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line_end: str, name: str
) -> None:
    monkeypatch.setattr("pipeline.logs.find.LONGEST_LINE", 200_000)
    lines = ["batch\tstep\titem\tnote", "B1\tyeast\tale\t", "B1\tyeast\tale\t" + "x" * 400_000, ""]
    data = line_end.join(lines).encode()
    (tmp_path / name).write_bytes(gzip.compress(data) if name.endswith(".gz") else data)
    (tmp_path / "other.csv").write_text("batch,step,item\nB2,yeast,ale\n")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems.select("kind", "file", "line").rows() == [("line_too_long", name, 3)]
    assert frames.values["batch_value"]["batch"].to_list() == ["B2"], "the other logs are read"


def test_cell_too_long_for_any_log_sets_its_row_aside(tmp_path: Path) -> None:
    long = "x" * (LONGEST_CELL + 1)
    (tmp_path / "log.csv").write_text(f"batch,step,item,note\nB1,yeast,ale,{long}\nB1,yeast,ale,short\n")
    frames = read_logs(tmp_path, Settings())
    assert frames.problems["kind"].to_list() == ["cell_too_long"]
    assert (frames.rows_in, frames.rows_set_aside) == (2, 1)
    assert len(frames.problems["message"][0]) < 1000, "the message shows the start of the cell only"
