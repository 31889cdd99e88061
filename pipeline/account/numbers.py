"""Numbers of moves and readings: whole through the season, counted within its parts.

A part's numbers hang on nothing that is logged of another: a row more in one log moves no number of another
part's, so that a later build finds them as they were. In a season of one part they count from 1 on.
"""

from __future__ import annotations

import polars as pl

PER_PART = 10**9
"""What the numbers of one part are apart from those of the next: part 2 counts from 2,000,000,001 on."""


def numbered_in_part(place: pl.Expr) -> pl.Expr:
    """The number of what stands at a place, counted from 0, within the part that the column `part` tells.

    >>> moves = pl.DataFrame({"part": [0, 2], "place": [41, 41]})
    >>> moves.select(number=numbered_in_part(pl.col("place")))["number"].to_list()
    [42, 2000000042]
    """
    return pl.col("part").cast(pl.Int64) * PER_PART + place.cast(pl.Int64) + 1
