"""Sums of a season's parts put together, with what their uncertainties need of each part.

Parts share no reading. So a season's sum has the variances of its parts' sums, added up. A ratio of two sums
needs besides how they hang together within each part: of a sum that is told as a share of another, its whole,
that is how much it changes with the whole, and how uncertain the rest of it is that the whole says nothing
of. With these as two readings of its own, each of standard uncertainty 1, a part's sums are columns like any
others, and every figure made from them has the uncertainty that it would have by the primary readings.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import polars as pl
from scipy import sparse

from pipeline.account.uncertain import Floats, Uncertain

SUM_SCHEMA = pl.Schema(
    {
        "season": pl.String(),
        "figure": pl.String(),
        "value": pl.Float64(),
        "shared_u": pl.Float64(),
        "own_u": pl.Float64(),
    }
)
"""One row a season and sum of a part; `shared_u` is the part of its standard uncertainty that comes and goes
with that of its whole, with its sign, and `own_u` the rest."""

WholeOf = Callable[[str], str]
"""The name of the sum that a sum is told as a share of; its own for one that is no share."""


def sums_frame(
    sums: Mapping[str, Uncertain], whole_of: WholeOf, seasons: Sequence[str | None], reading_u: Floats
) -> pl.DataFrame:
    """What a part hands on of its sums: `SUM_SCHEMA`.

    sums    : one row a season
    seasons : their names
    """
    names, count = list(sums), len(seasons)
    values = np.concatenate([column.values for column in sums.values()])
    column = Uncertain(values, sparse.vstack([column.jacobian for column in sums.values()]).tocsr())
    number_of = {name: number for number, name in enumerate(names)}
    own = np.arange(values.size)
    of_whole = np.repeat([number_of[whole_of(name)] for name in names], count) * count + own % count
    whole = column.take(of_whole)
    variance = _covariance(whole, whole, reading_u)
    slope = _covariance(column, whole, reading_u) / np.where(variance > 0.0, variance, np.inf)
    slope[of_whole == own] = 0.0
    rest = column - whole * slope
    return pl.DataFrame(
        {
            "season": [season for _ in names for season in seasons],
            "figure": [name for name in names for _ in seasons],
            "value": values,
            "shared_u": slope * np.sqrt(variance),
            "own_u": np.sqrt(_covariance(rest, rest, reading_u)),
        },
        schema=SUM_SCHEMA,
    )


def put_together(
    handed_on: pl.DataFrame, names: Sequence[str], whole_of: WholeOf, seasons: Sequence[str | None]
) -> tuple[dict[str, Uncertain], Floats]:
    """The sums of the whole season, one row a season, and the standard uncertainties of their readings.

    handed_on : `sums_frame` of all parts, with the number of each `part`
    names     : of the sums
    seasons   : those that are wanted
    """
    number_of = {name: number for number, name in enumerate(seasons)}
    wholes = {name: whole_of(name) for name in names}
    # In one order, however the parts were stored: a sum's last digit hangs on it.
    place = pl.col("figure").replace_strict(list(wholes), list(range(len(wholes))), return_dtype=pl.Int64)
    ordered = handed_on.sort("part", place, "season")
    rows = ordered.with_row_index("own").with_columns(
        pl.col("season").replace_strict(number_of, default=-1, return_dtype=pl.Int64).alias("number"),
        pl.col("figure").replace_strict(wholes, return_dtype=pl.String).alias("whole"),
    )
    rows = rows.join(
        rows.select("part", "season", pl.col("figure").alias("whole"), pl.col("own").alias("shared")),
        on=("part", "season", "whole"),
        how="left",
        nulls_equal=True,
        maintain_order="left",
    ).filter(pl.col("number") >= 0)
    sums = {}
    for name in wholes:
        found = rows.filter(pl.col("figure") == name)
        number, value, own, shared, own_u, shared_u = (
            found[column].to_numpy() for column in ("number", "value", "own", "shared", "own_u", "shared_u")
        )
        values = np.bincount(number, value, len(seasons)).astype(float)
        parts = [(number, own, own_u), (number, shared, shared_u)]
        sums[name] = Uncertain.from_parts(values, parts, handed_on.height)
    return sums, np.ones(handed_on.height)


def _covariance(one: Uncertain, other: Uncertain, reading_u: Floats) -> Floats:
    return np.asarray(one.jacobian.multiply(other.jacobian) @ reading_u**2).ravel()
