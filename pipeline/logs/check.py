"""The checks of a row: what its step needs, what it may hold, and whether its values can be true."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.logs.diagnose import number_failure, range_failure, when_failure, word_failure
from pipeline.logs.distinct import Distinct
from pipeline.logs.fields import CUTS, Field
from pipeline.logs.header import nearest
from pipeline.logs.sheet import Bools, Details, Sheet
from pipeline.logs.steps import Need, Step
from pipeline.logs.values import (
    Floats,
    Ints,
    Numbers,
    parse_when,
    parse_words,
    plain_item_key,
    plain_word,
)

__all__ = ["check_ingredients", "check_needs", "check_steps", "typed_columns"]

EARLIEST_YEAR, LATEST_YEAR = 1900, 2100

_YES_NO: Mapping[str, object] = {
    **dict.fromkeys(("yes", "y", "true", "1"), True),
    **dict.fromkeys(("no", "n", "false", "0"), False),
}


def typed_columns(sheet: Sheet, date_order: str) -> dict[str, pl.Series]:
    """Every column of the sheet's kind as the typed columns it becomes; failures are marked."""
    typed: dict[str, pl.Series] = {}
    for column in sheet.kind.fields.values():
        match column.type:
            case "text":
                typed |= _typed_text(sheet, column)
            case "when":
                typed |= _typed_when(sheet, column, date_order)
            case "word":
                typed[column.becomes[0]] = _typed_word(sheet, column)
            case "yes_no":
                typed[column.becomes[0]] = _typed_yes_no(sheet, column)
            case "number" if column.quantity is not None:
                typed |= _typed_number(sheet, column)
    return typed


def _typed_text(sheet: Sheet, column: Field) -> dict[str, pl.Series]:
    text = sheet.column(column.name)
    typed = {column.becomes[0]: text}
    if "item_key" in column.becomes:
        distinct = Distinct.of(text)
        keys = distinct.texts.to_frame("text").select(plain_item_key(pl.col("text"))).to_series()
        typed["item_key"] = distinct.spread(keys)
    return typed


def _typed_when(sheet: Sheet, column: Field, date_order: str) -> dict[str, pl.Series]:
    moment, has_time, failed = parse_when(sheet.column(column.name), date_order)
    sheet.mark("not_a_date", failed, column.name, lambda _, text: when_failure(text, date_order))
    year = moment.dt.year().fill_null(EARLIEST_YEAR).to_numpy()
    off = np.flatnonzero((year < EARLIEST_YEAR) | (year > LATEST_YEAR))
    years = {"first": EARLIEST_YEAR, "last": LATEST_YEAR}
    sheet.mark("date_implausible", off, column.name, lambda *_: ("date_implausible", years))
    if off.size:
        moment = moment.scatter(off, None)
    return {"logged_at": moment, "has_time": has_time}


def _typed_word(sheet: Sheet, column: Field) -> pl.Series:
    words: dict[str, object] = {plain_word(word): word for word in column.words}
    value, failed = parse_words(sheet.column(column.name), words, pl.String)
    sheet.mark("unknown_word", failed, column.name, lambda _, text: word_failure(text, column.words))
    return value


def _typed_yes_no(sheet: Sheet, column: Field) -> pl.Series:
    value, failed = parse_words(sheet.column(column.name), _YES_NO, pl.Boolean)
    sheet.mark("unknown_word", failed, column.name, lambda _, text: word_failure(text, column.words))
    return value


def _typed_number(sheet: Sheet, column: Field) -> dict[str, pl.Series]:
    cells = sheet.column(column.name)
    if cells.null_count() == len(cells):
        # Few logs fill every column of numbers.
        return dict.fromkeys(column.becomes, pl.repeat(None, len(cells), dtype=pl.Null, eager=True))
    quantity = sheet.quantity(column)
    numbers = sheet.numbers(column)
    mark_numbers(sheet, column, numbers)
    # A number that cannot be true is not measured, like one that cannot be read.
    numbers = numbers.within_range(quantity)
    if quantity.keeps_unit:
        return {
            column.becomes[0]: _null_for_nan(numbers.rows),
            column.becomes[1]: numbers.labels(quantity),
        }
    value = numbers.in_default_unit(quantity)
    if quantity.name == "serving order":
        broken = np.flatnonzero((value != np.round(value)) & ~np.isnan(value))
        whole = {"quantity": "serving order", "range": "a whole number", "hint": ""}
        sheet.mark("out_of_range", broken, column.name, lambda *_: ("out_of_range", whole))
        value[broken] = np.nan
        return {column.becomes[0]: _null_for_nan(np.round(value)).cast(pl.Int32, strict=False)}
    return {column.becomes[0]: _null_for_nan(value)}


def mark_numbers(sheet: Sheet, column: Field, numbers: Numbers) -> None:
    """Mark the cells of a number column that could not be read or cannot be true."""
    quantity = sheet.quantity(column)

    def unread(row: int, text: str) -> tuple[str, Details]:
        file = sheet.files[int(sheet.file_ids[row])]
        _, unit = numbers.at(row)
        return number_failure(text, quantity, quantity.units[unit], file.decimal_mark)

    def untrue(row: int, _: str) -> tuple[str, Details]:
        number, unit = numbers.at(row)
        return range_failure(column, quantity, quantity.units[unit], number)

    sheet.mark("not_a_number", numbers.failed, column.name, unread)
    sheet.mark("out_of_range", numbers.out_of_range(quantity), column.name, untrue)


