"""The whole account as columns that know their readings: the base that every figure's uncertainty stands on.

Reads the tables of schema account, whose values it takes over, and adds the derivatives by the primary
readings: of each row measured, each wash, each jar, each move, each lot at the end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from scipy import sparse

from pipeline import science
from pipeline.account.ancestry import Ancestry, credits, values_of_nodes, walk_ancestry
from pipeline.account.content import WATER_KG_PER_L
from pipeline.account.lot_errors import LotErrors, OwnAmounts, walk_errors
from pipeline.account.readings import Measured, Readings, find_readings, measure
from pipeline.account.uncertain import Floats, Ints, Uncertain, apply, choose
from pipeline.account.wash import Materials, Wash, materials_of, wash_of

# Shares of a mixture, and changes of a credit as a share of it, that no uncertainty would show.
_UNSEEN_SHARE = 1e-6
_UNSEEN_CREDIT_FRAC = 1e-5


@dataclass(frozen=True)
class Tables:
    """What the account's SQL made, in the order of its keys."""

    rows: pl.DataFrame
    moves: pl.DataFrame
    jars: pl.DataFrame
    wash: pl.DataFrame
    fermentables: pl.DataFrame
    batches: pl.DataFrame
    runs: pl.DataFrame
    settings: pl.DataFrame

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
    ancestry = walk_ancestry(tables.moves)
    unread = _unread_frame(ancestry, tables.moves, setting["uncertainty.unread_frac"])
    readings = find_readings(tables.rows, tables.wash["batch"].to_list(), setting, unread)
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
    own = _own_amounts(tables, measured, jars, wash, readings)
    wanted = (mix.held_by for mix in ancestry.mixes if mix.held_by is not None)
    errors = walk_errors(tables.moves, own, readings.u, wanted, ancestry.unread, ancestry.emptied)
    net = _net_spirit(ancestry, errors, batch_numbers)
    return Book(tables, readings, measured, materials, wash, jars, own, errors, ancestry, net)


def row_numbers(rows: pl.DataFrame, wanted: pl.DataFrame) -> Ints:
    """The numbers of the rows of account.logged_row that rows of another table come from (file_id, line)."""
    places = rows.select("file_id", "line").with_row_index("number")
    found = wanted.select("file_id", "line").join(
        places, on=["file_id", "line"], how="left", maintain_order="left"
    )
    return found["number"].cast(pl.Int64).fill_null(-1).to_numpy()


def numbers_of(keys: pl.Series, number_of: Mapping[str, int] | Mapping[str | None, int]) -> Ints:
    """The number of each key; -1 for one that has none."""
    return np.array([number_of.get(key, -1) for key in keys], dtype=np.int64)


def sorted_jars(jars: pl.DataFrame) -> pl.DataFrame:
    """account.jar by batch, run and jar number."""
    return jars.sort("batch", "run", "jar_no")


def _jars(tables: Tables, measured: Measured) -> Jars:
    frame = sorted_jars(tables.jars)
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


def _unread_frame(ancestry: Ancestry, moves: pl.DataFrame, u_frac: float) -> pl.DataFrame:
    """The jars that were not measured, as readings of what they are taken for.

    u_frac : standard uncertainty as a share of what was guessed
    """
    numbers, unread = list(ancestry.unread), ancestry.unread.values()
    return moves[numbers].select(
        "file_id",
        "line",
        "batch",
        pl.Series("move", numbers, dtype=pl.Int64),
        pl.Series("reading", [each.lpa for each in unread], dtype=pl.Float64),
        pl.Series("reading_u", [u_frac * each.guessed for each in unread], dtype=pl.Float64),
    )


def _own_amounts(
    tables: Tables, measured: Measured, jars: Jars, wash: Wash, readings: Readings
) -> OwnAmounts:
    """What each move's own readings say of it; NaN where it leans on its lot.

    Of a jar that was not measured the alcohol is NaN, too, but not its derivative: what it is taken for
    counts in the shares and credits of other batches.
    """
    moves = tables.moves
    rows = row_numbers(tables.rows, moves)
    kind = moves["kind"]
    jar_numbers = {key: number for number, key in enumerate(jars.frame.select("file_id", "line").iter_rows())}
    jar_of = np.array(
        [
            jar_numbers.get((file_id, line), -1) if name == "collect" else -1
            for name, file_id, line in moves.select("kind", "file_id", "line").iter_rows()
        ],
        dtype=np.int64,
    )
    is_ferment = (kind == "ferment").to_numpy()
    wash_numbers = {name: number for number, name in enumerate(tables.wash["batch"])}
    wash_of_move = np.where(is_ferment, numbers_of(moves["batch"], wash_numbers), -1)
    is_water = ((kind == "dilute") | ((kind == "charge") & (moves["cut"] == "water"))).to_numpy()
    nothing = Uncertain.exact(np.zeros(moves.height), measured.mass_kg.readings)
    abv = choose(jar_of >= 0, jars.abv_pct_vol.take(jar_of), measured.abv_pct_vol.take(rows))
    abv = choose(is_water, nothing, abv)
    volume, mass = measured.volume_l.take(rows), measured.mass_kg.take(rows)
    kg_per_l = apply(lambda strength: science.mass_kg_from_volume_l(np.ones_like(strength), strength), abv)
    kg_per_l = choose(is_water, nothing + WATER_KG_PER_L, kg_per_l)
    volume_l, mass_kg = volume.otherwise(mass / kg_per_l), mass.otherwise(volume * kg_per_l)
    lpa = choose(is_ferment, wash.wash_lpa.take(wash_of_move), volume_l * abv / 100.0)
    taken_for = (list(readings.unread), list(readings.unread.values()), np.ones(len(readings.unread)))
    lpa = lpa + Uncertain.from_parts(np.zeros(lpa.size), [taken_for], lpa.readings)
    abv = choose(is_ferment, wash.wash_abv_pct_vol.take(wash_of_move), abv)
    # A volume that only a lot's density can give from a weighing is not the move's own.
    return OwnAmounts(volume_l, mass_kg, lpa, abv)


