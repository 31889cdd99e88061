"""What cannot be told apart: choices that always, or nearly always, came together.

Looked for before anything is fitted, in the design alone. Two levels are tied when their columns move
together; beyond pairs, what the rank of the whole design lacks is named as a group.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.fits.design import TOGETHER, Family, Problem
from pipeline.fits.mixture import Floats

NEARLY = 0.9
"""Columns that correlate more than this are called nearly tied (own choice)."""

ASSOCIATED = 0.8
"""Cramer's V, corrected for chance, from which a grain and the choice of yeast count as going together."""

_EXACT = 1.0 - 1e-6
_NOT_IN_ROWS = 1e-6
# Two numbers can always be drawn as one line; a tie among so few says nothing.
_FEWEST_ROWS = 4


@dataclass(frozen=True)
class Tie:
    """Two choices that came together, in `together` units; `other_choices` are what might part them."""

    family: str
    level: str
    other_family: str
    other_level: str
    units: int
    other_units: int
    together: int
    correlation: float
    other_choices: tuple[str, ...]

    @property
    def is_exact(self) -> bool:
        """Whether no unit at all has one of the two without the other in fixed proportion."""
        always = self.together == self.units == self.other_units and self.family != self.other_family
        return abs(self.correlation) > _EXACT or (
            always and "process" not in (self.family, self.other_family)
        )


@dataclass(frozen=True)
class Tangle:
    """Three or more choices (family, level) bound together, though no two of them are."""

    choices: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Association:
    """A grain that came with some of the yeasts and hardly ever with the others."""

    grain: str
    yeasts: tuple[str, ...]
    units: int
    other_units: int
    together: int
    cramers_v: float


def design_rank(columns: Floats) -> int:
    """Rank of a design's columns.

    >>> design_rank(np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 1.0], [0.5, 0.5, 1.0]]))
    2
    """
    return int(np.linalg.matrix_rank(columns, tol=1e-8 * max(columns.shape)))


def cramers_v(one: Sequence[object], other: Sequence[object], is_corrected: bool = False) -> float:
    """Cramer's V of two classifications, 0 unrelated to 1 tied; corrected for chance when asked."""
    rows, row_of = np.unique(np.array(one, dtype=str), return_inverse=True)
    columns, column_of = np.unique(np.array(other, dtype=str), return_inverse=True)
    counts = np.zeros((len(rows), len(columns)))
    np.add.at(counts, (row_of, column_of), 1.0)
    return cramers_v_of(counts, is_corrected)


def cramers_v_of(counts: Floats, is_corrected: bool = False) -> float:
    """The same from how often each pair of classes was counted; every class counted at least once."""
    n = counts.sum()
    expected = counts.sum(1, keepdims=True) * counts.sum(0, keepdims=True) / n
    phi2 = float(((counts - expected) ** 2 / expected).sum() / n)
    r, c = (float(size) for size in counts.shape)
    if is_corrected:
        phi2 = max(0.0, phi2 - (r - 1) * (c - 1) / (n - 1))
        r, c = r - (r - 1) ** 2 / (n - 1), c - (c - 1) ** 2 / (n - 1)
    least = min(r, c) - 1.0
    return float(np.sqrt(phi2 / least)) if least > 0 else 0.0


def row_space(columns: Floats) -> Floats:
    """Orthonormal rows that span the rows of a design's centred columns (its column of ones taken out)."""
    if columns.shape[1] == 0:
        return np.empty((0, 0))
    # The triangular factor has the same rows' space and singular values, in as many rows as columns at most.
    triangle = np.linalg.qr(columns - columns.mean(axis=0), mode="r")
    _, values, rows = np.linalg.svd(triangle, full_matrices=False)
    return np.asarray(rows[values > 1e-8 * max(values[0], 1e-9)])


def is_in_rows(rows: Floats, question: Floats) -> bool:
    """Whether a design can answer a question about its coefficients, those of `row_space` being its rows.

    A question whose entries do not touch the mean is answered when it lies in the row space; one that asks
    nothing always is.
    """
    rest = question - rows.T @ (rows @ question)
    return bool(np.linalg.norm(rest) <= _NOT_IN_ROWS * np.linalg.norm(question))


def find_ties(problem: Problem) -> list[Tie]:
    """Pairs of levels, of one family or of two, that always or nearly always came together."""
    if len(problem.y) < _FEWEST_ROWS:
        return []
    ties = []
    families = problem.without(TOGETHER).families
    for place, family in enumerate(families):
        for other in families[place:]:
            if {family.name, other.name} <= {"setting", "process"}:
                continue
            ties += _ties_between(family, other)
    return sorted(ties, key=lambda tie: (-abs(tie.correlation), tie.level, tie.other_level))


