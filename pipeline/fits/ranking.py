"""Grain bills and yeasts in order, all else alike, and how sure one may be of the order."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fits.blocks import BlockFit, Contrasts
from pipeline.fits.design import TOGETHER, Problem
from pipeline.fits.effects import LEVEL, reference_mix
from pipeline.fits.mixture import Floats

NEAR_FRAC = 0.02
"""Within this share of the best counts as near the best."""


@dataclass(frozen=True)
class Rank:
    """One grain bill or yeast: its mean adjusted to average company, and its chances."""

    subject: str
    name: str
    units: int
    raw_mean: float
    adjusted: float
    low: float
    high: float
    chance_best: float
    chance_near: float
    is_tied: bool


def rank(fit: BlockFit, problem: Problem, subject: str, tied: Collection[tuple[str, str]]) -> list[Rank]:
    """Grain bills (`subject` 'grain bill') or yeasts ('yeast') by adjusted mean, the best first.

    A bill is taken at its own mean shares with the average yeast; a yeast with the average bill; the
    process at its average. Empty when nothing of the sort varied.
    """
    family = problem.family("grain" if subject == "grain bill" else "yeast")
    if family is None:
        return []
    names = problem.recipes if subject == "grain bill" else _chosen(problem)
    groups = _rows_by_name(names)
    groups.pop("", None)
    if len(groups) < 2:
        return []
    questions = np.stack([_company(problem, rows, subject, tied) for rows in groups.values()])
    flat = np.ones((len(groups), 1))
    said = fit.ask(Contrasts(flat, questions))
    low, high = said.interval(LEVEL)
    best, near = _chances(fit, questions, problem.response.is_more_better is not False)
    tied_names = {level for own_family, level in tied if own_family == family.name}
    ranks = [
        Rank(
            subject,
            name,
            len(rows),
            float(problem.y[rows].mean()),
            float(said.mean[k]),
            float(low[k]),
            float(high[k]),
            float(best[k]),
            float(near[k]),
            _uses_tied(problem, rows, family.name, tied_names),
        )
        for k, (name, rows) in enumerate(groups.items())
    ]
    sign = -1.0 if problem.response.is_more_better is not False else 1.0
    return sorted(ranks, key=lambda item: (sign * item.adjusted, item.name))


def _rows_by_name(names: Sequence[str]) -> dict[str, list[int]]:
    """The rows of each name, by name."""
    groups: dict[str, list[int]] = {}
    for row, name in enumerate(names):
        groups.setdefault(name, []).append(row)
    return dict(sorted(groups.items()))


def _chosen(problem: Problem) -> tuple[str, ...]:
    family = problem.family("yeast")
    if family is None:
        return ("",) * len(problem.y)
    names = np.array(family.levels, dtype=object)[family.columns.argmax(axis=1)]
    return tuple(np.where(family.columns.max(axis=1) > 0.999, names, "").tolist())


def _company(problem: Problem, rows: list[int], subject: str, tied: Collection[tuple[str, str]]) -> Floats:
    """The columns of the group in average company: its own grain (or yeast), the others' average."""
    own = "grain" if subject == "grain bill" else "yeast"
    parts: dict[str, Floats] = {}
    for family in problem.families:
        if family.name == own:
            parts[family.name] = family.columns[rows].mean(axis=0)
        elif family.name == TOGETHER:
            parts[TOGETHER] = np.outer(parts["grain"], parts["yeast"]).ravel()
        elif family.is_shares:
            parts[family.name] = reference_mix(family, tied)
        else:
            parts[family.name] = family.mean
    return np.concatenate(list(parts.values()))


def _chances(fit: BlockFit, questions: Floats, is_more_better: bool) -> tuple[Floats, Floats]:
    """Share of joint draws in which each is best, and in which it is within two hundredths of the best."""
    draws = fit.draws
    values = draws.shrunk @ questions.T + draws.flat[:, :1]
    sign = 1.0 if is_more_better else -1.0
    top = (sign * values).max(axis=1, keepdims=True)
    best = sign * values >= top
    near = sign * values >= top - NEAR_FRAC * np.abs(top)
    return best.mean(axis=0), near.mean(axis=0)


def _uses_tied(problem: Problem, rows: list[int], family_name: str, tied: set[str]) -> bool:
    family = problem.family(family_name)
    assert family is not None
    asked = [k for k, level in enumerate(family.levels) if level in tied]
    return bool((family.columns[np.ix_(rows, asked)] > 1e-9).any())
