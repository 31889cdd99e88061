"""Standard uncertainties of the season's sums and of each step of its flow.

The steps are those of sql/30_metric/flow.sql, and the sums those of sql/30_metric/season.sql; a test holds
the values of both ways against each other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

import numpy as np
import polars as pl

from pipeline import science
from pipeline.account.book import Book, numbers_of
from pipeline.account.cask_line import CaskEvents
from pipeline.account.casks import CaskSums
from pipeline.account.figures import Sums
from pipeline.account.left_behind import Rests, left_behind, rests_of, thrown_out
from pipeline.account.lots import lot_key
from pipeline.account.uncertain import Ints, Uncertain

STILL_HOUSE = (
    "potential",
    "not extracted",
    "extract",
    "unfermentable",
    "unfermented",
    "wash",
    "wash held up",
    "wash unexplained",
    "pot ale",
    "pot ale not measured",
    "stripping unexplained",
    "low wines",
    "low wines held up",
    "low wines unexplained",
    "spirit charge",
    "foreshots",
    "feints",
    "spent lees",
    "spent lees not measured",
    "spirit unexplained",
    "hearts",
)
"""Nodes of the flow's first part, from grain to hearts."""

CASKS = (
    "all hearts",
    "not in cask",
    "hearts held up",
    "hearts unexplained",
    "filled",
    "filled from others",
    "cask loss",
    "drawn",
    "in cask",
)
"""Nodes of its second part."""

_SUMMED = ("grain_kg", "sugar_kg", "potential_extract_kg", "wash_lpa", "low_wines_lpa", "hearts_lpa")

SEASON_RATIOS = {
    "yield_lpa_per_kg": ("net_spirit_of_yields", "fermentables_of_yields"),
    "hearts_lpa_per_kg": ("hearts_of_hearts_per_kg", "fermentables_of_hearts_per_kg"),
}
"""The figures of metric.season that are no sums: which of two sums is divided by which."""

SEASON_SUMS = (
    *_SUMMED,
    "net_spirit_lpa",
    *(name for ratio in SEASON_RATIOS.values() for name in ratio),
    "cask_lpa_now",
)
"""What the figures of metric.season are made of."""

_WHOLE_OF_SUM = dict(SEASON_RATIOS.values())

_MAX_LPA_PER_KG = float(science.MAX_LPA_PER_KG_EXTRACT)


def season_of(moment: datetime, starts: str) -> str:
    """The season a moment belongs to, as the SQL macro of that name says it.

    >>> season_of(datetime(2031, 2, 1), "09-01"), season_of(datetime(2031, 2, 1), "01-01")
    ('2030-31', '2031')
    """
    if starts == "01-01":
        return f"{moment.year}"
    first = moment.year if moment.strftime("%m-%d") >= starts else moment.year - 1
    return f"{first}-{(first + 1) % 100:02d}"


def seasons_of(book: Book, casks: CaskSums) -> list[str | None]:
    """The seasons in which a batch was begun or a cask was filled; None is that of batches without a date."""
    filled = {season_of(cask.filled_at, _season_starts(book)) for cask in casks.casks}
    return sorted(filled.union(book.tables.batches["season"]) or {None}, key=lambda season: season or "")


def season_sums(
    book: Book, batch: Mapping[str, Uncertain], casks: CaskSums, seasons: Sequence[str | None]
) -> dict[str, Uncertain]:
    """`SEASON_SUMS`; one row a season, over what was measured."""
    groups = _seasons_of_batches(book, seasons)
    count = len(seasons)

    def total(column: Uncertain) -> Uncertain:
        return column.or_zero().sum_by(groups, count)

    fermentables = batch["grain_kg"] + batch["sugar_kg"]
    has_yield = ~np.isnan(batch["yield_lpa_per_kg"].values)
    has_hearts = ~np.isnan(batch["hearts_lpa_per_kg"].values)
    net, hearts = batch["net_spirit_lpa"], batch["hearts_lpa"]
    figures = {name: total(batch[name]) for name in _SUMMED}
    figures["net_spirit_lpa"] = total(net)
    figures["net_spirit_of_yields"] = total(_if(has_yield, net))
    figures["fermentables_of_yields"] = total(_if(has_yield, fermentables))
    figures["hearts_of_hearts_per_kg"] = total(_if(has_hearts, hearts))
    figures["fermentables_of_hearts_per_kg"] = total(_if(has_hearts, fermentables))
    figures["cask_lpa_now"] = casks.of["now_lpa"].sum_by(_seasons_of_casks(book, casks.casks, seasons), count)
    return figures


