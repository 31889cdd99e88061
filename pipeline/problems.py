"""Problems: what is wrong with a season's logs, as records, as sentences, as CSV and as JSON.

The kinds are in `pipeline.problem_kinds`. Knows no files and no tables: where a problem was found is
told to it.
"""

from __future__ import annotations

import csv
import io
import json
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

import polars as pl

from pipeline.problem_kinds import KINDS, SEVERITIES, ProblemKind

__all__ = [
    "KINDS",
    "PROBLEM_SCHEMA",
    "SEVERITIES",
    "Problem",
    "ProblemKind",
    "count_sentence",
    "problem",
    "problems_as_csv",
    "problems_as_json",
    "problems_as_text",
    "problems_frame",
    "sort_problems",
    "visible",
]

LONGEST_FOUND = 80
"""How much of a cell is shown in a message; the whole cell stays in the raw tables."""


@dataclass(frozen=True)
class Problem:
    """One problem found: where, what stood there, what was expected and how to mend it."""

    kind: str
    severity: str
    file: str
    line: int | None
    column: str | None
    found: str | None
    expected: str
    mend: str
    batch: str | None
    message: str


PROBLEM_SCHEMA: dict[str, type[pl.DataType]] = {
    "kind": pl.String,
    "severity": pl.String,
    "file": pl.String,
    "line": pl.Int32,
    "column": pl.String,
    "found": pl.String,
    "expected": pl.String,
    "mend": pl.String,
    "batch": pl.String,
    "message": pl.String,
}

_as_row = attrgetter(*PROBLEM_SCHEMA)

# Direction marks and zero-width characters can make a message read as what it is not.
_UNSEEN_CATEGORIES = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def visible(text: str) -> str:
    """`text` with every control, direction and other unseen character shown as an escape.

    What comes back can be printed on a terminal and put into a one-line message.

    >>> print(visible("5\\x1b[2J L"))
    5\\x1b[2J L
    """
    if text.isprintable():
        return text
    return "".join(_visible_character(character) for character in text)


def _visible_character(character: str) -> str:
    if unicodedata.category(character) in _UNSEEN_CATEGORIES:
        return character.encode("unicode_escape").decode("ascii")
    return character


def _clipped(text: str) -> str:
    if len(text) <= LONGEST_FOUND:
        return visible(text)
    return f"{visible(text[:LONGEST_FOUND])}... ({len(text):,} characters)"


def problem(
    code: str,
    file: str,
    *,
    line: int | None = None,
    column: str | None = None,
    found: str | None = None,
    batch: str | None = None,
    **details: Any,
) -> Problem:
    """Make the problem of kind `code` found in `file`.

    `line` is counted as an editor shows it (the header of a plain file is line 1), `column` is the
    name as the user wrote it, `found` the text that stood there. `details` fill the kind's wording.
    A kind that words its own `{hint}` gets an empty one when none is given.
    """
    kind = KINDS[code]
    shown = None if found is None else _clipped(found)
    words: dict[str, object] = {"hint": "", **details, "found": "" if shown is None else shown}
    words = {name: visible(value) if isinstance(value, str) else value for name, value in words.items()}
    expected = kind.expected.format_map(words)
    mend = kind.mend.format_map(words)
    place = visible(file)
    if line is not None:
        place += f" line {line}"
    if column is not None:
        place += f", column {_clipped(column)}:"
    says = kind.says.format_map(words)
    return Problem(
        kind=code,
        severity=kind.severity,
        file=visible(file),
        line=line,
        column=None if column is None else _clipped(column),
        found=shown,
        expected=expected,
        mend=mend,
        batch=batch,
        message=f"{place} {says}. Expected {expected}. Mend: {mend}.",
    )


def problems_frame(problems: Iterable[Problem]) -> pl.DataFrame:
    """The problems as a frame with `PROBLEM_SCHEMA`, in the order given."""
    rows = [_as_row(each) for each in problems]
    return pl.DataFrame(rows, schema=PROBLEM_SCHEMA, orient="row")


def sort_problems(problems: pl.DataFrame) -> pl.DataFrame:
    """The problems worst first: by severity, then kind as in the catalogue, then file and line."""
    severity_rank = {name: rank for rank, name in enumerate(SEVERITIES)}
    kind_rank = {name: rank for rank, name in enumerate(KINDS)}
    return problems.sort(
        pl.col("severity").replace_strict(severity_rank, return_dtype=pl.Int32),
        pl.col("kind").replace_strict(kind_rank, return_dtype=pl.Int32),
        "file",
        "line",
        "column",
        "found",
        "expected",
        "batch",
        "message",
        nulls_last=False,
        maintain_order=True,
    )


def count_sentence(problems: pl.DataFrame) -> str:
    """How many problems of each severity, in how many files, as one sentence."""
    if problems.is_empty():
        return "No problems."
    counts = dict(problems.group_by("severity").len().iter_rows())
    parts = [f"{counts[name]:,} {name}" for name in SEVERITIES if name in counts]
    files = problems["file"].n_unique()
    total = f"{len(problems):,} problem{'' if len(problems) == 1 else 's'}"
    return f"{total} in {files:,} file{'' if files == 1 else 's'}: {', '.join(parts)}."


def problems_as_text(problems: pl.DataFrame, most_of_a_kind: int | None = None) -> str:
    """The problems grouped by severity and kind, counted, worst first; a sentence each.

    `most_of_a_kind` limits how many of one kind are listed; the rest is counted.
    """
    blocks = [count_sentence(problems)]
    ordered = sort_problems(problems)
    for severity, heading in SEVERITIES.items():
        of_severity = ordered.filter(pl.col("severity") == severity)
        if of_severity.is_empty():
            continue
        blocks.append(f"\n{heading}: {len(of_severity):,}")
        for code in of_severity["kind"].unique(maintain_order=True):
            messages = of_severity.filter(pl.col("kind") == code)["message"].to_list()
            blocks.append(_kind_block(KINDS[code], messages, most_of_a_kind))
    return "\n".join(blocks) + "\n"


def _kind_block(kind: ProblemKind, messages: list[str], most: int | None) -> str:
    listed = messages if most is None else messages[:most]
    lines = [f"  {kind.title}: {len(messages):,} ({kind.effect})"]
    lines += [f"    {visible(message)}" for message in listed]
    if len(listed) < len(messages):
        lines.append(f"    and {len(messages) - len(listed):,} more of this kind")
    return "\n".join(lines)


# Spreadsheets run a cell that begins with one of these as a formula.
_FORMULA_STARTS = ("=", "+", "-", "@")


def problems_as_csv(problems: pl.DataFrame) -> str:
    """The problems as CSV (RFC 4180, with a header), worst first.

    A text that a spreadsheet would run as a formula gets an apostrophe in front.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(problems.columns)
    for row in sort_problems(problems).iter_rows():
        writer.writerow([_cell_of_csv(value) for value in row])
    return out.getvalue()


def _cell_of_csv(value: object) -> object:
    if not isinstance(value, str):
        return value
    shown = visible(value)
    return f"'{shown}" if shown.startswith(_FORMULA_STARTS) else shown


def problems_as_json(problems: pl.DataFrame) -> str:
    """The problems as a JSON array of objects, worst first; an empty cell is null."""
    records = [
        {name: visible(value) if isinstance(value, str) else value for name, value in row.items()}
        for row in sort_problems(problems).iter_rows(named=True)
    ]
    return json.dumps(records, ensure_ascii=False, indent=2) + "\n"
