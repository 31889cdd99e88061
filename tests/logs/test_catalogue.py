"""The built-in catalogue: its figures hang together, and a name finds one ingredient."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.logs import aliases, catalogue, item_key
from pipeline.logs.catalogue import CATALOGUE_SCHEMA


def test_catalogue_has_its_schema_and_every_figure() -> None:
    frame = catalogue()
    assert frame.schema == pl.Schema(CATALOGUE_SCHEMA)
    needed = frame.drop("price", "note")
    assert needed.null_count().sum_horizontal().item() == 0
    assert frame["ingredient_key"].is_unique().all()


def test_low_typical_and_high_are_in_order() -> None:
    odd = catalogue().filter(
        ~pl.col("extract_pct").is_between("extract_low_pct", "extract_high_pct")
        | ~pl.col("moisture_pct").is_between(0, 100)
        | ~pl.col("fermentable_pct").is_between(0, 100)
    )
    assert odd["ingredient"].to_list() == []


def test_every_figure_says_where_it_comes_from() -> None:
    told = catalogue()["source"].str.contains("from memory|computed|published|White et al")
    assert told.all()


def test_a_name_means_one_ingredient() -> None:
    names = aliases()
    assert names.filter(pl.col("alias_key").is_duplicated()).rows() == []
    assert set(aliases()["ingredient"]) == set(catalogue()["ingredient"])


@pytest.mark.parametrize(
    ("name", "ingredient"),
    [
        ("Pale Malt", "pale barley malt, two-row spring"),
        ("raw wheat", "unmalted wheat"),
        ("oat flakes", "flaked oats, dehusked"),
        ("golden syrup", "invert sugar syrup"),
        ("rye-malt", "rye malt"),
        ("Distiller’s malt", "distilling barley malt, low nitrogen"),
    ],
)
def test_trade_names_are_known(name: str, ingredient: str) -> None:
    found = aliases().filter(pl.col("alias_key") == item_key(name))
    assert found["ingredient"].to_list() == [ingredient]


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("  Rye   Malt ", "rye malt"),
        ("Rye_malt (2025)", "rye malt 2025"),
        ("Blé-dur", "blé dur"),
        ("...", None),
        ("", None),
    ],
)
def test_item_key(text: str, key: str | None) -> None:
    assert item_key(text) == key


def test_dextrose_holds_the_water_of_its_formula() -> None:
    # Standard atomic weights (IUPAC, abridged): H 1.008, C 12.011, O 15.999.
    water = 2 * 1.008 + 15.999
    glucose = 6 * 12.011 + 12 * 1.008 + 6 * 15.999
    row = catalogue().filter(pl.col("ingredient") == "dextrose monohydrate").row(0, named=True)
    assert row["moisture_pct"] == pytest.approx(100 * water / (glucose + water), abs=0.05)
