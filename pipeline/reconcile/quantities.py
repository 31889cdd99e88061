"""Quantities and balances while a network is put together, and the network once it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pipeline.account.content import WATER_KG_PER_L
from pipeline.reconcile.network import LPA, WATER, FlowTerms, MixTerms, Network, PlainTerms, kg_per_l_at

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

MIX = 3
"""Kind of a balance that holds two strengths together; the others are LPA, MASS and VOLUME."""

FIGURE = 4
"""Kind of a balance that says what a figure is the sum of. It takes away as much freedom as it brings."""

# A volume of nothing at all is not known to the last drop either.
_LEAST_U = 1e-4

# How far off the sum of what was logged is taken to be before anything is known, as a multiple of it.
_WIDE_FIGURE = 30.0


@dataclass(frozen=True)
class Place:
    """Where a balance stands: around a run of a batch, or around a lot."""

    batch: str | None
    run: str | None
    lot: str | None


@dataclass(frozen=True)
class Quantity:
    """What a number of the network is.

    what : volume, mass, strength, wash volume, wash strength, residue volume, residue strength, rest, held,
           figure (the alcohol of one of `FIGURES`)
    row  : number of its row in account.logged_row, -1 for none
    move : number of its move, -1 for none
    """

    what: str
    row: int
    move: int


@dataclass(frozen=True)
class Book:
    """The season's network with everything read into it.

    y, u, is_free : as for `pipeline.reconcile.solve.reconcile`
    quantities    : what each of them is
    places        : of each balance
    kinds         : of each balance: LPA, MASS, VOLUME, MIX for a strength that must agree, or FIGURE
    figures       : by batch and name, the number of the quantity that is this figure
    """

    network: Network
    y: Floats
    u: Floats
    is_free: Flags
    quantities: list[Quantity]
    places: list[Place]
    kinds: Ints
    figures: Mapping[tuple[str, str], int]


class Builder:
    """Collects quantities, balances and their terms."""

    def __init__(self) -> None:
        self.y: list[float] = []
        self.u: list[float] = []
        self.free: list[bool] = []
        self.quantities: list[Quantity] = []
        self.places: list[Place] = []
        self.kinds: list[int] = []
        self.flow_terms: list[tuple[int, int, int, float, int]] = []
        self.plain_terms: list[tuple[int, int, float]] = []
        self.mix_terms: list[tuple[int, int, int, int]] = []
        self.figures: dict[tuple[str, str], int] = {}

    def quantity(
        self, what: str, y: float, u: float, *, row: int = -1, move: int = -1, free: bool = False
    ) -> int:
        """Add a quantity; its number."""
        self.y.append(y)
        self.u.append(max(u, _LEAST_U))
        self.free.append(free)
        self.quantities.append(Quantity(what, row, move))
        return len(self.y) - 1

    def balance(self, kind: int, place: Place) -> int:
        """Add a balance without terms; its number."""
        self.places.append(place)
        self.kinds.append(kind)
        return len(self.places) - 1

    def sum_of(self, kind: int, place: Place, flows: list[tuple[int, int, float]]) -> int:
        """Add a balance over flows (volume, strength, sign); its number."""
        row = self.balance(kind, place)
        self.flow_terms += [(row, volume, strength, sign, kind) for volume, strength, sign in flows]
        return row

    def equal(self, place: Place, one: int, other: int) -> None:
        """Add the balance that two quantities are the same."""
        row = self.balance(MIX, place)
        self.plain_terms += [(row, one, 1.0), (row, other, -1.0)]

    def figure(self, batch: str, name: str, flows: list[tuple[int, int]]) -> None:
        """Add the alcohol of several flows (volume, strength) as a quantity: its error comes along."""
        lpa = sum(self.content(volume, strength)[1] for volume, strength in flows)
        number = self.quantity("figure", lpa, _WIDE_FIGURE * max(lpa, 1.0), free=True)
        row = self.balance(FIGURE, Place(batch, None, None))
        self.flow_terms += [(row, volume, strength, 1.0, LPA) for volume, strength in flows]
        self.plain_terms.append((row, number, -1.0))
        self.figures[batch, name] = number

    def content(self, volume: int, strength: int) -> tuple[float, float]:
        """Mass [kg] and alcohol [L] of a flow as logged (or guessed)."""
        if strength == WATER:
            return self.y[volume] * WATER_KG_PER_L, 0.0
        density = kg_per_l_at(self.y[strength])
        return self.y[volume] * density, self.y[volume] * self.y[strength] / 100.0

    def finish(self) -> Book:
        """The network of everything added."""
        row, volume, strength, sign, kind = _columns(self.flow_terms, 5)
        plain_row, variable, factor = _columns(self.plain_terms, 3)
        mix_row, mix_strength, mass, lpa = _columns(self.mix_terms, 4)
        network = Network(
            len(self.places),
            len(self.y),
            FlowTerms(_ints(row), _ints(volume), _ints(strength), sign, _ints(kind)),
            PlainTerms(_ints(plain_row), _ints(variable), factor),
            MixTerms(_ints(mix_row), _ints(mix_strength), _ints(mass), _ints(lpa)),
        )
        return Book(
            network,
            np.array(self.y),
            np.array(self.u),
            np.array(self.free, dtype=bool),
            self.quantities,
            self.places,
            np.array(self.kinds, dtype=np.int64),
            self.figures,
        )


def _columns(rows: list[tuple[Any, ...]], width: int) -> list[Floats]:
    table = np.array(rows, dtype=float).reshape(len(rows), width)
    return [table[:, column] for column in range(width)]


def _ints(column: Floats) -> Ints:
    return column.astype(np.int64)
