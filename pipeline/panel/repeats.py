"""Difference tests in which people answered more than once: how far that makes the answers hang together.

When nobody can tell, every answer is luck, whoever gave it: the exact binomial test of the total holds with
repeats too. How *large* a difference is does not follow from it, since people differ: somebody who can tell
is right again and again. Person i's chance of being right is taken as

    c + (1 - c) pi_i,   pi_i ~ Beta with mean mu and correlation gamma,   right answers binomial given pi_i

(c by luck). The limits of mu are those of its profile likelihood, gamma free from 0 to 1, judged by Student's
t of so many people; and never narrower than the exact binomial ones, which they come back to when all answers
come from different people.

sources : Brockhoff & Schlich, Food Qual. Pref. 9 (1998) 303; Ennis & Bi, J. Sensory Studies 13 (1998) 389
          (beta-binomial); Brockhoff, Food Qual. Pref. 14 (2003) 405 (corrected for chance); Kunert & Meyners,
          Food Qual. Pref. 10 (1999) 477 (the binomial test under repeats); statistic of Tarone, Biometrika 66
          (1979) 585. All from memory; probabilities checked against scipy, coverage by simulation
          (tests/panel).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, gammaln, stdtrit

from pipeline.panel.mixed import Array

Counts = NDArray[np.int64]

LEAST_PEOPLE = 3
"""With fewer people than this, how much people differ cannot be read at all."""
_MEANS = np.linspace(0.0, 1.0, 201)
_TIES = np.array([0.0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97])
_SHUFFLES = 1999


@dataclass(frozen=True)
class Repeats:
    """What the answers of people who answered more than once say of the share that can tell.

    gamma        : correlation of one person's answers beyond luck, 0 to 1, most likely value
    p_value      : how often answers dealt out at random would differ so much between people
    low, high    : 95 % limits of the share of discriminators; `most` its one-sided upper limit
    """

    gamma: float
    p_value: float
    low: float
    high: float
    most: float


def repeated_trials(correct: Sequence[int], trials: Sequence[int], chance: float) -> Repeats | None:
    """What repeats say, from each person's right answers and trials; None without repeats or people enough.

    chance : share right by luck
    """
    right, tried = np.asarray(correct, dtype=np.int64), np.asarray(trials, dtype=np.int64)
    if len(tried) < LEAST_PEOPLE or tried.max() < 2:
        return None
    logs = _likelihood(right, tried, chance)
    by_mean = logs.max(axis=0)
    best = int(np.argmax(by_mean))
    fall = 2.0 * (by_mean[best] - by_mean)
    two_sided = float(stdtrit(len(tried) - 1, 0.975)) ** 2
    one_sided = float(stdtrit(len(tried) - 1, 0.95)) ** 2
    low, high = _crossings(fall, best, two_sided)
    return Repeats(
        gamma=float(_TIES[int(np.argmax(logs[:, best]))]),
        p_value=_spread_p_value(right, tried),
        low=low,
        high=high,
        most=_crossings(fall, best, one_sided)[1],
    )


def _crossings(fall: Array, best: int, bound: float) -> tuple[float, float]:
    """Where twice the log likelihood has fallen by `bound` on either side of its top."""
    inside = np.flatnonzero(fall <= bound)
    ends = []
    for end, step in ((int(inside[0]), -1), (int(inside[-1]), 1)):
        beyond = end + step
        if not 0 <= beyond < len(fall):
            ends.append(float(_MEANS[end]))
            continue
        part = (bound - fall[end]) / (fall[beyond] - fall[end]) if np.isfinite(fall[beyond]) else 0.0
        ends.append(float(_MEANS[end] + part * (_MEANS[beyond] - _MEANS[end])))
    return ends[0], ends[1]


def _likelihood(right: Counts, tried: Counts, chance: float) -> Array:
    """Log likelihood on the grid, (ties, means); one look at each different pair of right and tried."""
    pairs, counts = np.unique(np.stack([right, tried], axis=1), axis=0, return_counts=True)
    total = np.zeros((len(_TIES), len(_MEANS)))
    for (won, of), count in zip(pairs.tolist(), counts.tolist(), strict=True):
        total += count * _grid(won, of, chance)
    return total


@cache
def _grid(won: int, of: int, chance: float) -> Array:
    """Log probability of one person's `won` right answers of `of`, (ties, means)."""
    return np.stack([log_probability(won, of, chance, _MEANS, tie) for tie in _TIES])


def log_probability(won: int, of: int, chance: float, mean: Array, tie: float) -> Array:
    """Log of the chance-corrected beta-binomial probability of `won` right answers of `of`.

    mean : expected share of discriminators, 0 to 1; tie : correlation gamma, 0 (binomial) to below 1

    The power of c + (1 - c) pi is multiplied out; each power of pi has its expectation under Beta.
    """
    ways = gammaln(of + 1) - gammaln(won + 1) - gammaln(of - won + 1)
    with np.errstate(divide="ignore"):
        if tie == 0.0:
            sure = chance + (1.0 - chance) * mean
            missed = np.log(1.0 - sure) * (of - won) if of > won else np.zeros_like(sure)
            return np.asarray(ways + won * np.log(sure) + missed)
        # At the ends of its range the mean leaves Beta no spread: as good as certain, 1e-9 from there.
        inner = np.clip(mean, 1e-9, 1.0 - 1e-9)
        size = 1.0 / tie - 1.0
        up, down = inner * size, (1.0 - inner) * size
        told = np.arange(won + 1)[:, None]
        terms = (
            gammaln(won + 1)
            - gammaln(told + 1)
            - gammaln(won - told + 1)
            + (won - told) * np.log(chance)
            + told * np.log1p(-chance)
            + betaln(up + told, down + of - won)
            - betaln(up, down)
        )
        top = terms.max(axis=0)
        return np.asarray(
            ways + (of - won) * np.log1p(-chance) + top + np.log(np.exp(terms - top).sum(axis=0))
        )


def _spread_p_value(right: Counts, tried: Counts) -> float:
    """How often the same answers, dealt out at random, give people so different: Tarone's sum, shuffled."""
    answers = np.zeros(int(tried.sum()))
    answers[: int(right.sum())] = 1.0
    share = answers.mean()
    if share in (0.0, 1.0):
        return 1.0
    starts = np.concatenate([[0], np.cumsum(tried)[:-1]])
    rng = np.random.default_rng(1)
    dealt = rng.permuted(np.broadcast_to(answers, (_SHUFFLES, len(answers))), axis=1)
    sums = np.add.reduceat(dealt, starts, axis=1)
    reached = np.sum((sums - tried * share) ** 2, axis=1) >= np.sum((right - tried * share) ** 2) - 1e-9
    return float((1 + reached.sum()) / (_SHUFFLES + 1))
