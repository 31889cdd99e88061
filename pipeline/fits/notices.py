"""What the design had to leave out, to pool or not to ask: said, so that nothing goes missing in silence."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import polars as pl

from pipeline.fits import wording
from pipeline.fits.aliases import choices_apart, choices_of
from pipeline.fits.design import FEWEST_UNITS, DesignFrames, Problem
from pipeline.fits.responses import is_known, response_of

POOLED, LEFT_OUT, TOO_FEW, NOT_ASKED, APART = "pooled", "left out", "too few", "not asked", "apart"


@dataclass(frozen=True)
class Notice:
    """Something a reader of the fits should know of what went into them. `name`: whom or what it is about."""

    unit_kind: str
    kind: str
    name: str
    sentence: str


def find_notices(
    frames: DesignFrames, ingredient: pl.DataFrame, problems: Iterable[Problem]
) -> Iterator[Notice]:
    """Every notice: rare grains pooled, units left out, figures too seldom measured, factors not asked."""
    found = tuple(problems)
    yield from _pooled(ingredient)
    for unit_kind in ("batch", "cask"):
        yield from _left_out(frames, unit_kind)
        yield from _too_few(frames, unit_kind)
        own = [problem for problem in found if problem.unit_kind == unit_kind]
        yield from _apart(own)
        yield from _not_asked(own)


def _pooled(ingredient: pl.DataFrame) -> Iterator[Notice]:
    rare = ingredient.filter(pl.col("design_name") != pl.col("ingredient")).sort("design_name", "ingredient")
    for (pool,), rows in rare.group_by("design_name", maintain_order=True):
        members = list(zip(rows["ingredient"], rows["batches"], strict=True))
        yield Notice("batch", POOLED, str(pool), wording.pooled_sentence(str(pool), members))


def _left_out(frames: DesignFrames, unit_kind: str) -> Iterator[Notice]:
    """Units with a figure of their own and no known grain."""
    frame = frames.design if unit_kind == "batch" else frames.cask_design
    known = frames.level.filter((pl.col("unit_kind") == unit_kind) & (pl.col("family") == "grain"))
    measured = frames.response.filter(pl.col("unit_kind") == unit_kind)
    rows = frame.filter(
        pl.col(unit_kind).is_in(measured["unit"].implode())
        & ~pl.col(unit_kind).is_in(known["unit"].implode())
    )
    if rows.height:
        units = rows[unit_kind].to_list()
        yield Notice(unit_kind, LEFT_OUT, ", ".join(units), wording.left_out_sentence(unit_kind, units))


def _too_few(frames: DesignFrames, unit_kind: str) -> Iterator[Notice]:
    measured = frames.response.filter(pl.col("unit_kind") == unit_kind).sort("response")
    for (name,), rows in measured.group_by("response", maintain_order=True):
        if is_known(str(name)) and rows.height < FEWEST_UNITS:
            response = response_of(str(name), unit_kind)
            sentence = wording.too_few_sentence(response, unit_kind, rows.height)
            yield Notice(unit_kind, TOO_FEW, str(name), sentence)


def _apart(problems: list[Problem]) -> Iterator[Notice]:
    """Of the response that has most units and most choices: how many of them can be told apart."""
    if problems:
        most = max(problems, key=lambda problem: (len(problem.y), choices_of(problem)))
        choices, apart = choices_apart(most)
        sentence = wording.apart_sentence(most.unit_kind, len(most.y), choices, apart)
        yield Notice(most.unit_kind, APART, most.response.name, sentence)


def _not_asked(problems: list[Problem]) -> Iterator[Notice]:
    """Factors that are not asked about, figures with the same reason together."""
    together: dict[str, list[Problem]] = {}
    for problem in problems:
        words = wording.unasked_words(problem.unit_kind, len(problem.y), problem.unasked)
        if words:
            together.setdefault(words, []).append(problem)
    for words, own in together.items():
        names = ", ".join(problem.response.name for problem in own)
        sentence = wording.unasked_sentence(words, [problem.response for problem in own])
        yield Notice(own[0].unit_kind, NOT_ASKED, names, sentence)
