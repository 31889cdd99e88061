"""Lots and moves: what every vessel held after every event of the season.

The unit of account is the lot: liquid in one vessel. An event (an entry) fills a lot, draws from it,
or measures it again; each becomes one move with the alcohol it carried. Mass and pure alcohol add,
volumes do not: a lot's content is its mass and its litres of pure alcohol, and its volume and
strength at 20 degC follow from these two.

A draw carries what was measured of it; the lot gives the same share of its own content. Where the
two disagree, the difference is written down as the move's `adjustment_lpa`, never smoothed away.
A lot that is drawn beyond what it held ends at nothing, not below it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import polars as pl

from pipeline.account.content import WATER_KG_PER_L, volume_from_content
from pipeline.account.lot_tables import LOT_SCHEMA, WALKED_SCHEMA, moves_of
from pipeline.science import mass_kg_from_volume_l

_NAN = math.nan

# Below this a lot is empty: a millilitre of anything.
_EMPTY_KG = 1e-3

_CASK_DRAWS = frozenset({"cask draw", "cask bottle", "cask empty"})


@dataclass(slots=True)
class _Lot:
    """One vessel's content as the walk goes by; mass and alcohol are NaN once they are not known."""

    name: str
    kind: str | None
    batch: str | None
    opened_at: Any
    last_at: Any
    mass_kg: float = 0.0
    lpa: float = 0.0
    # Wash holds extract as well, so its volume does not follow from mass and alcohol: it is kept.
    wash_volume_l: float | None = None
    filled_lpa: float = 0.0
    drawn_lpa: float = 0.0
    adjustment_lpa: float = 0.0
    # Sum of squares of every volume poured in or out: what the volumes' errors add up to.
    turnover_l2: float = 0.0

    @property
    def volume_l(self) -> float:
        if self.wash_volume_l is not None:
            return self.wash_volume_l
        return volume_from_content(self.mass_kg, self.lpa)

    @property
    def abv_pct_vol(self) -> float:
        volume = self.volume_l
        return 100.0 * self.lpa / volume if volume > 0 else _NAN

    def scale(self, kept_frac: float) -> None:
        self.mass_kg *= kept_frac
        self.lpa *= kept_frac
        if self.wash_volume_l is not None:
            self.wash_volume_l *= kept_frac
        if self.mass_kg < _EMPTY_KG:
            self.empty()

    def empty(self) -> None:
        self.mass_kg = self.lpa = 0.0
        if self.wash_volume_l is not None:
            self.wash_volume_l = 0.0

    def add(self, volume_l: float, mass_kg: float, lpa: float) -> None:
        self.turnover_l2 += volume_l**2
        if self.wash_volume_l is not None:
            self.wash_volume_l = _NAN if self.mass_kg > 0 else None
        self.mass_kg += mass_kg
        self.lpa += lpa


@dataclass(slots=True)
class _Amount:
    """What one event moved: volume at 20 degC, mass, alcohol, strength; NaN where not known."""

    volume_l: float = _NAN
    mass_kg: float = _NAN
    abv_pct_vol: float = _NAN
    lpa: float = _NAN


@dataclass(slots=True)
class _Move:
    """The outcome of one entry: the amount moved and what it did to the lots named."""

    amount: _Amount
    from_lot: _Lot | None = None
    to_lot: _Lot | None = None
    from_name: str | None = None
    adjustment_lpa: float = 0.0
    overdrawn_l: float = 0.0
    # Mass and alcohol of the lots named, before the move.
    from_before: tuple[float, float] = (_NAN, _NAN)
    to_before: tuple[float, float] = (_NAN, _NAN)


@dataclass(slots=True)
class _Walk:
    """All lots so far, by the key of their name."""

    lots: dict[str, _Lot] = field(default_factory=dict)

    def find(self, name: str | None) -> _Lot | None:
        """The lot of that name; a cask may be named with or without the word cask."""
        if name is None:
            return None
        key = lot_key(name)
        return self.lots.get(key) or self.lots.get(f"cask {key}")

    def find_or_open(self, name: str, entry: dict[str, Any]) -> _Lot:
        found = self.find(name)
        if found is not None:
            return found
        lot = _Lot(name, _lot_kind(entry), entry["batch"], entry["happened_at"], entry["happened_at"])
        self.lots[lot_key(name)] = lot
        return lot