def find_tangles(problem: Problem, ties: Sequence[Tie]) -> list[Tangle]:
    """Groups of three choices or more that only their sum is known of, beyond the ties of two."""
    shares = [family for family in problem.families if family.is_shares]
    if not shares:
        return []
    dropped = {(tie.other_family, tie.other_level) for tie in ties if tie.is_exact}
    names, columns = [], []
    for family in shares:
        # Shares of a family sum to one: leaving one level out takes that expected redundancy away.
        for level in _without_commonest(family):
            if (family.name, family.levels[level]) not in dropped:
                names.append((family.name, family.levels[level]))
                columns.append(family.columns[:, level])
    if len(names) < 3:
        return []
    matrix = np.stack(columns, axis=1)
    # All of the row space is wanted, and nothing of the units' side: the triangular factor has it.
    triangle = np.asarray(np.linalg.qr(matrix - matrix.mean(axis=0), mode="r"))
    _, values, rows = np.linalg.svd(triangle)
    full = np.zeros(len(names))
    full[: len(values)] = values
    tangles = []
    for vector in rows[full <= 1e-8 * max(full[0], 1e-9)]:
        members = tuple(names[k] for k in np.flatnonzero(np.abs(vector) > 1e-6))
        if len(members) > 2:
            tangles.append(Tangle(members))
    return tangles


def find_associations(problem: Problem, ties: Sequence[Tie]) -> list[Association]:
    """Grains that kept to some of the yeasts, where no single yeast is tied to them already."""
    grain, yeast = problem.family("grain"), problem.family("yeast")
    if grain is None or yeast is None or len(problem.y) < _FEWEST_ROWS:
        return []
    named = {level for tie in ties for level in (tie.level, tie.other_level)}
    chosen = yeast.columns.argmax(axis=1)[:, None] == np.arange(len(yeast.levels))
    units = chosen.sum(axis=0)
    by_name = np.array(sorted(np.flatnonzero(units), key=lambda k: yeast.levels[k]))
    found = []
    for k, level in enumerate(grain.levels):
        together = chosen[grain.columns[:, k] > 1e-9].sum(axis=0)
        counts = np.stack([units - together, together])[:, by_name].astype(float)
        v = cramers_v_of(counts[counts.any(axis=1)], is_corrected=True)
        if v < ASSOCIATED or level in named:
            continue
        mates = np.flatnonzero(2 * together > units)
        found.append(
            Association(
                level,
                tuple(yeast.levels[mate] for mate in mates),
                int(together.sum()),
                int(units[mates].sum()),
                int(together[mates].sum()),
                v,
            )
        )
    return found


def choices_of(problem: Problem) -> int:
    """How many choices there are beside the setting; shares of a family sum to one, so one is none."""
    return sum(len(family.levels) - family.is_shares for family in _choices_in(problem))


def choices_apart(problem: Problem) -> tuple[int, int]:
    """How many choices there are beside the setting, and how many of them the design can tell apart.

    Shares of a family sum to one, so that one of each is no choice of its own. Choices that always came
    together count as one, though their shares may not have moved quite alike.
    """
    families = _choices_in(problem)
    if not families:
        return 0, 0
    columns = np.concatenate([family.columns for family in families], axis=1)
    choices = choices_of(problem)
    ties = [tie for tie in find_ties(problem) if "setting" not in (tie.family, tie.other_family)]
    together = choices - sum(tie.is_exact for tie in ties)
    return choices, min(choices, together, design_rank(columns - columns.mean(axis=0)))


def _choices_in(problem: Problem) -> list[Family]:
    return [family for family in problem.without(TOGETHER).families if family.name != "setting"]


def tied_levels(ties: Sequence[Tie]) -> set[tuple[str, str]]:
    """The (family, level) pairs of exact ties: nothing is said of these alone."""
    found = set()
    for tie in ties:
        if tie.is_exact and "setting" not in (tie.family, tie.other_family):
            found |= {(tie.family, tie.level), (tie.other_family, tie.other_level)}
        elif tie.is_exact:
            found.add(
                (tie.family, tie.level)
                if tie.other_family == "setting"
                else (tie.other_family, tie.other_level)
            )
    return found


def _ties_between(family: Family, other: Family) -> list[Tie]:
    correlation = family.centred.correlation(other.centred)
    found = []
    for i, j in np.argwhere(np.abs(_presence(family, other, correlation)) > NEARLY):
        same = family is other
        if same and (j <= i or correlation[i, j] < 0):
            continue
        is_named = family.is_shares and other.name != "process"
        if is_named and correlation[i, j] < 0:
            continue
        tie = _tie(family, int(i), other, int(j), float(correlation[i, j]))
        if tie.units >= 2 and not (same and len(family.levels) == 2):
            found.append(tie)
    return found


def _presence(family: Family, other: Family, correlation: Floats) -> Floats:
    """The stronger of: shares moving together, and being used in the very same units."""
    if "process" in (family.name, other.name):
        return correlation
    used = family.presence.correlation(other.presence)
    return np.where(np.abs(used) > np.abs(correlation), used, correlation)


def _tie(family: Family, i: int, other: Family, j: int, correlation: float) -> Tie:
    left, right = family.is_used[:, i], other.is_used[:, j]
    elsewhere = other.columns[~right].sum(axis=0) if (~right).any() else np.zeros(len(other.levels))
    others = [other.levels[k] for k in np.argsort(-elsewhere, kind="stable") if elsewhere[k] > 0 and k != j]
    return Tie(
        family.name,
        family.levels[i],
        other.name,
        other.levels[j],
        int(left.sum()),
        int(right.sum()),
        int((left & right).sum()),
        correlation,
        tuple(level for level in others if level != family.levels[i])[:3],
    )


def _without_commonest(family: Family) -> list[int]:
    commonest = int(np.argmax(family.columns.sum(axis=0)))
    return [level for level in range(len(family.levels)) if level != commonest]
