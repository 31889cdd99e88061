"""Texts of batch logs are stored once, as written; only rows in which one is used otherwise tell it again."""

from __future__ import annotations

import csv
import io
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.logs import LogFrames, read_logs
from pipeline.settings import Settings
from pipeline.warehouse import build_season

sys.path.insert(0, str(Path(__file__).parent))
from used_rows import TEXTS, used_rows

Read = Callable[..., LogFrames]

HEADER = ("batch", "when", "step", "run", "item", "cut", "source", "lot", "vessel", "by", "volume", "note")
COLUMNS = {name: "by" if name == "operator" else name for name in TEXTS}


def _log(*rows: dict[str, str]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, HEADER, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


JAR = {
    "batch": "B7",
    "when": "2025-09-14",
    "step": "collect",
    "run": "strip",
    "item": "jar 1",
    "cut": "hearts",
    "source": "a still",
    "lot": "L1",
    "vessel": "jar",
    "by": "Ana",
    "volume": "0.7",
    "note": "slow, ünclear",
}


def test_texts_used_as_written_are_told_by_the_cells_alone(read: Read) -> None:
    frames = read(
        _log(JAR, {**JAR, "item": "jar 2", "note": ""}, {"batch": "B7", "step": "yeast", "item": "ale"})
    )
    assert frames.values["batch_text"].is_empty()
    assert frames.values["batch_value"].height == 3
    assert not set(TEXTS) & set(frames.values["batch_value"].columns)


@pytest.mark.parametrize(
    ("column", "written", "used"),
    [
        ("note", " slow ", "slow"),
        ("note", "slow\u00a0", "slow"),
        ("by", "Ana ", "Ana"),
        ("run", " strip", "strip"),
        ("cut", "Hearts", "hearts"),
        ("cut", "low_wines", "low wines"),
        ("cut", " tails", "tails"),
        ("note", "slo\udcffw", None),
    ],
)
def test_a_row_with_a_text_used_otherwise_tells_all_its_texts(
    read: Read, column: str, written: str, used: str | None
) -> None:
    text = _log(JAR, {**JAR, "when": "2025-09-15", column: written}, JAR)
    frames = read(text.encode("utf-8", "surrogateescape"))
    (row,) = frames.values["batch_text"].rows(named=True)
    expected = {name: JAR[its] for name, its in COLUMNS.items()}
    expected["operator" if column == "by" else column] = used
    assert row == {"file_id": 1, "line": 3, **expected}


def test_a_row_set_aside_keeps_what_it_is_about_and_no_note(read: Read) -> None:
    bad = {**JAR, "when": "yesterday"}
    frames = read(_log(bad, {**bad, "note": ""}, {**bad, "cut": "heart"}))
    assert frames.values["batch_value"]["is_set_aside"].to_list() == [True] * 3
    apart = frames.values["batch_text"]
    assert apart.select("line", "item", "cut", "note").rows() == [
        (2, "jar 1", "hearts", None),
        (4, "jar 1", "hearts", None),
    ], "the second is used as it is written"


def test_a_row_that_cannot_be_cut_tells_what_can_be_made_out(read: Read) -> None:
    frames = read(_log(JAR) + "B7,2025-09-14,collect,strip,jar 2,hearts,one,cell,too,many,0.7,slow,clear\n")
    assert frames.values["batch_text"].select("line", "run", "cut", "item").rows() == [
        (3, "strip", "hearts", None)
    ]


NAME = st.sampled_from(["", " ", "a", " a", "a ", "A", "\u00a0a", "two\nlines", "x, y"])
CUT = st.sampled_from(["", "hearts", "Hearts", " tails ", "low-wines", "low wines"])
ROW = st.fixed_dictionaries(
    {
        "when": st.sampled_from(["2025-09-14", "2025-09-14", "yesterday"]),
        **dict.fromkeys(("item", "source", "lot", "vessel", "by", "note"), NAME),
        "run": st.sampled_from(["strip", " strip"]),
        "cut": CUT,
    }
)


@given(st.lists(ROW, min_size=1, max_size=8))
def test_whatever_is_written_the_texts_used_are_those_of_the_cells_without_blanks(
    rows: list[dict[str, str]],
) -> None:
    log = [{"batch": "B7", "step": "collect", "volume": "1", **row} for row in rows]
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "log.csv").write_text(_log(*log))
        frames = read_logs(Path(folder), Settings())
    assert used_rows(frames).select(TEXTS).rows() == [_used(row) for row in log]
    # A blank cell holds nothing, also as written.
    written = [tuple(row[its] if row[its].strip() else None for its in COLUMNS.values()) for row in log]
    apart = [_used(row) != texts for row, texts in zip(log, written, strict=True)]
    assert frames.values["batch_text"]["line"].to_list() == [
        line for line, is_apart in zip(frames.cells["batch_log"]["line"], apart, strict=True) if is_apart
    ]


def _used(row: dict[str, str]) -> tuple[str | None, ...]:
    """The texts of a row as they are meant; one whose date cannot be read keeps no note."""
    texts = {name: row[its].strip() or None for name, its in COLUMNS.items()}
    texts["cut"] = (texts["cut"] or "").lower().replace("-", " ") or None
    if row["when"] == "yesterday":
        texts["note"] = None
    return tuple(texts.values())


def test_the_steps_of_the_season_have_the_texts_that_are_used(tmp_path: Path) -> None:
    logs, database = tmp_path / "logs", tmp_path / "season.duckdb"
    logs.mkdir()
    rows = [
        {**JAR, "when": f"2025-09-{day:02d}", "item": f"jar {day}", column: written}
        for day, (column, written) in enumerate(
            [("note", ""), ("by", " Bo "), ("cut", "TAILS"), ("lot", "")], 1
        )
    ]
    (logs / "log.csv").write_text(_log(*rows, {**JAR, "volume": "1", "when": "when?"}))
    build_season(logs, database, Settings())
    with duckdb.connect(str(database), read_only=True) as connection:
        steps = pl.DataFrame(connection.sql("select * from log.batch_step order by line"))
    expected = [_used(row) for row in rows] + [_used({**JAR, "when": "yesterday"})]
    assert steps.select(TEXTS).rows() == expected
