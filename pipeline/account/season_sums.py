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
    parts = [pl.DataFrame(schema=SUM_SCHEMA)]
    for name, column in sums.items():
        shared, rest = np.zeros(column.size), column
        if whole_of(name) != name:
            whole = sums[whole_of(name)]
            variance, whole_u = _covariance(whole, whole, reading_u), whole.u(reading_u)
            slope = _covariance(column, whole, reading_u) / np.where(variance > 0.0, variance, np.inf)
            shared, rest = slope * whole_u, column - whole * slope
        parts.append(
            pl.DataFrame(
                [seasons, [name] * column.size, column.values, shared, rest.u(reading_u)],
                schema=SUM_SCHEMA,
            )
        )
    return pl.concat(parts)


def put_together(
    handed_on: pl.DataFrame, whole_of: WholeOf, seasons: Sequence[str | None]
) -> tuple[dict[str, Uncertain], Floats]:
    """The sums of the whole season, one row a season, and the standard uncertainties of their readings.

    handed_on : `sums_frame` of all parts, with the number of each `part`
    seasons   : those that are wanted
    """
    number_of = {name: number for number, name in enumerate(seasons)}
    wholes = {name: whole_of(name) for name in handed_on["figure"].unique(maintain_order=True)}
    rows = handed_on.with_row_index("own").with_columns(
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
