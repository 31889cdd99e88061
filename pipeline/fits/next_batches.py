"""Which batches to run next: two that promise most and two that teach most.

Promise is expected improvement over the best bill already made, by its expected result and not by its
luckiest batch (D. R. Jones, M. Schonlau, W. J. Welch, J. Global Optimization 13 (1998) 455-492, from
memory). Teaching is the greedy step of D-optimal design: the candidate whose result is least certain adds
most to the information on all effects together. Each pick is taken as made (its prediction standing for
its result) before the next, so that two picks do not ask the same thing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from pipeline.fits.blocks import BlockFit, Contrasts
from pipeline.fits.effects import LEVEL, Question
from pipeline.fits.mixture import Floats

PICKS = 2
PROMISES = "promises most"
TEACHES = "teaches most"

# Bills nearer than this (sum of the shares' changes) are one promise, not two.
_TWINS = 0.15


@dataclass(frozen=True)
class Pick:
    """A candidate chosen, and why. `learns` is the question it narrows most, from `sd_now` to `sd_then`."""

    why: str
    candidate: int
    predicted: float
    low: float
    high: float
    improvement: float
    chance_better: float
    learns: Question | None
    sd_now: float
    sd_then: float


def expected_improvement(mean: Floats | float, sd: Floats | float, best: float) -> Floats:
    """Expected gain over `best` of results expected at `mean` with standard deviation `sd` (above zero).

    >>> round(float(expected_improvement(10.0, 2.0, 11.0)), 6)
    0.395593
    """
    mean, sd = np.asarray(mean, dtype=float), np.asarray(sd, dtype=float)
    z = (mean - best) / sd
    return np.asarray((mean - best) * ndtr(z) + sd * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi))


def information_gain(candidates: Floats, covariance: Floats) -> Floats:
    """c'Vc of each candidate (rows): the determinant of the information grows by one plus this."""
    return np.asarray(((candidates @ covariance) * candidates).sum(axis=1))


class Chooser:
    """Chooses among candidates by a fit. Rows of `candidates` and `made` are in the fit's columns."""

    def __init__(
        self,
        fit: BlockFit,
        candidates: Floats,
        made: Floats,
        is_more_better: bool,
        questions: Sequence[Question],
        bill: slice = slice(None),
    ) -> None:
        """`bill`: the columns that two promises must differ in (the grain)."""
        self._bill = candidates[:, bill]
        self.sign = 1.0 if is_more_better else -1.0
        self.candidates = candidates
        self.questions = [question for question in questions if not question.is_tied]
        self._fit = fit
        self.mean = fit.expect(candidates)
        self.residual_sd = fit.residual_sd
        self._rows = np.column_stack([np.ones(len(candidates)), candidates])
        self._asked = np.array([question.vector for question in self.questions]).reshape(
            len(self.questions), candidates.shape[1]
        )
        self._asked = np.column_stack([np.zeros(len(self._asked)), self._asked])
        self.covariance = self._joint(fit)
        self.best = float((self.sign * fit.expect(made)).max())
        shown = fit.draws.shrunk @ made.T + fit.draws.flat[:, :1]
        self._best_drawn = (self.sign * shown).max(axis=1)

    def choose(self, picks: int = PICKS) -> list[Pick]:
        """`picks` that promise most, then `picks` that teach most, no candidate twice."""
        chosen: list[Pick] = []
        covariance = self.covariance.copy()
        taken: list[int] = []
        for why in [PROMISES] * picks + [TEACHES] * picks:
            if len(taken) == len(self.candidates):
                break
            spread = information_gain(self._rows, covariance)
            improvement = expected_improvement(
                self.sign * self.mean, self.residual_sd * np.sqrt(np.maximum(spread, 1e-12)), self.best
            )
            merit = improvement if why == PROMISES else spread
            merit = self._without(merit, taken, why)
            place = int(np.argmax(merit))
            if merit[place] == -np.inf:
                break
            after = _with_result(covariance, self._rows[place])
            chosen.append(self._pick(why, place, float(improvement[place]), covariance, after))
            covariance = after
            taken.append(place)
        return chosen

    def chance_better(self, place: int) -> float:
        """Share of joint draws in which a candidate beats everything made."""
        draws = self._fit.draws
        ahead = draws.shrunk @ self.candidates[place] + draws.flat[:, 0]
        return float((self.sign * ahead > self._best_drawn).mean())

    def _without(self, merit: Floats, taken: Sequence[int], why: str) -> Floats:
        """Merit with bills already taken, and for a promise their near twins, out of the running."""
        merit = merit.copy()
        for place in taken:
            apart = np.abs(self._bill - self._bill[place]).sum(axis=1)
            merit[apart < _TWINS if why == PROMISES else apart < 1e-9] = -np.inf
        return merit

    def _pick(self, why: str, place: int, improvement: float, before: Floats, after: Floats) -> Pick:
        learns, now, then = None, 0.0, 0.0
        if len(self._asked):
            sd_before = np.sqrt(np.maximum(information_gain(self._asked, before), 1e-18))
            sd_after = np.sqrt(np.maximum(information_gain(self._asked, after), 0.0))
            most = int(np.argmin(sd_after / sd_before))
            learns = self.questions[most]
            now, then = (float(self.residual_sd * sd[most]) for sd in (sd_before, sd_after))
        low, high = self._fit.predict(self.candidates[place][None, :]).interval(LEVEL)
        return Pick(
            why,
            place,
            float(self.mean[place]),
            float(low[0]),
            float(high[0]),
            improvement,
            self.chance_better(place),
            learns,
            now,
            then,
        )

    def _joint(self, fit: BlockFit) -> Floats:
        """Covariance of intercept and coefficients together, in units of the residual variance."""
        width = fit.shrunk.shape[1] + 1
        corners = Contrasts(np.eye(width)[:, :1], np.eye(width)[:, 1:])
        return fit.covariance_of(corners)


def _with_result(covariance: Floats, row: Floats) -> Floats:
    """Covariance once a batch at `row` has been run (its result need not be known)."""
    reach = covariance @ row
    return covariance - np.outer(reach, reach) / (1.0 + row @ reach)
