"""What each cask loses a year, of alcohol, of water and of volume, and what it will hold.

A cask is measured at its fill and at regauges; in between spirit is drawn or topped up, which is moved, not
lost. Between events the content falls by the same share a year, so the logarithm of what was measured lies on
a line, once draws are taken along at the content they were drawn from. Soakage into dry wood belongs to the
fill: where a regauge some weeks after it is followed by another, the line starts there, and what the fill
lies above it is the soakage.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline import science
from pipeline.account.book import Book
from pipeline.account.lots import lot_key
from pipeline.account.uncertain import Floats, Uncertain, apply

# A regauge this long after the fill is taken after the soakage (common practice, no source: some weeks).
_SETTLED_YEARS = 14.0 / 365.25
_YEAR_S = 365.25 * 86400.0
_KG_PER_LPA = float(science.ethanol_kg_from_lpa(1.0))
_STEPS = 8
_NORMAL_95 = 1.959964
_FORECAST_YEARS = 1.0


@dataclass(frozen=True)
class CaskEvents:
    """One cask's events in order of time, from its first fill on.

    years : time of each event since the first fill
    signs : +1 for what was poured in, -1 for what was taken out, 0 for a gauge
    moves : the number of each event's move
    first : which event the line starts at: a settled regauge, or the last of the fills
    """

    lot: str
    filled_at: datetime
    years: tuple[float, ...]
    signs: tuple[int, ...]
    moves: tuple[int, ...]
    first: int

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


def casks_of(moves: pl.DataFrame) -> list[CaskEvents]:
    """The casks among the moves whose fill is known, in order of their fill."""
    rows: dict[str, list[tuple[int, int, datetime]]] = {}
    columns = ("kind", "from_lot", "to_lot", "happened_at", "lpa", "mass_kg")
    for number, (kind, source, target, when, lpa, mass) in enumerate(moves.select(columns).iter_rows()):
        sign = _SIGNS.get(kind)
        lot = target if sign == 1 else source
        if sign is not None and when is not None and lot is not None and lpa is not None and mass is not None:
            rows.setdefault(lot_key(lot), []).append((number, sign, when))
    casks = (_one_cask(lot, events) for lot, events in rows.items())
    return [cask for cask in casks if cask is not None]


_SIGNS = {"cask fill": 1, "cask top up": 1, "cask draw": -1, "cask bottle": -1, "cask gauge": 0}


def _one_cask(lot: str, events: list[tuple[int, int, datetime]]) -> CaskEvents | None:
    if events[0][1] != 1:
        return None
    filled_at = events[0][2]
    years = tuple((when - filled_at).total_seconds() / _YEAR_S for _, _, when in events)
    signs = tuple(sign for _, sign, _ in events)
    last_fill = 0
    while last_fill + 1 < len(signs) and signs[last_fill + 1] == 1:
        last_fill += 1
    gauges = [place for place, sign in enumerate(signs) if sign == 0 and place > last_fill]
    settled = [place for place in gauges if years[place] - years[last_fill] >= _SETTLED_YEARS]
    first = settled[0] if len(settled) > 1 else last_fill
    return CaskEvents(lot, filled_at, years, signs, tuple(number for number, _, _ in events), first)


def loss_line(cask: CaskEvents, amounts: Sequence[float]) -> tuple[float, float]:
    """Level (as the logarithm of a factor on the start) and rate [1/year] of the line through the regauges.

    amounts : of each event, what was poured in, taken out or found there: LPA, kg of water, or litres
    returns : NaN where there is no regauge, or nothing to take a logarithm of
    """
    points = [cask.first, *cask.gauges]
    if len(points) < 2 or not all(amounts[place] > 0.0 for place in points):
        return math.nan, math.nan
    times = np.array([cask.years[place] - cask.years[cask.first] for place in points])
    if not times[-1] > 0.0:
        return math.nan, math.nan
    rate, level = 0.0, 0.0
    for _ in range(_STEPS):
        expected = np.array([content_at(cask, amounts, place, level, rate) for place in points])
        if not (expected > 0.0).all():
            return math.nan, math.nan
        short = np.log([amounts[place] for place in points]) - np.log(expected)
        # The slope of ln content against the rate is minus the time, but for the part that draws take along.
        spread = times - times.mean()
        rate -= float(spread @ short) / float(spread @ spread)
        expected = np.array([content_at(cask, amounts, place, level, rate) for place in points])
        short = np.log([amounts[place] for place in points]) - np.log(expected)
        level += float(short.mean())
    return level, rate


def content_at(cask: CaskEvents, amounts: Sequence[float], place: int, level: float, rate: float) -> float:
    """What the cask holds by the line just before an event, in the unit of the amounts."""
    content = start_content(cask, amounts) * math.exp(level)
    at = cask.years[cask.first]
    for event in range(cask.first + 1, place + 1):
        content *= math.exp(-rate * (cask.years[event] - at))
        at = cask.years[event]
        if event < place:
            content += cask.signs[event] * amounts[event]
    return content


def start_content(cask: CaskEvents, amounts: Sequence[float]) -> float:
    """What was found at the line's start: the settled regauge, or all fills together."""
    if cask.starts_at_regauge:
        return amounts[cask.first]
    return math.fsum(amounts[: cask.first + 1])


