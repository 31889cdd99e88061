"""What each lot's content owes to which reading, carried through every fill and draw.

A charge, discard or draw without a strength of its own takes its lot's, and a lot is a mixture: its mass and
its alcohol depend on every reading that went in or out since it was last gauged or empty. This second walk
goes over the moves that `lots` worked out and carries those derivatives along. They fade as a lot is drawn
and filled again, and are dropped once they cannot be seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from pipeline.account.content import volume_from_content, volume_slopes
from pipeline.account.lots import lot_key
from pipeline.account.uncertain import Floats, Ints, Uncertain
from pipeline.account.unread import Unread

Row = tuple[Ints, Floats]
"""Readings and the derivative with respect to each: one row of a jacobian."""

# Derivatives are thinned once a lot has this many; those together below the second number, as a share of the
# lot's own variance, are dropped. Of a lot that only ever grows, and so fades nowhere, the largest are kept,
# and made larger by as much as keeps the lot's uncertainty what it is.
_THIN_FROM = 200
_UNSEEN_VARIANCE_FRAC = 1e-6
_MOST_READINGS = 600

_NO_READINGS: Row = (np.empty(0, dtype=np.int64), np.empty(0))


@dataclass(frozen=True)
class OwnAmounts:
    """What each move's own readings say of it, NaN where it took its lot's strength or content."""

    volume_l: Uncertain
    mass_kg: Uncertain
    lpa: Uncertain
    abv_pct_vol: Uncertain


@dataclass(frozen=True)
class LotErrors:
    """Outcome of the walk.

    move_lpa  : pure alcohol of each move, its own or its lot's, or what it is taken for
    before    : by move number, the alcohol that its target lot held before, of the moves asked for
    lots      : by lot key, the alcohol it holds at the end; nothing for a lot whose content is not known
    taken_for : by lot key, the alcohol that such a lot can be taken to hold
    """

    move_lpa: Uncertain
    before: Uncertain
    lots: dict[str, Row]
    taken_for: dict[str, Row]


@dataclass(slots=True)
class _State:
    """Derivatives of one lot's mass and alcohol, as chunks that are put together when they are needed.

    abv      : of its strength, of a wash
    is_known : whether the account knows its content
    """

    abv: Row | None = None
    is_known: bool = True
    ids: list[Ints] = field(default_factory=list)
    mass: list[Floats] = field(default_factory=list)
    lpa: list[Floats] = field(default_factory=list)

    def add(self, ids: Ints, mass: Floats, lpa: Floats) -> None:
        if ids.size:
            self.ids.append(ids)
            self.mass.append(mass)
            self.lpa.append(lpa)

    def together(self) -> tuple[Ints, Floats, Floats]:
        if not self.ids:
            return np.empty(0, dtype=np.int64), np.empty(0), np.empty(0)
        if len(self.ids) > 1:
            self.ids = [np.concatenate(self.ids)]
            self.mass = [np.concatenate(self.mass)]
            self.lpa = [np.concatenate(self.lpa)]
        return self.ids[0], self.mass[0], self.lpa[0]

    def become(self, ids: Ints, mass: Floats, lpa: Floats) -> None:
        self.ids, self.mass, self.lpa = [ids], [mass], [lpa]

    def clear(self) -> None:
        self.abv = None
        self.ids, self.mass, self.lpa = [], [], []


class _Walk:
    """The second walk; one method a kind of move."""

    def __init__(
        self,
        moves: pl.DataFrame,
        own: OwnAmounts,
        reading_u: Floats,
        unread: Mapping[int, Unread],
        emptied: Collection[int],
    ) -> None:
        self.columns = {name: moves[name].to_list() for name in _COLUMNS}
        self.unread, self.emptied = unread, emptied
        # What was charged to the runs of jars that are known by what is left over.
        self.charged: dict[int, Row] = dict.fromkeys(
            (number for each in unread.values() for number in each.added), _NO_READINGS
        )
        self.own = own
        self.u = reading_u
        self.states: dict[str, _State] = {}
        self.state_of_name: dict[str, _State] = {}
        self.found: list[tuple[int, Ints, Floats]] = []
        self.row_of_volume = _rows_of(own.volume_l)
        self.row_of_mass = _rows_of(own.mass_kg)
        self.row_of_lpa = _rows_of(own.lpa)
        self.row_of_abv = _rows_of(own.abv_pct_vol)

    def state(self, name: str | None) -> _State | None:
        if name is None:
            return None
        found = self.state_of_name.get(name)
        if found is None:
            found = self.state_of_name[name] = self.states.setdefault(lot_key(name), _State())
        return found

    def step(self, number: int) -> None:
        kind = self.columns["kind"][number]
        source, target = (
            self.state(self.columns["from_lot"][number]),
            self.state(self.columns["to_lot"][number]),
        )
        if kind == "ferment" and target is not None:
            target.abv = self.row_of_abv(number)
            ids, lpa = self.row_of_lpa(number)
            target.become(ids, np.zeros_like(lpa), lpa)
        elif kind in ("gauge", "cask gauge"):
            self.gauge(number, source)
        elif kind == "dilute":
            self.dilute(number, source, target)
        elif kind == "cask empty" and math.isnan(self.own.volume_l.values[number]):
            # What an emptied cask still held was lost, not moved.
            if source is not None:
                source.clear()
        else:
            amount_mass, amount_lpa = self.draw(number, source)
            if number in self.unread:
                amount_lpa = self.left_over(number, amount_lpa)
            if number in self.charged:
                self.charged[number] = amount_lpa
            if target is not None:
                _pour(target, amount_mass, amount_lpa)
                self.thin(target)
        self.note(source, self.columns["from_lpa_after"][number])
        self.note(target, self.columns["to_lpa_after"][number])

    @staticmethod
    def note(lot: _State | None, lpa_after: float | None) -> None:
        if lot is not None:
            lot.is_known = lpa_after is not None

    def left_over(self, number: int, own: Row) -> Row:
        """Derivatives of a jar taken for what its run's charge leaves once the other jars are taken off."""
        each = self.unread[number]
        others = [self.row_of_lpa(jar) for jar in each.taken_off]
        rows = [*(self.charged[charge] for charge in each.added), *((ids, -lpa) for ids, lpa in others)]
        if not rows:
            return own
        ids, lpa = (np.concatenate(parts) for parts in zip(*rows, strict=True))
        self.found.append((number, ids, lpa))
        return np.concatenate([own[0], ids]), np.concatenate([own[1], lpa])

    def gauge(self, number: int, lot: _State | None) -> None:
        if lot is None or self.columns["mass_kg"][number] is None:
            return
        if math.isnan(self.own.lpa.values[number]):
            mass, lpa = self.at_lot_strength(number, lot)
        else:
            mass, lpa = self.row_of_mass(number), self.row_of_lpa(number)
        lot.clear()
        _pour(lot, mass, lpa)

    def dilute(self, number: int, source: _State | None, target: _State | None) -> None:
        if source is None or target is None:
            return
        ids, mass = self.row_of_mass(number)
        if target is not source:
            target.add(*source.together())
            source.clear()
        target.add(ids, mass, np.zeros_like(mass))

    def draw(self, number: int, source: _State | None) -> tuple[Row, Row]:
        """Take a move's amount out of its source; its derivatives of mass and alcohol."""
        own_lpa = self.own.lpa.values[number]
        mass, lpa = self.row_of_mass(number), self.row_of_lpa(number)
        if source is None:
            return mass, lpa
        before = self.columns["from_mass_before_kg"][number], self.columns["from_lpa_before"][number]
        is_known = before[0] is not None and before[1] is not None and self.columns["lpa"][number] is not None
        if not is_known:
            # What it is taken to hold: less by what was drawn, until there can be nothing left.
            if number in self.emptied:
                source.clear()
            else:
                _pour(source, (mass[0], -mass[1]), (lpa[0], -lpa[1]))
            return mass, lpa
        takes_all = math.isnan(self.own.volume_l.values[number])
        if takes_all:
            ids, all_mass, all_lpa = source.together()
            mass, lpa = (ids, all_mass), (ids, all_lpa)
        elif math.isnan(own_lpa):
            mass, lpa = self.at_lot_strength(number, source)
        if takes_all or math.isnan(own_lpa):
            self.found.append((number, *lpa))
        if takes_all or not self.columns["from_volume_after_l"][number]:
            source.clear()
        else:
            self.leave(number, source)
        return mass, lpa

    def at_lot_strength(self, number: int, lot: _State) -> tuple[Row, Row]:
        """Derivatives of a volume drawn at its lot's strength: of the volume, and of the mixture."""
        volume_l = self.columns["volume_l"][number]
        ids, own = self.row_of_volume(number)
        if lot.abv is not None:
            abv_ids, abv = lot.abv
            lpa_per_l = self.columns["abv_pct_vol"][number] / 100.0
            all_ids = np.concatenate([ids, abv_ids])
            return _NO_READINGS, (all_ids, np.concatenate([lpa_per_l * own, volume_l / 100.0 * abv]))
        mass_kg, lpa = self.columns["from_mass_before_kg"][number], self.columns["from_lpa_before"][number]
        held_l = volume_from_content(mass_kg, lpa)
        if not held_l > 0.0:
            return _NO_READINGS, (ids, np.zeros_like(own))
        by_mass, by_lpa = volume_slopes(mass_kg, lpa)
        lot_ids, d_mass, d_lpa = lot.together()
        d_held = by_mass * d_mass + by_lpa * d_lpa
        all_ids = np.concatenate([ids, lot_ids])
        share = volume_l / held_l
        drawn_lpa = np.concatenate([lpa / held_l * own, share * (d_lpa - lpa / held_l * d_held)])
        drawn_mass = np.concatenate([mass_kg / held_l * own, share * (d_mass - mass_kg / held_l * d_held)])
        return (all_ids, drawn_mass), (all_ids, drawn_lpa)

    def leave(self, number: int, lot: _State) -> None:
        """What stays after a draw: the content times one less the share of its volume that went."""
        drawn_mass, drawn_lpa = self.at_lot_strength(number, lot)
        ids, d_mass, d_lpa = lot.together()
        if lot.abv is not None:
            lot.add(drawn_lpa[0], np.zeros_like(drawn_lpa[1]), -drawn_lpa[1])
            return
        own = drawn_lpa[0].size - ids.size
        left_mass, left_lpa = -drawn_mass[1], -drawn_lpa[1]
        left_mass[own:] += d_mass
        left_lpa[own:] += d_lpa
        lot.become(*self.thinned(drawn_lpa[0], left_mass, left_lpa))

    def thinned(self, ids: Ints, mass: Floats, lpa: Floats) -> tuple[Ints, Floats, Floats]:
        if ids.size < _THIN_FROM:
            return ids, mass, lpa
        # A reading that came by mass and by alcohol is one.
        ids, place = np.unique(ids, return_inverse=True)
        mass, lpa = (np.bincount(place, part, ids.size).astype(float) for part in (mass, lpa))
        # A kilogram and a litre of alcohol weigh alike enough for the question what can be dropped.
        of_mass, of_lpa = (mass * self.u[ids]) ** 2, (lpa * self.u[ids]) ** 2
        variance = of_mass + of_lpa
        order = np.argsort(variance, kind="stable")
        unseen = np.cumsum(variance[order]) <= _UNSEEN_VARIANCE_FRAC * variance.sum()
        kept = np.sort(order[~unseen][-_MOST_READINGS:])
        if kept.size < _MOST_READINGS:
            return ids[kept], mass[kept], lpa[kept]
        grown = [
            math.sqrt(part.sum() / part[kept].sum()) if part[kept].sum() > 0.0 else 1.0
            for part in (of_mass, of_lpa)
        ]
        return ids[kept], mass[kept] * grown[0], lpa[kept] * grown[1]

    def thin(self, lot: _State) -> None:
        """Keep a lot that is filled and never drawn from growing without end."""
        if sum(chunk.size for chunk in lot.ids) > 2 * _MOST_READINGS:
            lot.become(*self.thinned(*lot.together()))


