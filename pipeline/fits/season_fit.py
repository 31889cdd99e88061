"""All fits of the logs as tables: effects, gates, ties, shares, rankings, predictions, next batches.

Takes the frames of `FIT_READS`, gives the frames of `FIT_MAKES`. All seasons of the logs are fitted
together: more batches tell more, and the season is allowed for as part of the setting.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from pipeline.fits import tables, wording
from pipeline.fits.aliases import Tie, find_associations, find_tangles, find_ties, tied_levels
from pipeline.fits.blocks import BlockFit
from pipeline.fits.design import (
    ALLOWED_FOR,
    FEWEST_UNITS,
    PRIOR_SCALES,
    TOGETHER,
    DesignFrames,
    Family,
    Problem,
    fit_problem,
    problems,
)
from pipeline.fits.effects import Effect, answer, questions
from pipeline.fits.explained import explained_shares
from pipeline.fits.gate import gate_p_value, passed
from pipeline.fits.notices import find_notices
from pipeline.fits.plan import plan_next
from pipeline.fits.quality import Foretold, Quality, fallen_without, judge, predictions
from pipeline.fits.ranking import Rank, rank

FIT_READS = (
    "select * from fit.design order by batch_no",
    "select * from fit.cask_design order by cask_no",
    "select * from fit.design_level order by unit_kind, unit, family, level",
    "select * from fit.response order by unit_kind, response, unit",
    "select * from fit.ingredient order by ingredient",
    "select * from raw.setting order by name",
    "select batch, grain_kg, sugar_kg from metric.batch order by batch",
)

FIT_MAKES = tables.WHAT

RANKED = ("yield_lpa_per_kg", "score: overall")
"""Responses by which grain bills and yeasts are ranked, and next batches chosen."""

_NULL_STEPS = 7


@dataclass(frozen=True)
class Fitted:
    """One response with everything worked out of it."""

    problem: Problem
    fit: BlockFit
    quality: Quality
    ties: tuple[Tie, ...]
    tied: frozenset[tuple[str, str]]


def fit_step(
    design: pl.DataFrame,
    cask_design: pl.DataFrame,
    level: pl.DataFrame,
    response: pl.DataFrame,
    ingredient: pl.DataFrame,
    setting: pl.DataFrame,
    batch: pl.DataFrame,
) -> Iterable[pl.DataFrame]:
    """The tables of `FIT_MAKES`, in its order."""
    frames = DesignFrames(design, cask_design, level, response)
    found = list(problems(frames))
    ties = [find_ties(problem) for problem in found]
    gates = [_gates(problem, own) for problem, own in zip(found, ties, strict=True)]
    flat = [(place, family, p) for place, own in enumerate(gates) for family, p in own]
    is_passed = passed([p for _, _, p in flat])
    rows = tables.Rows()
    for notice in find_notices(frames, ingredient, found):
        rows.notice(notice)
    fitted = []
    for place, problem in enumerate(found):
        own = {f: (p, ok) for (at, f, p), ok in zip(flat, is_passed, strict=True) if at == place}
        for family, (p, ok) in own.items():
            rows.gate(problem, family, p, ok)
        fitted.append(_fit_one(problem, ties[place], {f for f, (_, ok) in own.items() if ok}, rows))
    _aliases(fitted, rows)
    for item in fitted:
        if item.problem.unit_kind == "batch" and item.problem.response.name in RANKED:
            better = item.quality.is_better_than_mean
            for choice in plan_next(item.problem, item.fit, item.ties, better, ingredient, setting, batch):
                rows.next_batch(item.problem, choice)
    return rows.frames()


def gate_of(problem: Problem, family: Family, ties: Iterable[Tie]) -> float | None:
    """The p value of one family's gate, the others allowed for.

    Levels tied to another family's are left out of the question: what they did cannot be laid at this door.
    """
    outside = {
        (tie.family, tie.level) if tie.family == family.name else (tie.other_family, tie.other_level)
        for tie in ties
        if tie.is_exact and tie.family != tie.other_family and family.name in (tie.family, tie.other_family)
    }
    kept = [k for k, level in enumerate(family.levels) if (family.name, level) not in outside]
    rest = problem.without(family.name, TOGETHER)
    left_over = problem.y
    if rest.families:
        left_over = rest.y - BlockFit(rest.y, rest.matrix, rest.blocks, steps=_NULL_STEPS).fitted
    return gate_p_value(left_over, family.columns[:, kept], PRIOR_SCALES[family.name])


def _gates(problem: Problem, ties: Iterable[Tie]) -> list[tuple[str, float | None]]:
    asked = [family for family in problem.families if family.name not in ALLOWED_FOR]
    return [(family.name, gate_of(problem, family, ties)) for family in asked]


def _fit_one(problem: Problem, ties: list[Tie], gates: set[str], rows: tables.Rows) -> Fitted:
    fit = fit_problem(problem)
    tied = frozenset(tied_levels(ties))
    quality, left_out = judge(fit, problem)
    asked = questions(problem, tied)
    effects = answer(fit, problem, asked, gates, quality.is_better_than_mean)
    named = [effect for effect in effects if effect.verdict == "supported"]
    sds = np.array([effect.sd for effect in named])
    foretold = predictions(fit, problem, left_out, [effect.question for effect in named], sds)
    for note in wording.notes(problem.response, problem.unit_kind, quality, foretold.notable()):
        rows.note(problem, note)
    for effect in _without_far_off(problem, effects, foretold, rows):
        rows.effect(problem, effect)
    rows.quality(problem, quality)
    for share in explained_shares(fit, problem):
        rows.share(problem, share)
    rows.predictions(problem, foretold)
    if problem.unit_kind == "batch" and problem.response.name in RANKED:
        for subject in ("grain bill", "yeast"):
            for position, item in enumerate(rank(fit, problem, subject, tied), start=1):
                rows.ranking(problem, position, item)
    return Fitted(problem, fit, quality, tuple(ties), tied)


def _without_far_off(
    problem: Problem, effects: list[Effect], foretold: Foretold, rows: tables.Rows
) -> list[Effect]:
    """The effects, those taken back that do not stand once units far off their prediction are left out."""
    named = [effect for effect in effects if effect.verdict == "supported"]
    far = foretold.far_off
    if not far or not named or len(problem.y) - len(far) < FEWEST_UNITS:
        return effects
    fallen = [question.words for question in fallen_without(problem, far, named)]
    kind = problem.unit_kind
    rows.note(problem, wording.without_sentence(problem.response, kind, far, len(named), fallen))
    return [
        replace(effect, verdict="leaning")
        if effect.verdict == "supported" and effect.question.words in fallen
        else effect
        for effect in effects
    ]


def _aliases(fitted: Iterable[Fitted], rows: tables.Rows) -> None:
    """Every tie once, from the response that has most units; merged grains and tangles after them."""
    seen: set[tuple[str, ...]] = set()
    for item in sorted(fitted, key=lambda item: (-len(item.problem.y), item.problem.response.name)):
        kind = item.problem.unit_kind
        for tie in item.ties:
            pair = (kind, tie.family, tie.level, tie.other_family, tie.other_level)
            if pair not in seen:
                seen.add(pair)
                rows.tie(kind, tie, wording.tie_sentence(tie, kind))
        grain = item.problem.family("grain")
        for level in grain.merged if grain else ():
            if (kind, level) not in seen:
                seen.add((kind, level))
                units = grain.used(grain.levels.index(level)) if grain else 0
                rows.merged(kind, level, units, wording.merged_sentence(level, units, kind))
        for each in find_associations(item.problem, item.ties):
            if (kind, each.grain, *each.yeasts) not in seen:
                seen.add((kind, each.grain, *each.yeasts))
                rows.association(kind, each, wording.association_sentence(each, kind))
        for tangle in find_tangles(item.problem, item.ties):
            key = (kind, *(level for _, level in tangle.choices))
            if key not in seen:
                seen.add(key)
                rows.tangle(kind, tangle, wording.tangle_sentence(tangle))


__all__ = ["FIT_MAKES", "FIT_READS", "RANKED", "Effect", "Rank", "fit_step", "gate_of"]