@lru_cache(maxsize=1 << 16)
def lot_key(name: str) -> str:
    """The name by which two spellings of one lot are the same: lower case, single spaces.

    >>> lot_key("  Feints   A ")
    'feints a'
    """
    return " ".join(name.lower().split())


def walk_entries(entries: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Walk the entries of `account.entry` in time order; the moves and the lots they leave.

    entries : one row an event, in the order of the table; volumes [L at 20 degC], strengths [%vol at 20 degC]
    returns : `MOVE_SCHEMA` (one row an entry, same order) and `LOT_SCHEMA` (one row a lot, by name)
    """
    walked, lots = walk_lots(entries)
    return moves_of(entries, walked), lots.sort("lot")


def walk_lots(entries: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The walk itself.

    entries : `WALKED_COLUMNS` of account.entry, in its order; all that hangs together by its lots
    returns : `WALKED_SCHEMA` (one row an entry, same order) and `LOT_SCHEMA` (one row a lot)
    """
    walk = _Walk()
    prepared = _with_density(entries)
    walked = [_move_row(_apply(walk, entry)) for entry in prepared.iter_rows(named=True)]
    return (
        pl.DataFrame(walked, schema=WALKED_SCHEMA, orient="row"),
        pl.DataFrame(list(_lot_rows(walk.lots.values())), schema=LOT_SCHEMA, orient="row"),
    )


def _with_density(entries: pl.DataFrame) -> pl.DataFrame:
    """The entries with the weight of a litre at their own strength, for all of them at once."""
    strengths = entries["abv_20c_pct_vol"].cast(pl.Float64).fill_null(_NAN).to_numpy()
    kg_per_l = mass_kg_from_volume_l(np.ones_like(strengths), strengths)
    return entries.with_columns(pl.Series("kg_per_l", kg_per_l, dtype=pl.Float64))


def _apply(walk: _Walk, entry: dict[str, Any]) -> _Move:
    """Do what an entry says, and note what its lots held before."""
    source, target = walk.find(entry["from_lot"]), walk.find(entry["to_lot"])
    from_before = (source.mass_kg, source.lpa) if source is not None else (0.0, 0.0)
    to_before = (target.mass_kg, target.lpa) if target is not None else (0.0, 0.0)
    move = _do(walk, entry)
    move.from_before, move.to_before = from_before, to_before
    return move


def _do(walk: _Walk, entry: dict[str, Any]) -> _Move:
    kind = entry["kind"]
    if kind == "ferment":
        move = _ferment(walk, entry)
    elif kind == "collect":
        move = _fill(walk, entry, from_lot=None)
    elif kind in ("cask fill", "cask top up"):
        move = _transfer(walk, entry)
    elif kind == "dilute":
        move = _dilute(walk, entry)
    elif kind in ("gauge", "cask gauge"):
        move = _gauge(walk, entry)
    else:
        move = _draw(walk, entry)
    for lot in (move.from_lot, move.to_lot):
        if lot is not None:
            lot.last_at = entry["happened_at"]
            lot.adjustment_lpa += (
                move.adjustment_lpa if lot is move.from_lot or move.from_lot is None else 0.0
            )
    return move


def _ferment(walk: _Walk, entry: dict[str, Any]) -> _Move:
    lot = walk.find_or_open(entry["to_lot"], entry)
    amount = _Amount(
        _number(entry["volume_20c_l"]), _number(entry["mass_kg"]), _number(entry["abv_20c_pct_vol"])
    )
    amount.lpa = amount.volume_l * amount.abv_pct_vol / 100.0
    lot.mass_kg, lot.lpa, lot.wash_volume_l = amount.mass_kg, amount.lpa, amount.volume_l
    lot.turnover_l2 += amount.volume_l**2
    lot.filled_lpa += amount.lpa
    return _Move(amount, to_lot=lot)


def _fill(walk: _Walk, entry: dict[str, Any], from_lot: _Lot | None) -> _Move:
    amount = _measured(entry, from_lot)
    lot = walk.find_or_open(entry["to_lot"], entry)
    lot.add(amount.volume_l, amount.mass_kg, amount.lpa)
    lot.filled_lpa += amount.lpa
    return _Move(amount, from_lot=from_lot, to_lot=lot)


def _transfer(walk: _Walk, entry: dict[str, Any]) -> _Move:
    source = walk.find(entry["from_lot"])
    move = _fill(walk, entry, source)
    move.from_name = entry["from_lot"]
    if source is not None:
        _take(source, move)
    return move


def _draw(walk: _Walk, entry: dict[str, Any]) -> _Move:
    source = walk.find(entry["from_lot"])
    if source is not None and entry["volume_20c_l"] is None and entry["mass_kg"] is None:
        return _draw_everything(source, entry)
    move = _Move(_measured(entry, source), from_lot=source, from_name=entry["from_lot"])
    if source is not None:
        _take(source, move)
    return move


def _draw_everything(source: _Lot, entry: dict[str, Any]) -> _Move:
    """A discard or an emptying without an amount takes all the lot holds.

    What is left in a cask when it is emptied was not drawn but lost, and is booked as such.
    """
    is_unknown = entry["strength_basis"] == "not measured"
    if entry["kind"] == "cask empty" and not is_unknown:
        lost_lpa = source.lpa
        source.empty()
        return _Move(
            _Amount(0.0, 0.0, _NAN, 0.0), source, from_name=entry["from_lot"], adjustment_lpa=-lost_lpa
        )
    if is_unknown or entry["kind"] in ("charge", *_CASK_DRAWS):
        # How much went is not known, so neither is what stayed.
        amount = _Amount(abv_pct_vol=source.abv_pct_vol)
        source.mass_kg = source.lpa = source.drawn_lpa = _NAN
        return _Move(amount, source, from_name=entry["from_lot"])
    amount = _Amount(source.volume_l, source.mass_kg, source.abv_pct_vol, source.lpa)
    source.drawn_lpa += source.lpa
    source.empty()
    return _Move(amount, source, from_name=entry["from_lot"])


def _take(source: _Lot, move: _Move) -> None:
    """Draw `move.amount` from `source`: the share of its volume (or mass) that went."""
    held_l, held_kg, held_lpa = source.volume_l, source.mass_kg, source.lpa
    amount = move.amount
    source.turnover_l2 += amount.volume_l**2
    if math.isnan(held_l):
        # The lot's content is not known: neither is what stays, nor whether it was too much.
        source.drawn_lpa += amount.lpa
        source.mass_kg = source.lpa = move.adjustment_lpa = move.overdrawn_l = _NAN
        return
    drawn_frac = amount.volume_l / held_l if held_l > 0 else math.inf
    if math.isnan(drawn_frac) and held_kg > 0:
        drawn_frac = amount.mass_kg / held_kg
    if drawn_frac > 1.0:
        move.overdrawn_l = amount.volume_l - (held_l if held_l > 0 else 0.0)
        drawn_frac = 1.0
    move.adjustment_lpa = amount.lpa - held_lpa * drawn_frac
    source.drawn_lpa += amount.lpa
    source.scale(1.0 - drawn_frac)


def _dilute(walk: _Walk, entry: dict[str, Any]) -> _Move:
    """Water into a lot; with a new lot named, the whole of the old one goes along."""
    volume_l, mass_kg = _number(entry["volume_20c_l"]), _number(entry["mass_kg"])
    if math.isnan(mass_kg):
        mass_kg = volume_l * WATER_KG_PER_L
    water = _Amount(mass_kg / WATER_KG_PER_L, mass_kg, 0.0, 0.0)
    source = walk.find(entry["from_lot"])
    if source is None:
        return _Move(water, from_name=entry["from_lot"])
    target_name = entry["to_lot"]
    if target_name is None or lot_key(target_name) == lot_key(source.name):
        source.add(water.volume_l, water.mass_kg, 0.0)
        return _Move(water, from_lot=source, to_lot=source)
    target = walk.find_or_open(target_name, {**entry, "cut": source.kind, "batch": source.batch})
    target.add(source.volume_l, source.mass_kg + water.mass_kg, source.lpa)
    target.filled_lpa += source.lpa
    source.drawn_lpa += source.lpa
    moved = _Amount(water.volume_l, water.mass_kg, 0.0, source.lpa)
    source.empty()
    return _Move(moved, from_lot=source, to_lot=target)


def _gauge(walk: _Walk, entry: dict[str, Any]) -> _Move:
    """A lot measured again: from here on it holds what was measured, and the difference is written down."""
    lot = walk.find(entry["from_lot"])
    amount = _measured(entry, lot)
    if lot is None:
        return _Move(amount, from_name=entry["from_lot"])
    if math.isnan(amount.mass_kg):
        # Only a strength was read, or only a volume: the other one is the lot's own.
        return _Move(amount, from_lot=lot)
    before_lpa = lot.lpa
    lot.mass_kg, lot.lpa, lot.wash_volume_l = amount.mass_kg, amount.lpa, None
    lot.turnover_l2 = amount.volume_l**2
    return _Move(amount, from_lot=lot, adjustment_lpa=amount.lpa - before_lpa)


def _measured(entry: dict[str, Any], source: _Lot | None) -> _Amount:
    """The amount an entry names: its own strength, or the strength its source lot had at that moment."""
    abv, kg_per_l = _number(entry["abv_20c_pct_vol"]), _number(entry["kg_per_l"])
    if source is not None and (math.isnan(abv) or source.wash_volume_l is not None):
        held_l = source.volume_l
        # A wash holds extract too: what is drawn of it weighs what the lot weighs, whatever its strength.
        kg_per_l = source.mass_kg / held_l if held_l > 0 else _NAN
        if math.isnan(abv):
            abv = source.abv_pct_vol
    volume_l, mass_kg = _number(entry["volume_20c_l"]), _number(entry["mass_kg"])
    if math.isnan(volume_l):
        volume_l = mass_kg / kg_per_l
    elif math.isnan(mass_kg):
        mass_kg = volume_l * kg_per_l
    return _Amount(volume_l, mass_kg, abv, volume_l * abv / 100.0)


def _lot_kind(entry: dict[str, Any]) -> str | None:
    if entry["kind"].startswith("cask"):
        return "cask"
    cut: str | None = entry["cut"]
    return cut


def _number(value: float | None) -> float:
    return _NAN if value is None else float(value)


def _or_null(value: float) -> float | None:
    return None if math.isnan(value) else value


def _move_row(move: _Move) -> tuple[Any, ...]:
    amount, source, target = move.amount, move.from_lot, move.to_lot
    return (
        source.name if source is not None else move.from_name,
        target.name if target is not None else None,
        _or_null(amount.volume_l),
        _or_null(amount.mass_kg),
        _or_null(amount.abv_pct_vol),
        _or_null(amount.lpa),
        _or_null(move.adjustment_lpa),
        _or_null(move.overdrawn_l),
        _or_null(math.sqrt(source.turnover_l2)) if source is not None else None,
        *((_or_null(held) for held in move.from_before) if source is not None else (None, None)),
        *((_or_null(held) for held in move.to_before) if target is not None else (None, None)),
        _or_null(source.volume_l) if source is not None else None,
        _or_null(source.lpa) if source is not None else None,
        _or_null(target.volume_l) if target is not None else None,
        _or_null(target.lpa) if target is not None else None,
    )


def _lot_rows(lots: Iterable[_Lot]) -> Iterator[tuple[Any, ...]]:
    for lot in lots:
        yield (
            lot.name,
            lot.kind,
            lot.batch,
            lot.opened_at,
            lot.last_at,
            _or_null(lot.filled_lpa),
            _or_null(lot.drawn_lpa),
            _or_null(lot.adjustment_lpa),
            _or_null(lot.volume_l),
            _or_null(lot.mass_kg),
            _or_null(lot.abv_pct_vol),
            _or_null(lot.lpa),
        )