def whole_of_sum(name: str) -> str:
    """The sum of the season that another one is divided by; the sum itself where it is divided by none."""
    return _WHOLE_OF_SUM.get(name, name)


def season_figures(sums: Mapping[str, Uncertain]) -> dict[str, Uncertain]:
    """The figures of metric.season that readings go into, from its `season_sums`."""
    ratios = {name: sums[part] / sums[whole] for name, (part, whole) in SEASON_RATIOS.items()}
    apart = {"cask_lpa_now", *(name for ratio in SEASON_RATIOS.values() for name in ratio)}
    plain = {name: column for name, column in sums.items() if name not in apart}
    return plain | ratios | {"cask_lpa_now": sums["cask_lpa_now"]}


def flow_figures(
    book: Book, sums: Sums, batch: Mapping[str, Uncertain], casks: CaskSums, seasons: Sequence[str | None]
) -> dict[str, Uncertain]:
    """The alcohol of each step of metric.flow, by node; one row a season."""
    rests = rests_of(book)
    return _still_house(book, sums, batch, rests, seasons) | _casks(book, batch, casks, rests, seasons)


def whole_of(node: str) -> str:
    """The node that a node of the flow is told as a share of: the first of its part."""
    return "potential" if node in STILL_HOUSE else "all hearts"


def _still_house(
    book: Book, sums: Sums, batch: Mapping[str, Uncertain], rests: Rests, seasons: Sequence[str | None]
) -> dict[str, Uncertain]:
    of = sums.batches
    columns = {
        "potential": batch["potential_extract_kg"] * _MAX_LPA_PER_KG,
        "extract": batch["wash_extract_kg"] * _MAX_LPA_PER_KG,
        "wash": batch["wash_lpa"],
        "strip_charge": of["strip_charge_lpa"],
        "low_wines": batch["low_wines_lpa"],
        "low_wines_charged": of["low_wines_charged_lpa"],
        "feints_in": batch["feints_in_lpa"],
        "feints_out": batch["feints_out_lpa"],
        "hearts": batch["hearts_lpa"],
    }
    needed = [*columns.values(), of["spirit_collected_lpa"], batch["spirit_charge_lpa"]]
    is_whole = np.logical_and.reduce([~np.isnan(column.values) for column in needed])
    groups = np.where(is_whole, _seasons_of_batches(book, seasons), -1)

    def total(column: Uncertain) -> Uncertain:
        return column.or_zero().sum_by(groups, len(seasons))

    season = {name: total(column) for name, column in columns.items()}
    foreshots = batch["foreshots_lpa"].or_zero()
    wash_held, low_wines_held = (left_behind(book, rests, kind) for kind in ("wash", "low wines"))
    to_spirit = season["low_wines_charged"]
    unfermentable = total(columns["extract"] - columns["wash"] / batch["ferment_efficiency_frac"])
    stripped = columns["strip_charge"] - columns["low_wines"]
    spirit = columns["low_wines_charged"] + columns["feints_in"] - foreshots
    spirit = spirit - columns["feints_out"] - columns["hearts"]
    pot_ale, spent_lees = of["pot_ale_lpa"], of["spent_lees_lpa"]
    has_pot_ale, has_lees = ~np.isnan(pot_ale.values), ~np.isnan(spent_lees.values)
    return {
        "potential": season["potential"],
        "not extracted": season["potential"] - season["extract"],
        "extract": season["extract"],
        "unfermentable": unfermentable,
        "unfermented": season["extract"] - season["wash"] - unfermentable,
        "wash": season["wash"],
        "wash held up": total(wash_held),
        "wash unexplained": season["wash"] - total(wash_held) - season["strip_charge"],
        "pot ale": total(pot_ale),
        "pot ale not measured": total(_if(~has_pot_ale, stripped)),
        "stripping unexplained": total(_if(has_pot_ale, stripped)) - total(pot_ale),
        "low wines": season["low_wines"],
        "low wines held up": total(low_wines_held),
        "low wines unexplained": season["low_wines"] - total(low_wines_held) - to_spirit,
        "spirit charge": to_spirit,
        "foreshots": total(foreshots),
        "feints": season["feints_out"] - season["feints_in"],
        "spent lees": total(spent_lees),
        "spent lees not measured": total(_if(~has_lees, spirit)),
        "spirit unexplained": total(_if(has_lees, spirit)) - total(spent_lees),
        "hearts": season["hearts"],
    }


