"""What is suspect, in words: where the balance is open, which number most likely made it so, and what else
could have.

Values are shown in the unit they were written in, so that they can be found on the sheet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.reconcile.keystroke import L_PER_IMPERIAL_GALLON, L_PER_US_GALLON, LB_PER_KG
from pipeline.reconcile.network import LPA
from pipeline.reconcile.quantities import MIX, Book, Place
from pipeline.reconcile.readings import Amounts
from pipeline.reconcile.suspects import BALANCE, Candidate, Suspicion, written_of
from pipeline.reconcile.witness import OTHER_JARS, REPEATED, RUN_CURVE

Row = Mapping[str, Any]

# Units of a written number, by how many litres (kilograms) one of it is.
_LITRES = {
    "L": 1.0,
    "mL": 0.001,
    "cL": 0.01,
    "dL": 0.1,
    "hL": 100.0,
    "US gal": L_PER_US_GALLON,
    "imp gal": L_PER_IMPERIAL_GALLON,
}
_KILOGRAMS = {"kg": 1.0, "g": 0.001, "lb": 1.0 / LB_PER_KG}
_STRENGTHS = {"pct_vol": "%vol", "proof": "proof", "pct_mass": "%mass"}

# How many other explanations a sentence names; the table has them all.
_MOST_TIED, _MOST_OTHERS = 3, 1
# What is wrong where no balance shows it.
_WITNESSED = {
    OTHER_JARS: "one jar's volume fits neither the minutes it took nor the jars beside it",
    RUN_CURVE: "one jar does not lie on the curve that the others draw",
    REPEATED: "one row was likely written twice",
}
# What explains less than this share of the imbalance explains nothing.
_NEAR_FRAC = 0.5


@dataclass(frozen=True)
class Shown:
    """A candidate as it is shown.

    what   : in words, as in "the hearts volume"
    column : of the log
    logged : as written; None where nothing was
    unit   : that `logged`, `estimate` and `u` are in
    """

    what: str
    column: str
    logged: str | None
    estimate: float
    u: float
    unit: str


SPOKEN_OF_ROWS = ("file_id", "line", "batch", "run", "strength_unit", "mass_kg", "volume_l", "item_text")
SPOKEN_OF_MOVES = ("file_id", "line", "kind", "batch", "run", "cut", "to_lot")


class Speaker:
    """Words for one season's quantities and balances.

    rows  : account.logged_row with the cells as written, one dict a row: `SPOKEN_OF_ROWS`
    moves : account.move, one dict a move: `SPOKEN_OF_MOVES`
    """

    def __init__(self, book: Book, amounts: Amounts, rows: Sequence[Row], moves: Sequence[Row]) -> None:
        self.book, self.amounts, self.rows, self.moves = book, amounts, rows, moves
        self.alike: dict[tuple[Any, ...], int] = {}
        for move in moves:
            if move["kind"] == "collect":
                key = (move["batch"], move["run"], move["cut"])
                self.alike[key] = self.alike.get(key, 0) + 1

    def sentence(self, suspicion: Suspicion) -> str:
        """The whole finding."""
        first, *others = suspicion.candidates
        basis = suspicion.basis
        tied = [each for each in others if each.is_tied]
        text = f"{self._open(suspicion)} Most likely {self._explains(first, basis)}."
        if tied:
            named = "; ".join(self._explains(each, basis) for each in tied[:_MOST_TIED])
            more = f"; and {len(tied) - _MOST_TIED} more" if len(tied) > _MOST_TIED else ""
            return f"{text} By the figures alone just as well: {named}{more}."
        behind = [each for each in others if each.is_possible and each.fall > _NEAR_FRAC * first.fall]
        if basis != BALANCE:
            return text
        if not behind:
            return f"{text} No other single reading explains it."
        return text + "".join(f" Second: {self._explains(each, basis)}." for each in behind[:_MOST_OTHERS])

    def _open(self, suspicion: Suspicion) -> str:
        place, kind = self.book.places[suspicion.balance], self.book.kinds[suspicion.balance]
        where = place_name(place)
        if suspicion.basis != BALANCE:
            return f"{where}: the balances do not show it, but {_WITNESSED[suspicion.basis]}."
        if kind == MIX:
            return f"{where}: strengths that should be the same disagree."
        unit = "LPA" if kind == LPA else "kg"
        amount = abs(suspicion.open_by)
        more = "more" if suspicion.open_by < 0.0 else "less"
        return f"{where}: {amount:.{2 if amount < 10 else 1}f} {unit} {more} came out than went in."

    def _explains(self, candidate: Candidate, basis: str) -> str:
        shown = self.show(candidate)
        hint = f" ({candidate.slip.what}?)" if candidate.slip else ""
        logged = f"{shown.logged} {shown.unit} logged" if shown.logged is not None else "not read"
        if basis == REPEATED:
            return f"{shown.what}: {logged}, in a row that says just what an earlier one says{hint}"
        decimals = _decimals(shown.u)
        would = f"{shown.estimate:.{decimals}f} ± {shown.u:.{decimals}f} {shown.unit}"
        return f"{shown.what}: {logged}, {would} would {'close it' if basis == BALANCE else 'fit'}{hint}"

    def show(self, candidate: Candidate) -> Shown:
        """A candidate in the unit its number was written in."""
        quantity = self.book.quantities[candidate.number]
        logged = float(self.book.y[candidate.number])
        written = written_of(quantity, self.amounts)
        what, column = self.name(candidate.number)
        is_strength = "strength" in quantity.what or quantity.what == "between"
        unit = "%vol" if is_strength else "L"
        if written is None or not logged > 0.0 or not written.value > 0.0:
            is_worked_out = quantity.what.startswith("wash")
            text = f"{logged:.{2 if is_strength else 1}f}" if is_worked_out else None
            return Shown(what, column, text, candidate.estimate, candidate.u, unit)
        row = self.rows[quantity.row]
        if is_strength:
            unit = _STRENGTHS.get(row["strength_unit"] or "", "%vol")
            name: str | None = unit
        elif quantity.what == "mass":
            name = _unit_of(_KILOGRAMS, row["mass_kg"], written.value)
        else:
            name = _unit_of(_LITRES, row["volume_l"], written.value)
        if name is None:
            return Shown(what, column, f"{logged:.2f}", candidate.estimate, candidate.u, unit)
        per_unit = written.value / logged
        return Shown(
            what, column, written.digits, candidate.estimate * per_unit, candidate.u * per_unit, name
        )

    def name(self, number: int) -> tuple[str, str]:
        """What a quantity is called in a sentence, and the column of the log it stands in."""
        quantity = self.book.quantities[number]
        if quantity.what == "wash volume":
            return "the wash volume", "volume"
        if quantity.what == "wash strength":
            return "the wash strength by its gravities", "gravity"
        if quantity.what == "rest":
            return "the wash left with the yeast", "volume"
        if quantity.what == "residue volume":
            return "the volume left in the still", "volume"
        if quantity.what == "residue strength":
            return "the strength left in the still", "strength"
        column = "strength" if quantity.what in ("strength", "between") else quantity.what
        move = self.moves[quantity.move]
        kind, cut = move["kind"], move["cut"]
        if kind == "collect":
            several = self.alike[move["batch"], move["run"], move["cut"]] > 1
            item = self.rows[quantity.row]["item_text"] or f"line {move['line']}"
            return f"the {cut or 'distillate'} {column}{f' of {item}' if several else ''}", column
        if kind == "charge":
            return f"the {column} of {cut or 'the spirit'} charged", column
        words = {
            "dilute": f"the {column} of water added",
            "gauge": f"the {column} gauged",
            "discard": f"the {column} taken out",
            "cask fill": f"the {column} filled into {move['to_lot']}",
            "cask top up": f"the {column} topped up into {move['to_lot']}",
        }
        return words.get(kind, f"the {column}"), column

    def place(self, number: int) -> tuple[int | None, int | None, str | None, str | None]:
        """File, line, batch and run that a quantity belongs to."""
        quantity = self.book.quantities[number]
        move = self.moves[quantity.move] if quantity.move >= 0 else None
        row = self.rows[quantity.row] if quantity.row >= 0 else move
        if row is None:
            return None, None, None, None
        return row["file_id"], row["line"], row["batch"], row["run"]


def place_name(place: Place) -> str:
    """A balance's place in words."""
    if place.run is not None:
        return f"Batch {place.batch}, {place.run}"
    return str(place.lot) if place.batch is None or place.batch in str(place.lot) else f"Lot {place.lot}"


def _unit_of(units: Mapping[str, float], amount: float | None, written: float) -> str | None:
    if amount is None:
        return None
    return next((name for name, size in units.items() if np.isclose(amount, written * size, rtol=1e-6)), None)


def _decimals(u: float) -> int:
    """Decimals to which a value of this uncertainty is worth printing: two figures of a small one."""
    return 1 if u >= 0.95 else 2 if u >= 0.0095 else 3