def soakage(cask: CaskEvents, amounts: Sequence[float]) -> float:
    """What the fill holds above the line drawn back to it; NaN without a settled regauge."""
    level, rate = loss_line(cask, amounts)
    if not cask.starts_at_regauge or math.isnan(rate):
        return math.nan
    before = range(cask.first)
    moved = math.fsum(cask.signs[place] * amounts[place] for place in before)
    settled = start_content(cask, amounts) * math.exp(level)
    return moved - settled * math.exp(rate * cask.years[cask.first])


def forecast(cask: CaskEvents, amounts: Sequence[float], at_years: float) -> float:
    """What the cask will hold by the line at that time since its fill, if nothing more is drawn."""
    level, rate = loss_line(cask, amounts)
    if math.isnan(rate):
        return math.nan
    last = len(cask.years) - 1
    content = content_at(cask, amounts, last, level, rate)
    content += cask.signs[last] * amounts[last] if last > cask.first else 0.0
    return content * math.exp(-rate * (at_years - cask.years[last]))


def cask_frame(book: Book) -> pl.DataFrame:
    """account.cask_loss: rates, soakage, drift and forecast of every cask with their uncertainties."""
    casks = casks_of(book.tables.moves)
    moves = book.tables.moves
    u = book.readings.u
    lpa = book.errors.move_lpa
    volume = _with_values(book.own.volume_l, moves["volume_l"])
    water = _with_values(book.own.mass_kg, moves["mass_kg"]) - lpa * _KG_PER_LPA
    last_at = moves["happened_at"].max()
    assert last_at is None or isinstance(last_at, datetime)
    forecast_at = last_at + timedelta(seconds=_FORECAST_YEARS * _YEAR_S) if last_at is not None else None

    def line_rate(cask: CaskEvents, amounts: Sequence[float]) -> float:
        return loss_line(cask, amounts)[1]

    def to_forecast(cask: CaskEvents, amounts: Sequence[float]) -> float:
        if forecast_at is None:
            return math.nan
        return forecast(cask, amounts, (forecast_at - cask.filled_at).total_seconds() / _YEAR_S)

    rates = {
        name: _of_casks(casks, column, line_rate)
        for name, column in (("lpa", lpa), ("water", water), ("volume", volume))
    }
    lpa_then, volume_then = _of_casks(casks, lpa, to_forecast), _of_casks(casks, volume, to_forecast)
    abv_then = lpa_then / volume_then * 100.0
    last = _last_gauge(casks, lpa) / _last_gauge(casks, volume) * 100.0
    figures = {
        "loss_frac_per_year": apply(lambda rate: -np.expm1(-rate), rates["lpa"]),
        "water_loss_frac_per_year": apply(lambda rate: -np.expm1(-rate), rates["water"]),
        "volume_loss_frac_per_year": apply(lambda rate: -np.expm1(-rate), rates["volume"]),
        "soakage_lpa": _of_casks(casks, lpa, soakage),
        "soakage_l": _of_casks(casks, volume, soakage),
        "drift_pct_vol_per_year": last * (rates["volume"] - rates["lpa"]),
        "forecast_lpa": lpa_then,
        "forecast_volume_l": volume_then,
        "forecast_abv_pct_vol": abv_then,
    }
    sums = cask_sums(book, casks)
    frame = pl.DataFrame(
        {
            "lot": [cask.lot for cask in casks],
            "loss_basis": [_basis(cask) for cask in casks],
            "line_years": [
                cask.years[(cask.gauges or [cask.first])[-1]] - cask.years[cask.first] for cask in casks
            ],
            "forecast_at": [forecast_at for _ in casks],
        },
        schema={
            "lot": pl.String,
            "loss_basis": pl.String,
            "line_years": pl.Float64,
            "forecast_at": pl.Datetime("us"),
        },
    )
    columns = []
    for name, column in figures.items():
        spread = column.u(u)
        columns += [_series(name, column.values), _series(f"{name}_u", spread)]
        if name.startswith("forecast"):
            columns.append(_series(f"{name}_low", column.values - _NORMAL_95 * spread))
            columns.append(_series(f"{name}_high", column.values + _NORMAL_95 * spread))
    columns += [_series(f"{name}_u", column.u(u)) for name, column in sums.items()]
    columns.append(_series("predicted_loss_frac_per_year", _predicted(book, casks)))
    return frame.with_columns(columns)


def _predicted(book: Book, casks: Sequence[CaskEvents]) -> Floats:
    """The loss that a cask's size leads to, from that of a 200 L cask by surface over volume."""
    capacity_of = {lot_key(f"cask {cask}"): capacity for cask, capacity in book.tables.casks.iter_rows()}
    capacities = np.array([capacity_of.get(cask.lot) for cask in casks], dtype=float)
    reference = book.tables.setting["cask_loss_200l_frac"]
    return np.asarray(science.scaled_loss_frac(np.full(capacities.size, reference), 200.0, capacities))


