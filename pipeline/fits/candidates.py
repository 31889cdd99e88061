"""The batches one could run next: every grain bill of a grid that may be mashed, with every yeast at hand.

Nothing is proposed that cannot mash (too little malt with enzymes), that the distiller has ruled out or
has no stock for, that goes far from every bill made before, or that brings a grain and a yeast together
that are both new to each other in more ways than one. Knows no fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations, product

import numpy as np

from pipeline.fits.mixture import Floats

GRID = 0.10
MOST_GRAINS = 4
MOST_STEP = 0.20
"""Furthest a bill may lie from the nearest bill made before: half the sum of the shares' changes."""

MOST_CANDIDATES = 4000
_FULL = 1e-9


@dataclass(frozen=True)
class Ingredient:
    """What a candidate may hold. Shares are of fermentable mass; `stock_kg` None: as much as is wanted."""

    name: str
    has_enzymes: bool
    price_per_kg: float | None = None
    low: float = 0.0
    high: float = 1.0
    stock_kg: float | None = None


@dataclass(frozen=True)
class Rules:
    """What the distiller allows. `batch_kg` is the fermentable mass of a usual batch."""

    ingredients: tuple[Ingredient, ...]
    yeasts: tuple[str, ...]
    batch_kg: float
    least_enzymes: float = 0.30


@dataclass(frozen=True)
class Candidate:
    """One batch to try: shares by ingredient name in the rules' order, yeast, what its grain would cost."""

    shares: tuple[float, ...]
    yeast: str
    cost: float | None = field(compare=False, default=None)


def enumerate_candidates(
    rules: Rules, made: Sequence[tuple[Floats, str]], step: float = GRID
) -> list[Candidate]:
    """Every batch that the rules allow, near one of the bills `made` (shares in the rules' order, yeast).

    Bills made before are candidates too (rounded to the grid): a repeat teaches the noise.
    """
    if not rules.yeasts or not made:
        return []
    bills = np.array([shares for shares, _ in made])
    used = {(int(k), yeast) for shares, yeast in made for k in np.flatnonzero(shares > _FULL)}
    known_yeasts = {yeast for _, yeast in made}
    known_grains = set(np.flatnonzero(bills.max(axis=0) > _FULL).tolist())
    found = []
    for shares in _bills(rules, bills, step):
        cost = cost_of(rules, shares)
        grains = set(np.flatnonzero(shares > _FULL).tolist())
        has_new_grain = not grains <= known_grains
        for yeast in rules.yeasts:
            if has_new_grain and yeast not in known_yeasts:
                continue
            unfamiliar = sum((k, yeast) not in used for k in grains)
            found.append((unfamiliar, Candidate(tuple(shares.tolist()), yeast, cost)))
    # The familiar first, so that a cut-off at the end costs the far-fetched.
    found.sort(key=lambda item: item[0])
    return [candidate for _, candidate in found[:MOST_CANDIDATES]]


def can_mash(rules: Rules, shares: Floats) -> bool:
    """Whether enough of a bill brings enzymes to convert the whole of it.

    The least share is the rules'; 30 % of malt for any mash is common practice, no source. Bills that are
    mashed with added enzymes need it lowered by the distiller, who then sees to the conversion.
    """
    with_enzymes = np.array([item.has_enzymes for item in rules.ingredients])
    return bool(shares[with_enzymes].sum() >= rules.least_enzymes - _FULL)


def cost_of(rules: Rules, shares: Floats) -> float | None:
    """What a batch's fermentables cost; None when the price of any of them is not known."""
    total = 0.0
    for item, share in zip(rules.ingredients, shares, strict=True):
        if share > _FULL:
            if item.price_per_kg is None:
                return None
            total += float(share) * item.price_per_kg * rules.batch_kg
    return total


def describe(names: Sequence[str], shares: Sequence[float]) -> str:
    """A bill in words, the most of it first.

    >>> describe(["malt", "rye", "oats"], [0.7, 0.3, 0.0])
    '70 % malt, 30 % rye'
    """
    parts = sorted(
        ((share, name) for name, share in zip(names, shares, strict=True) if share > _FULL),
        key=lambda p: (-p[0], p[1]),
    )
    return ", ".join(f"{share * 100:.0f} % {name}" for share, name in parts)


def _bills(rules: Rules, made: Floats, step: float) -> list[Floats]:
    """Shares on the grid within bounds and stock, near a bill made before, that can mash."""
    count = len(rules.ingredients)
    highs = np.array([_highest(item, rules.batch_kg) for item in rules.ingredients])
    # Only what stands together in a bill made before, and one more, is near enough to be allowed.
    companies = {tuple(sorted(np.flatnonzero(bill > _FULL).tolist())) for bill in made}
    subsets = set()
    for company in companies:
        for extra in [(), *((k,) for k in range(count))]:
            members = tuple(sorted({*company, *extra}))
            for size in range(1, min(MOST_GRAINS, len(members)) + 1):
                subsets |= set(combinations(members, size))
    steps = round(1.0 / step)
    lows = np.array([item.low for item in rules.ingredients])
    bills: list[Floats] = []
    for subset in sorted(subsets):
        parts = np.array(_compositions(steps, len(subset)))
        shares = np.zeros((len(parts), count))
        shares[:, list(subset)] = parts / steps
        shares = shares[((lows - _FULL <= shares) & (shares <= highs + _FULL)).all(axis=1)]
        shares = shares[_distance(made, shares) <= MOST_STEP + _FULL]
        bills += [own for own in shares if can_mash(rules, own)]
    return bills


def _compositions(total: int, parts: int) -> list[tuple[int, ...]]:
    """Every way of writing `total` as a sum of `parts` whole numbers above nought."""
    if parts == 1:
        return [(total,)]
    return [
        (*first, total - sum(first))
        for first in product(range(1, total - parts + 2), repeat=parts - 1)
        if sum(first) < total
    ]


def _highest(item: Ingredient, batch_kg: float) -> float:
    return item.high if item.stock_kg is None else min(item.high, item.stock_kg / batch_kg)


def _distance(made: Floats, shares: Floats) -> Floats:
    """How far each bill lies from the nearest made: half the sum of the shares' changes."""
    return np.asarray(np.abs(made[:, None] - shares).sum(axis=2).min(axis=0) / 2.0)
