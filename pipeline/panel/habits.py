"""How much of the scale a person uses, whatever is scored: slopes of several attributes taken together.

The slope of person i on attribute a is taken as

    b_ia = c_a (h_i + d_ia),   d_ia ~ N(0, delta^2)

with the habit h_i, the attribute's own unit c_a, and what is peculiar to this person and attribute d_ia. How
far people differ from attribute to attribute is estimated, so that attributes lend each other as much as
they agree: with delta large every attribute stands for itself.

sources : weights by Paule & Mandel, J. Res. National Bureau of Standards 87 (1982) 377 (from memory); that
          scale use is a habit is common practice, no source. Tested by simulation (tests/panel).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from pipeline.panel.mixed import Array
from pipeline.panel.scaling import Scaling
from pipeline.panel.slopes import typical_slope

_ROUNDS = 12
_MOST_APART = 1.0


def pool_scalings(scalings: Mapping[str, Scaling]) -> dict[str, Scaling]:
    """The same scalings by attribute, their drawn slopes and unit taken from all attributes together."""
    usable = {name: each for name, each in scalings.items() if each.is_usable}
    if len(usable) < 2:
        return dict(scalings)
    people = sorted({one for each in usable.values() for one in each.assessors})
    slopes = np.full((len(usable), len(people)), np.nan)
    noise = np.full_like(slopes, np.inf)
    for row, each in enumerate(usable.values()):
        columns = np.searchsorted(people, each.assessors)
        slopes[row, columns], noise[row, columns] = each.slopes, each.slope_se**2
    known = np.isfinite(slopes) & np.isfinite(noise)
    habits = _habits(np.where(known, slopes, 0.0), np.where(known, noise, np.inf))
    if not np.median(habits.value) > 0.0:
        return dict(scalings)
    typical = typical_slope(habits.value, np.sqrt(habits.variance))
    pooled = dict(scalings)
    for row, (name, each) in enumerate(usable.items()):
        columns = np.searchsorted(people, each.assessors)
        own_noise = each.slope_se**2 / habits.unit[row] ** 2
        # The part of what an attribute shows beyond the habit that is the person's and not noise.
        kept = habits.apart**2 / (habits.apart**2 + own_noise)
        beyond = each.slopes / habits.unit[row] - habits.value[columns]
        variance = habits.variance[columns] + habits.apart**2 * (1.0 - kept)
        pooled[name] = replace(
            each,
            drawn=np.maximum(typical.drawn[columns] + kept * beyond / typical.slope, 0.1),
            drawn_se=np.sqrt(variance) / typical.slope,
            unit_u=float(np.hypot(typical.relative_u, float(np.mean(kept)) * habits.unit_u[row])),
        )
    return pooled


@dataclass(frozen=True)
class _Habits:
    """Habits and their variances, every attribute's unit and its relative uncertainty, delta."""

    value: Array
    variance: Array
    unit: Array
    unit_u: Array
    apart: float


def _habits(slopes: Array, noise: Array) -> _Habits:
    """Habits by weighted least squares; delta where the weighted squares are what chance would give."""
    freedom = int(np.isfinite(noise).sum()) - sum(slopes.shape) + 1
    found, excess = _fitted(slopes, noise, 0.0)
    if freedom < 1 or excess <= freedom:
        return found
    low, high = 0.0, _MOST_APART
    for _ in range(_ROUNDS):
        middle = 0.5 * (low + high)
        found, excess = _fitted(slopes, noise, middle)
        low, high = (middle, high) if excess > freedom else (low, middle)
    return found


def _fitted(slopes: Array, noise: Array, apart: float) -> tuple[_Habits, float]:
    unit = np.ones(len(slopes))
    for _ in range(_ROUNDS):
        weight = 1.0 / (noise + (apart * unit[:, None]) ** 2)
        precision = np.maximum(np.sum(weight * unit[:, None] ** 2, axis=0), 1e-12)
        habit = np.sum(weight * unit[:, None] * slopes, axis=0) / precision
        spread = np.maximum(np.sum(weight * habit**2, axis=1), 1e-12)
        unit = np.sum(weight * habit * slopes, axis=1) / spread
        unit = np.maximum(unit / np.mean(unit), 0.05)
    weight = 1.0 / (noise + (apart * unit[:, None]) ** 2)
    precision = np.maximum(np.sum(weight * unit[:, None] ** 2, axis=0), 1e-12)
    habit = np.sum(weight * unit[:, None] * slopes, axis=0) / precision
    excess = float(np.sum(weight * (slopes - unit[:, None] * habit) ** 2))
    unit_u = 1.0 / np.sqrt(np.maximum(np.sum(weight * habit**2, axis=1), 1e-12)) / unit
    return _Habits(habit, 1.0 / precision, unit, unit_u, apart), excess
