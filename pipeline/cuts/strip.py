"""Stripping runs beside what their still should bring over, and what another stop costs or gains.

The loss in the pot is predicted by the still's own stages, not unknown: what is logged is held against it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cuts.schemas import STRIP_STOP_SCHEMA
from pipeline.science import distillate_volume_l
from pipeline.science.equilibrium import raw_mole_fraction_from_abv
from pipeline.science.still import STRONGEST_CHARGE_PCT_VOL, RunCurve, curve_of_still

Array = NDArray[np.float64]

STEP_PCT_VOL = 2.0
"""How far the other stops of `fit.strip_stop` lie from the one made, either way (own choice)."""
WEAKEST_STOP_PCT_VOL = 0.5


@dataclass(frozen=True)
class _Charges:
    """Where each run begins on its still's curve; NaN for a charge that no run is computed for.

    log_ethanol : position on the curve
    spout_x     : mole fraction of the first vapour
    """

    log_ethanol: Array
    spout_x: Array

    @classmethod
    def on(cls, curve: RunCurve, charge_abv: Array) -> _Charges:
        """The charges of some runs, a strength each [% vol]."""
        is_run = (charge_abv > 0.0) & (charge_abv <= STRONGEST_CHARGE_PCT_VOL)
        charge_x = raw_mole_fraction_from_abv(np.where(is_run, charge_abv, np.nan))
        return cls(_once_each(curve.log_ethanol_at, charge_x), _once_each(curve.vapour, charge_x))


@dataclass(frozen=True)
class _Strips:
    """What is known of some stripping runs of one still, one value a run; NaN not measured."""

    charge_l: Array
    charge_abv: Array
    charge_lpa: Array
    stop: Array
    minutes: Array
    litres: Array
    stages: float

    @cached_property
    def curve(self) -> RunCurve:
        return curve_of_still(self.stages)

    @cached_property
    def charges(self) -> _Charges:
        return _Charges.on(self.curve, self.charge_abv)

    def over(self, stop: Array) -> Array:
        """Share of the charge over when the spout has fallen to a strength.

        The answer of `pipeline.science.lpa_frac_at_spout`, which solves for the pot of every run and stop
        anew: the pot under a spout is the same whatever was charged, and stops are read to a few digits.
        """
        is_known = (stop > 0.0) & (stop <= 100.0) & np.isfinite(self.charges.spout_x)
        spout_x = raw_mole_fraction_from_abv(np.where(is_known, stop, np.nan))
        is_started = spout_x < self.charges.spout_x
        pot_x = _once_each(self.curve.pot_x_under_spout, np.where(is_started, spout_x, np.nan))
        left = self.curve.log_ethanol_at(pot_x) - self.charges.log_ethanol
        return np.where(is_known, np.where(is_started, -np.expm1(left), 0.0), np.nan)

    def minutes_per_litre(self) -> Array:
        return self.minutes / np.where(self.litres > 0.0, self.litres, np.nan)

    def litres_over(self, frac: Array) -> Array:
        return np.asarray(distillate_volume_l(self.charge_l, self.charge_abv, self.stages, frac))


def _once_each(function: Callable[[Array], Array], values: Array) -> Array:
    """What a function of one number makes of each value, worked out once for all runs that share it."""
    distinct, place = np.unique(values, return_inverse=True)
    return np.asarray(function(distinct)[place])


def strip_table(heads: pl.DataFrame, stages: Mapping[str | None, float]) -> pl.DataFrame:
    """`fit.strip_stop`, in the order of `heads`.

    heads  : any jar's row of each stripping run
    stages : each still's pooled effective stages; a still without one gets no expectation
    """
    heads = heads.with_row_index("place")
    expected = [pl.DataFrame(schema={"place": pl.UInt32(), **_EXPECTED})]
    for still, found in stages.items():
        mine = heads.filter(pl.col("still").eq_missing(still))
        expected.append(mine.select("place", *_of_still(mine, found)))
    difference = pl.col("recovery_frac") - pl.col("expected_recovery_frac")
    table = heads.join(pl.concat(expected), on="place", how="left", maintain_order="left")
    return table.with_columns(difference.alias("recovery_difference_frac")).select(
        pl.col(name).cast(dtype) for name, dtype in STRIP_STOP_SCHEMA.items()
    )


_EXPECTED = {
    name: pl.Float64()
    for name in (
        "expected_recovery_frac",
        *(f"{stop}_{what}" for stop in ("earlier", "later") for what in ("stop_pct_vol", "lpa", "min")),
    )
}


def _of_still(heads: pl.DataFrame, stages: float) -> Iterator[pl.Series]:
    """Expected recovery and the two other stops of one still's runs: the columns of `_EXPECTED`."""

    def column(name: str) -> Array:
        return heads[name].cast(pl.Float64).fill_null(np.nan).to_numpy()

    strips = _Strips(
        column("charge_volume_l"),
        column("charge_abv_pct_vol"),
        column("charge_lpa"),
        column("last_spout_pct_vol"),
        column("run_minutes_min"),
        column("collected_volume_l"),
        min(max(stages, 0.0), 2.0),
    )
    expected = strips.over(strips.stop)
    litres_now, minutes_per_litre = strips.litres_over(expected), strips.minutes_per_litre()
    columns = [expected]
    for stop in (strips.stop + STEP_PCT_VOL, strips.stop - STEP_PCT_VOL):
        stop = np.where(stop >= WEAKEST_STOP_PCT_VOL, stop, np.nan)
        over = strips.over(stop)
        litres = strips.litres_over(over) - litres_now
        columns += [stop, (over - expected) * strips.charge_lpa, litres * minutes_per_litre]
    for name, values in zip(_EXPECTED, columns, strict=True):
        yield pl.Series(name, values, dtype=pl.Float64, nan_to_null=True)
