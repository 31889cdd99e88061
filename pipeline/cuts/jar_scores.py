"""Jars of heads and tails tasted by themselves, beside the hearts: `fit.jar_score`, `fit.jar_tradeoff`.

The nearest a distiller comes to asking the cut itself: the jar just outside it, scored on the same evening
as hearts. Differences are taken within an evening, so that a stern one counts for nothing; a straight line
over the distance from the cut says what the spirit at the cut is like. What a move of the cut would do to
the hearts is that difference, thinned by mixing: taste mixes in proportion here, which is an assumption.
Told from nothing by Student's t after Holm over the attributes of a side, as in `tradeoff.py`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from pipeline.cuts.tradeoff import TOLD, slope_within
from pipeline.multiplicity import holm

Array = NDArray[np.float64]
Row = dict[str, Any]

READS = """
    with hearts as (
        select session, attribute, favg(score_mean) as hearts_score_mean
        from metric.sample_score
        where batch is not null and cask is null and score_mean is not null
        group by session, attribute
    )

    select
        score.season, score.session, score.attribute, jar.label, jar.batch, jar.run, jar.jar_no, jar.cut,
        jar.abv_pct_vol, jar.lpa_frac_start, jar.lpa_frac_end,
        score.score_mean, score.score_low, score.score_high,
        score.score_mean - hearts.hearts_score_mean as score_beside_hearts,
        case
            when jar.cut in ('tails', 'feints')
                then (jar.lpa_frac_start + jar.lpa_frac_end) / 2e0 - curve.hearts_end_lpa_frac
            when jar.cut <> 'hearts'
                then curve.hearts_start_lpa_frac - (jar.lpa_frac_start + jar.lpa_frac_end) / 2e0
        end as from_cut_lpa_frac,
        curve.hearts_end_fall_lpa, batch.hearts_lpa
    from metric.sample_score as score
    inner join metric.tasted_jar as jar
        on jar.session is not distinct from score.session and jar.sample = score.sample
    inner join metric.batch as batch on batch.batch = jar.batch
    left join fit.run_curve as curve on curve.batch = jar.batch and curve.run = jar.run
    left join hearts
        on hearts.session is not distinct from score.session and hearts.attribute = score.attribute
    where score.score_mean is not null
    order by score.season, score.attribute, score.session, jar.batch, jar.run, jar.lpa_frac_start, jar.label,
        score.sample
