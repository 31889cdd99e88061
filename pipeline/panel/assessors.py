"""Each assessor's own figures: how well a person repeats, tells samples apart, agrees, uses the scale.

They are for the person and for whoever trains the panel, not for a page that others see; nobody is ranked.
What is asked follows the four questions of ISO 11132 (read: its scope): does a person discriminate, repeat,
agree with the others, and does the panel. The limits below are our own choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, fdtrc

from pipeline.panel.scaling import Scaling, centred_cells, read_scaling
from pipeline.panel.scores import ScoreFit, Scores

LEAST_SAMPLES = 5
LEAST_REPEATS = 3
LOW_SLOPE, HIGH_SLOPE = 0.6, 1.6
LOW_AGREEMENT = 0.2
LOOSE_REPEAT = 1.5
"""Repeats this many times as far apart as the others' are worth a look."""


@dataclass(frozen=True)
class AssessorFigures:
    """One assessor on one attribute; NaN where too little was tasted to say.

    level_above    : how far above the panel's mean he scores, points
    scale_slope    : how much of a difference he writes down; the typical assessor's is 1
    agreement      : correlation with the mean of the others, within evenings
    repeat_sd      : standard deviation between pours of the same sample, points; `repeats` its degrees of
                     freedom
    f_samples, p_discrimination: does he tell the samples apart, against his own repeats
    hint           : what might help, in a few words; empty when nothing stands out
    """

    assessor: int
    scores: int
    samples: int
    level_above: float
    scale_slope: float
    scale_slope_se: float
    agreement: float
    repeat_sd: float
    repeats: int
    f_samples: float
    p_discrimination: float
    hint: str


def assessor_figures(
    sets: Sequence[tuple[Scores, ScoreFit]], scaling: Scaling | None = None
) -> list[AssessorFigures]:
    """The figures of every assessor over all sets of one attribute; `scaling` when it was read already."""
    scaling = read_scaling(sets) if scaling is None else scaling
    gathered = {one: _Gathered() for one in scaling.assessors}
    for scores, fitted in sets:
        _gather(gathered, scores, fitted)
    repeat_sds = {one: each.repeat_sd for one, each in gathered.items()}
    figures = []
    for place, one in enumerate(scaling.assessors):
        own = gathered[one]
        others = [sd for who, sd in repeat_sds.items() if who != one and np.isfinite(sd)]
        usual = float(np.median(others)) if others else np.nan
        slope, slope_se = float(scaling.slopes[place]), float(scaling.slope_se[place])
        f_samples, p_value = own.discrimination()
        figures.append(
            AssessorFigures(
                assessor=one,
                scores=own.scores,
                samples=own.samples,
                level_above=float(np.mean(own.levels)),
                scale_slope=slope,
                scale_slope_se=slope_se,
                agreement=own.agreement(),
                repeat_sd=own.repeat_sd,
                repeats=own.repeats,
                f_samples=f_samples,
                p_discrimination=p_value,
                hint=_hint(own, slope, slope_se, usual),
            )
        )
    return figures


class _Gathered:
    """What one assessor's scores come to, set after set."""

    def __init__(self) -> None:
        self.scores = 0
        self.samples = 0
        self.levels: list[float] = []
        self.own: list[float] = []
        self.others: list[float] = []
        self.ss_repeat = 0.0
        self.repeats = 0
        self.ss_samples = 0.0
        self.df_samples = 0

    @property
    def repeat_sd(self) -> float:
        return float(np.sqrt(self.ss_repeat / self.repeats)) if self.repeats >= LEAST_REPEATS else np.nan

    def agreement(self) -> float:
        if self.samples < LEAST_SAMPLES or np.ptp(self.own) == 0.0 or np.ptp(self.others) == 0.0:
            return np.nan
        return float(np.corrcoef(self.own, self.others)[0, 1])

    def discrimination(self) -> tuple[float, float]:
        if self.repeats < LEAST_REPEATS or self.df_samples < 1 or self.ss_repeat <= 0.0:
            return np.nan, np.nan
        f_value = (self.ss_samples / self.df_samples) / (self.ss_repeat / self.repeats)
        return f_value, float(fdtrc(self.df_samples, self.repeats, f_value))


def _gather(gathered: dict[int, _Gathered], scores: Scores, fitted: ScoreFit) -> None:
    for one, cell in centred_cells(scores, fitted).items():
        own = gathered[one]
        mine = scores.assessor == one
        known = np.isfinite(cell.others)
        own.scores += int(mine.sum())
        own.samples += len(cell.samples)
        own.levels.append(cell.level)
        own.own += cell.own[known].tolist()
        own.others += cell.others[known].tolist()
        value, sample = scores.value[mine], scores.sample[mine]
        means = np.array([value[sample == each].mean() for each in cell.samples])
        own.ss_repeat += float(np.sum((value - means[np.searchsorted(cell.samples, sample)]) ** 2))
        own.repeats += len(value) - len(cell.samples)
        middle = np.average(means, weights=cell.weights)
        own.ss_samples += float(np.sum(cell.weights * (means - middle) ** 2))
        own.df_samples += len(cell.samples) - 1


def _hint(own: _Gathered, slope: float, slope_se: float, usual_repeat: float) -> str:
    """Something a calibration tasting could help with, said only where it is more than chance."""
    if own.samples < LEAST_SAMPLES:
        return "too few samples to say anything"
    hints = []
    if np.isfinite(slope_se):
        if slope + 2.0 * slope_se < 0.3:
            hints.append("marks these samples unlike the others: taste the reference samples together")
        elif slope < LOW_SLOPE and slope + 2.0 * slope_se < 1.0:
            hints.append("uses little of the scale: show the ends of the scale with two samples")
        elif slope > HIGH_SLOPE and slope - 2.0 * slope_se > 1.0:
            hints.append("uses much of the scale: show the ends of the scale with two samples")
    if np.isfinite(own.repeat_sd) and np.isfinite(usual_repeat) and usual_repeat > 0.0:
        ratio = own.repeat_sd / usual_repeat
        # Beyond what so few repeats would bring about by luck (chi-square, 5 %).
        if ratio > LOOSE_REPEAT and chdtrc(own.repeats, ratio**2 * own.repeats) < 0.05:
            hints.append("repeats loosely: fewer glasses an evening, more time between them")
    return "; ".join(hints)
