"""What a step of the season is that SQL cannot say: queries, a function of their answers, tables."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import polars as pl

__all__ = ["OfPart", "PythonStep"]


@dataclass(frozen=True)
class OfPart:
    """A table whose rows belong to parts of the season, each part's a function of its own logs alone.

    column : tells which part a row belongs to; never null
    order  : of its rows, as SQL says it behind `order by`; total, and the order they are made in
    """

    column: str
    order: str


@dataclass(frozen=True)
class PythonStep:
    """One step: `run` takes a frame for each query of `reads` and gives a frame for each table of `makes`.

    makes     : what each table holds, by its name
    has_parts : `run` works part by part, and takes what an earlier build worked out as `parts`
    of_parts  : those of the tables whose rows belong to parts; any other looks at the whole season
    """

    run: Callable[..., Iterable[pl.DataFrame]]
    reads: tuple[str, ...]
    makes: Mapping[str, str]
    has_parts: bool = False
    of_parts: Mapping[str, OfPart] = field(default_factory=dict)

    @property
    def depends(self) -> frozenset[str]:
        """The tables that the queries name."""
        return frozenset(
            re.findall(r"\b(?:from|join) ((?:raw|log|account|metric|fit)\.\w+)", " ".join(self.reads))
        )