def _net_spirit(ancestry: Ancestry, errors: LotErrors, batch_numbers: Mapping[str, int]) -> Uncertain:
    """Credit of each batch: by the shares, by what was moved, and by the weights the mixtures had."""
    credited = credits(ancestry)
    values = np.array([credited.get(batch, 0.0) for batch in batch_numbers], dtype=float)
    shares = _shares_of_nodes(ancestry, batch_numbers)
    hearts = np.array([(number, node) for number, node, _ in ancestry.hearts], dtype=np.int64).reshape(-1, 2)
    of_hearts = shares[hearts[:, 1]].T @ errors.move_lpa.jacobian[hearts[:, 0]]
    nothing = (np.empty(0, dtype=np.int64), np.empty(0))
    held = [errors.taken_for.get(key) or errors.lots.get(key, nothing) for key in ancestry.stock]
    stock = Uncertain.from_parts(
        np.zeros(len(held)),
        [(np.full(ids.size, number), ids, slopes) for number, (ids, slopes) in enumerate(held)],
        errors.move_lpa.readings,
    )
    of_stock = shares[list(ancestry.stock.values())].T @ stock.jacobian
    of_weights = _weights(ancestry, errors, shares, values)
    return Uncertain(values, (of_hearts + of_stock + of_weights).tocsr())


def _shares_of_nodes(ancestry: Ancestry, batch_numbers: Mapping[str, int]) -> Any:
    """Shares as a sparse matrix, nodes x batches, without those too small to move an uncertainty."""
    entries = [
        (node, batch_numbers[batch], share)
        for node, shares in enumerate(ancestry.nodes)
        for (batch, _), share in shares.items()
        if batch is not None and share > _UNSEEN_SHARE and batch in batch_numbers
    ]
    rows, columns, values = zip(*entries, strict=True) if entries else ((), (), ())
    return sparse.csr_matrix(
        (np.array(values, dtype=float), (np.array(rows, dtype=int), np.array(columns, dtype=int))),
        shape=(len(ancestry.nodes), len(batch_numbers)),
    )


def _weights(ancestry: Ancestry, errors: LotErrors, shares: Any, credited: Floats) -> Any:
    """How the credits change with the weight each mixture gave to what was added: batches x readings.

    With w = x / (y + x), of x litres of pure alcohol added to y: dw = (y dx - x dy) / (x + y)^2, and a credit
    changes by the worth of the new node times the difference of shares between what was added and the old.
    """
    worth = values_of_nodes(ancestry)
    mixes = [mix for mix in ancestry.mixes if worth[mix.new] != 0.0 and mix.moves]
    count = len(mixes)
    added_lpa, held_lpa = (
        np.array([getattr(mix, name) for mix in mixes], dtype=float) for name in ("added_lpa", "held_lpa")
    )
    factor = np.array([worth[mix.new] for mix in mixes], dtype=float) / (added_lpa + held_lpa) ** 2
    old, added = (np.array([getattr(mix, name) for mix in mixes], dtype=int) for name in ("old", "added"))
    # Of each batch's credit by each weight: what cannot be seen beside the credit itself is left out.
    change = (sparse.diags_array(factor) @ (shares[added] - shares[old])).tocoo()
    size = np.abs(change.data) * (added_lpa * held_lpa)[change.row]
    seen = size > _UNSEEN_CREDIT_FRAC * np.abs(credited[change.col])
    change = sparse.csr_matrix(
        (change.data[seen], (change.col[seen], change.row[seen])), shape=(credited.size, count)
    )
    lengths = [len(mix.moves) for mix in mixes], [len(mix.held_moves) for mix in mixes]
    numbers = np.arange(count)
    moves = [move for mix in mixes for move in mix.moves]
    moves += [move for mix in mixes for move in mix.held_moves]
    of_moves = sparse.csr_matrix(
        (
            np.r_[np.repeat(held_lpa, lengths[0]), -np.repeat(added_lpa, lengths[1])],
            (
                np.r_[np.repeat(numbers, lengths[0]), np.repeat(numbers, lengths[1])],
                np.array(moves, dtype=int),
            ),
        ),
        shape=(count, errors.move_lpa.size),
    )
    of_held = sparse.csr_matrix(
        (
            [-mix.added_lpa for mix in mixes if mix.held_by is not None],
            (
                [number for number, mix in enumerate(mixes) if mix.held_by is not None],
                [mix.held_by for mix in mixes if mix.held_by is not None],
            ),
        ),
        shape=(count, errors.before.size),
    )
    return (change @ of_moves) @ errors.move_lpa.jacobian + (change @ of_held) @ errors.before.jacobian
