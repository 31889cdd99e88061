"""Stripping runs beside what their still should bring over, and what another stop costs or gains.

The loss in the pot is predicted by the still's own stages, not unknown: what is logged is held against it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.cuts.schemas import STRIP_STOP_SCHEMA
from pipeline.science import distillate_volume_l, lpa_frac_at_spout

Array = NDArray[np.float64]

STEP_PCT_VOL = 2.0
"""How far the other stops of `fit.strip_stop` lie from the one made, either way (own choice)."""
WEAKEST_STOP_PCT_VOL = 0.5


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

    def over(self, stop: Array) -> Array:
        """Share of the charge over when the spout has fallen to a strength."""
        return np.asarray(lpa_frac_at_spout(self.charge_abv, self.stages, stop))

    def minutes_per_litre(self) -> Array:
        return self.minutes / np.where(self.litres > 0.0, self.litres, np.nan)

    def litres_over(self, frac: Array) -> Array:
        return np.asarray(distillate_volume_l(self.charge_l, self.charge_abv, self.stages, frac))


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
    columns = [expected]
    for stop in (strips.stop + STEP_PCT_VOL, strips.stop - STEP_PCT_VOL):
        stop = np.where(stop >= WEAKEST_STOP_PCT_VOL, stop, np.nan)
        over = strips.over(stop)
        litres = strips.litres_over(over) - strips.litres_over(expected)
        columns += [stop, (over - expected) * strips.charge_lpa, litres * strips.minutes_per_litre()]
    for name, values in zip(_EXPECTED, columns, strict=True):
        yield pl.Series(name, values, dtype=pl.Float64, nan_to_null=True)
