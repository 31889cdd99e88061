"""A spreadsheet's cell as the text that a log would have: its value in full, and the unit that it shows.

Knows number formats (ECMA-376, part 1, 18.8.30 and 18.8.31), no sheets and no files.
"""

from __future__ import annotations

import datetime as dt
import re
from decimal import Decimal
from functools import lru_cache

from pipeline.logs.decode import BROKEN

__all__ = ["broken_in", "cell_text", "unit_shown"]

# Digits that a spreadsheet keeps of a number.
_DIGITS = 15

# One piece of a number format: a literal in quotes or after a backslash, a bracket (colour, condition,
# currency, language), a blank as wide as a letter, a filler, an exponent, or one character.
_PIECE = re.compile(
    r'"(?P<quoted>[^"]*)"|\\(?P<escaped>.)|\[(?P<bracket>[^\]]*)\]|_.|\*.|E[+-]|General|(?P<other>.)',
    re.DOTALL,
)
_PLACEHOLDERS = frozenset("0#?.,/@%")
# A character that a book may not hold as it is (ECMA-376, part 1, 22.9.2.19): control characters, which are
# text, and zero, halves of characters and FFFE, FFFF, which are none. Others are written as they are.
_CONTROL = re.compile(r"_x00(0[1-9A-Fa-f]|1[0-9A-Fa-f])_")
_NO_TEXT = re.compile(r"_x(0000|[Dd][89A-Fa-f][0-9A-Fa-f]{2}|[Ff]{3}[EeFf])_")
_CURRENCY = re.compile(r"^\$(?P<symbol>[^-]*)")


def cell_text(value: object, number_format: str) -> str:
    """The text of a cell.

    >>> cell_text(0.625, "0.0%"), cell_text(5.0, '0.00" gal"'), cell_text(1.0620000000000001, "General")
    ('62.5 %', '5 gal', '1.062')
    """
    match value:
        case None:
            return ""
        case bool():
            return "yes" if value else "no"
        case int() | float():
            return _number_text(value, number_format)
        case dt.datetime():
            return _moment_text(value, number_format)
        case dt.date() | dt.time():
            return value.isoformat()
        case _:
            return _unescaped(str(value))


def broken_in(value: object) -> str:
    """Which character of a cell is no text, as a book writes it; empty when all are.

    >>> broken_in("B1_x0000_"), broken_in("two_x000D_lines")
    ('0000', '')
    """
    found = _NO_TEXT.search(value) if isinstance(value, str) else None
    return found[1] if found else ""


def _unescaped(text: str) -> str:
    if "_x" not in text:
        return text
    whole = _CONTROL.sub(lambda match: chr(int(match[1], 16)), _NO_TEXT.sub(BROKEN, text))
    return whole.replace("\r\n", "\n").replace("\r", "\n")


def _number_text(value: int | float, number_format: str) -> str:
    unit = unit_shown(number_format)
    number = Decimal(f"{value:.{_DIGITS}g}")
    if unit.startswith("%"):
        number *= 100
    # No exponent and no trailing zeros: as a person would write it.
    text = f"{number:f}" if abs(number.adjusted()) <= _DIGITS else str(number)
    if "." in text and "E" not in text:
        text = text.rstrip("0").rstrip(".")
    return f"{text} {unit}" if unit else text


@lru_cache(maxsize=4096)
def unit_shown(number_format: str) -> str:
    """What a number format writes beside the number: a unit, a percent sign, a currency; empty when nothing.

    >>> unit_shown('#,##0.0\\\\ "kg";[Red]-#,##0.0\\\\ "kg"'), unit_shown("0.00"), unit_shown("[$€-407] 0.00")
    ('kg', '', '€')
    """
    shown: list[str] = []
    for piece in _PIECE.finditer(number_format):
        other = piece["other"]
        if other == ";":
            # Negative numbers and nought have formats of their own; the first is the number's.
            break
        currency = _CURRENCY.match(piece["bracket"] or "")
        if currency is not None:
            shown.append(currency["symbol"])
        elif piece["quoted"] is not None or piece["escaped"] is not None:
            shown.append(piece["quoted"] or piece["escaped"] or "")
        elif other is not None and (other == "%" or other not in _PLACEHOLDERS):
            shown.append(other)
    unit = " ".join("".join(shown).split())
    return unit.strip("+-() ")


def _moment_text(value: dt.datetime, number_format: str) -> str:
    # A day's fraction is not exact in binary: half a second is no measurement.
    rounded = (value + dt.timedelta(milliseconds=500)).replace(microsecond=0)
    has_clock = "h" in re.sub(r'"[^"]*"|\\.|\[[^\]]*\]', "", number_format).lower()
    if not has_clock and rounded.time() == dt.time():
        return rounded.date().isoformat()
    return rounded.isoformat(sep=" ", timespec="seconds" if rounded.second else "minutes")
