"""Whose wash the alcohol came from, lot by lot, by perfect mixing in order of time.

A lot drawn is the mixture it held; a charge is the mixture of what went into the still; what comes off the
still has the charge's shares. Each composition is a node: a set of shares that sum to one. A fill that brings
another composition makes a new node out of two older ones, weighted by their alcohol. Everything else (a
draw, a dilution with water, a loss) leaves the node as it is. So the work is linear in the moves.

A receiver that is only ever filled holds something of every batch for ever, and to write down all its shares
at every batch would be work that grows with the square of the season. So a composition names a limited
number of batches, those with the largest shares; the others stand together as one, and nothing is lost. No
figure of a batch leans on that:

The same nodes, gone through backwards, say what each batch is credited with: the alcohol of its own wash that
ended in hearts, of whatever batch, or that stands in feints at the end of the logs.

There is a second question: whose spirit a lot holds, that is which batch's runs made it, with the feints that
they charged as part of it. A batch is tasted, and stands in the fits, as the spirit it became. The same walk
answers it with each charge taken as all the batch's own (`by_maker`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from pipeline.account.lots import lot_key
from pipeline.account.unread import Unread, unread_jars

FEINTS_CUTS = frozenset({"heads", "tails", "feints"})

OWN_CHARGES = frozenset({"wash", "low wines"})
"""What is a batch's own when it is charged without a source."""

# A share below this is dropped and the others made whole again: a chain of feints never quite ends.
_SMALLEST_SHARE = 1e-11

# A composition of more batches than the first number keeps the shares of as many as the second; the smaller
# ones go together. A receiver drawn and filled in turn stays far below it: its shares fade by themselves.
_MOST_NAMED = 200
_NAMED_AFTER = 150

# A charge or jar without a measured strength still has to weigh something in a mixture: this strength, until
# the run or the lot says better (common practice, no source).
_ASSUMED_PCT_VOL = 50.0

Key = tuple[str | None, bool]
"""Batch of origin (None: not known) and whether the alcohol came by way of another batch's feints."""

Shares = Mapping[Key, float]

UNKNOWN: Shares = {(None, False): 1.0}

POOLED: Key = (None, True)
"""Many small shares of batches, together."""


@dataclass(frozen=True)
class Mix:
    """One node made from two: `new` = (1 - w) `old` + w `added`, with w = added_lpa / (held_lpa + added_lpa).

    moves      : the moves that brought `added_lpa`
    held_moves : the moves whose alcohol sums to `held_lpa`, in a still
    held_by    : for a lot, the move before which it held `held_lpa`
    """

    new: int
    old: int
    added: int
    held_lpa: float
    added_lpa: float
    moves: tuple[int, ...]
    held_moves: tuple[int, ...] = ()
    held_by: int | None = None


@dataclass(slots=True)
class _Pot:
    """A still under way, or a lot: its composition and the alcohol that weighs it in a mixture."""

    node: int = -1
    lpa: float = 0.0
    moves: list[int] = field(default_factory=list)
    batch: str | None = None
    abv_pct_vol: float = _ASSUMED_PCT_VOL
    # Jars of one run that follow one another into one lot are one fill: their shares are the same.
    pending: list[int] = field(default_factory=list)
    pending_node: int = -1
    pending_lpa: float = 0.0
    is_feints: bool = False
    is_hearts: bool = False
    written_at: int = -1
    name: str = ""


