"""The dictionary of the tables: what every column of the database means, and in which unit.

One name means one quantity in every table. Table comments, the documentation, and the titles of
charts and pages come from here; the columns of the log files themselves are in `pipeline.logs.fields`.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources


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


def column(name: str) -> Column:
    """The column of that name; KeyError when the dictionary does not have it.

    >>> column("yield_lpa_per_kg").unit
    'LPA/kg'
    """
    return columns()[name]
