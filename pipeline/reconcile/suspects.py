"""Which measurement keeps a connected set of balances from closing, and what it must have been.

A gross error is looked for where the measurement test stands out. Each measurement near it is left out in
turn: by how much chi-square falls says how well an error there explains everything, and the balances then
say what its value must have been. Errors in parallel streams fall alike and are named together. What is
possible and what a slip of the hand would have written decides the order, not the tie.

Several errors are taken one after another (serial elimination): the likeliest is left out and the rest
judged again, until nothing stands out or `MOST_SUSPECTS` are named. What a run's own jars say of one
another (`pipeline.reconcile.witness`) helps to rank what the balances cannot tell apart; when the balances
have nothing more to say, a jar that they do not see is named on that evidence alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.reconcile.keystroke import TWICE, Slip, find_slip
from pipeline.reconcile.network import LPA, MASS, VOLUME, Network
from pipeline.reconcile.quantities import Book, Quantity
from pipeline.reconcile.readings import Amounts
from pipeline.reconcile.solve import Reconciled, critical_z, reconcile
from pipeline.reconcile.witness import REPEATED, Witness
from pipeline.reconcile.written import Written

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BALANCE = "balance"
"""Basis of a finding: a balance does not close. The others are those of `pipeline.reconcile.witness`."""

MOST_SUSPECTS = 12
LEVEL = 0.01
"""Chance of a false alarm in a clean season, over all its measurements together."""

# Two candidates whose chi-squares differ by less are told apart by no figure (95 % point, 1 df).
TIED_CHI2 = 3.84
# Candidates are those whose own test is at least this share of the largest, and no more of them than:
_SHARE_OF_LARGEST, _MOST_CANDIDATES = 0.45, 36
# How far from the suspect balances are taken along, and how many at most.
_HOPS, _MOST_BALANCES = 3, 150
# Cost (as a logarithm) of an error that no slip explains, and for each factor e that it is large.
_NO_SLIP_COST, _PER_E_COST = 2.0, 2.0
_IMPOSSIBLE = 1e3
# Within so many standard uncertainties of nothing a row may have been written twice.
_NOTHING_Z = 3.0
_STRONGEST_PCT_VOL = 97.2
_STRONGEST_LEFT_PCT_VOL = 30.0


@dataclass(frozen=True)
class Candidate:
    """A measurement that would explain the imbalance, were it wrong.

    number     : of the quantity
    estimate   : what the balances (or the run's other jars) say it was, at 20 degC, and u
    fall       : by how much chi-square falls without it, what the run's other jars say counted in
    slip       : the slip that explains it, if one does
    is_possible: whether the estimate can be at all
    is_tied    : whether the figures explain it as well as the best
    cost       : what orders the list
    """

    number: int
    estimate: float
    u: float
    fall: float
    slip: Slip | None
    is_possible: bool
    is_tied: bool
    cost: float


@dataclass(frozen=True)
class Suspicion:
    """One error found: its candidates, likeliest first, and the balance that shows it.

    balance : number of the balance most out of true near it
    open_by : by how much that one is open as logged [LPA or kg]; in less out
    basis   : BALANCE, or which evidence of the run's own jars it rests on
    """

    candidates: tuple[Candidate, ...]
    balance: int
    open_by: float
    basis: str


@dataclass(frozen=True)
class Outcome:
    """The season as logged, what is suspect, and the season with that left out."""

    first: Reconciled
    last: Reconciled
    suspicions: tuple[Suspicion, ...]


def examine(
    book: Book, amounts: Amounts, witnesses: Mapping[int, Witness], share_of_alarms: float = 1.0
) -> Outcome:
    """Reconcile a season, or a part of one, and name what keeps it from closing.

    witnesses       : what the jars of a run say of one another, by number of the quantity
    share_of_alarms : of the false alarms allowed in a season, those allowed here
    """
    first = last = reconcile(book.network, book.y, book.u, book.is_free)
    whole = book
    found: list[Suspicion] = []
    while len(found) < MOST_SUSPECTS:
        z = np.abs(np.nan_to_num(last.z))
        worst = int(np.argmax(z)) if z.size else 0
        is_balance = bool(z.size) and z[worst] >= critical_z(last.total_df, LEVEL * share_of_alarms)
        suspicion = _suspicion(book, amounts, last, worst, witnesses) if is_balance else None
        suspicion = suspicion or _by_witness(whole, book, amounts, last, witnesses, found)
        if suspicion is None:
            break
        found.append(suspicion)
        book = _after(book, suspicion)
        last = reconcile(book.network, book.y, book.u, book.is_free)
    return Outcome(first, last, tuple(found))


def _after(book: Book, suspicion: Suspicion) -> Book:
    """The season once a finding is made: without the likeliest reading, or with what its run says of it."""
    first = suspicion.candidates[0]
    if suspicion.basis == BALANCE:
        return without(book, first.number)
    y, u = book.y.copy(), book.u.copy()
    y[first.number], u[first.number] = first.estimate, first.u
    return replace(book, y=y, u=u)


def _by_witness(
    whole: Book,
    book: Book,
    amounts: Amounts,
    solved: Reconciled,
    witnesses: Mapping[int, Witness],
    found: list[Suspicion],
) -> Suspicion | None:
    """The jar least like the rest of its run, if any is beyond doubt and not named yet."""
    named = {each.number for suspicion in found for each in suspicion.candidates if each.is_tied}
    left = [
        number
        for number, each in witnesses.items()
        if each.is_decisive and number not in named and not named.intersection(each.or_else)
    ]
    if not left:
        return None
    number = max(left, key=lambda each: (abs(witnesses[each].z), -each))
    witness = witnesses[number]
    _, jacobian = book.network.evaluate(solved.x)
    open_by, _ = whole.network.evaluate(whole.y)
    balance = _most_open(whole, jacobian, open_by, number)
    candidates = tuple(_witnessed(each, whole, amounts, witness) for each in (number, *witness.or_else))
    return Suspicion(candidates, balance, float(open_by[balance]), witness.basis)


def _witnessed(number: int, book: Book, amounts: Amounts, witness: Witness) -> Candidate:
    """A jar's reading as its run's other jars see it."""
    quantity, logged = book.quantities[number], float(book.y[number])
    slip = slip_of(quantity, amounts, logged, witness.expected, witness.u)
    is_possible = _is_possible(quantity, amounts, witness.expected, witness.u)
    return Candidate(number, witness.expected, witness.u, witness.z**2, slip, is_possible, True, 0.0)


def without(book: Book, number: int) -> Book:
    """The season as if a quantity had not been measured."""
    u, free = book.u.copy(), book.is_free.copy()
    u[number], free[number] = _wide(book, number), True
    return replace(book, u=u, is_free=free)


def _wide(book: Book, number: int) -> float:
    is_strength = "strength" in book.quantities[number].what
    return 200.0 if is_strength else max(50.0, 10.0 * abs(book.y[number]))


def _suspicion(
    book: Book, amounts: Amounts, solved: Reconciled, worst: int, witnesses: Mapping[int, Witness]
) -> Suspicion | None:
    _, jacobian = book.network.evaluate(solved.x)
    near = _neighbourhood(jacobian, worst)
    part, variables = book.network.part(near)
    z = np.abs(np.nan_to_num(solved.z[variables]))
    order = np.argsort(-z, kind="stable")
    picked = [int(place) for place in order if z[place] >= _SHARE_OF_LARGEST * z.max()][:_MOST_CANDIDATES]
    local = _Local(part, variables, book, witnesses)
    whole = local.solve(None)
    candidates = [local.candidate(place, whole, amounts) for place in picked]
    best = max((each.fall for each in candidates if each.is_possible), default=np.nan)
    if np.isnan(best):
        return None
    ranked = sorted(
        (
            replace(
                each,
                is_tied=each.is_possible and best - each.fall <= TIED_CHI2,
                cost=each.cost - each.fall / 2.0,
            )
            for each in candidates
        ),
        key=lambda each: (not each.is_tied, each.cost),
    )
    open_by, _ = book.network.evaluate(book.y)
    balance = _most_open(book, jacobian, open_by, ranked[0].number)
    return Suspicion(tuple(ranked), balance, float(open_by[balance]), BALANCE)


def _neighbourhood(jacobian: Any, variable: int) -> Ints:
    """Balances within a few steps of those that a quantity is in."""
    rows_first, columns_first = jacobian.tocsr(), jacobian.tocsc()
    rows = np.unique(columns_first[:, [variable]].indices)
    for _ in range(_HOPS):
        touched = np.unique(rows_first[rows].indices)
        wider = np.unique(columns_first[:, touched].indices)
        if wider.size > _MOST_BALANCES:
            break
        rows = wider
    return rows.astype(np.int64)


def _most_open(book: Book, jacobian: Any, open_by: Floats, variable: int) -> int:
    """Of the balances that a quantity is in, the one most out of true in units of what its errors allow."""
    rows = np.unique(jacobian.tocsc()[:, [variable]].indices)
    amounts = rows[np.isin(book.kinds[rows], (LPA, MASS, VOLUME))]
    rows = amounts if amounts.size else rows
    measured = np.where(book.is_free, 0.0, book.u)
    spread = np.sqrt(np.asarray(jacobian[rows].multiply(jacobian[rows]) @ measured**2).ravel())
    by_alcohol = np.where(book.kinds[rows] == LPA, 1.0, 1e-3)
    return int(rows[np.argmax(by_alcohol * np.abs(open_by[rows]) / np.maximum(spread, 1e-9))])


class _Local:
    """The balances near a suspect, to be solved again and again with one measurement left out."""

    def __init__(self, part: Network, variables: Ints, book: Book, witnesses: Mapping[int, Witness]) -> None:
        self.part, self.variables, self.book, self.witnesses = part, variables, book, witnesses
        self.y, self.u, self.free = book.y[variables], book.u[variables], book.is_free[variables]

    def solve(self, left_out: int | None) -> Reconciled:
        u, free = self.u, self.free
        if left_out is not None:
            u, free = u.copy(), free.copy()
            u[left_out], free[left_out] = _wide(self.book, int(self.variables[left_out])), True
        return reconcile(self.part, self.y, u, free)

    def candidate(self, place: int, whole: Reconciled, amounts: Amounts) -> Candidate:
        solved = self.solve(place)
        number = int(self.variables[place])
        estimate, u = float(solved.x[place]), float(solved.u[place])
        quantity, logged = self.book.quantities[number], float(self.y[place])
        slip = slip_of(quantity, amounts, logged, estimate, u)
        is_possible = _is_possible(quantity, amounts, estimate, u)
        cost = slip.cost if slip else _NO_SLIP_COST
        if slip is None and estimate > 0.0 and logged > 0.0:
            cost += _PER_E_COST * abs(float(np.log(estimate / logged)))
        fall = whole.total_chi2 - solved.total_chi2 + _gain(self.witnesses.get(number), estimate, u)
        return Candidate(
            number, estimate, u, fall, slip, is_possible, False, cost if is_possible else _IMPOSSIBLE
        )


def _gain(witness: Witness | None, estimate: float, u: float) -> float:
    """What the run's other jars add to the fall: their own misfit as logged, less that of the estimate."""
    if witness is None:
        return 0.0
    if witness.basis == REPEATED:
        return witness.z**2 if _is_nothing(estimate, u) else 0.0
    return witness.z**2 - (estimate - witness.expected) ** 2 / (u**2 + witness.u**2)


def slip_of(quantity: Quantity, amounts: Amounts, logged: float, estimate: float, u: float) -> Slip | None:
    """The slip that explains an estimate, judged in the unit written."""
    written = written_of(quantity, amounts)
    if _may_be_nothing(quantity, amounts) and _is_nothing(estimate, u):
        return Slip(TWICE, 0.0, 0.0)
    if written is None or not logged > 0.0 or not written.value > 0.0:
        return None
    per_unit = written.value / logged
    is_amount = quantity.what in ("volume", "residue volume")
    return find_slip(
        written,
        # A strength's corrections move with it only a little: what is written differs by as much.
        estimate * per_unit,
        float(np.hypot(u * per_unit, 0.5 * 10.0**-written.decimals)),
        is_volume=is_amount,
        is_mass=quantity.what == "mass",
    )


def written_of(quantity: Quantity, amounts: Amounts) -> Written | None:
    """The number written for a quantity; None where none was."""
    if quantity.row < 0:
        return None
    if quantity.what in ("volume", "residue volume", "mass"):
        return amounts.volume_text[quantity.row]
    return amounts.abv_text[quantity.row] if quantity.what == "strength" else None


def _may_be_nothing(quantity: Quantity, amounts: Amounts) -> bool:
    return quantity.what in ("volume", "mass") and quantity.row >= 0 and amounts.is_repeat[quantity.row]


def _is_nothing(estimate: float, u: float) -> bool:
    return abs(estimate) < _NOTHING_Z * u


def _is_possible(quantity: Quantity, amounts: Amounts, estimate: float, u: float) -> bool:
    if quantity.what == "residue strength":
        return 0.0 <= estimate <= _STRONGEST_LEFT_PCT_VOL
    if "strength" in quantity.what or quantity.what == "between":
        return 0.0 <= estimate <= _STRONGEST_PCT_VOL
    return estimate > 0.0 or (_may_be_nothing(quantity, amounts) and _is_nothing(estimate, u))