@dataclass
class Ancestry:
    """The compositions of a season and how they came about.

    nodes       : shares of each node, by key
    mixes       : in order of time
    hearts      : (move number, node, alcohol) of every jar of hearts
    estimated   : those of them that were not measured, and are credited with what they can be taken for
    unread      : what every jar that was not measured is taken for, by move number
    emptied     : draws by which a lot whose content is not known can have nothing left
    stock       : lot key -> node of every feints lot at the end of the logs
    stock_lpa   : lot key -> its alcohol then
    lot_nodes   : (move number, lot, node) of every change of a lot's shares
    run_nodes   : (batch, run) -> node of all that was charged
    origins     : batch -> node of alcohol that is all its own; None: not known
    """

    nodes: list[Shares] = field(default_factory=list)
    mixes: list[Mix] = field(default_factory=list)
    hearts: list[tuple[int, int, float]] = field(default_factory=list)
    estimated: set[int] = field(default_factory=set)
    unread: Mapping[int, Unread] = field(default_factory=dict)
    emptied: set[int] = field(default_factory=set)
    stock: dict[str, int] = field(default_factory=dict)
    stock_lpa: dict[str, float] = field(default_factory=dict)
    lot_nodes: list[tuple[int, str, int, float | None]] = field(default_factory=list)
    run_nodes: dict[tuple[str | None, str | None], int] = field(default_factory=dict)
    origins: dict[str | None, int] = field(default_factory=dict)


