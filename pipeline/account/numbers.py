"""Numbers of moves and readings: whole through the season, counted within its parts.

A part's numbers hang on nothing that is logged of another: a row more in one log moves no number of another
part's, so that a later build finds them as they were. In a season of one part they count from 1 on.
"""

from __future__ import annotations

import polars as pl

PER_PART = 10**9
"""What the numbers of one part are apart from those of the next: part 2 counts from 2,000,000,001 on."""


def numbered_in_part(place: pl.Expr, part: pl.Expr | None = None) -> pl.Expr:
    """The number of what stands at a place within its part.

    place : counted from 0
    part  : the column `part` when None

    >>> pl.select(numbered_in_part(pl.lit(41), pl.lit(2))).item()
    2000000042
    """
    of_part = pl.col("part") if part is None else part
    return of_part.cast(pl.Int64) * PER_PART + place.cast(pl.Int64) + 1
