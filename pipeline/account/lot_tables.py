"""The tables of the walk: what a move says, and a lot."""

from __future__ import annotations

import polars as pl

from pipeline.account.numbers import numbered_in_part

MOVE_SCHEMA = pl.Schema(
    {
        "move_id": pl.Int64(),
        "file_id": pl.Int32(),
        "line": pl.Int32(),
        "happened_at": pl.Datetime("us"),
        "kind": pl.String(),
        "batch": pl.String(),
        "run": pl.String(),
        "cut": pl.String(),
        "from_lot": pl.String(),
        "to_lot": pl.String(),
        "volume_l": pl.Float64(),
        "mass_kg": pl.Float64(),
        "abv_pct_vol": pl.Float64(),
        "lpa": pl.Float64(),
        "strength_basis": pl.String(),
        "adjustment_lpa": pl.Float64(),
        "overdrawn_l": pl.Float64(),
        "from_turnover_l": pl.Float64(),
        "from_mass_before_kg": pl.Float64(),
        "from_lpa_before": pl.Float64(),
        "to_mass_before_kg": pl.Float64(),
        "to_lpa_before": pl.Float64(),
        "from_volume_after_l": pl.Float64(),
        "from_lpa_after": pl.Float64(),
        "to_volume_after_l": pl.Float64(),
        "to_lpa_after": pl.Float64(),
    }
)

# What a move takes over from its entry.
_OF_ENTRY = ("file_id", "line", "happened_at", "kind", "batch", "run", "cut", "strength_basis")

WALKED_SCHEMA = pl.Schema(
    {name: kind for name, kind in MOVE_SCHEMA.items() if name not in ("move_id", *_OF_ENTRY)}
)
"""What the walk adds to each entry."""

# What the walk looks at.
WALKED_COLUMNS = (
    *("kind", "batch", "cut", "from_lot", "to_lot", "strength_basis", "happened_at"),
    *("volume_20c_l", "mass_kg", "abv_20c_pct_vol"),
)

LOT_SCHEMA = pl.Schema(
    {
        "lot": pl.String(),
        "lot_kind": pl.String(),
        "batch": pl.String(),
        "opened_at": pl.Datetime("us"),
        "last_at": pl.Datetime("us"),
        "filled_lpa": pl.Float64(),
        "drawn_lpa": pl.Float64(),
        "adjustment_lpa": pl.Float64(),
        "volume_l": pl.Float64(),
        "mass_kg": pl.Float64(),
        "abv_pct_vol": pl.Float64(),
        "lpa": pl.Float64(),
    }
)


def moves_of(entries: pl.DataFrame, walked: pl.DataFrame, part: pl.Series | None = None) -> pl.DataFrame:
    """account.move from its entries and what the walk adds to them, row by row; in the order of `move_id`.

    part : of the season, of each entry; None: all are of the first
    """
    own = entries.select(_OF_ENTRY).hstack(walked)
    own = own.with_columns(pl.lit(0).alias("part") if part is None else part.alias("part"))
    numbered = own.with_columns(numbered_in_part(pl.int_range(pl.len()).over("part")).alias("move_id"))
    return numbered.select(pl.col(name).cast(kind) for name, kind in MOVE_SCHEMA.items()).sort("move_id")