class _Walk:
    def __init__(self, moves: pl.DataFrame, by_maker: bool, unread: Mapping[int, Unread]) -> None:
        self.columns = {name: moves[name].to_list() for name in _COLUMNS}
        self.by_maker = by_maker
        self.lots: dict[str, _Pot] = {}
        self.lot_of_name: dict[str, _Pot] = {}
        self.runs: dict[tuple[str | None, str | None], _Pot] = {}
        self.result = Ancestry(nodes=[UNKNOWN], origins={None: 0}, unread=unread)

    def origin(self, batch: str | None) -> int:
        """The node of alcohol that is all of one batch."""
        found = self.result.origins.get(batch)
        if found is None:
            self.result.nodes.append({(batch, False): 1.0})
            found = self.result.origins[batch] = len(self.result.nodes) - 1
        return found

    def lot(self, name: str | None) -> _Pot | None:
        if name is None:
            return None
        found = self.lot_of_name.get(name)
        if found is None:
            found = self.lots.setdefault(lot_key(name), _Pot(name=name))
            self.lot_of_name[name] = found
        return found

    def step(self, number: int) -> None:
        column = self.columns
        kind = column["kind"][number]
        source, target = self.lot(column["from_lot"][number]), self.lot(column["to_lot"][number])
        if source is not None:
            self.settle(source)
        if kind == "ferment" and target is not None:
            self.settle(target)
            target.node, target.lpa = self.origin(column["batch"][number]), column["lpa"][number] or 0.0
            self.write(number, target)
        elif kind == "charge":
            self.charge(number, source)
        elif kind == "collect" and target is not None:
            self.collect(number, target)
        elif target is not None and target is not source:
            self.settle(target)
            node = source.node if source is not None and source.node >= 0 else 0
            self.pour(number, target, node, self.amount(number, source), (number,))
        if source is not None and source is not target:
            self.drawn(number, source)

    def amount(self, number: int, source: _Pot | None) -> float:
        """The alcohol of a move, or what it can be taken for as a weight where it was not measured."""
        measured = self.columns["lpa"][number]
        if measured is not None:
            return float(measured)
        volume_l = self.columns["volume_l"][number]
        if volume_l is None:
            return source.lpa if source is not None else 0.0
        return float(volume_l) * (source.abv_pct_vol if source is not None else _ASSUMED_PCT_VOL) / 100.0

    def jar_amount(self, number: int, run: _Pot | None) -> float:
        """The alcohol of a jar, or what it is taken for where it was not measured."""
        measured, abv = self.columns["lpa"][number], self.columns["abv_pct_vol"][number]
        if run is not None and abv is not None:
            run.abv_pct_vol = float(abv)
        return self.result.unread[number].lpa if measured is None else float(measured)

    def charge(self, number: int, source: _Pot | None) -> None:
        column = self.columns
        if column["cut"][number] == "water":
            return
        key = (column["batch"][number], column["run"][number])
        run = self.runs.get(key)
        if run is None:
            run = self.runs[key] = _Pot(batch=column["batch"][number])
        node = self.charged_node(number, source)
        added = self.amount(number, source)
        if run.node < 0:
            run.node = node
        elif run.node != node and added > 0.0:
            run.node = self.mix(run.node, node, run.lpa, added, (number,), held_moves=tuple(run.moves))
        run.lpa += added
        run.moves.append(number)
        self.result.run_nodes[key] = run.node

    def charged_node(self, number: int, source: _Pot | None) -> int:
        """Composition of a charge; a batch's own wash or low wines are its own even if no row filled them."""
        batch, cut = self.columns["batch"][number], self.columns["cut"][number]
        if self.by_maker:
            return self.origin(batch)
        if source is None:
            return 0
        if source.node >= 0:
            return self.as_charged(source, batch)
        is_own = cut in OWN_CHARGES and lot_key(source.name) == lot_key(f"{batch} {cut}")
        return self.origin(batch) if is_own else 0

    def as_charged(self, source: _Pot, batch: str | None) -> int:
        """A lot's shares as they enter a batch's still: what is not its own came by feints or as it was."""
        shares = self.result.nodes[source.node]
        if not source.is_feints or all(name == batch and not by_feints for name, by_feints in shares):
            return source.node
        renamed: dict[Key, float] = {}
        for origin, share in shares.items():
            name = origin[0]
            key = origin if name is None else (name, name != batch)
            renamed[key] = renamed.get(key, 0.0) + share
        if len(renamed) == 1 and (batch, False) in renamed:
            return self.origin(batch)
        self.result.nodes.append(renamed)
        new = len(self.result.nodes) - 1
        # The same alcohol under other names: all of the new node comes from the old one.
        self.result.mixes.append(Mix(new, source.node, source.node, 0.0, 1.0, ()))
        return new

    def collect(self, number: int, target: _Pot) -> None:
        column = self.columns
        key = (column["batch"][number], column["run"][number])
        run = self.runs.get(key)
        node = 0
        if run is not None and run.node >= 0:
            node = run.node
        elif self.by_maker or column["cut"][number] == "low wines":
            # Low wines come of the batch's own wash, even where its charge was not logged.
            node = self.origin(column["batch"][number])
        amount = self.jar_amount(number, run)
        if run is not None:
            target.abv_pct_vol = run.abv_pct_vol
        cut = column["cut"][number]
        if cut == "hearts":
            target.is_hearts = True
            self.result.hearts.append((number, node, amount))
            if column["lpa"][number] is None:
                self.result.estimated.add(number)
        elif cut in FEINTS_CUTS:
            target.is_feints = True
        if target.pending and target.pending_node != node:
            self.settle(target)
        target.pending.append(number)
        target.pending_node = node
        target.pending_lpa += amount

    def settle(self, lot: _Pot) -> None:
        """Pour what is pending: the jars that came one after another from one run."""
        if lot.pending:
            moves, node, amount = tuple(lot.pending), lot.pending_node, lot.pending_lpa
            lot.pending, lot.pending_lpa = [], 0.0
            self.pour(moves[-1], lot, node, amount, moves)

    def pour(self, number: int, lot: _Pot, node: int, amount: float, moves: tuple[int, ...]) -> None:
        held = self.columns["to_lpa_before"][moves[0]]
        held_lpa = lot.lpa if held is None else float(held)
        if lot.node < 0 or held_lpa <= 0.0:
            lot.node = node
        elif lot.node != node and amount > 0.0:
            lot.node = self.mix(lot.node, node, held_lpa, amount, moves, held_by=moves[0])
        after = self.columns["to_lpa_after"][number]
        lot.lpa = held_lpa + amount if after is None else float(after)
        self.write(number, lot)

    def drawn(self, number: int, lot: _Pot) -> None:
        after = self.columns["from_lpa_after"][number]
        if after is not None:
            lot.lpa = float(after)
        else:
            lot.lpa = max(lot.lpa - (self.columns["lpa"][number] or 0.0), 0.0)
            if lot.lpa == 0.0:
                self.result.emptied.add(number)

    def mix(
        self,
        old: int,
        added: int,
        held_lpa: float,
        added_lpa: float,
        moves: tuple[int, ...],
        held_moves: tuple[int, ...] = (),
        held_by: int | None = None,
    ) -> int:
        share = added_lpa / (held_lpa + added_lpa)
        mixed = {key: (1.0 - share) * value for key, value in self.result.nodes[old].items()}
        for key, value in self.result.nodes[added].items():
            mixed[key] = mixed.get(key, 0.0) + share * value
        kept = _pooled({key: value for key, value in mixed.items() if value >= _SMALLEST_SHARE})
        if len(kept) < len(mixed):
            whole = math.fsum(kept.values())
            kept = {key: value / whole for key, value in kept.items()}
        self.result.nodes.append(kept)
        new = len(self.result.nodes) - 1
        self.result.mixes.append(Mix(new, old, added, held_lpa, added_lpa, moves, held_moves, held_by))
        return new

    def write(self, number: int, lot: _Pot) -> None:
        if lot.node != lot.written_at:
            lot.written_at = lot.node
            self.result.lot_nodes.append((number, lot.name, lot.node, self.columns["to_lpa_after"][number]))

    def finish(self) -> Ancestry:
        for key, lot in self.lots.items():
            self.settle(lot)
            if lot.is_feints and not lot.is_hearts and lot.node >= 0:
                self.result.stock[key] = lot.node
                self.result.stock_lpa[key] = lot.lpa
        return self.result


