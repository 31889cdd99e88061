"""Do the batches proposed next lead anywhere? Invented seasons played to their end by four rules.

Each starts with eight batches of three bills, makes ten more by its rule, and then names the bill it
would go on with. Regret is how far that bill falls short of the highest that the rules allow, in
standard deviations between like batches.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student_t

from pipeline.fits.blocks import Block, BlockFit
from pipeline.fits.design import PRIOR_SCALES
from pipeline.fits.mixture import Floats
from pipeline.fits.next_batches import PROMISES, Chooser

HABIT, CHANCE, OURS, PROMISE_ONLY = "house habit", "chance", "promise and lesson in turn", "promise only"
RULES = (HABIT, CHANCE, OURS, PROMISE_ONLY)
STARTING, FURTHER, GRAINS, YEASTS = 8, 10, 5, 3
_LEAST_BASE = 0.5


SEED = 310
"""Of the seasons in the table of DEVELOPERS.md."""


def regrets_of(rule: str, seasons: int, seed: int = SEED) -> Floats:
    """Regret of a rule in each of so many seasons; every rule meets the same seasons."""
    return np.array([_play(rule, np.random.default_rng([seed, number])) for number in range(seasons)])


def mean_with_interval(values: Floats) -> tuple[float, float, float]:
    """The mean of independent values and its 95 % t interval."""
    mean = float(values.mean())
    reach = float(student_t.ppf(0.975, len(values) - 1) * values.std(ddof=1) / np.sqrt(len(values)))
    return mean, mean - reach, mean + reach


def _play(rule: str, rng: np.random.Generator) -> float:
    candidates = _candidates()
    truth = candidates @ np.concatenate([rng.normal(0.0, 6.0, GRAINS), rng.normal(0.0, 1.0, YEASTS)])
    luck = rng.standard_normal(STARTING + FURTHER)
    house = rng.choice(len(candidates), 3, replace=False)
    made = [int(house[k % 3]) for k in range(STARTING)]
    for batch in range(FURTHER):
        results = truth[made] + luck[: len(made)]
        made.append(_next(rule, batch, candidates, made, results, house, rng))
    fit = _fit(candidates[made], truth[made] + luck)
    tried = np.array(sorted(set(made)))
    if rule == HABIT:
        final = tried[np.argmax(fit.expect(candidates[tried]))]
    else:
        final = np.argmax(fit.expect(candidates))
    return float(truth.max() - truth[final])


def _next(
    rule: str,
    batch: int,
    candidates: Floats,
    made: list[int],
    results: Floats,
    house: NDArray[np.int64],
    rng: np.random.Generator,
) -> int:
    if rule == HABIT:
        return int(house[batch % 3])
    if rule == CHANCE:
        return int(rng.integers(len(candidates)))
    fit = _fit(candidates[made], results)
    chooser = Chooser(fit, candidates, candidates[sorted(set(made))], True, [])
    picks = chooser.choose(1)
    lesson = rule == OURS and batch % 2 == 1
    return next(pick.candidate for pick in picks if (pick.why != PROMISES) == lesson)


def _fit(columns: Floats, y: Floats) -> BlockFit:
    blocks = [
        Block("grain", GRAINS, PRIOR_SCALES["grain"]),
        Block("yeast", YEASTS, PRIOR_SCALES["yeast"]),
    ]
    return BlockFit(y, columns, blocks, steps=10)


def _candidates() -> Floats:
    """Shares in steps of ten points, at least half of the first grain, with each yeast."""
    rows = []
    for parts in product(range(11), repeat=GRAINS - 1):
        if sum(parts) <= 10 * (1.0 - _LEAST_BASE) and sum(part > 0 for part in parts) <= 3:
            shares = np.array([10 - sum(parts), *parts]) / 10.0
            rows += [np.concatenate([shares, np.eye(YEASTS)[yeast]]) for yeast in range(YEASTS)]
    return np.array(rows)
