"""What a step of the season is that SQL cannot say: queries, a function of their answers, tables."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import polars as pl

__all__ = ["PythonStep"]


@dataclass(frozen=True)
class PythonStep:
    """One step: `run` takes a frame for each query of `reads` and gives a frame for each table of `makes`.

    makes     : what each table holds, by its name
    has_parts : `run` works part by part, and takes what an earlier build worked out as `parts`
    """

    run: Callable[..., Iterable[pl.DataFrame]]
    reads: tuple[str, ...]
    makes: Mapping[str, str]
    has_parts: bool = False

    @property
    def depends(self) -> frozenset[str]:
        """The tables that the queries name."""
        return frozenset(
            re.findall(r"\b(?:from|join) ((?:raw|log|account|metric|fit)\.\w+)", " ".join(self.reads))
        )
