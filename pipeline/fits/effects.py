"""Questions a distiller asks of a fit, as contrasts, and what may be said of each answer.

Grain shares sum to one, so a grain's effect is always against what makes room for it: "10 points more of
X, the rest scaled down in proportion" (the Cox direction), or "10 points of X in the place of Y". A yeast
or a wood is put against the average of its like. Levels that are tied to others are asked nothing alone
and stand in nobody's average.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.fits.aliases import is_in_rows, row_space
from pipeline.fits.blocks import BlockFit, Contrasts
from pipeline.fits.design import ALLOWED_FOR, TOGETHER, Family, Problem
from pipeline.fits.mixture import Floats
from pipeline.fits.responses import FACTORS

POINTS = 0.10
LEVEL = 0.95
SURE_SIGN = 0.9
"""Chance of one sign from which an effect behind a passed gate is called leaning (own choice)."""

FEWEST_USES = {"grain": 3, "yeast": 2, "wood": 2}
"""Units of its own that a choice needs before anything is said of it; a measured factor needs none."""

REST_SCALED = ", the rest scaled down"
"""What ends the words of a grain's effect."""

# Where the data narrowed the prior by less than a tenth they said almost nothing.
_UNTAUGHT = 0.9


@dataclass(frozen=True)
class Question:
    """A contrast of the coefficients. `level` against `against`, worded in `words`; `units` behind it."""

    family: str
    level: str
    against: str
    kind: str
    words: str
    units: int
    is_tied: bool
    vector: Floats


@dataclass(frozen=True)
class Effect:
    """An answered question with its verdict: see `verdict_of`."""

    question: Question
    estimate: float
    low: float
    high: float
    sd: float
    chance_positive: float
    verdict: str


def questions(problem: Problem, tied: Collection[tuple[str, str]]) -> list[Question]:
    """Every question worth asking of a problem, in the order of its families."""
    found: list[Question] = []
    matrix = problem.matrix
    judged = _judged_columns(problem)
    told_apart = row_space(matrix[:, judged])
    mixes = _mixes(problem, tied)
    for family in problem.families:
        if family.name in ALLOWED_FOR:
            continue
        place = problem.columns_of(family.name)
        for question in _family_questions(family, tied):
            vector = np.zeros(matrix.shape[1])
            vector[place] = question.vector
            _in_company(problem, vector, mixes)
            is_tied = question.is_tied or not is_in_rows(told_apart, vector[judged])
            found.append(
                Question(
                    question.family,
                    question.level,
                    question.against,
                    question.kind,
                    question.words,
                    question.units,
                    is_tied,
                    vector,
                )
            )
    return found


def answer(
    fit: BlockFit, problem: Problem, asked: list[Question], gates: Collection[str], is_better: bool
) -> list[Effect]:
    """The fit's answers. `gates`: families that passed; `is_better`: it predicts better than the mean."""
    if not asked:
        return []
    vectors = np.stack([question.vector for question in asked])
    said = fit.ask(Contrasts(np.zeros((len(asked), fit.flat.shape[1])), vectors))
    low, high = said.interval(LEVEL)
    prior = np.sqrt(np.einsum("qi,c,ci,qi->q", vectors, fit.cell_weights, fit.ratios**2, vectors))
    posterior = fit.sd_of(said)
    positive = said.chance_positive()
    close = about_the_same(problem)
    effects = []
    for k, question in enumerate(asked):
        verdict = verdict_of(
            question,
            float(low[k]),
            float(high[k]),
            float(positive[k]),
            question.family in gates and is_better,
            bool(posterior[k] > _UNTAUGHT * prior[k]),
            close,
        )
        effects.append(
            Effect(
                question,
                float(said.mean[k]),
                float(low[k]),
                float(high[k]),
                float(said.sd[k]),
                float(positive[k]),
                verdict,
            )
        )
    return effects


def verdict_of(
    question: Question,
    low: float,
    high: float,
    chance_positive: float,
    is_past_gate: bool,
    is_untaught: bool,
    close: float,
) -> str:
    """What may be said: one of never apart, too few, supported, leaning, about the same, cannot tell.

    close : a difference smaller than this is of no account to a distiller
    """
    if question.is_tied:
        return "never apart"
    if question.units < FEWEST_USES.get(question.family, 1):
        return "too few"
    if is_past_gate and (low > 0 or high < 0):
        return "supported"
    if -close < low and high < close:
        return "about the same"
    if is_past_gate and not is_untaught and max(chance_positive, 1.0 - chance_positive) >= SURE_SIGN:
        return "leaning"
    return "cannot tell"


def about_the_same(problem: Problem) -> float:
    """The difference in the response that is of no account, in its own unit."""
    if problem.response.about is not None:
        return problem.response.about
    return abs(float(problem.y.mean())) * (problem.response.about_frac or 0.0)