def _casks(
    book: Book, batch: Mapping[str, Uncertain], casks: CaskSums, rests: Rests, seasons: Sequence[str | None]
) -> dict[str, Uncertain]:
    count = len(seasons)
    season_of_batch = _seasons_of_batches(book, seasons)
    hearts = batch["hearts_lpa"].or_zero().sum_by(season_of_batch, count)
    lots = _hearts_lots(book, ~np.isnan(batch["hearts_lpa"].values), season_of_batch)
    held, filled = _held_and_filled(book, lots, count)
    thrown = thrown_out(book, rests, lots, count)
    of = casks.of
    season = _seasons_of_casks(book, casks.casks, seasons)
    is_gauged = np.array([bool(cask.all_gauges) for cask in casks.casks], dtype=bool)
    in_casks = (of["fill_lpa"] + of["topped_up_lpa"]).sum_by(season, count)
    lost = of["loss_lpa"].sum_by(np.where(is_gauged, season, -1), count)
    taken = (of["drawn_lpa"] + of["bottled_lpa"]).sum_by(season, count)
    return {
        "all hearts": hearts,
        "not in cask": held,
        "hearts held up": thrown,
        "hearts unexplained": hearts - held - thrown - filled,
        "filled": filled,
        "filled from others": in_casks - filled,
        "cask loss": lost,
        "drawn": taken,
        "in cask": in_casks - lost - taken,
    }


def _hearts_lots(book: Book, is_measured: np.ndarray, season_of_batch: Ints) -> list[dict[str, None]]:
    """By season, the lots that hold measured hearts, and those they were proofed down into."""
    number_of = {name: number for number, name in enumerate(book.tables.batches["batch"])}
    found: list[dict[str, None]] = [{} for _ in range(int(season_of_batch.max(initial=-1)) + 1)]
    for kind, cut, batch, source, target in book.tables.moves.select(
        "kind", "cut", "batch", "from_lot", "to_lot"
    ).iter_rows():
        if kind == "collect" and cut == "hearts" and is_measured[number_of[batch]]:
            found[season_of_batch[number_of[batch]]][lot_key(target)] = None
        elif kind == "dilute" and source is not None and target is not None:
            for lots in found:
                if lot_key(source) in lots:
                    lots[lot_key(target)] = None
    return found


def _held_and_filled(book: Book, lots: list[dict[str, None]], count: int) -> tuple[Uncertain, Uncertain]:
    moves, lpa = book.tables.moves, book.errors.move_lpa
    contents = {
        lot_key(name): value
        for name, value in moves.select("from_lot", "from_lpa_after").drop_nulls("from_lot").iter_rows()
    }
    held_values = np.zeros(count)
    held_parts = []
    filled_groups = np.full(moves.height, -1, dtype=np.int64)
    for season, names in enumerate(lots):
        for name in names:
            ids, slopes = book.errors.lots.get(name, (np.empty(0, dtype=np.int64), np.empty(0)))
            held_parts.append((np.full(ids.size, season), ids, slopes))
            held_values[season] += contents.get(name) or 0.0
        for number, (kind, source) in enumerate(moves.select("kind", "from_lot").iter_rows()):
            if kind in ("cask fill", "cask top up") and source is not None and lot_key(source) in names:
                filled_groups[number] = season
    held = Uncertain.from_parts(held_values, held_parts, lpa.readings)
    return held, lpa.or_zero().sum_by(filled_groups, count)


def _if(condition: np.ndarray, column: Uncertain) -> Uncertain:
    return column * np.where(condition, 1.0, np.nan)


def _seasons_of_batches(book: Book, seasons: Sequence[str | None]) -> Ints:
    return numbers_of(book.tables.batches["season"], _numbers(seasons))


def _numbers(seasons: Sequence[str | None]) -> dict[str | None, int]:
    return {name: number for number, name in enumerate(seasons)}


def _season_starts(book: Book) -> str:
    return str(book.tables.settings.filter(pl.col("name") == "season_starts")["text_value"].item())


def _seasons_of_casks(book: Book, casks: list[CaskEvents], seasons: Sequence[str | None]) -> Ints:
    starts = _season_starts(book)
    number_of = _numbers(seasons)
    return np.array([number_of.get(season_of(cask.filled_at, starts), -1) for cask in casks], dtype=np.int64)
