"""Stripping runs beside what their still should bring over, and what another stop costs or gains.

The loss in the pot is predicted by the still's own stages, not unknown: what is logged is held against it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.science import distillate_volume_l, lpa_frac_at_spout

Array = NDArray[np.float64]
Row = dict[str, Any]

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


def strip_rows(heads: Sequence[Row], stages: Mapping[str | None, float]) -> list[Row]:
    """The rows of `fit.strip_stop`, in the order of `heads`.

    heads  : any jar's row of each stripping run
    stages : each still's pooled effective stages; a still without one gets no expectation
    """
    shared = ("batch", "run", "season", "still", "started_at", "charge_lpa", "charge_abv_pct_vol")
    rows = [
        {name: head[name] for name in (*shared, "last_spout_pct_vol", "recovery_frac", "recovery_frac_u")}
        for head in heads
    ]
    for still, found in stages.items():
        mine = [i for i, head in enumerate(heads) if head["still"] == still]
        for i, row in zip(mine, _of_still([heads[i] for i in mine], found), strict=True):
            rows[i] |= {name: None if np.isnan(value) else value for name, value in row.items()}
    for row in rows:
        if row["recovery_frac"] is not None and row.get("expected_recovery_frac") is not None:
            row["recovery_difference_frac"] = row["recovery_frac"] - row["expected_recovery_frac"]
    return rows


def _of_still(heads: list[Row], stages: float) -> Iterator[dict[str, float]]:
    """Expected recovery and the two other stops of one still's runs."""

    def column(name: str) -> Array:
        return np.array([np.nan if head[name] is None else head[name] for head in heads], dtype=np.float64)

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
    columns = {"expected_recovery_frac": expected}
    for name, stop in (("earlier", strips.stop + STEP_PCT_VOL), ("later", strips.stop - STEP_PCT_VOL)):
        stop = np.where(stop >= WEAKEST_STOP_PCT_VOL, stop, np.nan)
        over = strips.over(stop)
        litres = strips.litres_over(over) - strips.litres_over(expected)
        columns |= {
            f"{name}_stop_pct_vol": stop,
            f"{name}_lpa": (over - expected) * strips.charge_lpa,
            f"{name}_min": litres * strips.minutes_per_litre(),
        }
    for values in zip(*(each.tolist() for each in columns.values()), strict=True):
        yield dict(zip(columns, values, strict=True))
