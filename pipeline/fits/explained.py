"""How much of the variation each family of choices explains, and how much nothing explains.

Two answers to two questions stand side by side: the fit's own (posterior, with intervals), in which the
shares and the unexplained rest sum to one; and the plain one, the average of what a family adds to R2
over all orders of entering the families (Lindeman, Merenda, Gold 1980; the Shapley value). Beside it what
a family adds as the last to enter: what the others could not say too.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import factorial

import numpy as np

from pipeline.fits.blocks import BlockFit
from pipeline.fits.design import TOGETHER, Problem
from pipeline.fits.mixture import Floats

REST = "nothing"


@dataclass(frozen=True)
class Share:
    """Share of the variation between units that a family explains, with its 95 % interval.

    plain : the plain answer; None for the products of grain and yeast, which it does not know
    alone : what it adds to R2 after all other families; None as above, and for what nothing explains
    """

    family: str
    share: float
    low: float
    high: float
    plain: float | None
    alone: float | None


def explained_shares(fit: BlockFit, problem: Problem) -> list[Share]:
    """The share of each family and of nothing; the means sum to one."""
    draws = fit.draws
    parts = parts_of_variance(draws.shrunk, problem)
    total = parts.sum(axis=1) + draws.residual_sd**2
    straight = [family for family in problem.families if family.name != TOGETHER]
    groups = [family.columns for family in straight]
    few = _in_few_rows(problem.y, groups)
    plain, last = _shapley_r2(*few), _last_in_r2(*few)
    # The plain answers know no products: their place stays empty.
    plain_of = dict(zip((family.name for family in straight), zip(plain, last, strict=True), strict=True))
    shares = []
    for family, part in zip(problem.families, parts.T, strict=True):
        of_all = part / total
        low, high = np.quantile(of_all, [0.025, 0.975])
        whole_part, alone = plain_of.get(family.name, (None, None))
        mean = float(of_all.mean())
        shares.append(Share(family.name, mean, max(0.0, float(low)), float(high), whole_part, alone))
    rest = draws.residual_sd**2 / total
    low, high = np.quantile(rest, [0.025, 0.975])
    shares.append(Share(REST, float(rest.mean()), float(low), float(high), 1.0 - sum(plain), None))
    return shares


def parts_of_variance(coefficients: Floats, problem: Problem) -> Floats:
    """Covariance of each family's part of what is expected with the whole of it, by draw (draws, families).

    coefficients : (draws, the problem's columns)
    Worked out from the columns' covariances, so that it takes no longer for more units.
    """
    centred = problem.matrix - problem.matrix.mean(axis=0)
    shared = coefficients * (coefficients @ (centred.T @ centred / len(centred)))
    parts = np.empty((len(coefficients), len(problem.families)))
    for place, family in enumerate(problem.families):
        parts[:, place] = shared[:, problem.columns_of(family.name)].sum(axis=1)
    return parts


def last_in_r2(y: Floats, groups: list[Floats]) -> list[float]:
    """What each group of columns adds to R2 after all the others: its unique part."""
    return _last_in_r2(*_in_few_rows(y, groups))


def _last_in_r2(y: Floats, groups: list[Floats], rounding: float) -> list[float]:
    whole = _r_squared(y, groups, rounding)
    return [whole - _r_squared(y, groups[:k] + groups[k + 1 :], rounding) for k in range(len(groups))]


def shapley_r2(y: Floats, groups: list[Floats]) -> list[float]:
    """The part of R2 due to each group of columns, averaged over all orders of entry; parts sum to R2."""
    return _shapley_r2(*_in_few_rows(y, groups))


def _shapley_r2(y: Floats, groups: list[Floats], rounding: float) -> list[float]:
    count = len(groups)
    r2 = {
        subset: _r_squared(y, [groups[k] for k in subset], rounding)
        for size in range(count + 1)
        for subset in combinations(range(count), size)
    }
    parts = []
    for k in range(count):
        rest = [other for other in range(count) if other != k]
        part = 0.0
        for size in range(count):
            weight = factorial(size) * factorial(count - size - 1) / factorial(count)
            for subset in combinations(rest, size):
                part += weight * (r2[tuple(sorted((*subset, k)))] - r2[subset])
        parts.append(part)
    return parts


def _in_few_rows(y: Floats, groups: list[Floats]) -> tuple[Floats, list[Floats], float]:
    """Response and columns, centred, as their triangular factor: R2 of any of them stays what it was.

    So each of the many fits to come has as many rows as there are columns, however many units there are.
    Third stands which part of the largest singular value counts as rounding, by the rows there were.
    """
    beside = np.column_stack([*groups, y])
    triangle = np.asarray(np.linalg.qr(beside - beside.mean(axis=0), mode="r"))
    ends = np.cumsum([group.shape[1] for group in groups])
    own = np.split(triangle[:, :-1], ends[:-1], axis=1) if groups else []
    return triangle[:, -1], own, float(np.finfo(float).eps) * max(beside.shape)


def _r_squared(y: Floats, groups: list[Floats], rounding: float) -> float:
    if not groups:
        return 0.0
    columns = np.concatenate(groups, axis=1)
    fitted = columns @ np.linalg.lstsq(columns, y, rcond=rounding)[0]
    return float(1.0 - ((y - fitted) ** 2).sum() / (y @ y))
