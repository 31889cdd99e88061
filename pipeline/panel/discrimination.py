"""Difference tests: triangle, duo-trio, paired. Exact binomial, d-prime, power, and how many trials.

d-prime is the distance between two samples in standard deviations of what one taster perceives from pour to
pour (the Thurstonian model); 1 is a difference that is missed more often than not in a triangle.
The share of discriminators p_d is the share of answers that rest on more than luck:
p_correct = chance + p_d (1 - chance).

sources : the psychometric functions after Ennis, J. Sensory Studies 8 (1993) 353, from memory, checked by the
          published values at d-prime 1; critical numbers checked against two printed tables, see tests/panel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betaincinv, ndtr

from pipeline.panel.binomial import chance_of_at_least, chance_of_at_most, fewest_beyond
from pipeline.panel.repeats import Repeats, repeated_trials

CHANCE = {"triangle": 1.0 / 3.0, "duo-trio": 0.5, "paired": 0.5, "3-afc": 1.0 / 3.0}
"""Share right by luck alone, by test. `paired` is the directed comparison ("which is smokier?")."""

LEVEL = 0.05
WANTED_POWER = 0.8
SIMILAR_BELOW_PD = 0.3
"""Two samples are alike enough when at most this share could tell them apart: with 95 % confidence (own
choice)."""

MOST_D_PRIME = 12.0
MOST_TRIALS = 2000
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)


def p_value(correct: int, trials: int, test: str) -> float:
    """Chance of at least `correct` right answers of `trials` by luck alone (exact binomial, one-sided).

    >>> round(p_value(10, 15, "triangle"), 6)
    0.008504
    """
    return float(chance_of_at_least(correct, trials, CHANCE[test]))


def critical_number(trials: int, test: str, level: float = LEVEL) -> int | None:
    """Fewest right answers that luck reaches with at most `level`; None when not even all right would do.

    >>> critical_number(24, "triangle"), critical_number(4, "duo-trio")
    (13, None)
    """
    counts = np.arange(trials + 1)
    enough = np.flatnonzero(chance_of_at_least(counts, trials, CHANCE[test]) <= level)
    return int(enough[0]) if len(enough) else None


def correct_frac(d_prime: float, test: str) -> float:
    """Share of right answers at a d-prime of zero or more, by test.

    >>> [round(correct_frac(1.0, test), 3) for test in ("triangle", "duo-trio", "paired", "3-afc")]
    [0.418, 0.582, 0.76, 0.634]
    """
    if test == "paired":
        return float(ndtr(d_prime / np.sqrt(2.0)))
    if test == "duo-trio":
        half, sixth = float(ndtr(d_prime / np.sqrt(2.0))), float(ndtr(d_prime / np.sqrt(6.0)))
        return 1.0 - half - sixth + 2.0 * half * sixth
    if test == "triangle":
        z = 4.5 * (_NODES + 1.0)
        inner = ndtr(-z * np.sqrt(3.0) + d_prime * np.sqrt(2.0 / 3.0))
        inner = inner + ndtr(-z * np.sqrt(3.0) - d_prime * np.sqrt(2.0 / 3.0))
        return float(2.0 * 4.5 * np.sum(_WEIGHTS * inner * _density(z)))
    if test == "3-afc":
        width = 9.0 + d_prime / 2.0
        z = d_prime / 2.0 + width * _NODES
        return float(width * np.sum(_WEIGHTS * _density(z - d_prime) * ndtr(z) ** 2))
    raise ValueError(f"{test} is no difference test: {', '.join(CHANCE)}")


def _density(z: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))


def d_prime_from_frac(frac: float, test: str) -> float:
    """The d-prime that gives this share of right answers: 0 at or below chance, infinite at all right."""
    if not frac > CHANCE[test]:
        return 0.0
    if frac >= correct_frac(MOST_D_PRIME, test):
        return float("inf")
    return float(brentq(lambda d: correct_frac(d, test) - frac, 0.0, MOST_D_PRIME, xtol=1e-10))


@dataclass(frozen=True)
class Difference:
    """What a difference test showed.

    p_value                : chance of this result or better by luck alone
    d_prime, low, high     : distance with its 95 % limits; `se` None at or below chance, at all right, and
                             where people answered more than once
    pd, pd_low, pd_high    : share of discriminators with its 95 % limits; `pd_most` its one-sided upper limit
    needed                 : right answers that this many trials need at 5 %; None when none would do
    power                  : chance that so many trials show a difference of d-prime 1
    more_trials            : further trials that would show, at 80 %, a difference as large as the one found;
                             0 when it is shown, None when nothing above chance was found or 2,000 are not
                             enough
    fresh_trials           : trials that a test of its own would take to show it so; None likewise
    repeats                : how far one person's answers hang together, where people answered more than once;
                             the limits then hold it too
    """

    p_value: float
    d_prime: float
    d_prime_se: float | None
    d_prime_low: float
    d_prime_high: float
    pd: float
    pd_low: float
    pd_high: float
    pd_most: float
    needed: int | None
    power: float
    more_trials: int | None
    fresh_trials: int | None
    repeats: Repeats | None = None

    @property
    def is_shown(self) -> bool:
        """Whether luck alone would do as well at most once in twenty."""
        return self.p_value <= LEVEL

    @property
    def is_similar(self) -> bool:
        """Whether at most 30 % could tell them apart, said with a risk of 5 %."""
        return self.pd_most <= SIMILAR_BELOW_PD


def judge_difference(
    correct: int, trials: int, test: str, people: Sequence[tuple[int, int]] = ()
) -> Difference:
    """All that `correct` right answers of `trials` say.

    people : right answers and trials of each person; without them, or when nobody answered twice, all trials
             are taken as different people's. The p value is that of luck alone and holds in either case.
    """
    frac = correct / trials
    low, high, most = (_discriminators(limit, test) for limit in _limits(correct, trials))
    repeats = repeated_trials([own for own, _ in people], [own for _, own in people], CHANCE[test])
    if repeats is not None:
        low, high, most = min(low, repeats.low), max(high, repeats.high), max(most, repeats.most)
    found = p_value(correct, trials, test)
    fresh = trials_needed(frac, test) if frac > CHANCE[test] else None
    return Difference(
        p_value=found,
        d_prime=d_prime_from_frac(frac, test),
        d_prime_se=None if repeats is not None else _d_prime_se(frac, trials, test),
        d_prime_low=_d_prime_from_pd(low, test),
        d_prime_high=_d_prime_from_pd(high, test),
        pd=_discriminators(frac, test),
        pd_low=low,
        pd_high=high,
        pd_most=most,
        needed=critical_number(trials, test),
        power=power(trials, correct_frac(1.0, test), test),
        more_trials=0 if found <= LEVEL else None if fresh is None else max(fresh - trials, 1),
        fresh_trials=fresh,
        repeats=repeats,
    )


def _limits(correct: int, trials: int) -> tuple[float, float, float]:
    """Exact 95 % limits of the share right, and its one-sided upper limit."""
    return *exact_limits(correct, trials), exact_limits(correct, trials, 0.9)[1]


def _d_prime_from_pd(pd: float, test: str) -> float:
    return d_prime_from_frac(CHANCE[test] + pd * (1.0 - CHANCE[test]), test)


def exact_limits(correct: int, trials: int, level: float = 0.95) -> tuple[float, float]:
    """Clopper & Pearson's limits of a share."""
    tail = (1.0 - level) / 2.0
    low = 0.0 if correct == 0 else float(betaincinv(correct, trials - correct + 1, tail))
    high = 1.0 if correct == trials else float(betaincinv(correct + 1, trials - correct, 1.0 - tail))
    return low, high