def cask_sums(book: Book, casks: Sequence[CaskEvents]) -> dict[str, Uncertain]:
    """What was filled, drawn and found last, for its uncertainty; the values shown are metric.cask's."""
    moves = book.tables.moves
    lpa, volume = book.errors.move_lpa, _with_values(book.own.volume_l, moves["volume_l"])
    number_of = {cask.lot: number for number, cask in enumerate(casks)}
    count = len(casks)
    places: dict[str, list[int]] = {kind: [] for kind in _SIGNS}
    for kind, source, target in moves.select("kind", "from_lot", "to_lot").iter_rows():
        lot = target if _SIGNS.get(kind) == 1 else source
        number = number_of.get(lot_key(lot), -1) if lot is not None else -1
        for name, column in places.items():
            column.append(number if name == kind else -1)

    def total(column: Uncertain, *kinds: str) -> Uncertain:
        sums = [column.sum_by(places[kind], count) for kind in kinds]
        return sums[0] if len(sums) == 1 else sums[0] + sums[1]

    ends = [book.errors.lots.get(cask.lot, (np.empty(0, dtype=np.int64), np.empty(0))) for cask in casks]
    contents: dict[str, float] = {}
    for source, target, left, filled in moves.select(
        "from_lot", "to_lot", "from_lpa_after", "to_lpa_after"
    ).iter_rows():
        for lot, lpa_after in ((source, left), (target, filled)):
            if lot is not None:
                contents[lot_key(lot)] = math.nan if lpa_after is None else lpa_after
    held = Uncertain.from_parts(
        [contents.get(cask.lot, math.nan) for cask in casks],
        [(np.full(ids.size, number), ids, slopes) for number, (ids, slopes) in enumerate(ends)],
        lpa.readings,
    )
    fill_lpa, fill_l = total(lpa, "cask fill"), total(volume, "cask fill")
    last_lpa, last_l = _last_found(casks, lpa, fill_lpa), _last_found(casks, volume, fill_l)
    drawn, bottled = total(lpa, "cask draw"), total(lpa, "cask bottle")
    return {
        "fill_lpa": fill_lpa,
        "fill_volume_l": fill_l,
        "fill_abv_pct_vol": fill_lpa / fill_l * 100.0,
        "topped_up_lpa": total(lpa, "cask top up"),
        "drawn_lpa": drawn,
        "bottled_lpa": bottled,
        "last_lpa": last_lpa,
        "last_volume_l": last_l,
        "last_abv_pct_vol": last_lpa / last_l * 100.0,
        "strength_change_pct_vol": last_lpa / last_l * 100.0 - fill_lpa / fill_l * 100.0,
        "now_lpa": held,
        "loss_lpa": total(lpa, "cask fill", "cask top up") - drawn - bottled - held,
    }


def _last_found(casks: Sequence[CaskEvents], column: Uncertain, filled: Uncertain) -> Uncertain:
    """The last regauge, or the fill where there is none."""
    last = column.take([cask.moves[cask.all_gauges[-1]] if cask.all_gauges else -1 for cask in casks])
    return last.otherwise(filled)


def _series(name: str, values: Floats) -> pl.Series:
    return pl.Series(name, values, dtype=pl.Float64).fill_nan(None)


def _basis(cask: CaskEvents) -> str:
    if not cask.gauges:
        return "not regauged"
    return "regauges" if cask.starts_at_regauge else "fill and regauge, soakage in it"


def _with_values(column: Uncertain, values: pl.Series) -> Uncertain:
    """The moves' own values, with the derivatives of their own readings."""
    return Uncertain(values.cast(pl.Float64).fill_null(np.nan).to_numpy().astype(float), column.jacobian)


def _last_gauge(casks: Sequence[CaskEvents], column: Uncertain) -> Uncertain:
    return column.take([cask.moves[(cask.gauges or [cask.first])[-1]] for cask in casks])


def _of_casks(
    casks: Sequence[CaskEvents], column: Uncertain, figure: Callable[[CaskEvents, Sequence[float]], float]
) -> Uncertain:
    """A figure of each cask's amounts, with derivatives by each amount (central differences)."""
    values: list[float] = []
    rows: list[int] = []
    moves: list[int] = []
    slopes: list[float] = []
    for number, cask in enumerate(casks):
        amounts = [float(column.values[move]) for move in cask.moves]
        values.append(figure(cask, amounts))
        for place, move in enumerate(cask.moves):
            step = 1e-5 * max(abs(amounts[place]), 1e-3)
            up, down = list(amounts), list(amounts)
            up[place] += step
            down[place] -= step
            rows.append(number)
            moves.append(move)
            slopes.append((figure(cask, up) - figure(cask, down)) / (2.0 * step))
    factors = Uncertain.from_parts(values, [(rows, moves, slopes)], column.size)
    return Uncertain(factors.values, (factors.jacobian @ column.jacobian).tocsr())
