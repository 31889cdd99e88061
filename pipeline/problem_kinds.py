"""The catalogue of problem kinds: everything the tool can find wrong, one entry a kind.

Documentation, messages, exports and the report's marks come from `KINDS`. To add a kind, add one
`ProblemKind` to `_CATALOGUE` and make problems of it with `pipeline.problems.problem`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = ["KINDS", "SEVERITIES", "Effect", "ProblemKind", "Severity"]

Severity = Literal["unreadable", "implausible", "unusual"]
Effect = Literal["file set aside", "row set aside", "cell set aside", "row used", "nothing set aside"]

SEVERITIES: Mapping[str, str] = {
    "unreadable": "Cannot be read",
    "implausible": "Implausible by physics",
    "unusual": "Unusual, worth a look",
}
"""The three severities, worst first, with the heading each is listed under."""


@dataclass(frozen=True)
class ProblemKind:
    """One kind of problem.

    `says` is the clause after the place: it may hold `{found}` and the details its maker gives.
    `expected` and `mend` are full clauses and may hold details too. `effect` says what becomes of
    the cell, row or file: a cell set aside counts as not measured, the rest of its row is used.
    """

    code: str
    severity: Severity
    title: str
    says: str
    expected: str
    mend: str
    effect: Effect = "row set aside"


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
        '"{found}" names a unit that is not known for {quantity}{hint}',
        "{units}",
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
        "write the number{unit}; leave the cell empty if it was not measured",
        "cell set aside",
    ),
    ProblemKind(
        "thousands_separator",
        "unreadable",
        "a number with thousands separators",
        '"{found}" can be read in two ways{hint}',
        "a number without thousands separators, with one decimal {mark} at most",
        "write it without thousands separators",
        "cell set aside",
    ),
    ProblemKind(
        "unknown_unit",
        "unreadable",
        "an unknown unit",
        '"{found}" has a unit that is not known for {quantity}{hint}',
        "{units}",
        "correct the unit",
        "cell set aside",
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
        "cell set aside",
    ),
    ProblemKind(
        "date_implausible",
        "implausible",
        "a date outside the plausible years",
        '"{found}" is not a plausible date',
        "a year from {first} to {last}",
        "check the year",
    ),
    ProblemKind(
        "score_off_scale",
        "implausible",
        "a score off its scale",
        '"{found}" is off the scale of {attribute}',
        "{low} to {high}",
        "correct the score, or say the scale in the header, as in {attribute} [0-15]",
        "cell set aside",
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
    # --- what the account finds
    ProblemKind(
        "strength_above_azeotrope",
        "implausible",
        "a strength no pot still gives",
        "is {found}",
        "{expected}",
        "read it again: a digit too many, or a proof written in a column of %vol",
        "row used",
    ),
    ProblemKind(
        "final_gravity_above_original",
        "implausible",
        "a wash that ends heavier than it began",
        "the final gravity is {found}",
        "{expected}",
        "look for a mistyped digit in the first or the last gravity of the wash",
        "row used",
    ),
    ProblemKind(
        "mash_efficiency_above_one",
        "implausible",
        "more extract than the grain holds",
        "gives {found}",
        "{expected}",
        "check the grain's mass, the wort's volume (read hot?) and gravity, and that every grain and sugar "
        "is logged",
        "row used",
    ),
    ProblemKind(
        "run_gains_alcohol",
        "implausible",
        "a run that gives more alcohol than was charged",
        "does not close: {found}",
        "{expected}",
        "check the volume and strength of the charge and of the largest vessel collected: digits swapped, "
        "a slipped point",
        "row used",
    ),
    ProblemKind(
        "run_loses_alcohol",
        "implausible",
        "a run that loses alcohol",
        "does not close: {found}",
        "{expected}",
        "check the volume and strength of the charge and of the largest vessel collected, and that every "
        "jar is logged",
        "row used",
    ),
    ProblemKind(
        "lot_overdrawn",
        "implausible",
        "a lot drawn beyond what it held",
        "{found} is more than there was",
        "{expected}",
        "check this volume and those that filled the lot, and that the source is the right one",
        "row used",
    ),
    ProblemKind(
        "extract_gap",
        "implausible",
        "a wash that does not hold what was run into it",
        "does not agree with the worts: {found}",
        "{expected}",
        "check the volumes and gravities of the worts and of the wash, and that every sugar is logged",
        "row used",
    ),
    ProblemKind(
        "jar_off_curve",
        "unusual",
        "a jar that its run's curve does not allow",
        "is {found}",
        "{expected}",
        "look for swapped digits, a slipped point or a jar not logged; if it is right, leave it",
        "row used",
    ),
    ProblemKind(
        "source_unknown",
        "unusual",
        "a source that names no lot",
        '"{found}" is no lot that any row fills',
        "{expected}",
        "write the lot's name as it was filled, or log what filled it",
        "row used",
    ),
    ProblemKind(
        "sample_unknown",
        "unusual",
        "a sample that no log knows",
        '"{found}" is in no batch or cask log',
        "{expected}",
        "write the name as the batch or cask log has it",
        "row used",
    ),
    # --- what the panel's sheets show
    ProblemKind(
        "sheet_pasted_twice",
        "implausible",
        "a tasting sheet that is there twice",
        "begins a sheet whose {found} are all there once before",
        "{expected}",
        "take the copy out, or correct its assessor and session; the same sheet of the same person counts once",
        "row used",
    ),
    ProblemKind(
        "scores_all_alike",
        "unusual",
        "an assessor who scored everything alike",
        "{found}",
        "{expected}",
        "ask whether the sheet was filled in at the table; such a sheet tells the samples apart no better, but it "
        "counts",
        "row used",
    ),
    ProblemKind(
        "key_unmatched",
        "unusual",
        "a key and a sheet that do not match",
        '"{found}" does not match',
        "{expected}",
        "compare the key with the sheet: codes swapped, a digit wrong, another session's name",
        "row used",
    ),
    ProblemKind(
        "sample_not_blind",
        "unusual",
        "a sample that was not blind",
        '"{found}" says what it is',
        "{expected}",
        "pour under codes and write what they were in a key afterwards: stillseason panel makes both",
        "row used",
    ),
    ProblemKind(
        "strength_between_neighbours",
        "unusual",
        "a jar's strength taken between its neighbours",
        "was not read",
        "{expected}",
        "read every jar, or leave it: the figure is marked as estimated",
        "row used",
    ),
)

KINDS: Mapping[str, ProblemKind] = {kind.code: kind for kind in _CATALOGUE}
"""Every kind of problem by its code, in the order in which they are listed (worst first)."""
