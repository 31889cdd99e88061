"""Headers: which delimiter, which kind of log, which columns, in which units.

Nothing is guessed: a header that fits no kind of log, or two, or names a column twice or a unit that is
not known, makes a problem that names the file.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from pipeline.logs.fields import (
    ALL_KINDS,
    BATCH_LOG,
    CASK_LOG,
    DIFFERENCE_TEST,
    FIELDS,
    INGREDIENT_LIST,
    KINDS_OF_FILE,
    SCORE_SCALE,
    TASTING_KEY,
    TASTING_SHEET,
    column_key,
    quantity_of,
)
from pipeline.logs.records import split_cells
from pipeline.logs.units import Quantity, Unit, unit_key
from pipeline.problems import Problem, problem

__all__ = ["Extra", "Header", "HeaderError", "header_of_cells", "nearest", "read_header"]

DELIMITERS = (",", ";", "\t")

MOST_COLUMNS = 1000
"""Columns of a log at most: no format has a tenth of them, and each would be a column of a table."""

_BRACKETED = re.compile(r"^(?P<name>.*?)\s*\[(?P<unit>[^\[\]]*)\]\s*$", re.DOTALL)
_NAME_AND_UNIT = re.compile(r"^(?P<name>[^\W\d_]+)[\s,/]*(?P<unit>\([^()]+\)|[°%]?[^\W\d_]+)\s*$")
_SCALE = re.compile(r"^\s*(-?[0-9]+(?:\.[0-9]+)?)\s*(?:-|–|to)\s*(-?[0-9]+(?:\.[0-9]+)?)\s*$")
_OF_TABLES = frozenset(("file_id", "score_mean", "lpa_frac_start", "poured_pct_vol"))
"""Columns that only tables of a season have: each table whose others would fit a log has one of them."""

# What distillers call columns of the format (common practice, no source): offered in a message, never taken.
_ALSO_CALLED = {
    "when": ("date", "day", "time", "datetime", "timestamp"),
    "strength": ("abv", "alcohol", "alc", "proof"),
    "gravity": ("sg", "og", "fg", "plato", "brix", "density"),
    "volume": ("litres", "liters", "gallons", "l"),
    "mass": ("weight", "kg", "lb", "quantity", "amount"),
    "cask": ("barrel",),
    "assessor": ("taster", "judge"),
    "by": ("operator", "who"),
    "note": ("notes", "comment", "comments", "remark", "remarks"),
}

_KNOWN_KEYS = frozenset(each.name for each in FIELDS)


Notice = tuple[str, str, Mapping[str, Any]]
"""A problem that does not keep a file from being used: its kind, the column as written, the wording."""


class HeaderError(ValueError):
    """A header that cannot be used: the problem kind and the details of its wording."""

    def __init__(self, code: str, found: str, column: str | None = None, **details: Any) -> None:
        super().__init__(found)
        self.code, self.found, self.column, self.details = code, found, column, details

    def as_problem(self, file: str, line: int) -> Problem:
        """The problem this error is, for the header on `line` of `file`."""
        return problem(self.code, file, line=line, column=self.column, found=self.found, **self.details)


@dataclass(frozen=True)
class Extra:
    """A column that is not the format's own: in a tasting sheet an attribute with its scale.

    `name` is what it is called where its text is kept; `attribute` is None when the column has no name.
    """

    position: int
    name: str
    attribute: str | None
    low: float
    high: float


@dataclass(frozen=True)
class Header:
    """What a header says: the kind of log, and for each column of it where it stands and in which unit.

    `names` are the columns as written; `notices` the problems that do not keep the file from being used,
    as (code, column as written, details).
    """

    kind: str
    delimiter: str
    names: tuple[str, ...]
    positions: Mapping[str, int]
    units: Mapping[str, Unit]
    extras: tuple[Extra, ...]
    score_scale: tuple[float, float]
    notices: tuple[Notice, ...] = field(default=())

    def written(self, column: str) -> str:
        """The column's name as the user wrote it; the format's own name when the file lacks it."""
        position = self.positions.get(column)
        return column if position is None else self.names[position]


def format_column(written: str) -> str:
    """The log format's own name for a column as a user wrote it, without its unit.

    >>> format_column("Volume [gal]")
    'volume'
    """
    return column_key(_name_and_unit(written)[0])


def nearest(word: str, choices: Iterable[str], cutoff: float = 0.6) -> str | None:
    """The choice most like `word`, or None when none is at all like it."""
    found = difflib.get_close_matches(word[:100], list(choices), n=1, cutoff=cutoff)
    return found[0] if found else None


@lru_cache(maxsize=4096)
def read_header(line: str, currency: str = "") -> Header:
    """Read a header line; `currency` is the season's.

    Raises `HeaderError` when it fits no kind of log, or more than one.
    """
    delimiter, names = _split_header(line)
    return header_of_cells(delimiter, names, line, currency)


def header_of_cells(delimiter: str, names: Sequence[str], line: str, currency: str = "") -> Header:
    """The header whose column names are `names`; `line` is how it reads as a line, for messages.

    Raises `HeaderError` when it fits no kind of log, or more than one.
    """
    if len(names) > MOST_COLUMNS:
        raise HeaderError("too_many_columns", f"{len(names):,}", most=MOST_COLUMNS)
    if not _OF_TABLES.isdisjoint(names):
        raise HeaderError("own_table", line)
    parts = [_name_and_unit(name) for name in names]
    keys = [column_key(name) for name, _ in parts]
    _refuse_duplicates(names, keys)
    kind = _kind_told_by(set(keys), line)
    known = KINDS_OF_FILE[kind].fields
    positions: dict[str, int] = {}
    units: dict[str, Unit] = {}
    extras: list[Extra] = []
    notices: list[Notice] = []
    scale = SCORE_SCALE
    for position, (written, key, (name, bracket)) in enumerate(zip(names, keys, parts, strict=True)):
        if key not in known:
            extras.append(_extra(position, names, name, bracket))
            notices += _extra_notices(kind, extras[-1], key, bracket)
            continue
        positions[key] = position
        quantity = quantity_of(known[key], currency)
        if bracket is None:
            continue
        if key == "score" and _scale_in(bracket) is not None:
            scale = _scale_in(bracket) or SCORE_SCALE
        elif quantity is None:
            notices.append(("unit_ignored", written, {}))
        else:
            units[key] = _header_unit(written, bracket, quantity)
    return Header(kind, delimiter, tuple(names), positions, units, tuple(extras), scale, tuple(notices))


def _split_header(line: str) -> tuple[str, list[str]]:
    """The delimiter under which the header names the most columns of the format, and its cells."""
    best: tuple[int, int, str, list[str]] | None = None
    for delimiter in DELIMITERS:
        cells = split_cells(line, delimiter)
        if cells is None:
            continue
        known = sum(column_key(_name_and_unit(cell)[0]) in _KNOWN_KEYS for cell in cells[:MOST_COLUMNS])
        if best is None or (known, len(cells)) > best[:2]:
            best = (known, len(cells), delimiter, cells)
    if best is None:
        raise HeaderError("unknown_header", line, hint=" (a double quote does not close)", kinds=_kinds())
    _, _, delimiter, cells = best
    while len(cells) > 1 and not cells[-1].strip():
        # A spreadsheet saves empty columns to the right of the table.
        cells.pop()
    return delimiter, cells


def _name_and_unit(cell: str) -> tuple[str, str | None]:
    match = _BRACKETED.match(cell.strip())
    return (match["name"], match["unit"].strip()) if match else (cell.strip(), None)


def _refuse_duplicates(names: Sequence[str], keys: Sequence[str]) -> None:
    seen: dict[str, str] = {}
    for name, key in zip(names, keys, strict=True):
        if key and key in seen:
            raise HeaderError("duplicate_column", f"{seen[key]}, {name}")
        seen[key] = name


def _kind_told_by(keys: set[str], line: str) -> str:
    fits = [
        kind
        for kind, is_told in (
            (BATCH_LOG, "step" in keys and ("batch" in keys or "cask" not in keys)),
            (CASK_LOG, {"cask", "step"} <= keys),
            (TASTING_SHEET, {"assessor", "sample"} <= keys),
            (DIFFERENCE_TEST, {"assessor", "correct"} <= keys),
            (INGREDIENT_LIST, {"ingredient", "extract"} <= keys),
            (TASTING_KEY, _is_key_sheet(keys)),
        )
        if is_told
    ]
    if len(fits) > 1:
        titles = " and ".join(KINDS_OF_FILE[kind].title for kind in fits)
        raise HeaderError("two_kinds", line, kinds=titles)
    if not fits:
        raise HeaderError("unknown_header", line, hint=_nearest_names(keys), kinds=_kinds())
    return fits[0]


def _is_key_sheet(keys: set[str]) -> bool:
    return (
        {"session", "sample"} <= keys
        and bool({"batch", "cask", "lot"} & keys)
        and not {"assessor", "step"} & keys
    )


def _kinds() -> str:
    return "; ".join(f"{kind.told_by.replace('`', '')} ({kind.title})" for kind in ALL_KINDS.values())


def _nearest_names(keys: set[str]) -> str:
    telling = ("step", "batch", "cask", "assessor", "sample", "correct", "ingredient", "extract", "session")
    offers = []
    for key in sorted(keys - _KNOWN_KEYS - {""}):
        near = nearest(key, telling, 0.7)
        if near is not None and near not in keys:
            offers.append(f"is {key} meant to be {near}?")
    return f" ({' '.join(offers)})" if offers else ""


def _scale_in(bracket: str | None) -> tuple[float, float] | None:
    """The scale that square brackets name, as in [0-15]; None when they name none."""
    match = _SCALE.match(bracket or "")
    if match is None or not float(match[1]) < float(match[2]):
        return None
    return float(match[1]), float(match[2])


def _extra(position: int, names: Sequence[str], name: str, bracket: str | None) -> Extra:
    written = names[position]
    if not column_key(written):
        return Extra(position, _name_for_unnamed(position, names), None, *SCORE_SCALE)
    scale = _scale_in(bracket)
    if scale is None:
        return Extra(position, written, written.strip(), *SCORE_SCALE)
    return Extra(position, written, name.strip(), *scale)


def _name_for_unnamed(position: int, names: Sequence[str]) -> str:
    shown = f"column {position + 1}"
    while shown in names:
        shown += "'"
    return shown


def _extra_notices(kind: str, extra: Extra, key: str, bracket: str | None) -> list[Notice]:
    title = KINDS_OF_FILE[kind].title
    if extra.attribute is None:
        return [("unknown_column", extra.name, {"kind": title, "hint": " (it has no name)"})]
    if kind == TASTING_SHEET:
        is_odd = bracket is not None and _scale_in(bracket) is None
        return [("unit_ignored", extra.name, {})] if is_odd else []
    meant = _meant(extra.attribute, key, KINDS_OF_FILE[kind].fields)
    hint = f" (is it meant to be {meant}?)" if meant else ""
    return [("unknown_column", extra.name, {"kind": title, "hint": hint})]


def _meant(name: str, key: str, known: Iterable[str]) -> str | None:
    """Which column a name nobody knows was perhaps meant for: with its unit in square brackets if it has one.

    >>> _meant("Volume (gal)", "volume_(gal)", ["volume"]), _meant("Temp.", "temp.", ["temperature"])
    ('volume [gal]', 'temperature')
    """
    columns = list(known)
    with_unit = _NAME_AND_UNIT.match(name)
    if with_unit is not None and column_key(with_unit["name"]) in columns:
        return f"{column_key(with_unit['name'])} [{with_unit['unit'].strip('() ')}]"
    called = next((column for column, names in _ALSO_CALLED.items() if key in names), None)
    near = called or nearest(key, columns, 0.7)
    if near is not None:
        return near
    letters = key.rstrip(".")
    return next((each for each in columns if len(letters) > 2 and each.startswith(letters)), None)


def _header_unit(written: str, bracket: str, quantity: Quantity) -> Unit:
    unit = quantity.by_key().get(unit_key(bracket))
    if unit is not None:
        return unit
    hint = ""
    if quantity.name == "price":
        hint = f' (set currency = "{bracket}" in season.toml if all prices are in it)'
    raise HeaderError(
        "unknown_header_unit", written, quantity=quantity.name, units=quantity.choices(), hint=hint
    )
