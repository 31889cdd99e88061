"""Published data sets and what other programs make of them."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

DATA = Path(__file__).parents[1] / "data" / "panel"


def read_rows(name: str) -> list[dict[str, str]]:
    """The rows of a data set."""
    with (DATA / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def column(name: str, field: str) -> np.ndarray:
    """A column of numbers."""
    return np.array([float(row[field]) for row in read_rows(name)])


def levels(name: str, field: str) -> np.ndarray:
    """A column as level numbers, in the order of their names."""
    return np.unique([row[field] for row in read_rows(name)], return_inverse=True)[1].astype(np.int64)


def numbers(name: str) -> np.ndarray:
    """All but the first column, as numbers."""
    return np.array([[float(value) for value in list(row.values())[1:]] for row in read_rows(name)])


EXPECTED = {(row["example"], row["statistic"]): row for row in read_rows("expected")}


@pytest.fixture
def agrees() -> Callable[..., None]:
    """Hold computed values against the published ones; every statistic of the example must be computed."""

    def check(example: str, computed: dict[str, float], *, partly: bool = False) -> None:
        wanted = {name: row for (own, name), row in EXPECTED.items() if own == example}
        if not partly:
            assert computed.keys() == wanted.keys()
        for name, value in computed.items():
            row = wanted[name]
            gap = abs(float(value) - float(row["value"]))
            assert gap <= float(row["tolerance"]) + 1e-12, (
                f"{example} {name}: {value}, but {row['source']} gives {row['value']}"
            )

    return check