_COLUMNS = (
    "kind",
    "from_lot",
    "to_lot",
    "volume_l",
    "mass_kg",
    "abv_pct_vol",
    "lpa",
    "from_mass_before_kg",
    "from_lpa_before",
    "from_volume_after_l",
    "from_lpa_after",
    "to_lpa_after",
)


def walk_errors(
    moves: pl.DataFrame,
    own: OwnAmounts,
    reading_u: Floats,
    wanted_before: Iterable[int],
    unread: Mapping[int, Unread],
    emptied: Collection[int],
) -> LotErrors:
    """Carry the derivatives of every lot through the moves.

    moves         : account.move, in the order of `move_id`
    own           : what each move's own readings say of it, same order
    reading_u     : standard uncertainty of each reading
    wanted_before : numbers of moves whose target's alcohol just before is wanted
    unread        : what jars that were not measured are taken for, by move number
    emptied       : draws by which a lot whose content is not known can have nothing left
    """
    walk = _Walk(moves, own, reading_u, unread, emptied)
    wanted = set(wanted_before)
    before: list[tuple[int, Ints, Floats]] = []
    for number in range(moves.height):
        if number in wanted:
            target = walk.state(walk.columns["to_lot"][number])
            if target is not None:
                walk.thin(target)
                ids, _, lpa = target.together()
                before.append((number, ids, lpa))
        walk.step(number)
    lpa_values = moves["lpa"].cast(pl.Float64).fill_null(math.nan).to_numpy()
    taken = _stacked(walk.found, lpa_values, own.lpa.readings)
    own_lpa = Uncertain(lpa_values, own.lpa.jacobian)
    held = moves["to_lpa_before"].cast(pl.Float64).fill_null(math.nan).to_numpy()
    ends, taken_for = {}, {}
    for key, state in walk.states.items():
        ids, _, lpa = state.together()
        ends[key] = (ids, lpa) if state.is_known else _NO_READINGS
        if not state.is_known:
            taken_for[key] = (ids, lpa)
    return LotErrors(
        Uncertain(lpa_values, own_lpa.jacobian + taken.jacobian),
        _stacked(before, held, own.lpa.readings),
        ends,
        taken_for,
    )


