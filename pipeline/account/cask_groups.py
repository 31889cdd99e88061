"""Casks compared: what woods, sizes and places lose a year, beside what their sizes alone lead to.

Small casks lose more because they have more surface to each litre, so woods and places are compared by how
many times a cask loses what its size leads to. A cask's own rate is only as good as its readings, and casks
of one kind differ among themselves: a mean weighs each by both (random effects: R. DerSimonian, N. Laird,
Controlled Clinical Trials 7 (1986) 177-188, from memory), with one spread between casks for all levels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy import special

from pipeline.account.uncertain import Flags, Floats

CASK_GROUP_SCHEMA = pl.Schema(
    {
        "group_kind": pl.String(),
        "group_name": pl.String(),
        "casks": pl.Int64(),
        "loss_frac_per_year_mean": pl.Float64(),
        "loss_frac_per_year_low": pl.Float64(),
        "loss_frac_per_year_high": pl.Float64(),
        "predicted_loss_frac_per_year": pl.Float64(),
        "loss_over_predicted": pl.Float64(),
        "loss_over_predicted_low": pl.Float64(),
        "loss_over_predicted_high": pl.Float64(),
        "loss_p_value": pl.Float64(),
        "loss_over_predicted_p_value": pl.Float64(),
    }
)
"""One row a level of wood, size or place; the p-values are of the whole kind, on each of its rows."""


@dataclass(frozen=True)
class Means:
    """Means of levels with 95 % intervals, and the chance of so much difference if they are all alike."""

    mean: Floats
    low: Floats
    high: Floats
    p_value: float


def means_by_level(values: Floats, u: Floats, level: Sequence[int], levels: int) -> Means:
    """Means of each level's values, each value with its own standard uncertainty.

    values, u : of each cask
    level     : number of each cask's level, 0 to `levels` - 1; none empty
    returns   : intervals by Student's t where casks differ by more than `u` says, else by the normal
    """
    of = np.asarray(level, dtype=np.int64)
    fixed = 1.0 / u**2
    weight = np.bincount(of, fixed, levels)
    around = np.bincount(of, fixed * values, levels) / weight
    freedom = values.size - levels
    excess = float(fixed @ (values - around[of]) ** 2) - freedom
    scale = float(np.sum(weight - np.bincount(of, fixed**2, levels) / weight))
    between = max(0.0, excess / scale) if freedom > 0 and scale > 0.0 else 0.0
    w = 1.0 / (u**2 + between)
    total = np.bincount(of, w, levels)
    mean = np.bincount(of, w * values, levels) / total
    half = (special.stdtrit(freedom, 0.975) if between > 0.0 else special.ndtri(0.975)) / np.sqrt(total)
    spread = float(total @ (mean - (total @ mean) / total.sum()) ** 2)
    p_value = float(special.chdtrc(levels - 1, spread)) if levels > 1 else math.nan
    return Means(mean, mean - half, mean + half, p_value)


def cask_group_frame(
    described: pl.DataFrame, loss: Floats, u: Floats, predicted: Floats, is_leaking: Flags
) -> pl.DataFrame:
    """metric.cask_group: what casks of each wood, size and place lose.

    described : one row a cask: wood, capacity_l, place
    loss, u   : share of its alcohol lost a year with its standard uncertainty; NaN where not measured
    predicted : the share that the cask's size leads to
    is_leaking: left out, for a leak says nothing of a wood
    """
    usable = ~np.isnan(loss) & (u > 0.0) & ~is_leaking
    frames = [pl.DataFrame(schema=CASK_GROUP_SCHEMA)]
    for kind, column in (("wood", "wood"), ("size", "capacity_l"), ("place", "place")):
        picked = np.flatnonzero(usable & described[column].is_not_null().to_numpy())
        if picked.size:
            names = described[column].gather(picked)
            frames.append(_one_kind(kind, names, loss[picked], u[picked], predicted[picked]))
    return pl.concat(frames)


def _one_kind(kind: str, names: pl.Series, loss: Floats, u: Floats, predicted: Floats) -> pl.DataFrame:
    found = names.unique().sort()
    number_of = {name: number for number, name in enumerate(found)}
    level = np.array([number_of[name] for name in names], dtype=np.int64)
    counts = np.bincount(level, minlength=found.len())
    rates = means_by_level(loss, u, level.tolist(), found.len())
    # Without a capacity there is nothing to hold a cask against; its level is then left open.
    is_sized = ~np.isnan(predicted)
    whole = bool(is_sized.all())
    nothing = np.full(found.len(), math.nan)
    times = Means(nothing, nothing, nothing, math.nan)
    if whole:
        times = means_by_level(loss / predicted, u / predicted, level.tolist(), found.len())
    labels = [f"{name:g} L" if isinstance(name, float) else str(name) for name in found]
    frame = pl.DataFrame(
        {
            "group_kind": [kind] * found.len(),
            "group_name": labels,
            "casks": counts,
            "loss_frac_per_year_mean": rates.mean,
            "loss_frac_per_year_low": rates.low,
            "loss_frac_per_year_high": rates.high,
            "predicted_loss_frac_per_year": np.bincount(level, np.nan_to_num(predicted)) / counts
            if whole
            else np.full(found.len(), math.nan),
            "loss_over_predicted": times.mean,
            "loss_over_predicted_low": times.low,
            "loss_over_predicted_high": times.high,
            "loss_p_value": np.full(found.len(), rates.p_value),
            "loss_over_predicted_p_value": np.full(found.len(), times.p_value),
        },
        schema=CASK_GROUP_SCHEMA,
    )
    return frame.with_columns(pl.col(pl.Float64).fill_nan(None))
