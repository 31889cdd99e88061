"""From the account's moves to the network of balances: every quantity, what was read of it, and what must
close.

Balances stand around every run (charged = collected + left in the still), and around every lot from fill to
fill, draw, gauge and end. A lot's content between draws is unmeasured; what is drawn has its lot's
strength. Casks lose what nobody measures, so a fill is balanced on the side of the lot it came from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from pipeline.account.lots import lot_key
from pipeline.reconcile.network import LPA, MASS, VOLUME, WATER
from pipeline.reconcile.quantities import MIX, Book, Builder, Place
from pipeline.reconcile.readings import Amounts

# Up to this share of what was filled a lot that is drawn no more counts as emptied: wash and low wines are
# run off to the last. Of hearts some may wait on the shelf, and nobody writes how much.
_EMPTIED_FRAC: Mapping[str, float] = {"wash": 0.15, "low wines": 0.2}

# How wide the guess of something unmeasured is, and guesses.
_WIDE = 5.0
_GUESS_L, _GUESS_PCT_VOL, _WIDE_PCT_VOL = 20.0, 40.0, 200.0
# How wide the guess is that a lot of unknown content holds as much as goes through it.
_WIDE_CONTENT = 20.0
# A strength taken between two neighbours [%vol].
_BETWEEN_U_PCT_VOL = 1.0


@dataclass(slots=True)
class _Lot:
    """A lot as the walk goes by.

    held        : numbers of the mass and the alcohol before its last draw from a mixture
    flows       : what went in or out since, as (volume, strength, sign)
    composition : number of the strength it is known by, while nothing is added
    made_by     : number of the move that made a wash
    is_handed_on: moves of which nothing is known here have changed its content
    """

    name: str
    kind: str | None = None
    batch: str | None = None
    is_wash: bool = False
    held: list[tuple[int, int]] = field(default_factory=list)
    flows: list[tuple[int, int, float]] = field(default_factory=list)
    composition: int | None = None
    mass_kg: float = 0.0
    lpa: float = 0.0
    filled_kg: float = 0.0
    fillers: set[str | None] = field(default_factory=set)
    draws: int = 0
    made_by: int = -1
    is_handed_on: bool = False

    @property
    def is_known(self) -> bool:
        return bool(self.held or self.flows)

    def clear(self) -> None:
        self.held, self.flows, self.composition = [], [], None
        self.mass_kg = self.lpa = self.filled_kg = 0.0
        self.draws = 0


class _Walk:
    """Goes over the moves in time and writes the balances down."""

    def __init__(self, moves: pl.DataFrame, amounts: Amounts) -> None:
        self.builder = Builder()
        self.amounts = amounts
        self.columns = {name: moves[name].to_list() for name in _MOVE_COLUMNS}
        flags = {"from": "from_lot_is_handed_on", "to": "to_lot_is_handed_on"}
        self.handed_on = {
            side: moves[name].to_list() for side, name in flags.items() if name in moves.columns
        }
        self.turnover_l = self.turnovers() if any(map(any, self.handed_on.values())) else {}
        self.lots: dict[str, _Lot] = {}
        self.runs: dict[tuple[str, str], list[tuple[int, int, float]]] = {}
        self.run_begins: dict[tuple[str, str], int] = {}
        self.figures: dict[tuple[str, str], list[tuple[int, int]]] = {}
        self.stripping: set[tuple[str, str]] = set()
        self.number = -1

    def walk(self) -> Book:
        for number, kind in enumerate(self.columns["kind"]):
            self.number = number
            self.take_over()
            if kind == "ferment":
                self.ferment()
            elif kind == "dilute":
                self.dilute()
            elif kind == "gauge":
                self.gauge()
            elif kind in ("charge", "collect", "discard", "cask fill", "cask top up"):
                self.move(kind)
        for (batch, run), flows in self.runs.items():
            self.run(batch, run, flows)
        for lot in self.lots.values():
            self.close(lot)
        self.add_figures()
        return self.builder.finish()

    def now(self, name: str) -> Any:
        return self.columns[name][self.number]

    def lot(self, name: str | None) -> _Lot | None:
        if name is None or lot_key(name).startswith("cask "):
            return None
        return self.lots.setdefault(lot_key(name), _Lot(name))

    def take_over(self) -> None:
        """Take over a lot that other parts of the season have changed: it holds what nobody knows."""
        for side, is_handed_on in self.handed_on.items():
            lot = self.lot(self.now(f"{side}_lot")) if is_handed_on[self.number] else None
            if lot is None or lot.is_wash:
                continue
            lot.clear()
            lot.is_handed_on = True
            guess = max(self.turnover_l[lot_key(lot.name)], _GUESS_L)
            mass, lpa = (
                self.builder.quantity("held", each, _WIDE_CONTENT * each, move=self.number, free=True)
                for each in (guess, guess * _GUESS_PCT_VOL / 100.0)
            )
            lot.held, lot.mass_kg, lot.lpa = [(mass, lpa)], self.builder.y[mass], self.builder.y[lpa]
            lot.filled_kg = lot.mass_kg

    def turnovers(self) -> dict[str, float]:
        """How much was drawn from and filled into each lot, together [L]."""
        found: dict[str, float] = {}
        for side in ("from_lot", "to_lot"):
            for lot, volume_l in zip(self.columns[side], self.columns["volume_l"], strict=True):
                if lot is not None:
                    found[lot_key(lot)] = found.get(lot_key(lot), 0.0) + (volume_l or 0.0)
        return found

    def ferment(self) -> None:
        lot = self.lot(self.now("to_lot"))
        if lot is None:
            return
        lot.is_wash, lot.kind, lot.batch, lot.made_by = True, "wash", self.now("batch"), self.number
        wash = self.amounts.wash.get(self.now("batch"))
        volume_l, abv = self.now("volume_l"), self.now("abv_pct_vol")
        has_volume, has_abv = volume_l is not None and wash is not None, abv is not None and wash is not None
        volume = self.builder.quantity(
            "wash volume",
            volume_l if has_volume else 10.0 * _GUESS_L,
            volume_l * wash.volume_u_frac if has_volume and wash is not None else 1e3,
            move=self.number,
            free=not has_volume,
        )
        strength = self.builder.quantity(
            "wash strength",
            abv if has_abv else 8.0,
            wash.abv_u_pct_vol if has_abv and wash is not None else 50.0,
            move=self.number,
            free=not has_abv,
        )
        lot.flows, lot.composition = [(volume, strength, 1.0)], strength
        if has_volume and has_abv:
            self.figures[lot.batch or "", "wash"] = [(volume, strength)]
        lot.filled_kg = lot.mass_kg = self.builder.y[volume] if has_volume else np.nan

    def move(self, kind: str) -> None:
        source, target = self.lot(self.now("from_lot")), self.lot(self.now("to_lot"))
        row = self.amounts.row_of_move[self.number]
        is_all = kind == "discard" and not self.amounts.has_amount[row]
        if is_all:
            if source is not None and not source.is_wash:
                source.clear()
            return
        volume, strength = self.flow(row, source, is_water=self.now("cut") == "water" and kind == "charge")
        if source is not None:
            self.draw(source, volume, strength)
        if target is not None:
            self.fill(target, volume, strength)
        if kind in ("charge", "collect") and self.now("run") is not None:
            sign = 1.0 if kind == "charge" else -1.0
            flows = self.runs.setdefault((self.now("batch"), self.now("run")), [])
            flows.append((volume, strength, sign))
            self.run_begins.setdefault((self.now("batch"), self.now("run")), self.number)
            if kind == "collect" and self.now("cut") in FIGURES:
                self.figures.setdefault((self.now("batch"), self.now("cut")), []).append((volume, strength))
            elif kind == "charge" and self.now("cut") == "wash":
                self.stripping.add((self.now("batch"), self.now("run")))

    def flow(self, row: int, source: _Lot | None, *, is_water: bool) -> tuple[int, int]:
        """Volume and strength of a move; a strength not read is its lot's, if that is known."""
        amounts, builder = self.amounts, self.builder
        volume_l = amounts.volume_l[row]
        strength = WATER
        if not is_water:
            abv = amounts.abv_pct_vol[row]
            if not np.isnan(abv):
                strength = builder.quantity("strength", abv, amounts.abv_u[row], row=row, move=self.number)
            elif source is not None and source.composition is not None:
                strength = source.composition
            elif self.now("strength_basis") == "between neighbours":
                between = self.now("abv_pct_vol")
                strength = builder.quantity("between", between, _BETWEEN_U_PCT_VOL, row=row, move=self.number)
            else:
                guess = self.now("abv_pct_vol") or _GUESS_PCT_VOL
                strength = builder.quantity(
                    "strength", guess, _WIDE_PCT_VOL, row=row, move=self.number, free=True
                )
        if np.isnan(volume_l):
            guess = self.now("volume_l") or _GUESS_L
            volume = builder.quantity("volume", guess, _WIDE * guess, row=row, move=self.number, free=True)
        else:
            what = "mass" if amounts.is_weighed[row] else "volume"
            volume = builder.quantity(what, volume_l, amounts.volume_u[row], row=row, move=self.number)
        return volume, strength

    def fill(self, lot: _Lot, volume: int, strength: int) -> None:
        mass, lpa = self.builder.content(volume, strength)
        lot.composition = strength if not lot.is_known and strength != WATER else None
        lot.kind = lot.kind or self.now("cut")
        lot.batch = lot.batch or self.now("batch")
        lot.fillers.add(self.now("batch"))
        lot.flows.append((volume, strength, 1.0))
        lot.mass_kg += mass
        lot.lpa += lpa
        lot.filled_kg += mass

    def draw(self, lot: _Lot, volume: int, strength: int) -> None:
        if not lot.is_known or strength == WATER:
            return
        mass, lpa = self.builder.content(volume, strength)
        place = Place(lot.batch, None, lot.name)
        if lot.composition is None:
            self.hold(lot, place, strength)
            lot.composition = strength
        elif strength != lot.composition:
            self.builder.equal(place, strength, lot.composition)
        lot.flows.append((volume, strength, -1.0))
        lot.mass_kg -= self.builder.y[volume] if lot.is_wash else mass
        lot.lpa -= lpa
        lot.draws += 1

    def hold(self, lot: _Lot, place: Place, strength: int) -> None:
        """Give the lot's content at this moment two numbers, and hold the strength drawn to them."""
        builder = self.builder
        mass_kg, lpa = max(lot.mass_kg, 1.0), max(lot.lpa, 0.1)
        scale = max(mass_kg, lot.filled_kg, 5.0)
        mass = builder.quantity("held", mass_kg, _WIDE * scale, move=self.number, free=True)
        alcohol = builder.quantity("held", lpa, _WIDE * scale, move=self.number, free=True)
        for kind, held in ((MASS, mass), (LPA, alcohol)):
            row = builder.sum_of(kind, place, lot.flows)
            builder.plain_terms += [(row, pair[kind == LPA], 1.0) for pair in lot.held]
            builder.plain_terms.append((row, held, -1.0))
        builder.mix_terms.append((builder.balance(MIX, place), strength, mass, alcohol))
        lot.held, lot.flows = [(mass, alcohol)], []

    def dilute(self) -> None:
        lot, target = self.lot(self.now("from_lot")), self.lot(self.now("to_lot"))
        if lot is None:
            return
        volume, strength = self.flow(self.amounts.row_of_move[self.number], None, is_water=True)
        if target is not None and target is not lot:
            target.held += lot.held
            target.flows += lot.flows
            target.composition = None
            target.kind, target.batch = target.kind or lot.kind, target.batch or lot.batch
            target.fillers |= lot.fillers
            target.mass_kg, target.lpa = target.mass_kg + lot.mass_kg, target.lpa + lot.lpa
            target.filled_kg += lot.mass_kg
            lot.clear()
            lot = target
        if lot.is_known:
            self.fill(lot, volume, strength)

    def gauge(self) -> None:
        lot = self.lot(self.now("from_lot"))
        if lot is None or lot.is_wash:
            return
        row = self.amounts.row_of_move[self.number]
        has_amount = bool(self.amounts.has_amount[row])
        has_strength = not np.isnan(self.amounts.abv_pct_vol[row])
        place = Place(lot.batch, None, lot.name)
        if not has_amount:
            if has_strength and lot.is_known:
                strength = self.builder.quantity(
                    "strength",
                    self.amounts.abv_pct_vol[row],
                    self.amounts.abv_u[row],
                    row=row,
                    move=self.number,
                )
                if lot.composition is None:
                    self.hold(lot, place, strength)
                    lot.composition = strength
                else:
                    self.builder.equal(place, strength, lot.composition)
            return
        volume, strength = self.flow(row, lot, is_water=False)
        if lot.is_known:
            self.check_gauge(lot, place, volume, strength)
        mass, lpa = self.builder.content(volume, strength)
        lot.held, lot.flows, lot.composition = [], [(volume, strength, 1.0)], strength
        lot.mass_kg, lot.lpa, lot.filled_kg, lot.draws = mass, lpa, mass, 0

    def check_gauge(self, lot: _Lot, place: Place, volume: int, strength: int) -> None:
        """What a gauge found is what was in the lot: its mass, and its alcohol or its known strength."""
        kinds = [MASS]
        if lot.composition is None:
            kinds.append(LPA)
        elif lot.composition != strength:
            self.builder.equal(place, strength, lot.composition)
        for kind in kinds:
            row = self.builder.sum_of(kind, place, [*lot.flows, (volume, strength, -1.0)])
            self.builder.plain_terms += [(row, pair[kind == LPA], 1.0) for pair in lot.held]

    def run(self, batch: str, run: str, flows: list[tuple[int, int, float]]) -> None:
        """Charged = collected + left in the still, in alcohol and in mass."""
        signs = {sign for _, _, sign in flows}
        if len(signs) < 2:
            return
        place, builder, begins = Place(batch, run, None), self.builder, self.run_begins[batch, run]
        left = self.amounts.left.get((batch, run))
        row = -1 if left is None else left.row
        volume_l = np.nan if left is None else left.volume_l
        open_l = sum(builder.y[volume] * sign for volume, _, sign in flows)
        guess_l = max(open_l, 1.0)
        is_read = not np.isnan(volume_l)
        volume = builder.quantity(
            "residue volume",
            float(volume_l) if is_read else guess_l,
            left.volume_u if is_read and left is not None else _WIDE * max(guess_l, _GUESS_L),
            row=row,
            move=begins,
            free=not is_read,
        )
        abv, abv_u = self.amounts.leavings[batch, run]
        strength = builder.quantity("residue strength", abv, abv_u, row=row, move=begins)
        for kind in (LPA, MASS):
            builder.sum_of(kind, place, [*flows, (volume, strength, -1.0)])

    def add_figures(self) -> None:
        for (batch, run), flows in self.runs.items():
            if (batch, run) not in self.stripping:
                charged = [each[:2] for each in flows if each[2] > 0.0 and each[1] != WATER]
                self.figures.setdefault((batch, "spirit charge"), []).extend(charged)
        for (batch, name), pairs in self.figures.items():
            if pairs:
                self.builder.figure(batch, name, pairs)

    def close(self, lot: _Lot) -> None:
        """A lot that was drawn to its end held just what was drawn."""
        if not lot.draws or len(lot.fillers) > 1 or lot.is_handed_on:
            return
        emptied = _EMPTIED_FRAC.get(lot.kind or "")
        if emptied is None or not lot.mass_kg <= emptied * lot.filled_kg:
            return
        place = Place(lot.batch, None, lot.name)
        if lot.is_wash:
            row = self.builder.sum_of(VOLUME, place, lot.flows)
            share, share_u = self.amounts.with_yeast
            rest = self.builder.quantity(
                "rest", share * lot.filled_kg, share_u * lot.filled_kg, move=lot.made_by
            )
            self.builder.plain_terms.append((row, rest, -1.0))
            return
        # Its strength being known, its alcohol closes where its mass does.
        row = self.builder.sum_of(MASS, place, lot.flows)
        self.builder.plain_terms += [(row, mass, 1.0) for mass, _ in lot.held]


FIGURES = ("wash", "low wines", "spirit charge", "hearts")
"""The figures of a batch that are told as logged and as reconciled."""

_MOVE_COLUMNS = (
    *("kind", "batch", "run", "cut", "from_lot", "to_lot", "volume_l", "abv_pct_vol", "strength_basis"),
)


def make_book(moves: pl.DataFrame, amounts: Amounts) -> Book:
    """The network of a season's moves (account.move in order of `move_id`) and the amounts read."""
    return _Walk(moves, amounts).walk()