def _null_for_nan(values: Floats) -> pl.Series:
    return pl.Series(values).fill_nan(None)


def check_needs(sheet: Sheet, needs: tuple[Need, ...], among: Bools, who: str) -> None:
    """Mark the rows of `among` in which a column is empty that they need; `who` says: "`wort` rows need"."""
    for need in needs:
        met = np.zeros_like(among)
        for option in need:
            met |= np.logical_and.reduce([sheet.is_filled(column) for column in option])
        _mark_missing(sheet, need, np.flatnonzero(among & ~met), who)


def _mark_missing(sheet: Sheet, need: Need, rows: Ints, who: str) -> None:
    column = need[0][0]
    expected = f"{_in_words(need)} ({who} it)"
    others = f" ({_in_words(need[1:])} would do as well)" if len(need) > 1 else ""

    def details(row: int, _: str) -> tuple[str, Details]:
        header = sheet.files[int(sheet.file_ids[row])].header
        is_there = header is not None and column in header.positions
        hint = others if is_there or others else " (the file has no such column)"
        return "missing_value", {"expected": expected, "hint": hint}

    sheet.mark("missing_value", rows, column, details)


def _in_words(need: Need) -> str:
    return " or ".join(" and ".join(option) for option in need)


def check_steps(sheet: Sheet, step_of_row: pl.Series) -> None:
    """Mark what each step needs and lacks, usually has and lacks, or has and does not use.

    Which columns a row fills is its shape: few shapes occur, and only the rows of those amiss are looked at.
    """
    columns = [name for name in sheet.kind.fields if name not in sheet.kind.any_row]
    shapes = _shapes(sheet)
    steps = Distinct.of(step_of_row)
    names = np.array(steps.texts.to_list(), dtype=object)
    for step in sheet.kind.steps:
        rows = steps.rows(np.flatnonzero(names == step.name))
        if rows.size == 0:
            continue
        occurring = _Shapes(tuple(sheet.kind.fields), rows, shapes[rows])
        for need in step.needs:
            _mark_missing(sheet, need, occurring.lacking(need), f"`{step.name}` rows need")
        for name in step.expects:
            _mark_not_measured(sheet, step, name, occurring.lacking(((name,),)))
        for name in columns:
            if name not in step.columns:
                sheet.mark(
                    "column_not_for_step",
                    occurring.filling(name),
                    name,
                    lambda *_, step=step: ("column_not_for_step", {"step": f"`{step.name}`"}),
                )


def _shapes(sheet: Sheet) -> Ints:
    """Per row a number with a bit for each column of the kind, set where the row fills it."""
    shapes = np.zeros(len(sheet.text), dtype=np.int64)
    for bit, name in enumerate(sheet.kind.fields):
        if sheet.column(name).null_count() < len(shapes):
            shapes |= sheet.is_filled(name).astype(np.int64) << bit
    return shapes


class _Shapes:
    """Some rows of a sheet by their shapes."""

    def __init__(self, columns: tuple[str, ...], rows: Ints, shapes: Ints) -> None:
        self._bits = {name: 1 << bit for bit, name in enumerate(columns)}
        self._rows, self._shapes = rows, shapes
        self._occurring: list[int] = pl.Series(shapes).unique().to_list()

    def lacking(self, need: Need) -> Ints:
        """The rows in which none of the choices of `need` has all its columns filled."""
        choices = [sum(self._bits[column] for column in option) for option in need]
        return self._of([s for s in self._occurring if not any(s & choice == choice for choice in choices)])

    def filling(self, name: str) -> Ints:
        """The rows that fill a column."""
        return self._of([shape for shape in self._occurring if shape & self._bits[name]])

    def _of(self, shapes: list[int]) -> Ints:
        return self._rows[np.isin(self._shapes, shapes)] if shapes else self._rows[:0]


def _mark_not_measured(sheet: Sheet, step: Step, name: str, rows: Ints) -> None:
    if name == "cut":
        words = ", ".join(CUTS)
        sheet.mark("cut_undecided", rows, name, lambda *_: ("cut_undecided", {"words": words}))
        return
    wording = {"step": f"`{step.name}`"}
    sheet.mark("not_measured", rows, name, lambda *_: ("not_measured", wording))


def check_ingredients(sheet: Sheet, step: pl.Series, item_key: pl.Series, known: pl.Series) -> None:
    """Mark the grain and sugar rows whose item is in no ingredient list, with the nearest that is."""
    # A name of nothing but signs comes to no key, and is none that is known.
    names = known.drop_nulls()
    is_known = item_key.is_in(names.implode()).fill_null(False)
    used = step.is_in(["grain", "sugar"]) & pl.Series(sheet.is_filled("item")) & ~is_known
    rows = np.flatnonzero(used.fill_null(False).to_numpy())
    offers: dict[str | None, str] = {}

    def offer(row: int, _: str) -> tuple[str, Details]:
        key = item_key[row]
        if key not in offers:
            near = nearest(key, names) if key is not None else None
            offers[key] = f" (is it {near}?)" if near else ""
        return "unknown_ingredient", {"hint": offers[key]}

    sheet.mark("unknown_ingredient", rows, "item", offer)
