"""The whole account as columns that know their readings: the base that every figure's uncertainty stands on.

Reads the tables of schema account, whose values it takes over, and adds the derivatives by the primary
readings: of each row measured, each wash, each jar, each move, each lot at the end.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline import science
from pipeline.account.ancestry import Ancestry, values_of_nodes, walk_ancestry
from pipeline.account.content import WATER_KG_PER_L
from pipeline.account.lot_errors import LotErrors, OwnAmounts, walk_errors
from pipeline.account.readings import Measured, Readings, find_readings, measure
from pipeline.account.uncertain import Floats, Ints, Uncertain, apply, choose
from pipeline.account.wash import Materials, Wash, materials_of, wash_of


@dataclass(frozen=True)
class Tables:
    """What the account's SQL made, in the order of its keys."""

    rows: pl.DataFrame
    entries: pl.DataFrame
    moves: pl.DataFrame
    jars: pl.DataFrame
    wash: pl.DataFrame
    fermentables: pl.DataFrame
    batches: pl.DataFrame
    runs: pl.DataFrame
    settings: pl.DataFrame
    casks: pl.DataFrame

    @property
    def setting(self) -> Mapping[str, float]:
        """The settings that are numbers, by name."""
        numbers = self.settings.filter(pl.col("number_value").is_not_null())
        return dict(numbers.select("name", "number_value").iter_rows())


@dataclass(frozen=True)
class Jars:
    """Every jar; rows as in account.jar by batch, run and jar number."""

    frame: pl.DataFrame
    volume_l: Uncertain
    abv_pct_vol: Uncertain
    spout_pct_vol: Uncertain
    lpa: Uncertain


@dataclass(frozen=True)
class Book:
    """Everything a figure is made of, with its derivatives.

    net_spirit_lpa : by batch, its alcohol in all hearts and in feints in stock; one row a batch
    """

    tables: Tables
    readings: Readings
    measured: Measured
    materials: Materials
    wash: Wash
    jars: Jars
    own: OwnAmounts
    errors: LotErrors
    ancestry: Ancestry
    net_spirit_lpa: Uncertain


def make_book(tables: Tables) -> Book:
    """Work out the derivatives of the whole account."""
    setting = tables.setting
    readings = find_readings(tables.rows, tables.wash["batch"].to_list(), setting)
    measured = measure(tables.rows, readings, setting["hydrometer_reference_c"])
    batch_numbers = {name: number for number, name in enumerate(tables.batches["batch"])}
    rows_of_fermentables = row_numbers(tables.rows, tables.fermentables)
    materials = materials_of(
        tables.fermentables,
        rows_of_fermentables,
        numbers_of(tables.fermentables["batch"], batch_numbers),
        tables.batches.height,
        measured,
    )
    wash = wash_of(tables.wash, tables.rows, tables.fermentables, rows_of_fermentables, readings, measured)
    jars = _jars(tables, measured)
    own = _own_amounts(tables, measured, jars, wash)
    ancestry = walk_ancestry(tables.moves)
    wanted = (mix.held_by for mix in ancestry.mixes if mix.held_by is not None)
    errors = walk_errors(tables.moves, own, readings.u, wanted)
    net = _net_spirit(ancestry, errors, batch_numbers)
    return Book(tables, readings, measured, materials, wash, jars, own, errors, ancestry, net)


def row_numbers(rows: pl.DataFrame, wanted: pl.DataFrame) -> Ints:
    """The numbers of the rows of account.logged_row that rows of another table come from (file_id, line)."""
    places = rows.select("file_id", "line").with_row_index("number")
    found = wanted.select("file_id", "line").join(
        places, on=["file_id", "line"], how="left", maintain_order="left"
    )
    return found["number"].cast(pl.Int64).fill_null(-1).to_numpy()


def numbers_of(keys: pl.Series, number_of: Mapping[str, int]) -> Ints:
    """The number of each key; -1 for one that has none."""
    return np.array([number_of.get(key, -1) for key in keys], dtype=np.int64)


def _jars(tables: Tables, measured: Measured) -> Jars:
    frame = tables.jars.sort("batch", "run", "jar_no")
    rows = row_numbers(tables.rows, frame)
    volume, abv = measured.volume_l.take(rows), measured.abv_pct_vol.take(rows)
    is_between = (frame["strength_basis"] == "between neighbours").to_numpy()
    if is_between.any():
        between = np.flatnonzero(is_between)
        read_volume = volume_as_read(measured, tables, rows)
        before, here, after = (read_volume.take(between + step) for step in (-1, 0, 1))
        abv_before, abv_after = abv.take(between - 1), abv.take(between + 1)
        place = (before + here) / (before + here * 2.0 + after)
        filled = (abv_before + (abv_after - abv_before) * place).take(
            np.where(is_between, np.cumsum(is_between) - 1, -1)
        )
        abv = choose(is_between, filled, abv)
    spout = measured.spout_pct_vol.take(rows)
    return Jars(frame, volume, abv, spout, volume * abv / 100.0)


