"""What a still of so many stages would have put into each jar: the runs side by side, one call.

Runs have different numbers of jars; they stand in rows of equal length, the rest filled with NaN. Volumes
and strengths are at 20 degC.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.cuts.table import FEWEST_STAGES, MOST_STAGES, still_table
from pipeline.science.equilibrium import raw_abv_from_mole_fraction, raw_mole_fraction_from_abv

Array = NDArray[np.float64]

#: A charge is looked for between these factors of its logged strength.
CORRECTION_BOUNDS = (-0.25, 0.25)
_WEAKEST_CHARGE = 0.05
_STRONGEST_CHARGE = 89.0


@dataclass(frozen=True)
class RunSet:
    """The runs to be fitted: one row a run, one column a jar in the order filled.

    charge_l, charge_abv    : what was charged [L, % vol]
    charge_abv_u            : standard uncertainty of the charge's strength [% vol]
    volume_l                : each jar [L], NaN beyond a run's last jar; no gaps
    jar_abv, spout_abv      : strength in the jar, and at the spout when it was full [% vol]; NaN not read
    """

    charge_l: Array
    charge_abv: Array
    charge_abv_u: Array
    volume_l: Array
    jar_abv: Array
    spout_abv: Array

    @property
    def runs(self) -> int:
        return int(self.volume_l.shape[0])

    @cached_property
    def edges(self) -> tuple[NDArray[np.int_], NDArray[np.int_]]:
        """Row and column of every edge that a run has: its first drop, and the end of each jar."""
        is_edge = np.concatenate([np.ones((self.runs, 1), dtype=bool), self.filled_l > 0.0], axis=1)
        row, column = np.nonzero(is_edge)
        return row, column

    @cached_property
    def filled_l(self) -> Array:
        """Each jar's volume, nothing beyond the last."""
        return np.nan_to_num(self.volume_l, nan=0.0)

    def with_volumes(self, volume_l: Array, jar_abv: Array) -> RunSet:
        """The same runs with other jars."""
        return replace(self, volume_l=volume_l, jar_abv=jar_abv)


def run_set(
    charge_l: Sequence[float],
    charge_abv: Sequence[float],
    charge_abv_u: Sequence[float],
    jars: Sequence[Sequence[tuple[float, float, float]]],
) -> RunSet:
    """Put runs of different length side by side; a jar is (volume_l, jar_abv, spout_abv), NaN not read."""
    longest = max((len(each) for each in jars), default=0)
    padded = np.full((len(jars), longest, 3), np.nan)
    for row, each in enumerate(jars):
        if each:
            padded[row, : len(each)] = each
    return RunSet(
        np.asarray(charge_l, dtype=np.float64),
        np.asarray(charge_abv, dtype=np.float64),
        np.asarray(charge_abv_u, dtype=np.float64),
        padded[:, :, 0],
        padded[:, :, 1],
        padded[:, :, 2],
    )


@dataclass(frozen=True)
class Course:
    """What the model says of every jar, and how fast it changes; first column of an edge: the first drop.

    jar_abv      : strength of each jar as the sum of its drops [% vol]
    spout_abv    : strength at the spout at each edge [% vol], one more than jars
    spout_slope  : its change per litre collected [% vol per L]
    lpa_frac     : share of the charge's alcohol (as corrected) over at each edge
    log_ethanol  : ln(pure alcohol left in the pot) at each edge, up to a constant of the still
    place        : where each edge stands in the still's table
    edge_l       : litres collected up to each edge
    """

    jar_abv: Array
    spout_abv: Array
    spout_slope: Array
    lpa_frac: Array
    log_ethanol: Array
    place: Array
    edge_l: Array