"""
MAKES = ("fit.jar_score", "fit.jar_tradeoff")
WHAT = (
    "every score of a jar that was tasted by itself, with how far from the cut it was filled. One row a "
    "session, jar and attribute.",
    "what the heads and tails at the cut taste like beside the hearts, and what taking more of them in would "
    "do. One row a season, attribute and side of the hearts.",
)

LEAST_JARS = 4
"""Jars of a side below which nothing is said of it (own choice)."""
LEAST_FOR_LINE = 6

SCORE_SCHEMA = pl.Schema(
    {
        **dict.fromkeys(("season", "session", "attribute", "label", "batch", "run"), pl.String()),
        "jar_no": pl.Int64(),
        "cut": pl.String(),
        **dict.fromkeys(
            (
                *("abv_pct_vol", "lpa_frac_start", "lpa_frac_end", "score_mean", "score_low", "score_high"),
                *("score_beside_hearts", "from_cut_lpa_frac"),
            ),
            pl.Float64(),
        ),
    }
)
TRADEOFF_SCHEMA = pl.Schema(
    {
        **dict.fromkeys(("season", "attribute", "cut_side"), pl.String()),
        "jars": pl.Int64(),
        **dict.fromkeys(
            (
                *("score_at_cut", "score_at_cut_low", "score_at_cut_high", "score_at_cut_p_value"),
                *("score_slope", "score_slope_low", "score_slope_high"),
                *("mixed_score_change", "mixed_score_change_low", "mixed_score_change_high"),
            ),
            pl.Float64(),
        ),
        "is_told": pl.Boolean(),
    }
)
_SIDES = {"heads": ("foreshots", "heads"), "tails": ("tails", "feints")}
_PER_CENT = 100.0


@dataclass(frozen=True)
class AtCut:
    """Score at the cut less that of the hearts, with its 95 % interval and two-sided p."""

    value: float
    half_width: float
    p_value: float


def at_cut(difference: Array, distance: Array) -> AtCut | None:
    """The difference from the hearts where the cut was made; None for fewer than `LEAST_JARS` jars.

    difference : score less the hearts' of the same evening, one a jar
    distance   : of the jar from the cut; from `LEAST_FOR_LINE` jars on a straight line leads back to nought,
                 before that (or with jars all at one distance) the mean stands for it
    """
    if difference.size < LEAST_JARS:
        return None
    design = np.ones((difference.size, 1))
    if difference.size >= LEAST_FOR_LINE and np.ptp(distance) > 1e-6:
        design = np.column_stack([design, distance])
    freedom = difference.size - design.shape[1]
    covariance = np.linalg.inv(design.T @ design)
    estimate = covariance @ design.T @ difference
    residual = difference - design @ estimate
    u = float(np.sqrt(residual @ residual / freedom * covariance[0, 0]))
    value = float(estimate[0])
    p_value = 2.0 * float(stdtr(freedom, -abs(value) / u)) if u > 0.0 else float(value == 0.0)
    return AtCut(value, float(stdtrit(freedom, 0.975)) * u, p_value)


def weigh_jars(frame: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """The scored jars of `READS`, and what each side of the hearts is like at the cut."""
    rows: list[Row] = []
    for season in frame.partition_by("season", maintain_order=True):
        for side, cuts in _SIDES.items():
            rows += _of_side(season.filter(pl.col("cut").is_in(cuts)), side)
    scores = frame.select(pl.col(name).cast(dtype) for name, dtype in SCORE_SCHEMA.items())
    return iter([scores, pl.DataFrame(rows, schema=TRADEOFF_SCHEMA, orient="row")])


def _of_side(jars: pl.DataFrame, side: str) -> list[Row]:
    known = jars.filter(
        pl.col("score_beside_hearts").is_not_null() & pl.col("from_cut_lpa_frac").is_not_null()
    )
    found: list[tuple[Row, AtCut]] = []
    for part in known.partition_by("attribute", maintain_order=True):
        distance = _PER_CENT * part["from_cut_lpa_frac"].to_numpy()
        here = at_cut(part["score_beside_hearts"].to_numpy(), distance)
        if here is None:
            continue
        row: Row = {"season": part["season"][0], "attribute": part["attribute"][0], "cut_side": side}
        row |= {"jars": part.height} | _with_interval("score_at_cut", here.value, here.half_width)
        row |= {"score_at_cut_p_value": here.p_value} | _slope(part, distance)
        if side == "tails":
            row |= _mixed(part, here)
        found.append((row, here))
    told = holm([here.p_value for _, here in found]) <= TOLD
    return [row | {"is_told": bool(is_told)} for (row, _), is_told in zip(found, told, strict=True)]


def _with_interval(name: str, value: float, half: float) -> Row:
    return {name: value, f"{name}_low": value - half, f"{name}_high": value + half}


def _slope(part: pl.DataFrame, distance: Array) -> Row:
    """Change of the score a per cent of the charge's alcohol further from the cut."""
    sessions = part["session"].fill_null("").to_numpy().astype(str)
    slope = slope_within(part["score_mean"].to_numpy(), distance, sessions)
    return {} if slope is None else _with_interval("score_slope", slope.value, slope.half_width)


def _mixed(part: pl.DataFrame, here: AtCut) -> Row:
    """What hearts with one more % vol of tails in them would score, by mixing in proportion."""
    runs = part.unique(["batch", "run"], maintain_order=True).drop_nulls(
        ["hearts_end_fall_lpa", "hearts_lpa"]
    )
    if runs.is_empty():
        return {}
    taken = runs["hearts_end_fall_lpa"].to_numpy()
    share = float(np.mean(taken / (runs["hearts_lpa"].to_numpy() + taken)))
    return _with_interval("mixed_score_change", share * here.value, share * here.half_width)
