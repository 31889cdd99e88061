"""The dictionary of the tables: what every column of the database means, and in which unit.

One name means one quantity in every table. Table comments, the documentation, and the titles of
charts and pages come from here; the columns of the log files themselves are in `pipeline.logs.fields`.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

UNCERTAINTY = "_u"
"""Ending of the name of a figure's standard uncertainty."""


@dataclass(frozen=True)
class Column:
    """One column: its unit ('' for text, counts and shares), a label for people, and what it means."""

    name: str
    unit: str
    label: str
    meaning: str

    @property
    def title(self) -> str:
        """Label with unit, as an axis or a table head has it.

        >>> column("hearts_lpa").title
        'Hearts (LPA)'
        >>> column("batch").title
        'Batch'
        """
        return f"{self.label} ({self.unit})" if self.unit else self.label

    @property
    def comment(self) -> str:
        """Meaning with unit, as the database says it."""
        return f"{self.meaning} [{self.unit}]" if self.unit else self.meaning


@cache
def columns() -> dict[str, Column]:
    """Every column by name, in alphabetical order."""
    text = resources.files("pipeline").joinpath("columns.csv").read_text(encoding="utf-8")
    return {row["name"]: Column(**row) for row in csv.DictReader(text.splitlines())}


def find_column(name: str) -> Column | None:
    """The column of that name, or None. What ends in `_u` is the standard uncertainty of what stands before.

    >>> find_column("hearts_lpa_u").title
    'Hearts, standard uncertainty (LPA)'
    """
    known = columns()
    if name in known or not name.endswith(UNCERTAINTY):
        return known.get(name)
    of = known.get(name.removesuffix(UNCERTAINTY))
    if of is None:
        return None
    return Column(
        name, of.unit, f"{of.label}, standard uncertainty", f"standard uncertainty of {of.name}, first order"
    )


def column(name: str) -> Column:
    """The column of that name; KeyError when the dictionary does not have it.

    >>> column("yield_lpa_per_kg").unit
    'LPA/kg'
    """
    found = find_column(name)
    if found is None:
        raise KeyError(name)
    return found
