"""The line through a cask's measurements: its rate of loss, its soakage, what it will hold.

A cask is measured at its fill and at regauges; in between spirit is drawn or topped up, which is moved, not
lost. Between events the content falls by the same share a year, so the logarithm of what was measured lies on
a line, once draws are taken along at the content they were drawn from. Soakage into dry wood belongs to the
fill: where a regauge some weeks after it is followed by another, the line starts there, and what the fill
lies above it is the soakage.

Casks whose events follow one another in the same order are worked out together: arrays hold one row an event,
one column a cask and, behind it, one layer a variant of the amounts (as logged, and each a little changed).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import polars as pl

from pipeline.account.lots import lot_key
from pipeline.account.uncertain import Floats

YEAR_S = 365.25 * 86400.0

# A regauge this long after the fill is taken after the soakage (common practice, no source: some weeks).
_SETTLED_YEARS = 14.0 / 365.25
_STEPS = 8

_EMPTIED = "cask empty"

SIGNS = {"cask fill": 1, "cask top up": 1, "cask draw": -1, "cask bottle": -1, "cask gauge": 0}
"""Events of a cask: +1 for what is poured in, -1 for what is taken out, 0 for a gauge."""


@dataclass(frozen=True)
class CaskEvents:
    """One cask's events in order of time, from its first fill on.

    years : time of each event since the first fill
    signs : +1 for what was poured in, -1 for what was taken out, 0 for a gauge
    moves : the number of each event's move
    first : which event the line starts at: a settled regauge, or the last of the fills
    is_emptied : whether it holds nothing more
    """

    lot: str
    filled_at: datetime
    years: tuple[float, ...]
    signs: tuple[int, ...]
    moves: tuple[int, ...]
    first: int
    is_emptied: bool = False

    @property
    def starts_at_regauge(self) -> bool:
        """Whether soakage is kept apart."""
        return self.signs[self.first] == 0

    @property
    def all_gauges(self) -> list[int]:
        """Every regauge."""
        return [place for place, sign in enumerate(self.signs) if sign == 0]

    @property
    def gauges(self) -> list[int]:
        """The regauges that the line is laid through, its start left out."""
        return [place for place in range(self.first + 1, len(self.signs)) if self.signs[place] == 0]

    @property
    def points(self) -> list[int]:
        """Where the line starts and the regauges that it is laid through."""
        return [self.first, *self.gauges]


@dataclass(frozen=True)
class Lines:
    """The lines of some casks; each array has one row a cask and one column a variant of its amounts.

    rate     : share lost a year, continuously [1/year]
    soakage  : what the fill holds above the line drawn back to it, in the unit of the amounts
    forecast : what the cask will hold at the time asked for, if nothing more is drawn
    off      : ln of each point of the line over what the line expects; one layer a point before the rows
    NaN where it cannot be told.
    """

    rate: Floats
    soakage: Floats
    forecast: Floats
    off: Floats


def casks_of(moves: pl.DataFrame) -> list[CaskEvents]:
    """The casks among the moves whose fill is known, in order of their fill.

    A cask that was emptied and filled again is followed from its last fill on.
    """
    rows: dict[str, list[tuple[int, int, datetime]]] = {}
    emptied: set[str] = set()
    columns = ("kind", "from_lot", "to_lot", "happened_at", "lpa", "mass_kg")
    numbered = moves.select(columns).with_row_index("number")
    for number, kind, source, target, when, lpa, mass in numbered.filter(
        pl.col("kind").is_in([*SIGNS, _EMPTIED])
    ).iter_rows():
        sign = SIGNS.get(kind, -1)
        lot = target if sign == 1 else source
        if lot is None:
            continue
        key = lot_key(lot)
        if kind == _EMPTIED:
            emptied.add(key)
        elif when is not None and lpa is not None and mass is not None:
            if sign == 1 and key in emptied:
                emptied.remove(key)
                rows[key] = []
            rows.setdefault(key, []).append((number, sign, when))
    casks = (_one_cask(lot, events, lot in emptied) for lot, events in rows.items())
    return [cask for cask in casks if cask is not None]


def _one_cask(lot: str, events: list[tuple[int, int, datetime]], is_emptied: bool) -> CaskEvents | None:
    if events[0][1] != 1:
        return None
    filled_at = events[0][2]
    years = tuple((when - filled_at).total_seconds() / YEAR_S for _, _, when in events)
    signs = tuple(sign for _, sign, _ in events)
    last_fill = 0
    while last_fill + 1 < len(signs) and signs[last_fill + 1] == 1:
        last_fill += 1
    gauges = [place for place, sign in enumerate(signs) if sign == 0 and place > last_fill]
    settled = [place for place in gauges if years[place] - years[last_fill] >= _SETTLED_YEARS]
    first = settled[0] if len(settled) > 1 else last_fill
    return CaskEvents(
        lot, filled_at, years, signs, tuple(number for number, _, _ in events), first, is_emptied
    )


def alike(casks: Sequence[CaskEvents]) -> list[list[int]]:
    """Numbers of the casks by the order of their events: those of one list are worked out together."""
    groups: dict[tuple[tuple[int, ...], int], list[int]] = {}
    for number, cask in enumerate(casks):
        groups.setdefault((cask.signs, cask.first), []).append(number)
    return list(groups.values())


def lines_of(casks: Sequence[CaskEvents], amounts: Floats, at_years: Floats) -> Lines:
    """The lines through the regauges of casks whose events follow one another in the same order.

    amounts  : events x casks x variants; what was poured in, taken out or found: LPA, kg of water, or litres
    at_years : time of the forecast, since each cask's fill; NaN for none
    """
    cask = casks[0]
    years = np.array([each.years for each in casks]).T[:, :, None]
    points = cask.points
    known = np.all(amounts[points] > 0.0, axis=0)
    known &= (len(points) > 1) & (years[points[-1]] > years[cask.first])
    amounts = np.where(known, amounts, np.nan)
    fills = amounts[: cask.first + 1].sum(axis=0)
    start = amounts[cask.first] if cask.starts_at_regauge else fills
    level, rate = _fitted(cask, years, amounts, start)
    soaked = np.full(rate.shape, np.nan)
    if cask.starts_at_regauge:
        moved = sum(cask.signs[place] * amounts[place] for place in range(cask.first))
        soaked = moved - start * np.exp(level) * np.exp(rate * years[cask.first])
    last = len(cask.signs) - 1
    content = content_before(cask, years, amounts, start * np.exp(level), rate)[last]
    if last > cask.first:
        content = content + cask.signs[last] * amounts[last]
    ahead = at_years[:, None] - years[last]
    # A day that is past cannot be forecast.
    then = np.where(ahead >= 0.0, content * np.exp(-rate * ahead), np.nan)
    return Lines(rate, soaked, then, _short(cask, years, amounts, start, level, rate))


def _fitted(cask: CaskEvents, years: Floats, amounts: Floats, start: Floats) -> tuple[Floats, Floats]:
    """Level (logarithm of a factor on the start) and rate of the line of least squares in ln content."""
    points = cask.points
    level, rate = np.zeros(start.shape), np.zeros(start.shape)
    if len(points) < 2:
        return np.full(start.shape, np.nan), np.full(start.shape, np.nan)
    times = years[points] - years[cask.first]
    spread = times - times.mean(axis=0)
    square = (spread * spread).sum(axis=0)
    square = np.where(square > 0.0, square, np.nan)
    for _ in range(_STEPS):
        # The slope of ln content against the rate is minus the time, but for what draws take along.
        rate = rate - (spread * _short(cask, years, amounts, start, level, rate)).sum(axis=0) / square
        level = level + _short(cask, years, amounts, start, level, rate).mean(axis=0)
    return level, rate


def _short(
    cask: CaskEvents, years: Floats, amounts: Floats, start: Floats, level: Floats, rate: Floats
) -> Floats:
    """How far ln of each measurement lies above the line."""
    points = cask.points
    expected = content_before(cask, years, amounts, start * np.exp(level), rate)[points]
    is_positive = expected > 0.0
    return np.where(
        is_positive, np.log(amounts[points]) - np.log(np.where(is_positive, expected, 1.0)), np.nan
    )


def content_before(
    cask: CaskEvents, years: Floats, amounts: Floats, at_start: Floats, rate: Floats
) -> Floats:
    """What the cask holds by the line just before each event; before the line's start, nothing."""
    content = np.zeros((len(cask.signs), *at_start.shape))
    now = content[cask.first] = at_start
    for event in range(cask.first + 1, len(cask.signs)):
        now = now * np.exp(-rate * (years[event] - years[event - 1]))
        content[event] = now
        now = now + cask.signs[event] * amounts[event]
    return content
