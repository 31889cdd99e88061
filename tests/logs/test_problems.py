"""Problems as sentences, counts, CSV and JSON."""

from __future__ import annotations

import csv
import io
import json
import string
from collections.abc import Callable

import polars as pl
import pytest

from pipeline.problems import (
    KINDS,
    PROBLEM_SCHEMA,
    SEVERITIES,
    ProblemKind,
    count_sentence,
    problem,
    problems_as_csv,
    problems_as_json,
    problems_as_text,
    problems_frame,
    sort_problems,
    visible,
)

FOUND = problems_frame(
    [
        problem("windows_1252", "b.csv"),
        problem(
            "out_of_range",
            "a.csv",
            line=7,
            column="Temp",
            found="999",
            quantity="temperature",
            range="-40 to 150 C",
        ),
        problem("not_a_date", "b.csv", line=9, column="when", found="x", batch="B1"),
        problem("not_a_date", "a.csv", line=3, column="when", found="=1+1"),
        problem("not_a_date", "a.csv", line=2, column="when", found="\x1b[2Jy"),
    ]
)


def test_sentence_says_where_what_and_how_to_mend() -> None:
    one = problem(
        "not_a_number",
        "batch-12.csv",
        line=14,
        column="strength",
        found="6O.5",
        hint=" (60.5 was perhaps meant)",
        expected="a number",
        unit="",
    )
    assert one.message == (
        'batch-12.csv line 14, column strength: "6O.5" is not a number (60.5 was perhaps meant). '
        "Expected a number. Mend: write the number; leave the cell empty if it was not measured."
    )
    assert (one.found, one.expected, one.severity) == ("6O.5", "a number", "unreadable")


def test_worst_comes_first_then_file_and_line() -> None:
    rows = sort_problems(FOUND).select("kind", "file", "line").rows()
    assert rows == [
        ("not_a_date", "a.csv", 2),
        ("not_a_date", "a.csv", 3),
        ("not_a_date", "b.csv", 9),
        ("out_of_range", "a.csv", 7),
        ("windows_1252", "b.csv", None),
    ]


def test_text_is_grouped_and_counted() -> None:
    text = problems_as_text(FOUND, most_of_a_kind=2)
    lines = text.splitlines()
    assert lines[0] == "5 problems in 2 files: 3 unreadable, 1 implausible, 1 unusual."
    assert [line for line in lines if line.startswith("  ") and not line.startswith("    ")] == [
        "  not a date: 3 (row set aside)",
        "  a value outside the plausible range: 1 (cell set aside)",
        "  a file in Windows-1252: 1 (nothing set aside)",
    ]
    assert "    and 1 more of this kind" in lines
    assert problems_as_text(FOUND).count("Expected") == 5, "all of them unless a limit is asked for"


def test_nothing_found_is_said() -> None:
    assert count_sentence(problems_frame([])) == "No problems."
    assert problems_frame([]).schema == pl.Schema(PROBLEM_SCHEMA)


def test_csv_and_json_hold_every_problem() -> None:
    rows = list(csv.DictReader(io.StringIO(problems_as_csv(FOUND))))
    records = json.loads(problems_as_json(FOUND))
    assert len(rows) == len(records) == 5
    assert list(rows[0]) == list(records[0]) == list(PROBLEM_SCHEMA)
    assert [row["message"] for row in rows] == [record["message"] for record in records]
    assert records[-1]["line"] is None


def test_csv_disarms_what_a_spreadsheet_would_run() -> None:
    rows = list(csv.DictReader(io.StringIO(problems_as_csv(FOUND))))
    assert rows[1]["found"] == "'=1+1"
    assert json.loads(problems_as_json(FOUND))[1]["found"] == "=1+1"


@pytest.mark.parametrize("shown", [problems_as_text, problems_as_csv, problems_as_json])
def test_control_characters_are_shown_not_sent(shown: Callable[[pl.DataFrame], str]) -> None:
    text = shown(FOUND)
    assert "\x1b" not in text
    assert "x1b[2Jy" in text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain é 六", "plain é 六"),
        ("a\tb\nc", "a\\tb\\nc"),
        ("\u202egpj.exe", "\\u202egpj.exe"),
        ("zero\u200bwidth", "zero\\u200bwidth"),
        ("\x9b31m", "\\x9b31m"),
        ("no\u00a0break", "no\u00a0break"),
    ],
)
def test_what_cannot_be_seen_is_made_visible(text: str, shown: str) -> None:
    assert visible(text) == shown


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: kind.code)
def test_kind_is_worded_whole(kind: ProblemKind) -> None:
    assert kind.severity in SEVERITIES
    for text in (kind.title, kind.says, kind.expected, kind.mend):
        assert text, f"{kind.code} leaves a wording empty"
        assert not text.endswith((".", " ")), f"{kind.code}: the sentence adds its own full stop"
        names = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
        assert all(name.isidentifier() for name in names)


def test_a_long_cell_is_shown_by_its_start() -> None:
    one = problem("not_a_date", "a.csv", line=2, column="when", found="z" * 10_000)
    assert one.found is not None
    assert one.found.endswith("... (10,000 characters)")
    assert len(one.message) < 400


def test_braces_in_a_cell_are_only_braces() -> None:
    one = problem("not_a_date", "{a}.csv", line=2, column="{when}", found="{0.__class__}{")
    assert '{a}.csv line 2, column {when}: "{0.__class__}{" is not a date' in one.message
