"""Every kind of file and every step of the format, read right."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline.logs import VALUE_SCHEMAS, LogFrames, read_logs
from pipeline.logs.fields import KINDS_OF_FILE, field_of
from pipeline.logs.steps import BATCH_STEPS, CASK_STEPS, Step
from pipeline.settings import Settings

sys.path.insert(0, str(Path(__file__).parent))
from used_rows import used_rows

Read = Callable[..., LogFrames]

# A plausible cell for any column a step may hold.
CELLS = {
    "batch": "B1",
    "cask": "K1",
    "when": "2025-09-14 08:30",
    "run": "strip 1",
    "item": "rye malt",
    "cut": "low wines",
    "source": "B1 hearts",
    "lot": "feints",
    "mass": "50",
    "volume": "40",
    "gravity": "1.062",
    "strength": "62.5",
    "spout": "58",
    "temperature": "18",
    "kettle": "93.4",
    "vapour": "86.5",
    "barometer": "1004",
    "minutes": "60",
    "ph": "5.4",
    "price": "85.50",
}


def _log(kind: str, rows: list[dict[str, str]]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, list(KINDS_OF_FILE[kind].fields), restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _row(kind: str, step: Step, columns: set[str] | frozenset[str]) -> dict[str, str]:
    name = "batch" if kind == "batch_log" else "cask"
    return {name: CELLS[name], "step": step.name, **{column: CELLS[column] for column in columns}}


STEPS = [("batch_log", step) for step in BATCH_STEPS] + [("cask_log", step) for step in CASK_STEPS]
STEP_IDS = [f"{kind} {step.name}" for kind, step in STEPS]


@pytest.mark.parametrize(("kind", "step"), STEPS, ids=STEP_IDS)
def test_step_with_all_it_may_have_is_read_without_a_word(read: Read, kind: str, step: Step) -> None:
    frames = read(_log(kind, [_row(kind, step, step.columns)]))
    assert frames.problems.is_empty(), frames.problems["message"].to_list()
    rows = used_rows(frames) if kind == "batch_log" else frames.values["cask_value"]
    value = rows.row(0, named=True)
    assert value["step"] == step.name
    for column in step.columns:
        for typed in field_of(kind, column).becomes:
            assert value[typed] is not None, f"{column} was given and {typed} is null"


@pytest.mark.parametrize(("kind", "step"), STEPS, ids=STEP_IDS)
def test_step_without_one_of_its_needs_is_set_aside(read: Read, kind: str, step: Step) -> None:
    for need in step.needs:
        missing = {column for option in need for column in option}
        frames = read(_log(kind, [_row(kind, step, step.columns - missing)]))
        assert frames.problems["kind"].to_list() == ["missing_value"]
        assert frames.problems["column"].to_list() == [need[0][0]]
        assert frames.rows_set_aside == 1


@pytest.mark.parametrize(("kind", "step"), STEPS, ids=STEP_IDS)
def test_step_without_what_it_usually_has_is_used_and_said(read: Read, kind: str, step: Step) -> None:
    for column in step.expects:
        frames = read(_log(kind, [_row(kind, step, step.columns - {column})]))
        assert frames.problems["kind"].to_list() == ["cut_undecided" if column == "cut" else "not_measured"]
        assert frames.rows_set_aside == 0


@pytest.mark.parametrize(
    ("header", "kind"),
    [
        ("batch,step,item", "batch_log"),
        ("step,item", "batch_log"),
        ("cask,step,volume", "cask_log"),
        ("session,assessor,sample,fruit", "tasting_sheet"),
        ("assessor,sample,batch,cask,lot", "tasting_sheet"),
        ("session,sample,lot", "tasting_key"),
        ("session,assessor,test,correct", "difference_test"),
        ("ingredient,extract", "ingredient_list"),
    ],
)
def test_kind_is_told_by_the_header(read: Read, header: str, kind: str) -> None:
    frames = read(f"{header}\n")
    assert frames.files["kind"].to_list() == [kind]


def test_batch_is_named_by_the_file_where_the_file_names_none(read: Read, tmp_path: Path) -> None:
    (tmp_path / "none.csv").write_text("step,item\nyeast,ale\n")
    (tmp_path / "blank.csv").write_text("batch,step,item\n,yeast,ale\n")
    frames = read("batch,step,item\nB1,yeast,ale\n,yeast,ale\n", "some.csv")
    used = frames.values["batch_value"].filter(~pl.col("is_set_aside"))
    assert used["batch"].to_list() == ["blank", "none", "B1"]
    assert frames.problems.select("file", "line", "column", "kind").rows() == [
        ("some.csv", 3, "batch", "missing_value")
    ], "a gap in a file that names its batches is not filled by guessing"
    assert frames.cells["batch_log"]["batch"].to_list() == [None, None, "B1", None]


def test_session_is_named_by_the_file_where_the_file_names_none(read: Read) -> None:
    frames = read("assessor,sample,fruit\nAna,417,6\n", "november.csv")
    assert frames.values["tasting_value"]["session"].to_list() == ["november"]


def test_wide_tasting_sheet(read: Read) -> None:
    frames = read(
        "session,when,assessor,sample,batch,strength,order,fruit,Spice,overall [0-15],descriptors,note\n"
        "s1,2025-11-02 19:00,Ana,417,B1,23,1,6,,12.5,pear; bread,\n"
        "s1,2025-11-02 19:00,Ben,417,,23,2,0,4,9,,late\n"
    )
    assert frames.problems.is_empty()
    pours = frames.values["tasting_value"]
    assert pours.select("pour_id", "assessor", "sample", "batch", "serving_order", "descriptors").rows() == [
        (1, "Ana", "417", "B1", 1, "pear; bread"),
        (2, "Ben", "417", None, 2, None),
    ]
    assert frames.values["score_value"].drop("file_id", "line").rows() == [
        (1, "fruit", 6.0, 0.0, 10.0),
        (1, "overall", 12.5, 0.0, 15.0),
        (2, "fruit", 0.0, 0.0, 10.0),
        (2, "Spice", 4.0, 0.0, 10.0),
        (2, "overall", 9.0, 0.0, 15.0),
    ]


def test_long_tasting_sheet_means_the_same(read: Read) -> None:
    frames = read(
        "session,assessor,sample,attribute,score [0-15],descriptors\n"
        "s1,Ana,417,fruit,6,\n"
        "s1,Ana,417,spice,7,pear\n"
        "s1,Ben,417,fruit,8,\n"
    )
    assert frames.problems.is_empty()
    pours = frames.values["tasting_value"].select("pour_id", "line", "assessor", "descriptors")
    assert pours.rows() == [(1, 2, "Ana", "pear"), (2, 4, "Ben", None)]
    assert frames.values["score_value"].drop("file_id").rows() == [
        (2, 1, "fruit", 6.0, 0.0, 15.0),
        (3, 1, "spice", 7.0, 0.0, 15.0),
        (4, 2, "fruit", 8.0, 0.0, 15.0),
    ]
    assert frames.rows_in == 3


def test_a_sample_poured_twice_is_two_pours_in_a_wide_sheet(read: Read) -> None:
    frames = read("session,assessor,sample,fruit\ns1,Ana,417,6\ns1,Ana,417,7\n")
    assert frames.values["score_value"]["pour_id"].to_list() == [1, 2]


def test_key_sheet(read: Read) -> None:
    frames = read("session,sample,batch,cask,lot\ns1,417,B1,,\ns1,892,,K1,\ns1,113,,,B2 hearts\n")
    assert frames.problems.is_empty()
    assert frames.values["tasting_key_value"].drop("file_id", "line").rows() == [
        ("s1", "417", "B1", None, None),
        ("s1", "892", None, "K1", None),
        ("s1", "113", None, None, "B2 hearts"),
    ]


@pytest.mark.parametrize(
    ("cell", "is_correct"),
    [("yes", True), ("Y", True), ("1", True), ("TRUE", True), ("no", False), ("n", False), ("0", False)],
)
def test_difference_test(read: Read, cell: str, is_correct: bool) -> None:
    frames = read(f"session,assessor,test,sample_a,sample_b,correct\ns1,Ana,Triangle,417,892,{cell}\n")
    assert frames.values["difference_value"].drop("file_id", "line", "logged_at", "has_time").rows() == [
        ("s1", "Ana", "triangle", "417", "892", is_correct, None)
    ]


def test_ingredient_list_and_its_use(read: Read, tmp_path: Path) -> None:
    (tmp_path / "batch.csv").write_text("batch,step,item,mass\nB1,grain,Moon-Dust,50\n")
    frames = read(
        "ingredient,kind,extract [%],moisture,fermentable,price,source,note\n"
        "moon dust,malt,84.5 %,5.1,82%,0.85,ours,\n",
        "malts.csv",
    )
    assert frames.problems.is_empty(), "an ingredient of the distiller's own list is known"
    assert frames.values["ingredient_value"].drop("file_id", "line").rows() == [
        ("moon dust", "moon dust", "malt", 84.5, 5.1, 82.0, 0.85, "ours", None, None)
    ]


@pytest.mark.parametrize("kind", KINDS_OF_FILE)
def test_frames_have_their_schema_full_or_empty(tmp_path: Path, kind: str) -> None:
    empty = read_logs(tmp_path, Settings())
    (tmp_path / "log.csv").write_text(",".join(KINDS_OF_FILE[kind].fields) + "\n")
    header_only = read_logs(tmp_path, Settings())
    for frames in (empty, header_only):
        assert {name: frame.schema for name, frame in frames.values.items()} == {
            name: pl.Schema(schema) for name, schema in VALUE_SCHEMAS.items()
        }
        columns = ["file_id", "line", *KINDS_OF_FILE[kind].fields, "other"]
        assert frames.cells[kind].columns == columns
        assert set(frames.cells[kind].dtypes[2:]) == {pl.String()}
