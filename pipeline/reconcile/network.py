"""The balances of a season as equations in volumes and strengths.

A flow is a volume [L at 20 degC] of some strength [%vol at 20 degC]; its pure alcohol is V A / 100 and its
mass V rho(A). Pure alcohol and mass add, volumes do not. A lot's content between two draws is a mass and an
amount of alcohol that nobody measured, and what is drawn from it has its strength.

Of the extract dissolved in a wash nothing is said: it stays in the pot, and takes up the same room (about
0.6 L a kilogram) in wash and pot ale, so that both may be weighed as the spirit and water in them."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

from pipeline import science

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

LPA, MASS, VOLUME = 0, 1, 2

# Density by strength on a grid fine enough to be straight between its points (to 1e-8 kg/L).
_GRID_STEP = 0.02
_GRID_PCT_VOL = np.arange(0.0, 100.0 + _GRID_STEP / 2.0, _GRID_STEP)
_DENSITY: Floats = np.asarray(
    science.mass_kg_from_volume_l(np.ones_like(_GRID_PCT_VOL), np.minimum(_GRID_PCT_VOL, 100.0)), dtype=float
)
_DENSITY_SLOPE: Floats = np.gradient(_DENSITY, _GRID_STEP)

WATER = -1
"""In place of the number of a strength: water, which has none."""


def kg_per_l(abv_pct_vol: Floats) -> tuple[Floats, Floats]:
    """Density at 20 degC [kg/L] by strength [%vol, held to 0..100], and its slope [kg/L per %vol].

    source : OIML R 22 by `pipeline.science.mass_kg_from_volume_l`
    """
    held = np.clip(abv_pct_vol, 0.0, 100.0)
    return np.interp(held, _GRID_PCT_VOL, _DENSITY), np.interp(held, _GRID_PCT_VOL, _DENSITY_SLOPE)


_GRID_POINTS: list[float] = _GRID_PCT_VOL.tolist()
_DENSITIES: list[float] = _DENSITY.tolist()


def kg_per_l_at(abv_pct_vol: float) -> float:
    """`kg_per_l` of one strength, the density alone: an array of one takes ten times as long."""
    held = min(max(abv_pct_vol, 0.0), 100.0)
    at = min(bisect_right(_GRID_POINTS, held), len(_GRID_POINTS) - 1) - 1
    slope = (_DENSITIES[at + 1] - _DENSITIES[at]) / (_GRID_POINTS[at + 1] - _GRID_POINTS[at])
    return slope * (held - _GRID_POINTS[at]) + _DENSITIES[at]


@dataclass(frozen=True)
class FlowTerms:
    """Flows in balances: row, number of the volume, number of the strength (or WATER), sign, what is
    added."""

    row: Ints
    volume: Ints
    strength: Ints
    sign: Floats
    kind: Ints

    def only(self, picked: npt.NDArray[np.bool_], rows: Ints) -> FlowTerms:
        """The terms picked, their rows renumbered."""
        return FlowTerms(
            rows[self.row[picked]],
            self.volume[picked],
            self.strength[picked],
            self.sign[picked],
            self.kind[picked],
        )


@dataclass(frozen=True)
class PlainTerms:
    """Terms that are a number times a quantity."""

    row: Ints
    variable: Ints
    factor: Floats

    def only(self, picked: npt.NDArray[np.bool_], rows: Ints) -> PlainTerms:
        """The terms picked, their rows renumbered."""
        return PlainTerms(rows[self.row[picked]], self.variable[picked], self.factor[picked])


@dataclass(frozen=True)
class MixTerms:
    """A draw's alcohol per kilogram is its lot's: strength drawn, mass and alcohol held before it."""

    row: Ints
    strength: Ints
    mass: Ints
    lpa: Ints

    def only(self, picked: npt.NDArray[np.bool_], rows: Ints) -> MixTerms:
        """The terms picked, their rows renumbered."""
        return MixTerms(rows[self.row[picked]], self.strength[picked], self.mass[picked], self.lpa[picked])


@dataclass(frozen=True)
class Network:
    """All balances of a season, ready to be evaluated; implements `pipeline.reconcile.solve.Balances`.

    rows, variables : how many balances and quantities there are
    """

    rows: int
    variables: int
    flows: FlowTerms
    plain: PlainTerms
    mixes: MixTerms

    def evaluate(self, x: Floats) -> tuple[Floats, Any]:
        """By how much each balance is open at x, and the derivatives."""
        open_by = np.zeros(self.rows)
        parts: list[tuple[Ints, Ints, Floats]] = []
        self._add_flows(x, open_by, parts)
        plain = self.plain
        np.add.at(open_by, plain.row, plain.factor * x[plain.variable])
        parts.append((plain.row, plain.variable, plain.factor))
        self._add_mixes(x, open_by, parts)
        row, column, value = (np.concatenate(each) for each in zip(*parts, strict=True))
        return open_by, sparse.csr_matrix((value, (row, column)), shape=(self.rows, self.variables))

    def _add_flows(self, x: Floats, open_by: Floats, parts: list[tuple[Ints, Ints, Floats]]) -> None:
        flows = self.flows
        volume = x[flows.volume]
        has_strength = flows.strength != WATER
        abv = np.where(has_strength, x[np.maximum(flows.strength, 0)], 0.0)
        density, density_slope = kg_per_l(abv)
        is_lpa, is_mass = flows.kind == LPA, flows.kind == MASS
        per_l = np.where(is_lpa, abv / 100.0, np.where(is_mass, density, 1.0)) * flows.sign
        per_pct = np.where(is_lpa, 0.01, np.where(is_mass, density_slope, 0.0)) * volume * flows.sign
        np.add.at(open_by, flows.row, per_l * volume)
        parts.append((flows.row, flows.volume, per_l))
        parts.append((flows.row[has_strength], flows.strength[has_strength], per_pct[has_strength]))

    def _add_mixes(self, x: Floats, open_by: Floats, parts: list[tuple[Ints, Ints, Floats]]) -> None:
        """Alcohol per kilogram of the strength drawn, times the mass held, is the alcohol held.

        Written as a product and not as a ratio, so that a lot that holds next to nothing, or is guessed far
        too large, needs no guard against a division.
        """
        mixes = self.mixes
        abv, mass = x[mixes.strength], x[mixes.mass]
        density, density_slope = kg_per_l(abv)
        lpa_per_kg = abv / (100.0 * density)
        np.add.at(open_by, mixes.row, lpa_per_kg * mass - x[mixes.lpa])
        by_abv = 0.01 / density * (1.0 - abv * density_slope / density)
        parts.append((mixes.row, mixes.strength, by_abv * mass))
        parts.append((mixes.row, mixes.lpa, -np.ones(mixes.row.size)))
        parts.append((mixes.row, mixes.mass, lpa_per_kg))

    def part(self, wanted: Ints) -> tuple[Network, Ints]:
        """The balances of these numbers alone, and the numbers of the quantities that are in them."""
        row = np.full(self.rows, -1, dtype=np.int64)
        row[wanted] = np.arange(wanted.size)
        flows = self.flows.only(row[self.flows.row] >= 0, row)
        plain = self.plain.only(row[self.plain.row] >= 0, row)
        mixes = self.mixes.only(row[self.mixes.row] >= 0, row)
        named = (flows.volume, flows.strength, plain.variable, mixes.strength, mixes.mass, mixes.lpa)
        variables = np.unique(np.concatenate(named))
        variables = variables[variables != WATER]
        number = np.full(self.variables + 1, WATER, dtype=np.int64)
        number[variables] = np.arange(variables.size)
        part = Network(
            wanted.size,
            variables.size,
            replace(flows, volume=number[flows.volume], strength=number[flows.strength]),
            replace(plain, variable=number[plain.variable]),
            replace(mixes, strength=number[mixes.strength], mass=number[mixes.mass], lpa=number[mixes.lpa]),
        )
        return part, variables
