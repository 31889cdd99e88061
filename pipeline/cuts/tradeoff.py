"""Is the cut where it pays: scores against the place of the cut, and the litres that moving it costs.

`fit.cut_tradeoff`. Scores are compared within a tasting session only, so that a stern day is not read as a
bad cut; the slope is a straight line and its interval Student's. Said to be told from nothing only after
allowing for the number of attributes looked at, by Holm.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from pipeline.multiplicity import holm

Array = NDArray[np.float64]
Row = dict[str, Any]

READS = """
    with cut as (
        select
            batch,
            favg(hearts_end_spout_pct_vol) as hearts_end_pct_vol,
            fsum(hearts_end_fall_lpa) as fall_lpa
        from fit.run_curve
        where run_kind = 'spirit'
        group by batch
    )
    select score.season, score.session, score.attribute, score.batch,
        favg(score.score_mean) as score_mean,
        any_value(cut.hearts_end_pct_vol) as hearts_end_pct_vol,
        any_value(cut.fall_lpa) as fall_lpa
    from metric.sample_score as score
    inner join cut on cut.batch = score.batch
    where score.cask is null and cut.hearts_end_pct_vol is not null and score.score_mean is not null
    group by score.season, score.session, score.attribute, score.batch
    order by score.season, score.attribute, score.session, score.batch
"""
MAKES = ("fit.cut_tradeoff",)
WHAT = (
    "what ending hearts earlier or later does to litres and scores, as far as the scored batches tell. "
    "One row a season, attribute and shift of the cut.",
)

LEAST_BATCHES = 8
SHIFTS_PCT_VOL = (-3.0, -2.0, -1.0, 1.0, 2.0, 3.0)
TOLD = 0.05

SCHEMA = pl.Schema(
    {
        "season": pl.String(),
        "attribute": pl.String(),
        "batches": pl.Int64(),
        "hearts_end_mean_pct_vol": pl.Float64(),
        "hearts_end_spread_pct_vol": pl.Float64(),
        "cut_shift_pct_vol": pl.Float64(),
        "lpa_change_per_batch": pl.Float64(),
        "score_change": pl.Float64(),
        "score_change_low": pl.Float64(),
        "score_change_high": pl.Float64(),
        "slope_p_value": pl.Float64(),
        "is_told": pl.Boolean(),
    }
)


@dataclass(frozen=True)
class Slope:
    """Change of score for hearts ended one % vol stronger, with its 95 % interval and two-sided p."""

    value: float
    half_width: float
    p_value: float


def slope_within(score: Array, cut: Array, session: NDArray[np.str_]) -> Slope | None:
    """The common slope of scores on cuts within sessions; None when there is too little to fit."""
    names = np.unique(session)
    freedom = score.size - names.size - 1
    x, y = cut.copy(), score.copy()
    for name in names:
        mine = session == name
        x[mine] -= x[mine].mean()
        y[mine] -= y[mine].mean()
    square = float(x @ x)
    if freedom < 3 or not square > 1e-9:
        return None
    value = float(x @ y) / square
    residual = y - value * x
    u = float(np.sqrt(residual @ residual / freedom / square))
    p_value = 2.0 * float(stdtr(freedom, -abs(value) / u)) if u > 0.0 else 0.0
    return Slope(value, float(stdtrit(freedom, 0.975)) * u, p_value)


def weigh_cuts(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Weigh litres against scores for each season and attribute of `READS`."""
    rows: list[Row] = []
    for season in frame.partition_by("season", maintain_order=True):
        rows += _of_season(season)
    return iter([pl.DataFrame(rows, schema=SCHEMA, orient="row")])


def _of_season(season: pl.DataFrame) -> list[Row]:
    found: list[tuple[Row, Slope]] = []
    for part in season.partition_by("attribute", maintain_order=True):
        batches = part["batch"].n_unique()
        slope = slope_within(
            part["score_mean"].to_numpy().astype(np.float64),
            part["hearts_end_pct_vol"].to_numpy().astype(np.float64),
            part["session"].fill_null("").to_numpy().astype(str),
        )
        if slope is None or batches < LEAST_BATCHES:
            continue
        of_batches = part.unique("batch", maintain_order=True)
        ends = of_batches["hearts_end_pct_vol"]
        head = {
            "season": part["season"][0],
            "attribute": part["attribute"][0],
            "batches": batches,
            "hearts_end_mean_pct_vol": ends.mean(),
            "hearts_end_spread_pct_vol": ends.std(),
            "fall_lpa": of_batches["fall_lpa"].mean(),
        }
        found.append((head, slope))
    told = holm([slope.p_value for _, slope in found]) <= TOLD
    return [
        row
        for (head, slope), is_told in zip(found, told, strict=True)
        for row in _shifted(head, slope, is_told)
    ]


def _shifted(head: Row, slope: Slope, is_told: bool) -> Iterator[Row]:
    litres = head.pop("fall_lpa")
    for shift in SHIFTS_PCT_VOL:
        half = abs(shift) * slope.half_width
        yield head | {
            "cut_shift_pct_vol": shift,
            # Ended a % vol stronger, hearts hold so much less.
            "lpa_change_per_batch": None if litres is None else -shift * litres,
            "score_change": shift * slope.value,
            "score_change_low": shift * slope.value - half,
            "score_change_high": shift * slope.value + half,
            "slope_p_value": slope.p_value,
            "is_told": bool(is_told),
        }
