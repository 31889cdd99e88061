"""What each cask loses a year, of alcohol, of water and of volume, and what it will hold.

Tables only; the line that they stand on is in `cask_line`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import numpy as np
import polars as pl

from pipeline import science
from pipeline.account.book import Book
from pipeline.account.cask_forecast import Forecast, forecast_columns
from pipeline.account.cask_groups import cask_group_frame
from pipeline.account.cask_line import SIGNS, YEAR_S, CaskEvents, alike, casks_of, lines_of
from pipeline.account.lot_errors import Row
from pipeline.account.lots import lot_key
from pipeline.account.uncertain import Flags, Floats, Uncertain, apply

_KG_PER_LPA = float(science.ethanol_kg_from_lpa(1.0))
_FORECAST_YEARS = 1.0
# A cask that loses this many times what its size leads to leaks (common practice, no source).
_LEAK_TIMES = 3.0
# And by as many standard uncertainties as any balance has to be off: there are many casks, and each is tried.
_LEAK_ERRORS = 3.5


@dataclass(frozen=True)
class CaskBook:
    """What the account knows of casks, with its derivatives.

    moves     : account.move, of casks alone
    lpa, volume_l, mass_kg : of each of them
    held      : by key of a cask's lot, the alcohol that it holds at the end of the logs
    reading_u : standard uncertainty of each reading
    """

    moves: pl.DataFrame
    lpa: Uncertain
    volume_l: Uncertain
    mass_kg: Uncertain
    held: Mapping[str, Row]
    reading_u: Floats

    @classmethod
    def of(cls, book: Book) -> CaskBook:
        """What the whole account says of casks."""
        is_cask = book.tables.moves["kind"].str.starts_with("cask ")
        moves, numbers = book.tables.moves.filter(is_cask), np.flatnonzero(is_cask.to_numpy())
        return cls(
            moves,
            _with_values(book.errors.move_lpa.take(numbers), moves["lpa"]),
            _with_values(book.own.volume_l.take(numbers), moves["volume_l"]),
            _with_values(book.own.mass_kg.take(numbers), moves["mass_kg"]),
            {key: row for key, row in book.errors.lots.items() if key.startswith("cask ")},
            book.readings.u,
        )


@dataclass(frozen=True)
class CaskSums:
    """Every cask, and what went in and out of it."""

    casks: list[CaskEvents]
    of: dict[str, Uncertain]


def cask_frame(
    book: CaskBook, described: pl.DataFrame, setting: Mapping[str, float], forecast_at: datetime | None
) -> pl.DataFrame:
    """account.cask_loss: rates, soakage, drift and forecast of every cask with their uncertainties.

    described : cask, capacity_l of each cask
    """
    sums = cask_sums(book)
    casks, u = sums.casks, book.reading_u
    lpa, volume = book.lpa, book.volume_l
    water = book.mass_kg - lpa * _KG_PER_LPA
    at_years = np.array([_years_until(forecast_at, cask) for cask in casks])
    (of_lpa, lpa_off), (of_water, _), (of_volume, volume_off) = (
        _lines(casks, column, at_years) for column in (lpa, water, volume)
    )
    lpa_then, volume_then = of_lpa["forecast"], of_volume["forecast"]
    last = _last_gauge(casks, lpa) / _last_gauge(casks, volume) * 100.0
    figures = {
        "loss_frac_per_year": apply(lambda rate: -np.expm1(-rate), of_lpa["rate"]),
        "water_loss_frac_per_year": apply(lambda rate: -np.expm1(-rate), of_water["rate"]),
        "volume_loss_frac_per_year": apply(lambda rate: -np.expm1(-rate), of_volume["rate"]),
        "soakage_lpa": of_lpa["soakage"],
        "soakage_l": of_volume["soakage"],
        "drift_pct_vol_per_year": last * (of_volume["rate"] - of_lpa["rate"]),
    }
    abv_off = [one - other for one, other in zip(lpa_off, volume_off, strict=True)]
    forecasts = [
        Forecast(f"forecast_{name}", then.values, then.u(u), off, _ln_u(casks, column, u), part)
        for name, then, column, off, part in (
            ("lpa", lpa_then, lpa, lpa_off, 1.0),
            ("volume_l", volume_then, volume, volume_off, 1.0),
            ("abv_pct_vol", lpa_then / volume_then * 100.0, lpa / volume, abv_off, 0.5),
        )
    ]
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
    columns: list[pl.Series] = []
    for name, column in figures.items():
        columns += [_series(name, column.values), _series(f"{name}_u", column.u(u))]
    usual = setting["cask_loss_200l_frac"]
    predicted = _predicted(described, casks, usual)
    columns += forecast_columns(casks, forecasts, predicted, at_years, usual)
    columns += [_series(f"{name}_u", column.u(u)) for name, column in sums.of.items()]
    loss = figures["loss_frac_per_year"]
    columns.append(_series("predicted_loss_frac_per_year", predicted))
    columns.append(pl.Series("is_leaking", is_leaking(loss.values, loss.u(u), predicted)))
    return frame.with_columns(columns)


def is_leaking(loss: Floats, loss_u: Floats, predicted: Floats) -> Flags:
    """Three times what its size leads to, and so far above it that the readings' errors do not explain it.

    Compared as rates (ln of what is left), in which the errors of two readings a few weeks apart are the same
    either way: stretched to a year, the share lost would seem better known the more there is of it.
    """
    rate, rate_u = -np.log1p(-loss), loss_u / (1.0 - loss)
    most = -np.log1p(-np.minimum(_LEAK_TIMES * predicted, 0.99))
    return np.asarray(rate - most > _LEAK_ERRORS * rate_u, dtype=bool)


def group_frame(described: pl.DataFrame, of_casks: pl.DataFrame) -> pl.DataFrame:
    """metric.cask_group from the frame of account.cask_loss.

    described : cask, wood, capacity_l, place of each cask
    """
    row_of = {lot_key(f"cask {row['cask']}"): row for row in described.iter_rows(named=True)}
    rows = [row_of.get(lot, {}) for lot in of_casks["lot"]]
    schema = {"wood": pl.String, "capacity_l": pl.Float64, "place": pl.String}
    loss, loss_u, predicted = (
        of_casks[name].cast(pl.Float64).fill_null(math.nan).to_numpy()
        for name in ("loss_frac_per_year", "loss_frac_per_year_u", "predicted_loss_frac_per_year")
    )
    frame = pl.DataFrame([[row.get(name) for name in schema] for row in rows], schema=schema, orient="row")
    return cask_group_frame(frame, loss, loss_u, predicted, of_casks["is_leaking"].to_numpy())


def _predicted(described: pl.DataFrame, casks: Sequence[CaskEvents], reference: float) -> Floats:
    """The loss that a cask's size leads to, from that of a 200 L cask by surface over volume."""
    of_size = described.select("cask", "capacity_l")
    capacity_of = {lot_key(f"cask {cask}"): capacity for cask, capacity in of_size.iter_rows()}
    capacities = np.array([capacity_of.get(cask.lot) for cask in casks], dtype=float)
    return np.asarray(science.scaled_loss_frac(np.full(capacities.size, reference), 200.0, capacities))


