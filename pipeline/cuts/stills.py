"""Every still's own number from its runs, and stripping runs beside it: `fit.still`, `fit.strip_stop`.

Looks at the runs of the whole season, which `pipeline.cuts.runs` fits one by one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import polars as pl

from pipeline.cuts.pooled import Pool, pool
from pipeline.cuts.schemas import STILL_SCHEMA
from pipeline.cuts.strip import strip_table

READS = (
    """
    select still, run_kind, stages, stages_u, charge_correction_frac
    from fit.own_curve order by started_at nulls last, batch, run
    """,
    """
    select
        batch, run, season, still, started_at, charge_volume_l, charge_abv_pct_vol, charge_lpa,
        recovery_frac, recovery_frac_u, last_spout_pct_vol, minutes_min as run_minutes_min,
        collected_volume_l
    from metric.run
    semi join fit.own_curve using (batch, run)
    where run_kind = 'stripping'
    order by started_at nulls last, batch, run
    """,
)

MAKES = {
    "fit.still": "every still's own number for each kind of run, from all its runs. One row a still and kind "
    "of run.",
    "fit.strip_stop": "every stripping run beside what its still should have brought over, and what another "
    "stop would do. One row a stripping run.",
}

_Still = tuple[str | None, str]
"""A still and a kind of run."""


def pool_stills(curves: pl.DataFrame, strips: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Pool the runs of every still; frames as `READS` gives them, tables as `MAKES`."""
    pools = _pools(curves)
    yield pl.DataFrame(_still_rows(curves, pools), schema=STILL_SCHEMA, orient="row")
    yield strip_table(
        strips, {still: found.mean for (still, kind), found in pools.items() if kind == "stripping"}
    )


def _pools(curve: pl.DataFrame) -> dict[_Still, Pool]:
    pools = {}
    for key, mine in _by_still(curve.filter(pl.col("stages").is_not_null())):
        found = pool(mine["stages"].to_numpy(), mine["stages_u"].to_numpy())
        if found is not None:
            pools[key] = found
    return pools


def _by_still(curve: pl.DataFrame) -> list[tuple[_Still, pl.DataFrame]]:
    """The runs of each still and kind, in their order; the nameless still first."""
    parts = curve.partition_by("still", "run_kind", maintain_order=True)
    found = [((part["still"][0], part["run_kind"][0]), part) for part in parts]
    return sorted(found, key=lambda each: (each[0][0] or "", each[0][1]))


def _still_rows(curve: pl.DataFrame, pools: Mapping[_Still, Pool]) -> Iterator[dict[str, Any]]:
    for (still, kind), mine in _by_still(curve):
        corrections = mine["charge_correction_frac"].drop_nulls().to_numpy()
        found = pools.get((still, kind))
        yield {
            "still": still,
            "run_kind": kind,
            "runs": mine.height,
            "runs_fitted": corrections.size,
            "stages_mean": found.mean if found else None,
            "stages_mean_low": found.low if found else None,
            "stages_mean_high": found.high if found else None,
            "stages_between_sd": found.between_sd if found else None,
            "charge_correction_mean_frac": float(np.mean(corrections)) if corrections.size else None,
            "runs_off": int(found.is_off.sum()) if found else None,
        }
