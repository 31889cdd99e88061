"""Problems: everything the tool can find wrong with a season's logs, and how it says so.

`KINDS` is the catalogue, one entry a kind; documentation, messages, exports and the report's marks
come from it. To add a kind, add one `ProblemKind` to `_CATALOGUE` and make it with `problem(...)`.
Knows no files and no tables: where a problem was found is told to it.
"""

from __future__ import annotations

import csv
import io
import json
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Literal

import polars as pl

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

Severity = Literal["unreadable", "implausible", "unusual"]
Effect = Literal["file set aside", "row set aside", "row used", "nothing set aside"]

SEVERITIES: Mapping[str, str] = {
    "unreadable": "Cannot be read",
    "implausible": "Implausible by physics",
    "unusual": "Unusual, worth a look",
}
"""The three severities, worst first, with the heading each is listed under."""

LONGEST_FOUND = 80
"""How much of a cell is shown in a message; the whole cell stays in the raw tables."""


@dataclass(frozen=True)
class ProblemKind:
    """One kind of problem.

    `says` is the clause after the place: it may hold `{found}` and the details its maker gives.
    `expected` and `mend` are full clauses and may hold details too. `effect` says what becomes of
    the row or file.
    """

    code: str
    severity: Severity
    title: str
    says: str
    expected: str
    mend: str
    effect: Effect = "row set aside"


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