def _pooled(shares: dict[Key, float]) -> dict[Key, float]:
    """The shares with the smallest put together, once there are too many to name."""
    if len(shares) <= _MOST_NAMED:
        return shares
    ordered = sorted((key for key in shares if key != POOLED), key=shares.__getitem__)
    small = ordered[: len(ordered) - _NAMED_AFTER]
    together = math.fsum([shares.get(POOLED, 0.0), *(shares[key] for key in small)])
    gone = {POOLED, *small}
    return {key: share for key, share in shares.items() if key not in gone} | {POOLED: together}


_COLUMNS = (
    "kind",
    "batch",
    "run",
    "cut",
    "from_lot",
    "to_lot",
    "volume_l",
    "abv_pct_vol",
    "lpa",
    "to_lpa_before",
    "to_lpa_after",
    "from_lpa_after",
)


def walk_ancestry(
    moves: pl.DataFrame, by_maker: bool = False, unread: Mapping[int, Unread] | None = None
) -> Ancestry:
    """The compositions of every lot and run, in order of time.

    moves    : account.move, in the order of `move_id`
    by_maker : shares by the batch whose runs made the spirit, feints charged and all, instead of whose wash
    unread   : what every jar that was not measured is taken for, by move number, where that is known already
    """
    walk = _Walk(moves, by_maker, unread_jars(moves) if unread is None else unread)
    for number in range(moves.height):
        walk.step(number)
    return walk.finish()


def values_of_nodes(ancestry: Ancestry, only_estimated: bool = False) -> list[float]:
    """What a whole of each node is worth in net spirit [LPA]: the hearts and feints stock that came of it.

    The credit of a batch is linear in the shares, and the same for every batch, so one walk backwards through
    the mixes gives the worth of every node.
    only_estimated : just the part that stands on jars of hearts that were not measured
    """
    worth = [0.0] * len(ancestry.nodes)
    for number, node, lpa in ancestry.hearts:
        if number in ancestry.estimated or not only_estimated:
            worth[node] += lpa
    if not only_estimated:
        for key, node in ancestry.stock.items():
            worth[node] += ancestry.stock_lpa[key]
    for mix in reversed(ancestry.mixes):
        share = mix.added_lpa / (mix.held_lpa + mix.added_lpa)
        worth[mix.old] += (1.0 - share) * worth[mix.new]
        worth[mix.added] += share * worth[mix.new]
    return worth


def credits(ancestry: Ancestry, only_estimated: bool = False) -> dict[str | None, float]:
    """Net spirit by batch of origin [LPA at 20 degC]: its alcohol in all hearts and in feints in stock.

    What a batch's own wash is worth, by the walk backwards: no share is needed for it, so none that was left
    out or put with others is missed.
    only_estimated : just the part that stands on jars of hearts that were not measured
    """
    worth = values_of_nodes(ancestry, only_estimated)
    return {batch: worth[node] for batch, node in ancestry.origins.items()}