def cox_direction(mean_shares: Floats, level: int, points: float = POINTS) -> Floats:
    """Change of all shares when one grows by `points` and the rest shrink in proportion to `mean_shares`.

    Sums to nought. Cox's direction, as in J. A. Cornell, Experiments with Mixtures (from memory).

    >>> cox_direction(np.array([0.6, 0.3, 0.1]), 2).round(4).tolist()
    [-0.0667, -0.0333, 0.1]
    """
    change = -mean_shares / (1.0 - mean_shares[level])
    change[level] = 1.0
    return np.asarray(points * change)


def swap(count: int, level: int, other: int, points: float = POINTS) -> Floats:
    """Change of all shares when `points` of one take the place of as much of another."""
    change = np.zeros(count)
    change[level], change[other] = points, -points
    return change


def reference_mix(family: Family, tied: Collection[tuple[str, str]]) -> Floats:
    """The average choice of a family, tied levels left out: mean shares of grain, equal parts of the rest."""
    free = np.array([(family.name, level) not in tied for level in family.levels], dtype=float)
    if not free.any():
        free = np.ones(len(family.levels))
    mix = free * (family.mean if family.name == "grain" else 1.0)
    return np.asarray(mix / mix.sum())


def _mixes(problem: Problem, tied: Collection[tuple[str, str]]) -> tuple[Floats, Floats] | None:
    """The average grain and the average yeast; None where the problem knows nothing of their products."""
    grain, yeast = problem.family("grain"), problem.family("yeast")
    if problem.family(TOGETHER) is None or grain is None or yeast is None:
        return None
    return reference_mix(grain, tied), reference_mix(yeast, tied)


def _in_company(problem: Problem, vector: Floats, mixes: tuple[Floats, Floats] | None) -> None:
    """What a change of grain or of yeast changes of their products, the other at its average."""
    if mixes is None:
        return
    of_grain = np.outer(vector[problem.columns_of("grain")], mixes[1])
    of_yeast = np.outer(mixes[0], vector[problem.columns_of("yeast")])
    vector[problem.columns_of(TOGETHER)] = (of_grain + of_yeast).ravel()


def _judged_columns(problem: Problem) -> NDArray[np.int64]:
    """The columns that decide what can be told apart: all of them, unless they outnumber the batches.

    With more columns than batches plain algebra could answer nothing at all; then named choices are held
    against each other, and the rest is left to the fit's intervals.
    """
    columns = np.arange(problem.straight.shape[1])
    if len(columns) < len(problem.y):
        return columns
    named = [columns[problem.columns_of(f.name)] for f in problem.families if f.is_shares]
    return np.concatenate(named) if named else columns[:0]


def _family_questions(family: Family, tied: Collection[tuple[str, str]]) -> Iterator[Question]:
    if family.name == "process":
        yield from _process_questions(family, tied)
    elif family.name == "grain":
        yield from _grain_questions(family, tied)
    else:
        yield from _kind_questions(family, tied)


def _process_questions(family: Family, tied: Collection[tuple[str, str]]) -> Iterator[Question]:
    for k, level in enumerate(family.levels):
        vector = np.zeros(len(family.levels))
        vector[k] = family.steps[k]
        is_tied = ("process", level) in tied
        yield Question(
            "process", level, "", "step", FACTORS[level].words, len(family.columns), is_tied, vector
        )


def _grain_questions(family: Family, tied: Collection[tuple[str, str]]) -> Iterator[Question]:
    mix = reference_mix(family, tied)
    base = int(np.argmax(mix))
    for k, level in enumerate(family.levels):
        is_tied = ("grain", level) in tied
        if mix[k] < 1.0 - 1e-9:
            words = f"10 points more {level}{REST_SCALED}"
            vector = cox_direction(mix, k)
            yield Question("grain", level, "the rest", "more", words, family.used(k), is_tied, vector)
    for k, level in enumerate(family.levels):
        if k != base:
            is_tied = ("grain", level) in tied
            words = f"10 points of {level} in place of {family.levels[base]}"
            vector = swap(len(family.levels), k, base)
            yield Question(
                "grain", level, family.levels[base], "swap", words, family.used(k), is_tied, vector
            )


def _kind_questions(family: Family, tied: Collection[tuple[str, str]]) -> Iterator[Question]:
    mix = reference_mix(family, tied)
    for k, level in enumerate(family.levels):
        vector = -mix.copy()
        vector[k] += 1.0
        is_tied = (family.name, level) in tied
        words = f"{level} against the average {family.name}"
        yield Question(
            family.name, level, "average", "against average", words, family.used(k), is_tied, vector
        )
    for k, level in enumerate(family.levels):
        for other in range(k + 1, len(family.levels)):
            is_tied = bool({(family.name, level), (family.name, family.levels[other])} & set(tied))
            vector = swap(len(family.levels), k, other, 1.0)
            units = min(family.used(k), family.used(other))
            words = f"{level} against {family.levels[other]}"
            yield Question(family.name, level, family.levels[other], "pair", words, units, is_tied, vector)
