"""What a kind of problem is, and the three severities."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

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