def _discriminators(frac: float, test: str) -> float:
    return max(0.0, (frac - CHANCE[test]) / (1.0 - CHANCE[test]))


def _d_prime_se(frac: float, trials: int, test: str) -> float | None:
    d_prime = d_prime_from_frac(frac, test)
    if not 0.0 < d_prime < np.inf:
        return None
    step = 1e-4
    slope = (correct_frac(d_prime + step, test) - correct_frac(d_prime - step, test)) / (2.0 * step)
    return float(np.sqrt(frac * (1.0 - frac) / trials) / slope)


def power(trials: int, frac: float, test: str, level: float = LEVEL) -> float:
    """Chance that `trials` show a difference when answers are right with `frac`.

    >>> round(power(24, 2 / 3, "triangle"), 5)
    0.93234
    """
    needed = critical_number(trials, test, level)
    return 0.0 if needed is None else float(chance_of_at_least(needed, trials, frac))


@cache
def trials_needed(frac: float, test: str, wanted: float = WANTED_POWER, level: float = LEVEL) -> int | None:
    """Fewest trials whose power at a share right of `frac` is `wanted`; None beyond 2,000.

    >>> trials_needed(2 / 3, "triangle"), trials_needed(2 / 3, "triangle", 0.9)
    (16, 20)
    """
    chance = CHANCE[test]
    trials = np.arange(1, MOST_TRIALS + 1)
    reached = chance_of_at_least(fewest_beyond(level, trials, chance), trials, frac)
    enough = np.flatnonzero(reached >= wanted)
    return int(trials[enough[0]]) if len(enough) else None


def similarity_trials(
    test: str, most_pd: float = SIMILAR_BELOW_PD, wanted: float = WANTED_POWER
) -> int | None:
    """Trials that let two samples which are the same be called alike, with chance `wanted`.

    Alike is said when the one-sided upper 95 % limit of p_d lies at or below `most_pd`.
    """
    chance = CHANCE[test]
    limit = chance + most_pd * (1.0 - chance)
    trials = np.arange(1, MOST_TRIALS + 1)
    # At most `most_right` right answers leave the upper limit below `limit`.
    most_right = trials - fewest_beyond(LEVEL, trials, 1.0 - limit)
    reached = chance_of_at_most(most_right, trials, chance)
    enough = np.flatnonzero(reached >= wanted)
    return int(trials[enough[0]]) if len(enough) else None
