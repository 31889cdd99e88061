"""All rows of one kind of log on the way from text to values, and the cells that failed on the way.

A check marks rows by position over the whole column at once; only the cells marked are then looked at
one by one, to say what is the matter with each.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.logs.decimals import settle_quoted_commas
from pipeline.logs.decode import BROKEN
from pipeline.logs.fields import Field, FileKind, quantity_of
from pipeline.logs.identity import CAN_DO_WITHOUT
from pipeline.logs.log_file import ReadFile
from pipeline.logs.units import Quantity
from pipeline.logs.values import Ints, Marks, Numbers, parse_numbers
from pipeline.problems import KINDS, Problem, problem

__all__ = ["BROKEN_KINDS", "Failure", "Sheet"]

BROKEN_KINDS = ("broken_bytes", "broken_bytes_in_cell")

Bools = npt.NDArray[np.bool_]
Details = Mapping[str, Any]


@dataclass(frozen=True)
class Failure:
    """One thing wrong with one cell (`column` None: with the row): the problem kind and its details."""

    row: int
    column: str | None
    code: str
    found: str | None
    details: Details


@dataclass
class Sheet:
    """The rows of one kind of log.

    `text` has file_id, line and every column of the kind, trimmed, null where blank. `row_is_bad` marks
    the rows that cannot be used, `is_total` those among them that only sum up what stands above.
    """

    kind: FileKind
    text: pl.DataFrame
    files: Mapping[int, ReadFile]
    currency: str
    failures: list[Failure] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.row_is_bad: Bools = np.zeros(len(self.text), dtype=np.bool_)
        self.is_total: Bools = np.zeros(len(self.text), dtype=np.bool_)
        self.file_ids: npt.NDArray[np.int32] = self.text["file_id"].to_numpy()
        self.file_count = max(self.files, default=0) + 1
        self._cells_aside: dict[int, list[str]] = {}

    def column(self, name: str) -> pl.Series:
        """A column's trimmed text."""
        return self.text[name]

    def is_filled(self, name: str) -> Bools:
        """Per row whether the column holds anything."""
        return self.text[name].is_not_null().to_numpy()

    def quantity(self, column: Field) -> Quantity:
        """The quantity of a number column, prices in the season's currency."""
        quantity = quantity_of(column, self.currency)
        if quantity is None:
            raise TypeError(f"{column.name} holds no number")
        return quantity

    def lose_broken_cells(self) -> None:
        """Mark the cells that hold bytes that are no text, and empty those that a row can do without.

        A name, a date or a word with such bytes costs its row: what it says of the row cannot be told.
        Cells of numbers fail on their own, and are marked then.
        """
        for name in self._broken_columns():
            column = self.text[name]
            rows = np.flatnonzero(self._is_broken(name))
            self.mark("broken_bytes", rows, name)
            if name in CAN_DO_WITHOUT:
                self.text = self.text.with_columns(column.cast(pl.String).scatter(rows, None))

    def legible(self, name: str) -> pl.Series:
        """A column's trimmed text, without what holds bytes that are no text."""
        return self.column(name).cast(pl.String).scatter(np.flatnonzero(self._is_broken(name)), None)

    def _broken_columns(self) -> list[str]:
        if not any(file.broken for file in self.files.values()):
            return []
        return [name for name, each in self.kind.fields.items() if each.type == "text"]

    def _is_broken(self, name: str) -> Bools:
        broken = [number for number, file in self.files.items() if file.broken]
        if not broken:
            return np.zeros(len(self.text), dtype=np.bool_)
        holds = self.text[name].cast(pl.String).str.contains(BROKEN, literal=True).fill_null(False).to_numpy()
        return holds & np.isin(self.file_ids, broken)

    def mark(
        self,
        code: str,
        rows: Ints,
        column: str | None,
        details: Callable[[int, str], tuple[str, Details]] | None = None,
    ) -> None:
        """Note a problem of kind `code` on the cells of `column` in `rows`.

        `details` is asked, for each such cell, for the kind (it may know better) and its wording.
        """
        if rows.size == 0:
            return
        found = [None] * rows.size if column is None else self.text[column].gather(rows).to_list()
        for row, text in zip(rows.tolist(), found, strict=True):
            file = self.file_of(row)
            if column is not None and file.is_broken(text):
                # Whatever else is the matter with it comes of that.
                its_code = "broken_bytes_in_cell" if self._can_do_without(column) else "broken_bytes"
                words: Details = file.broken_details(int(self.text["line"][row]))
            else:
                its_code, words = (code, {}) if details is None else details(row, text or "")
            self.failures.append(Failure(row, column, its_code, text, words))
            if KINDS[its_code].effect == "row set aside":
                self.row_is_bad[row] = True
            elif KINDS[its_code].effect == "cell set aside" and column is not None:
                self._cells_aside.setdefault(row, []).append(column)

    def _can_do_without(self, name: str) -> bool:
        each = self.kind.fields[name]
        return each.type == "number" or name in CAN_DO_WITHOUT

    def cells_set_aside(self) -> pl.Series:
        """Per row the columns whose cell was set aside, with a space between them; null where none was."""
        names = pl.repeat(None, len(self.text), dtype=pl.String, eager=True)
        rows = sorted(self._cells_aside)
        texts = [" ".join(dict.fromkeys(self._cells_aside[row])) for row in rows]
        return names.scatter(rows, pl.Series(texts, dtype=pl.String)) if rows else names

    def numbers(self, column: Field, text: pl.Series | None = None) -> Numbers:
        """Parse a number column of the format, with the units of its files' headers."""
        quantity = self.quantity(column)
        cells = self.column(column.name) if text is None else text
        units = self._default_units(column.name, quantity)
        numbers = parse_numbers(cells, quantity, units, self.marks(self.file_ids))
        if self._settle_commas(cells, numbers.failed):
            numbers = parse_numbers(cells, quantity, units, self.marks(self.file_ids))
        return numbers

    def _settle_commas(self, cells: pl.Series, failed: Ints) -> bool:
        """Look whether commas group thousands in the files of the cells that failed; True if in any."""
        rows = failed[cells.gather(failed).cast(pl.String).str.contains(r"[0-9],[0-9]{3}").to_numpy()]
        asked = [
            number
            for number in np.unique(self.file_ids[rows]).tolist()
            if self.files[number].delimiter == "," and not self.files[number].is_comma_settled
        ]
        for number in asked:
            settle_quoted_commas(self.text, number, self.files[number])
        return any(self.files[number].may_group for number in asked)

    def _default_units(self, name: str, quantity: Quantity) -> Ints:
        by_file = np.zeros(self.file_count, dtype=np.int64)
        for file_id, file in self.files.items():
            unit = file.header.units.get(name) if file.header is not None else None
            if unit is not None:
                by_file[file_id] = quantity.units.index(unit)
        return by_file[self.file_ids]

    def marks(self, file_ids: npt.NDArray[np.int32]) -> Marks | None:
        """How the files of `file_ids` write numbers; None when all write decimal points and no thousands."""
        is_comma, may_group, is_undecided = np.zeros((3, self.file_count), dtype=np.bool_)
        for file_id, file in self.files.items():
            is_comma[file_id] = file.decimal_mark == ","
            may_group[file_id], is_undecided[file_id] = file.may_group, file.is_undecided
        if not (is_comma | may_group | is_undecided).any():
            return None
        return Marks(is_comma[file_ids], may_group[file_ids], is_undecided[file_ids])

    def name_by_file(self, column: str) -> None:
        """Fill `column` with the file's name in files that have nothing in it."""
        filled = self.is_filled(column)
        has_some = np.bincount(self.file_ids, weights=filled, minlength=self.file_count) > 0
        for number, file in self.files.items():
            # Of a file that is read lot by lot another lot may have what this one lacks.
            has_some[number] = has_some[number] or file.fills(column)
        if has_some[self.file_ids].all():
            return
        names = [self.files[n].stem or None if n in self.files else None for n in range(self.file_count)]
        stems = pl.Series(names, dtype=pl.String)
        named = stems.gather(self.file_ids)
        use_name = pl.Series(~has_some[self.file_ids])
        self.text = self.text.with_columns(
            pl.select(pl.when(use_name).then(named).otherwise(self.text[column].cast(pl.String)))
            .to_series()
            .alias(column)
        )

    def problems(self) -> list[Problem]:
        """Every failure as a problem with its file, line and column as the user wrote it.

        Of a file that is refused whole only that is said.
        """
        failures = [each for each in self.failures if not self.file_of(each.row).is_refused]
        if not failures:
            return []
        # A cell whose bytes are broken can fail in more than one way, and is told once.
        told = {
            (each.row, each.column, number if each.code not in BROKEN_KINDS else 0): each
            for number, each in enumerate(failures, start=1)
        }
        failures = list(told.values())
        rows = [failure.row for failure in failures]
        lines = self.text["line"].gather(rows).to_list()
        batches = self._batches(rows)
        return [
            self._as_problem(failure, line, batch)
            for failure, line, batch in zip(failures, lines, batches, strict=True)
        ]

    def file_of(self, row: int) -> ReadFile:
        """The file that a row stands in."""
        return self.files[int(self.file_ids[row])]

    def _batches(self, rows: list[int]) -> list[str | None]:
        if "batch" not in self.text.columns:
            return [None] * len(rows)
        return self.text["batch"].gather(rows).to_list()

    def _as_problem(self, failure: Failure, line: int, batch: str | None) -> Problem:
        file = self.file_of(failure.row)
        column = failure.column
        if column is not None and column in self.kind.fields and file.header is not None:
            column = file.header.written(column)
        return problem(
            failure.code,
            file.name,
            line=line,
            column=column,
            found=failure.found,
            batch=batch,
            **failure.details,
        )