def _pour(lot: _State, mass: Row, lpa: Row) -> None:
    """Add an amount whose mass and alcohol have derivatives by readings of their own."""
    if mass[0] is lpa[0]:
        lot.add(lpa[0], mass[1], lpa[1])
        return
    lot.add(mass[0], mass[1], np.zeros(mass[0].size))
    lot.add(lpa[0], np.zeros(lpa[0].size), lpa[1])


def _rows_of(column: Uncertain) -> Callable[[int], Row]:
    """A function from a row's number to its readings and derivatives."""
    matrix: Any = column.jacobian.tocsr()
    starts = matrix.indptr.tolist()
    ids, slopes = matrix.indices.astype(np.int64), matrix.data

    def row(number: int) -> Row:
        first, last = starts[number], starts[number + 1]
        return ids[first:last], slopes[first:last]

    return row


def _stacked(rows: list[tuple[int, Ints, Floats]], values: Floats, readings: int) -> Uncertain:
    """A column whose rows of those numbers have these derivatives, and the others none."""
    numbers = [np.full(ids.size, number, dtype=np.int64) for number, ids, _ in rows]
    parts = [(row, ids, slopes) for row, (_, ids, slopes) in zip(numbers, rows, strict=True)]
    return Uncertain.from_parts(values, parts, readings)