def cask_sums(book: CaskBook) -> CaskSums:
    """What was filled, drawn and found last, for its uncertainty; the values shown are metric.cask's."""
    moves, lpa, volume = book.moves, book.lpa, book.volume_l
    casks = casks_of(moves)
    number_of = {cask.lot: number for number, cask in enumerate(casks)}
    count = len(casks)
    cask_of_move = np.full(moves.height, -1, dtype=np.int64)
    contents: dict[str, float] = {}
    kind_of = moves["kind"].to_numpy()
    for move, (kind, source, target, left, filled) in enumerate(
        moves.select("kind", "from_lot", "to_lot", "from_lpa_after", "to_lpa_after").iter_rows()
    ):
        for lot, lpa_after in ((source, left), (target, filled)):
            if lot is not None:
                contents[lot_key(lot)] = math.nan if lpa_after is None else lpa_after
        own = target if SIGNS.get(kind) == 1 else source
        if own is not None:
            cask_of_move[move] = number_of.get(lot_key(own), -1)

    def total(column: Uncertain, *kinds: str) -> Uncertain:
        sums = [column.sum_by(np.where(kind_of == kind, cask_of_move, -1), count) for kind in kinds]
        return sums[0] if len(sums) == 1 else sums[0] + sums[1]

    ends = [book.held.get(cask.lot, (np.empty(0, dtype=np.int64), np.empty(0))) for cask in casks]
    held = Uncertain.from_parts(
        [contents.get(cask.lot, math.nan) for cask in casks],
        [(np.full(ids.size, number), ids, slopes) for number, (ids, slopes) in enumerate(ends)],
        lpa.readings,
    )
    fill_lpa, fill_l = total(lpa, "cask fill"), total(volume, "cask fill")
    last_lpa, last_l = _last_found(casks, lpa, fill_lpa), _last_found(casks, volume, fill_l)
    drawn, bottled = total(lpa, "cask draw"), total(lpa, "cask bottle")
    sums = {
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
    return CaskSums(casks, sums)


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


def _years_until(moment: datetime | None, cask: CaskEvents) -> float:
    return math.nan if moment is None else (moment - cask.filled_at).total_seconds() / YEAR_S


def _ln_u(casks: Sequence[CaskEvents], column: Uncertain, reading_u: Floats) -> list[Floats]:
    """Standard uncertainty of ln of each measurement of a cask's line that is a regauge, by its readings."""
    moves = np.array([cask.moves[point] for cask in casks for point in cask.points], dtype=np.int64)
    measured = column.take(moves)
    relative = np.abs(measured.u(reading_u) / measured.values)
    return np.split(relative, np.cumsum([len(cask.points) for cask in casks])[:-1])


def _lines(
    casks: Sequence[CaskEvents], column: Uncertain, at_years: Floats
) -> tuple[dict[str, Uncertain], list[Floats]]:
    """Rate, soakage and forecast of each cask, with derivatives by each amount (central differences).

    Beside them, by cask, how far ln of each measurement lies off its line.
    """
    names = ("rate", "soakage", "forecast")
    values = {name: np.full(len(casks), np.nan) for name in names}
    parts: dict[str, list[tuple[Floats, Floats, Floats]]] = {name: [] for name in names}
    off: list[Floats] = [np.empty(0)] * len(casks)
    for numbers in alike(casks):
        some = [casks[number] for number in numbers]
        moves = np.array([cask.moves for cask in some]).T
        amounts = column.values[moves]
        steps = 1e-5 * np.maximum(np.abs(amounts), 1e-3)
        lines = lines_of(some, _variants(amounts, steps), at_years[numbers])
        events = len(moves)
        for name in names:
            found = getattr(lines, name)
            values[name][numbers] = found[:, 0]
            slopes = (found[:, 1 : events + 1] - found[:, events + 1 :]).T / (2.0 * steps)
            rows = np.broadcast_to(numbers, moves.shape)
            parts[name].append((rows.ravel(), moves.ravel(), slopes.ravel()))
        for place, number in enumerate(numbers):
            off[number] = lines.off[:, place, 0]
    return {name: _through(values[name], parts[name], column) for name in names}, off


def _variants(amounts: Floats, steps: Floats) -> Floats:
    """The amounts as they are, then each in turn a step up, then a step down: events x casks x variants."""
    changed = np.eye(len(amounts))[:, None, :] * steps[:, :, None]
    variants: Floats = amounts[:, :, None] + np.concatenate(
        [np.zeros((*amounts.shape, 1)), changed, -changed], axis=2
    )
    return variants


def _through(values: Floats, parts: Sequence[tuple[Floats, Floats, Floats]], column: Uncertain) -> Uncertain:
    """Figures with derivatives by the moves' amounts, as figures with derivatives by the readings."""
    by_move = Uncertain.from_parts(values, parts, column.size)
    return Uncertain(values, (by_move.jacobian @ column.jacobian).tocsr())


def forecast_moment(settings: pl.DataFrame, last_at: datetime | None) -> datetime | None:
    """When the forecasts are for: the day of the settings, or a year after the last entry of the logs.

    settings : raw.setting
    last_at  : when that entry was
    """
    asked = settings.filter(pl.col("name") == "forecast_on")["text_value"].to_list()
    if asked and asked[0]:
        return datetime.combine(date.fromisoformat(asked[0]), time())
    return None if last_at is None else last_at + timedelta(seconds=_FORECAST_YEARS * YEAR_S)