def course(runs: RunSet, stages: Array, correction: Array, has_slope: bool = True) -> Course:
    """The course of each run on a still of so many stages, its charge's strength corrected by a factor.

    stages     : effective extra stages, one a run
    correction : relative correction of the charge's strength, one a run (0.01: one per cent stronger)
    has_slope  : without, the slope at the spout is left NaN (a third of the work saved)
    """
    table = still_table()
    strength = np.clip(runs.charge_abv * (1.0 + correction), _WEAKEST_CHARGE, _STRONGEST_CHARGE)
    log_charge = np.log(raw_mole_fraction_from_abv(strength))
    start, to_come = table.at_pot.at(stages, log_charge).T
    litres_per_unit = runs.charge_l * strength / 100.0 / np.exp(start)
    edge_l = np.concatenate([np.zeros((runs.runs, 1)), np.cumsum(runs.filled_l, axis=1)], axis=1)
    low, high = table.lowest(stages), table.highest(stages)
    left = np.maximum(np.exp(to_come)[:, None] - edge_l / litres_per_unit[:, None], np.exp(low)[:, None])
    place = (np.log(left) - low[:, None]) / (high - low)[:, None]
    row, column = runs.edges
    where = stages[row], place[row, column]
    slope = np.full(place.shape, np.nan)
    if has_slope:
        at_place, by_place = table.at_place.at_with_slope(*where)
        per_litre = -1.0 / (left * litres_per_unit[:, None] * (high - low)[:, None])
        slope = _spread(runs, by_place[:, 1]) * per_litre
    else:
        at_place = table.at_place.at(*where)
    ethanol, spout = (_spread(runs, each) for each in at_place.T)
    lpa_frac = np.maximum(-np.expm1(ethanol - start[:, None]), 0.0)
    filled = np.where(runs.filled_l > 0.0, runs.filled_l, np.nan)
    jar_abv = np.diff(lpa_frac, axis=1) * (runs.charge_l * strength)[:, None] / filled
    return Course(jar_abv, spout, slope, lpa_frac, ethanol, place, edge_l)


def _spread(runs: RunSet, of_edges: Array) -> Array:
    """Values of the edges that there are, each in its run's row; NaN beyond the last."""
    values = np.full((runs.runs, runs.volume_l.shape[1] + 1), np.nan)
    values[runs.edges] = of_edges
    return values


def pot_strengths(runs: RunSet, stages: Array, here: Course) -> Array:
    """Strength left in the pot at each edge of each run [% vol]; NaN where there is no edge or no fit."""
    row, column = runs.edges
    log_pot = still_table().pot_at_place.at(stages[row], here.place[row, column])
    return _spread(runs, np.asarray(raw_abv_from_mole_fraction(np.exp(log_pot[:, 0]))))


def as_drops(runs: RunSet, stages: Array, correction: Array) -> RunSet:
    """The runs with every jar as the sum of its drops, which is what `course` counts in.

    Drops of different strength fill a little less together than apart: moles add, volumes do not.
    """
    here = course(runs, stages, correction)
    moles = np.exp(here.log_ethanol)
    row, column = runs.edges
    log_pot = still_table().pot_at_place.at(stages[row], here.place[row, column])
    pot = np.exp(_spread(runs, log_pot[:, 0]))
    spirit, everything = -np.diff(moles, axis=1), -np.diff(moles / pot, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = raw_abv_from_mole_fraction(np.clip(spirit / everything, 1e-9, 1.0)) / here.jar_abv
    # Nothing contracts by a twentieth; where the pot is as good as empty the ratio is two noughts.
    contraction = np.where(np.isfinite(ratio) & (np.abs(ratio - 1.0) < 0.05), ratio, 1.0)
    return runs.with_volumes(runs.volume_l * contraction, runs.jar_abv / contraction)


def within_bounds(stages: Array, correction: Array) -> tuple[Array, Array]:
    """Stages and corrections kept where the table is."""
    return (
        np.clip(stages, FEWEST_STAGES + 0.02, MOST_STAGES - 0.02),
        np.clip(correction, *CORRECTION_BOUNDS),
    )
