"""What each cask will hold on a day to come, with an interval of readings' errors and the years' scatter.

Casks without three regauges of their own borrow the scatter of those that have them. Where no cask has, the
interval holds the readings' errors only, and the table says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.account.cask_line import CaskEvents
from pipeline.account.cask_scatter import Deviations, Scatter, deviations_of, scatter_of, walk_variance
from pipeline.account.uncertain import Floats

_NORMAL_95 = 1.959964

OWN = "readings, and the scatter of its own regauges"
LIKE = "readings, and the scatter of {} casks' regauges"
LIKE_ONE = "readings, and the scatter of one other cask's regauges"
READINGS = "readings only: no cask has the three regauges that tell how its loss varies"
SOAKAGE = "; its rate has the soakage in it"


@dataclass(frozen=True)
class Forecast:
    """One quantity of every cask, forecast by its line.

    name   : of its column
    value  : by cask; NaN where it cannot be told
    read_u : standard uncertainty by the readings
    ln_off : by cask, ln of each measurement of the line over what the line expects
    ln_u   : by cask, standard uncertainty of each ln by its readings
    part   : what scatters, as a part of the loss of alcohol: a year that takes more of it takes more water,
             too, and their difference, by which the strength drifts, scatters less (own choice: half)
    """

    name: str
    value: Floats
    read_u: Floats
    ln_off: Sequence[Floats]
    ln_u: Sequence[Floats]
    part: float = 1.0


def forecast_columns(
    casks: Sequence[CaskEvents],
    forecasts: Sequence[Forecast],
    loss_frac: Floats,
    at_years: Floats,
    usual_loss_frac: float,
) -> list[pl.Series]:
    """Columns of the forecasts: value, standard uncertainty, 95 % interval; then the scatter, and in words.

    loss_frac       : share that a cask of each one's size loses a year; NaN where its size is not known
    at_years        : the day of the forecast, since each cask's fill
    usual_loss_frac : what to take for the loss where no cask's size is known
    """
    is_sized = np.isfinite(loss_frac)
    usual = float(np.median(loss_frac[is_sized])) if is_sized.any() else usual_loss_frac
    scale = np.where(is_sized, loss_frac, usual)
    is_due = np.array([not cask.is_emptied for cask in casks], dtype=bool)
    wandered = _wandered(casks, at_years)
    columns: list[pl.Series] = []
    for forecast in forecasts:
        size = scale * forecast.part
        told = _Told([_deviations(cask, forecast, place, size[place]) for place, cask in enumerate(casks)])
        unit = np.abs(forecast.value) * size * wandered
        half, spread = told.widths(forecast.read_u, unit)
        value = np.where(is_due, forecast.value, np.nan)
        for ending, figures in (("", value), ("_u", spread), ("_low", value - half), ("_high", value + half)):
            columns.append(_series(f"{forecast.name}{ending}", np.where(np.isnan(value), np.nan, figures)))
        if forecast is forecasts[0]:
            columns += told.in_words(casks, scale, ~np.isnan(value))
    return columns


class _Told:
    """Whose regauges tell a cask's scatter: everybody's, or its own alone where no weather explains them."""

    def __init__(self, own: Sequence[Deviations | None]) -> None:
        usual = [each for each in own if each is not None and not each.is_beyond]
        shared = scatter_of(usual)
        self.has_own = [each is not None for each in own]
        self.by_cask: list[Scatter | None] = [
            scatter_of([each]) if each is not None and each.is_beyond else shared for each in own
        ]

    def widths(self, read_u: Floats, unit: Floats) -> tuple[Floats, Floats]:
        """Half of the 95 % interval, and the standard uncertainty."""
        half, spread = _NORMAL_95 * read_u, read_u.copy()
        for scatter, places in self._together():
            here = np.array([place for place in places if np.isfinite(unit[place])], dtype=np.int64)
            half[here] = scatter.half_width(read_u[here], unit[here])
            spread[here] = np.sqrt(read_u[here] ** 2 + scatter.mean_square * unit[here] ** 2)
        return half, spread

    def in_words(self, casks: Sequence[CaskEvents], scale: Floats, is_told: Floats) -> list[pl.Series]:
        """The scatter of a year's loss as a share of the content, and what the interval stands on."""
        shares = np.full(len(casks), np.nan)
        words: list[str | None] = [None] * len(casks)
        for place, scatter in enumerate(self.by_cask):
            if not is_told[place]:
                continue
            basis = READINGS
            if scatter is not None and np.isfinite(scale[place]):
                shares[place] = scale[place] * math.sqrt(scatter.mean_square)
                is_alone = scatter.casks == 1 and self.has_own[place]
                basis = OWN if is_alone else LIKE_ONE if scatter.casks == 1 else LIKE.format(scatter.casks)
            words[place] = basis + ("" if casks[place].starts_at_regauge else SOAKAGE)
        return [
            _series("forecast_scatter_frac", shares),
            pl.Series("forecast_basis", words, dtype=pl.String),
        ]

    def _together(self) -> list[tuple[Scatter, list[int]]]:
        found: dict[int, tuple[Scatter, list[int]]] = {}
        for place, scatter in enumerate(self.by_cask):
            if scatter is not None:
                found.setdefault(id(scatter), (scatter, []))[1].append(place)
        return list(found.values())


def _deviations(cask: CaskEvents, forecast: Forecast, place: int, scale: float) -> Deviations | None:
    """What this cask's regauges say of the scatter. Not from its fill on: what soaks in is no scatter."""
    if not cask.starts_at_regauge:
        return None
    years = np.array([cask.years[point] for point in cask.points])
    return deviations_of(years, forecast.ln_off[place], forecast.ln_u[place], scale)


def _wandered(casks: Sequence[CaskEvents], at_years: Floats) -> Floats:
    """Standard deviation of each forecast, in ln, for a scatter of one."""
    found = np.full(len(casks), np.nan)
    for place, cask in enumerate(casks):
        years = np.array([cask.years[point] for point in cask.points])
        if years.size > 1 and years[-1] > years[0] and at_years[place] >= years[-1]:
            found[place] = math.sqrt(max(walk_variance(years, float(at_years[place])), 0.0))
    return found


def _series(name: str, values: Floats) -> pl.Series:
    return pl.Series(name, values, dtype=pl.Float64).fill_nan(None)