def volume_as_read(measured: Measured, tables: Tables, rows: Ints) -> Uncertain:
    """Volumes as read: the place of a jar in its run is told by what was written, not by 20 degC."""
    read = tables.rows["volume_l"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    corrected = measured.volume_l.values
    ratio: Floats = np.divide(read, corrected, out=np.ones_like(read), where=corrected > 0)
    return (measured.volume_l * ratio).take(rows)


def _own_amounts(tables: Tables, measured: Measured, jars: Jars, wash: Wash) -> OwnAmounts:
    """What each entry's own readings say it moved; NaN where it leans on its lot."""
    entries = tables.entries
    rows = row_numbers(tables.rows, entries)
    kind = entries["kind"]
    jar_numbers = {key: number for number, key in enumerate(jars.frame.select("file_id", "line").iter_rows())}
    jar_of = np.array(
        [
            jar_numbers.get((file_id, line), -1) if name == "collect" else -1
            for name, file_id, line in entries.select("kind", "file_id", "line").iter_rows()
        ],
        dtype=np.int64,
    )
    is_ferment = (kind == "ferment").to_numpy()
    wash_numbers = {name: number for number, name in enumerate(tables.wash["batch"])}
    wash_of_entry = np.where(is_ferment, numbers_of(entries["batch"], wash_numbers), -1)
    is_water = ((kind == "dilute") | ((kind == "charge") & (entries["cut"] == "water"))).to_numpy()
    nothing = Uncertain.exact(np.zeros(entries.height), measured.mass_kg.readings)
    abv = choose(jar_of >= 0, jars.abv_pct_vol.take(jar_of), measured.abv_pct_vol.take(rows))
    abv = choose(is_water, nothing, abv)
    volume, mass = measured.volume_l.take(rows), measured.mass_kg.take(rows)
    kg_per_l = apply(lambda strength: science.mass_kg_from_volume_l(np.ones_like(strength), strength), abv)
    kg_per_l = choose(is_water, nothing + WATER_KG_PER_L, kg_per_l)
    volume_l, mass_kg = volume.otherwise(mass / kg_per_l), mass.otherwise(volume * kg_per_l)
    lpa = choose(is_ferment, wash.wash_lpa.take(wash_of_entry), volume_l * abv / 100.0)
    abv = choose(is_ferment, wash.wash_abv_pct_vol.take(wash_of_entry), abv)
    # A volume that only a lot's density can give from a weighing is not the move's own.
    return OwnAmounts(volume_l, mass_kg, lpa, abv)


def _net_spirit(ancestry: Ancestry, errors: LotErrors, batch_numbers: Mapping[str, int]) -> Uncertain:
    """Credit of each batch: by the shares, by what was moved, and by the weights the mixtures had."""
    count, readings = len(batch_numbers), errors.move_lpa.readings
    values = np.zeros(count)
    shares = [_by_batch(node, batch_numbers) for node in ancestry.nodes]
    hearts: list[tuple[int, int, float]] = []
    for number, node, lpa in ancestry.hearts:
        for batch, share in shares[node]:
            values[batch] += share * lpa
            hearts.append((batch, number, share))
    of_hearts = _linear(hearts, count, errors.move_lpa)
    stock_rows: list[tuple[int, Ints, Floats]] = []
    for key, node in ancestry.stock.items():
        ids, slopes = errors.lots.get(key, (np.empty(0, dtype=np.int64), np.empty(0)))
        for batch, share in shares[node]:
            values[batch] += share * ancestry.stock_lpa[key]
            stock_rows.append((batch, ids, share * slopes))
    of_stock = Uncertain.from_parts(
        values, [(np.full(ids.size, batch), ids, slopes) for batch, ids, slopes in stock_rows], readings
    )
    of_weights = _weights(ancestry, errors, shares, count)
    return Uncertain(values, of_hearts.jacobian + of_stock.jacobian + of_weights.jacobian)


def _by_batch(
    node: Mapping[tuple[str | None, bool], float], numbers: Mapping[str, int]
) -> list[tuple[int, float]]:
    found: dict[int, float] = {}
    for (batch, _), share in node.items():
        if batch is not None and batch in numbers:
            found[numbers[batch]] = found.get(numbers[batch], 0.0) + share
    return list(found.items())


def _weights(
    ancestry: Ancestry, errors: LotErrors, shares: Sequence[list[tuple[int, float]]], count: int
) -> Uncertain:
    """How the credits change with the weight each mixture gave to what was added.

    With w = x / (y + x), of x litres of pure alcohol added to y: dw = (y dx - x dy) / (x + y)^2, and a credit
    changes by the worth of the new node times the difference of shares between what was added and the old.
    """
    worth = values_of_nodes(ancestry)
    added: list[tuple[int, int, float]] = []
    held: list[tuple[int, int, float]] = []
    for mix in ancestry.mixes:
        if worth[mix.new] == 0.0 or not mix.moves:
            continue
        change = dict(shares[mix.added])
        for batch, share in shares[mix.old]:
            change[batch] = change.get(batch, 0.0) - share
        total = (mix.held_lpa + mix.added_lpa) ** 2
        for batch, difference in change.items():
            factor = worth[mix.new] * difference / total
            added += [(batch, move, factor * mix.held_lpa) for move in mix.moves]
            added += [(batch, move, -factor * mix.added_lpa) for move in mix.held_moves]
            if mix.held_by is not None:
                held.append((batch, mix.held_by, -factor * mix.added_lpa))
    return _linear(added, count, errors.move_lpa) + _linear(held, count, errors.before)


def _linear(terms: Sequence[tuple[int, int, float]], count: int, column: Uncertain) -> Uncertain:
    """Sums of factor x row of a column: terms are (row of the result, row of the column, factor)."""
    parts = [tuple(np.array(values) for values in zip(*terms, strict=True))] if terms else []
    factors = Uncertain.from_parts(
        np.zeros(count), [(part[0], part[1], part[2]) for part in parts], column.size
    )
    return Uncertain(np.zeros(count), (factors.jacobian @ column.jacobian).tocsr())
