"""The built-in catalogue of ingredients: extract, moisture and fermentable share of each.

The figures are in `catalogue.csv` beside this file, each with where it comes from. A distiller's own
ingredient list overrides them.
"""

from __future__ import annotations

from functools import cache

import polars as pl

from pipeline.logs.values import plain_item_key
from pipeline.resources import catalogue_path

__all__ = ["CATALOGUE_SCHEMA", "aliases", "catalogue", "item_key"]

CATALOGUE_SCHEMA: dict[str, type[pl.DataType]] = {
    "ingredient": pl.String,
    "ingredient_key": pl.String,
    "kind": pl.String,
    "extract_pct": pl.Float64,
    "extract_low_pct": pl.Float64,
    "extract_high_pct": pl.Float64,
    "moisture_pct": pl.Float64,
    "fermentable_pct": pl.Float64,
    "price": pl.Float64,
    "source": pl.String,
    "note": pl.String,
    "has_enzymes": pl.Boolean,
    "needs_cooking": pl.Boolean,
}


def item_key(text: str) -> str | None:
    """An ingredient's name as it is compared: no case, no punctuation, words one space apart.

    >>> item_key("Rye-Malt  (Lot 12)")
    'rye malt lot 12'
    """
    key = pl.select(plain_item_key(pl.lit(text))).item()
    return None if key is None else str(key)


@cache
def _as_written() -> pl.DataFrame:
    frame = pl.read_csv(catalogue_path(), infer_schema=False)
    return frame.with_columns(plain_item_key(pl.col("ingredient")).alias("ingredient_key"))


@cache
def catalogue() -> pl.DataFrame:
    """The built-in ingredients, one row each, with `CATALOGUE_SCHEMA`.

    extract_* are % of the dry matter (fine grind), moisture_pct % of the weight as it is,
    fermentable_pct % of the extract. Each row's `source` says where its figures come from.
    """
    frame = _as_written().with_columns(
        pl.lit(None, dtype=pl.Float64).alias("price"),
        pl.col("has_enzymes", "needs_cooking").replace_strict({"yes": True, "no": False}),
    )
    return frame.select(pl.col(name).cast(dtype) for name, dtype in CATALOGUE_SCHEMA.items())


@cache
def aliases() -> pl.DataFrame:
    """Every name an ingredient goes by: `alias_key` (see `item_key`) and the catalogue's `ingredient`."""
    short = (
        _as_written()
        .select(pl.col("aliases").fill_null("").str.split(";").alias("alias"), "ingredient")
        .explode("alias", empty_as_null=False)
    )
    full = _as_written().select(pl.col("ingredient").alias("alias"), "ingredient")
    return (
        pl.concat([full, short])
        .select(plain_item_key(pl.col("alias")).alias("alias_key"), "ingredient")
        .filter(pl.col("alias_key").is_not_null())
        .unique(maintain_order=True)
    )