_CATALOGUE = (
    # --- files that cannot be read
    ProblemKind(
        "cannot_open",
        "unreadable",
        "a file that cannot be opened",
        "cannot be opened ({found})",
        "a file that you may read",
        "check that the file is there and that you are allowed to read it",
        "file set aside",
    ),
    ProblemKind(
        "not_text",
        "unreadable",
        "a file that is not text",
        "is not text: {found}",
        "a CSV file, which any text editor can open",
        "open it in the program that wrote it and save it as CSV (UTF-8)",
        "file set aside",
    ),
    ProblemKind(
        "mixed_encoding",
        "unreadable",
        "broken characters",
        "holds bytes that are not {encoding} text: {found}",
        "one encoding through the whole file",
        "open the file in a text editor, retype that line and save it as UTF-8",
        "file set aside",
    ),
    ProblemKind(
        "not_csv",
        "unreadable",
        "a spreadsheet or packed file",
        "is {found}, which is not read",
        "plain text: .csv or .tsv",
        "save it as CSV (UTF-8) beside the other logs",
        "file set aside",
    ),
    ProblemKind(
        "unknown_header",
        "unreadable",
        "a header that fits no kind of log",
        "has a header that fits no kind of log: {found}{hint}",
        "{kinds}",
        "correct the column names in the first line",
        "file set aside",
    ),
    ProblemKind(
        "two_kinds",
        "unreadable",
        "a header that fits two kinds of log",
        "has a header that fits two kinds of log, {kinds}: {found}",
        "the columns of one kind of log",
        "keep the two kinds in two files, or rename the column that does not belong",
        "file set aside",
    ),
    ProblemKind(
        "duplicate_column",
        "unreadable",
        "a column named twice",
        "names a column twice: {found}",
        "each column once (capitals, spaces, hyphens and underscores make no difference)",
        "rename or remove one of the two",
        "file set aside",
    ),
    ProblemKind(
        "unknown_header_unit",
        "unreadable",
        "an unknown unit in the header",
        '"{found}" names a unit that is not known for {quantity}',
        "one of {units}",
        "correct the unit between the square brackets",
        "file set aside",
    ),
    ProblemKind(
        "mixed_decimals",
        "unreadable",
        "decimal points and decimal commas in one file",
        "writes decimals in two ways: {found}",
        "decimal points through the whole file, or decimal commas",
        "find which of the two is meant and write all numbers that way",
        "file set aside",
    ),
    # --- rows that cannot be read
    ProblemKind(
        "broken_quotes",
        "unreadable",
        "a quote that is not closed, or closed too early",
        "has a double quote that does not close or stands inside a cell: {found}",
        'a cell with quotes written "like this", and a quote within it doubled: "a 5"" pipe"',
        "close the quote, double it, or take it out",
    ),
    ProblemKind(
        "cell_too_long",
        "unreadable",
        "a cell too long for any log",
        "has a cell of more than {limit:,} characters",
        "cells of a line or two",
        "look for a double quote that was never closed, or take the text out",
    ),
    ProblemKind(
        "ragged_row",
        "unreadable",
        "a row with too many or too few cells",
        "has {cells} cells where the header has {columns}: {found}",
        "as many cells as the header has columns, empty ones included",
        "look for a delimiter too many or too few; put a text that holds one in double quotes",
    ),
    ProblemKind(
        "missing_value",
        "unreadable",
        "a value that is needed is missing",
        "is empty{hint}",
        "{expected}",
        "write it in, or take the row out",
    ),
    ProblemKind(
        "not_a_number",
        "unreadable",
        "not a number",
        '"{found}" is not a number{hint}',
        "{expected}",
        "write the number, with its unit after it if it is not in {unit}; leave the cell empty if it was "
        "not measured",
    ),
    ProblemKind(
        "thousands_separator",
        "unreadable",
        "a number with thousands separators",
        '"{found}" can be read in two ways{hint}',
        "a number without thousands separators, with one decimal {mark} at most",
        "write it without thousands separators",
    ),
    ProblemKind(
        "unknown_unit",
        "unreadable",
        "an unknown unit",
        '"{found}" has a unit that is not known for {quantity}{hint}',
        "one of {units}",
        "correct the unit",
    ),
    ProblemKind(
        "unknown_word",
        "unreadable",
        "a word that is not one of the choices",
        '"{found}" is not known here{hint}',
        "one of {words}",
        "write one of these words",
    ),
    ProblemKind(
        "not_a_date",
        "unreadable",
        "not a date",
        '"{found}" is not a date{hint}',
        "a date like 2025-09-14, or with the time 2025-09-14 08:30",
        "write year-month-day",
    ),
    ProblemKind(
        "date_order_unknown",
        "unreadable",
        "a date whose order is not known",
        '"{found}" does not say which is the day and which the month',
        "a date like 2025-09-14",
        'write year-month-day, or set date_order = "dmy" (or "mdy") in season.toml for all logs',
    ),
    # --- rows that cannot be true
    ProblemKind(
        "out_of_range",
        "implausible",
        "a value outside the plausible range",
        '"{found}" is not a plausible {quantity}{hint}',
        "{range}",
        "check the number and its unit",
    ),
    ProblemKind(
        "score_off_scale",
        "implausible",
        "a score off its scale",
        '"{found}" is off the scale of {attribute}',
        "{low} to {high}",
        "correct the score, or say the scale in the header, as in {attribute} [0-15]",
    ),
    # --- things that are used but worth a look
    ProblemKind(
        "empty_file",
        "unusual",
        "an empty file",
        "is empty",
        "a header line and rows below it",
        "fill it in or take it away",
        "nothing set aside",
    ),
    ProblemKind(
        "no_rows",
        "unusual",
        "a header without rows",
        "has a header but no rows",
        "one row a thing measured or done",
        "fill it in or take it away",
        "nothing set aside",
    ),
    ProblemKind(
        "windows_1252",
        "unusual",
        "a file in Windows-1252",
        "is not UTF-8 and was read as Windows-1252",
        "UTF-8",
        "look whether its accented letters came out right; save it as UTF-8",
        "nothing set aside",
    ),
    ProblemKind(
        "link_not_followed",
        "unusual",
        "a symbolic link",
        "is a symbolic link and was not followed",
        "files that are in the folder themselves",
        "put a copy of the file into the folder if it belongs to the season",
        "nothing set aside",
    ),
    ProblemKind(
        "unknown_column",
        "unusual",
        "a column that the format does not know",
        '"{found}" is not a column of a {kind}{hint}; its text is kept but not used',
        "the columns of the log format",
        "correct the name if it is one of them",
        "nothing set aside",
    ),
    ProblemKind(
        "attribute_not_numeric",
        "unusual",
        "a column of a tasting sheet without scores",
        '"{found}" holds no numbers, so it is no attribute; its text is kept but not used',
        "scores, in a column that is not one of the sheet's own",
        "use `descriptors` or `note` for words",
        "nothing set aside",
    ),
    ProblemKind(
        "unit_ignored",
        "unusual",
        "a unit on a column that has none",
        '"{found}" has a unit, but the column holds no quantity',
        "a column name without square brackets",
        "take the square brackets out",
        "nothing set aside",
    ),
    ProblemKind(
        "not_measured",
        "unusual",
        "a measurement that is usually there is missing",
        "is empty: {step} rows usually have it",
        "a measurement",
        "write it in if it was taken; figures that need it say not measured",
        "row used",
    ),
    ProblemKind(
        "cut_undecided",
        "unusual",
        "a jar whose cut is not decided",
        "is empty: the cut of this jar is not decided yet",
        "one of {words}",
        "write the cut in when it is decided; until then the jar is in no cut",
        "row used",
    ),
    ProblemKind(
        "column_not_for_step",
        "unusual",
        "a value in a column that the step does not use",
        '"{found}" is not used: {step} rows have no such value',
        "an empty cell",
        "check that the value stands in the right column and row",
        "row used",
    ),
    ProblemKind(
        "unknown_ingredient",
        "unusual",
        "an ingredient that is in no list",
        '"{found}" is in no ingredient list, so its extract is not known{hint}',
        "a name from the built-in catalogue or from your own ingredient list",
        "correct the name, or add it with its extract to an ingredient list",
        "row used",
    ),
)

KINDS: Mapping[str, ProblemKind] = {kind.code: kind for kind in _CATALOGUE}
"""Every kind of problem by its code, in the order in which they are listed (worst first)."""

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
    **details: object,
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
    records = [asdict(each) for each in problems]
    return pl.DataFrame(records, schema=PROBLEM_SCHEMA, orient="row")


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
