"""Sentences about the alcohol account: losses and casks. Words only; the numbers come from the tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from pipeline.report.text import NOT_MEASURED, counted, day, listed, number, value_text, with_unit


def with_error(row: Mapping[str, Any], name: str) -> str:
    """A figure with its standard uncertainty and unit: `35.5 ± 2.3 LPA`; without one, the figure alone.

    >>> with_error({"lpa": 35.49, "lpa_u": 2.318}, "lpa").replace(chr(160), " ")
    '35.5 ± 2.3 LPA'
    >>> with_error({"lpa": 704.42, "lpa_u": 0.408}, "lpa").replace(chr(160), " ")
    '704.4 ± 0.4 LPA'
    """
    error = row.get(f"{name}_u")
    said = with_unit(row[name], name)
    if error is None or said == NOT_MEASURED:
        return said
    text = value_text(row[name], name)
    scale = 100.0 if name.endswith(("_frac", "_frac_per_year")) else 1.0
    # As many decimals as show a figure of the uncertainty: an error that rounds to nothing reads as none.
    decimals = max(len(text.partition(".")[2]), _decimals_showing(error * scale))
    value = value_text(row[name], name, decimals)
    return said.replace(text, f"{value} ± {number(error * scale, decimals)}", 1)


def _decimals_showing(error: float) -> int:
    """The decimals with which an uncertainty has one figure that is not zero.

    >>> _decimals_showing(2.3), _decimals_showing(0.41), _decimals_showing(0.00025)
    (0, 1, 4)
    """
    return max(0, -math.floor(math.log10(error))) if error > 0 else 0


def loss_sentences(losses: list[dict[str, Any]]) -> list[str]:
    """The largest avoidable loss in litres and bottles, and the next two; `losses` largest first."""
    if not losses:
        return ["No avoidable loss was measured."]
    worst = losses[0]
    bottles = number(worst["bottles"], 0)
    sentences = [
        f"The largest avoidable loss is “{worst['label']}”: {with_error(worst, 'lpa')}, "
        f"the alcohol of {bottles} bottles.",
    ]
    following = [f"“{row['label']}” ({with_error(row, 'lpa')})" for row in losses[1:3]]
    if following:
        sentences.append(f"Next: {' and '.join(following)}.")
    sentences.append("Not all of a loss can be won back; ± is one standard uncertainty.")
    return sentences


def unexplained_sentence(rows: list[dict[str, Any]]) -> list[str]:
    """What is more than twice its error and no measurement names, in the order of the flow.

    Below zero more came out than went in, which no loss can do.
    """
    said = []
    for is_loss, words in ((True, _NOT_NAMED), (False, _FROM_NOTHING)):
        named = [
            f"“{row['label']}” ({with_error(row, 'lpa')})" for row in rows if (row["lpa"] > 0.0) is is_loss
        ]
        if named:
            said.append(f"{words}: {listed(named)}.")
    return said


_NOT_NAMED = "More than the errors of the readings explain, and not named by any measurement"
_FROM_NOTHING = (
    "More came out than went in, by more than the errors of the readings explain, where a reading must be "
    "wrong"
)


def is_clear(row: Mapping[str, Any], either_way: bool = False) -> bool:
    """Whether a loss is more than twice its uncertainty above zero, or with `either_way` from zero."""
    lpa = abs(row["lpa"]) if either_way else row["lpa"]
    return bool(lpa > 2.0 * (row["lpa_u"] or 0.0))


def leak_sentence(casks: list[str]) -> list[str]:
    """Which casks lose more than their size explains."""
    if not casks:
        return []
    verb = "loses" if len(casks) == 1 else "lose"
    return [
        f"{listed(casks)} {verb} more than three times what size alone leads to, and by more than the "
        "readings' errors explain: look for a leak."
    ]


def soakage_sentence(soaked_lpa: float, casks: int) -> list[str]:
    """What the dry wood drank, over the casks where it can be told."""
    if not casks:
        return []
    return [
        f"The wood drank {with_unit(soaked_lpa, 'lpa')} at the fill of {number(casks, 0)} casks that were "
        "regauged some weeks later; that is not in the loss a year."
    ]


def forecast_sentences(forecast_on: date | None, lpa: Sequence[float], bases: Sequence[str]) -> list[str]:
    """What the casks will hold on a day to come, and what the intervals of the table stand on.

    lpa, bases : of the casks that have a forecast
    """
    if forecast_on is None or not lpa:
        return []
    held = with_unit(sum(lpa), "lpa")
    found = list(dict.fromkeys(bases))
    many = [f"{basis} ({counted(bases.count(basis), 'cask')})" for basis in found]
    stands_on = found[0] if len(found) == 1 else "; ".join(many)
    return [
        f"If nothing more is drawn, {counted(len(lpa), 'cask')} will hold {held} on {day(forecast_on)}; the "
        f"table has each with its 95 % interval. The intervals stand on: {stands_on}."
    ]
