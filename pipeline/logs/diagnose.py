"""What is the matter with one cell: looked at only when it could not be read or cannot be true."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.logs.fields import Field
from pipeline.logs.header import nearest
from pipeline.logs.units import Quantity, Unit, unit_key
from pipeline.problems import Problem, problem

__all__ = [
    "Sight",
    "mixed_decimals",
    "number_failure",
    "range_failure",
    "two_ways",
    "when_failure",
    "word_failure",
]

Diagnosis = tuple[str, dict[str, object]]

_LOOKS = re.compile(r"^(?P<number>[+−-]?[0-9][0-9.,'’ \u00a0\u202f_]*)(?P<unit>.*)$", re.DOTALL)
_TWO_WAYS = re.compile(r"[0-9][.,'’ \u00a0\u202f_]+[0-9]")
_THREE_DIGITS = re.compile(
    r"^[+−-]?(?P<whole>[1-9][0-9]{0,2})(?P<mark>[.,])(?P<part>[0-9]{3})(?:[^0-9.,].*)?$"
)
_DAY_MONTH = re.compile(r"^[0-9]{1,2}[/.-][0-9]{1,2}[/.-][0-9]{2}(?:[0-9]{2})?(?![0-9])")
_LETTERS_FOR_DIGITS = {"O": "0", "o": "0", "l": "1", "I": "1", "S": "5", "B": "8"}
_SPREADSHEET_ERRORS = ("#N/A", "#REF!", "#VALUE!", "#DIV/0!", "#NAME?", "#NUM!", "#NULL!")
_NO_NUMBER_WORDS = ("nan", "inf", "infinity", "-inf", "-", "--", "?", "n/a", "na", "none", "null")


@dataclass(frozen=True)
class Sight:
    """A text and the line of its file that it stands in."""

    line: int
    text: str


def mixed_decimals(file: str, comma: Sight, point: Sight) -> Problem:
    """The problem of a file with a number that has a decimal comma and one that has a decimal point."""
    found = f'"{point.text.strip()}" in line {point.line} and "{comma.text.strip()}" in line {comma.line}'
    return problem("mixed_decimals", file, line=max(comma.line, point.line), found=found)


def number_failure(text: str, quantity: Quantity, default: Unit, mark: str | None) -> Diagnosis:
    """Why `text` is no number of `quantity`, in a file that writes decimals with `mark` (None: not known)."""
    two_readings = two_ways(text, mark)
    if two_readings is not None:
        return two_readings
    mark = mark or "."
    looks = _LOOKS.match(text)
    mark_name = "comma" if mark == "," else "point"
    if looks is not None:
        number, unit = looks["number"].strip(), looks["unit"].strip()
        if re.fullmatch(r"[+-]?[0-9.,]+[eE][+-]?[0-9]+", text):
            unit = ""
        if _TWO_WAYS.search(number) and not _is_plain(number, mark):
            hint = "" if mark == "," or "," not in number else " (this file's decimals are points)"
            return "thousands_separator", {"mark": mark_name, "hint": hint}
        is_unit_strange = _is_like_a_unit(unit) and unit_key(unit) not in quantity.by_key()
        if is_unit_strange and _is_plain(number, mark) and not _mended(text):
            return "unknown_unit", _unit_words(unit, quantity)
    mended = _mended(text)
    hint = f" ({mended} was perhaps meant)" if mended else ""
    if text.lower() in _NO_NUMBER_WORDS:
        hint = " (leave the cell empty for not measured)"
    elif text.upper() in _SPREADSHEET_ERRORS:
        hint = " (an error of the spreadsheet)"
    elif text.startswith("="):
        hint = " (a formula, not what it comes to)"
    return "not_a_number", {
        "hint": hint,
        "expected": f"a number, or a number and {quantity.choices()}" if quantity.has_units else "a number",
        "unit": f" in {default.symbol}, or with its unit after it" if quantity.has_units else "",
    }


def two_ways(text: str, mark: str | None) -> Diagnosis | None:
    """The diagnosis of a number like 1,250 where nothing in the file tells what its mark means; else None."""
    alike = _THREE_DIGITS.match(text)
    if alike is None or alike["mark"] == mark:
        return None
    whole, part = alike["whole"], alike["part"]
    readings = f"{float(f'{whole}.{part}'):g} or {whole}{part}"
    hint = f" ({readings}: no other number of the file tells which)"
    return "thousands_separator", {"mark": "comma" if mark == "," else "point", "hint": hint}


def _is_like_a_unit(text: str) -> bool:
    return text[:1].isalpha() or text[:1] in ("%", "°", "º", "‰")


def _is_plain(number: str, mark: str) -> bool:
    return re.fullmatch(r"[+−-]?[0-9]*" + re.escape(mark) + r"?[0-9]*", number) is not None


def _mended(text: str) -> str | None:
    """The number with letters that look like digits made digits, if that makes it one."""
    swapped = "".join(_LETTERS_FOR_DIGITS.get(letter, letter) for letter in text)
    if swapped != text and re.fullmatch(r"[+-]?[0-9]*[.,]?[0-9]+", swapped):
        return swapped
    return None


def _unit_words(unit: str, quantity: Quantity) -> dict[str, object]:
    near = nearest(unit_key(unit), quantity.by_key(), 0.6)
    hint = f" (is it {quantity.by_key()[near].symbol}?)" if near else ""
    if quantity.name == "price" and not near:
        hint = " (the season's currency stands in season.toml)"
    return {"quantity": quantity.name, "units": quantity.choices(), "hint": hint}


def range_failure(column: Field, quantity: Quantity, unit: Unit, number: float) -> Diagnosis:
    """A number that was read but cannot be true, with the slip that would explain it."""
    low = quantity.low if unit.low is None or not quantity.keeps_unit else unit.low
    high = quantity.high if unit.high is None or not quantity.keeps_unit else unit.high
    shown = unit if quantity.keeps_unit else quantity.default
    symbol = "" if shown.label in ("count", "currency", "pH") else f" {shown.symbol}"
    return "out_of_range", {
        "quantity": quantity.name if column.name != "capacity" else "capacity",
        "range": f"{_plain_number(low)} to {_plain_number(high)}{symbol}",
        "hint": _slip(quantity, unit, number),
    }


def _plain_number(number: float) -> str:
    return f"{number:,.0f}" if number == round(number) else f"{number:g}"


def _slip(quantity: Quantity, unit: Unit, number: float) -> str:
    if quantity.name == "gravity" and unit.label == "sg":
        if 900 <= number <= 1500:
            return f" ({number / 1000:.4g} was perhaps meant)"
        if 1.55 < number <= 40:
            return f" ({number:g} P was perhaps meant)"
    if quantity.name == "strength" and unit.label == "pct_vol" and 100 < number <= 200:
        return f" ({number:g} proof was perhaps meant)"
    if quantity.name == "temperature" and unit.label == "C" and 150 < number <= 302:
        return f" ({number:g} F was perhaps meant)"
    return ""


def when_failure(text: str, date_order: str) -> Diagnosis:
    """Why `text` is no date that can be read."""
    if _DAY_MONTH.match(text):
        if not date_order and re.match(r"^[0-9]{1,2}[/.-][0-9]{1,2}[/.-][0-9]{4}", text):
            return "date_order_unknown", {}
        if re.match(r"^[0-9]{1,2}[/.-][0-9]{1,2}[/.-][0-9]{2}(?![0-9])", text):
            return "not_a_date", {"hint": " (the year has two digits)"}
        order = {"dmy": "day, month, year", "mdy": "month, day, year"}.get(date_order, "")
        return "not_a_date", {"hint": f" (the settings say {order})"}
    parts = re.fullmatch(r"([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})(.*)", text, re.DOTALL)
    if parts is not None and not text.startswith(f"{parts[1]}-{parts[2]:0>2}-{parts[3]:0>2}"):
        return "not_a_date", {"hint": f" ({parts[1]}-{parts[2]:0>2}-{parts[3]:0>2} was perhaps meant)"}
    if re.match(r"^[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        return "not_a_date", {"hint": " (no such day or time)"}
    return "not_a_date", {}


def word_failure(text: str, words: Sequence[str]) -> Diagnosis:
    """Why `text` is none of the choices, with the nearest one offered."""
    near = nearest(text.lower(), words, 0.6)
    hint = f" (is it meant to be {near}?)" if near else ""
    return "unknown_word", {"words": ", ".join(words), "hint": hint}
