"""The steps of the account that make the tables of the cuts: what each reads, what it makes, and by what."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import polars as pl

from pipeline.cuts import boiling, jar_scores, runs, steadiness, tradeoff


@dataclass(frozen=True)
class CutStep:
    """One step: `run` takes a frame for each query of `reads` and gives a frame for each table of `makes`.

    has_parts : it takes what an earlier build worked out as `parts`
    """

    depends: frozenset[str]
    makes: tuple[str, ...]
    what: tuple[str, ...]
    run: Callable[..., Iterator[pl.DataFrame]]
    reads: tuple[str, ...]
    has_parts: bool = False


CUT_STEPS = (
    CutStep(runs.DEPENDS, runs.MAKES, runs.WHAT, runs.fit_season, (runs.READS,), has_parts=True),
    CutStep(boiling.DEPENDS, boiling.MAKES, boiling.WHAT, boiling.read_thermometers, (boiling.READS,)),
    CutStep(
        steadiness.DEPENDS, steadiness.MAKES, steadiness.WHAT, steadiness.chart_cuts, (steadiness.READS,)
    ),
    CutStep(tradeoff.DEPENDS, tradeoff.MAKES, tradeoff.WHAT, tradeoff.weigh_cuts, (tradeoff.READS,)),
    CutStep(
        jar_scores.DEPENDS, jar_scores.MAKES, jar_scores.WHAT, jar_scores.weigh_jars, (jar_scores.READS,)
    ),
)
