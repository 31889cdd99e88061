"""A simulated season of known flavour, from logs to what the panel says of it."""

from __future__ import annotations

from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.logs import read_logs
from pipeline.panel.splits import SAMPLE_PARTS
from pipeline.settings import Settings
from pipeline.simulate import season_truth, simulate_season, write_season
from pipeline.warehouse import fill_database


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    place = tmp_path_factory.mktemp("panel")
    made = simulate_season(28, 11)
    write_season(made, place)
    with duckdb.connect(":memory:") as con:
        fill_database(con, read_logs(Path(place), Settings.find(place)), Settings.find(place))
        tables = {
            name: pl.DataFrame(con.sql(f"select * from fit.{name}"))
            for name in ("sample_difference", "sample_mean", "flavour_share", "assessor", "tasted", "panel")
        }
    return tables, season_truth(made)


def test_differences_cover_the_true_ones(season):
    tables, truth = season
    rows = tables["sample_difference"].filter(
        pl.col("tasted_a").str.starts_with("batch "), pl.col("tasted_b").str.starts_with("batch ")
    )
    covered = []
    for row in rows.iter_rows(named=True):
        a, b = (truth["flavour"][row[key].removeprefix("batch ")] for key in ("tasted_a", "tasted_b"))
        gap = a[row["attribute"]] - b[row["attribute"]]
        covered.append(row["score_difference_low"] <= gap <= row["score_difference_high"])
    assert len(covered) > 300
    # Scores stop at the end of the scale, and one of the six uses half of it: not quite 95 %.
    assert np.mean(covered) > 0.9


def test_what_was_planted_is_found_and_what_was_not_is_not(season):
    """Planted: ale yeast gives fruit, oats give cream, wood comes from the cask."""
    tables, _ = season
    share = {
        (row["attribute"], row["flavour_part"]): row for row in tables["flavour_share"].iter_rows(named=True)
    }
    for attribute, part in (("fruit", "yeast"), ("wood", "cask")):
        of_samples = {
            name: row["share_frac"]
            for (own, name), row in share.items()
            if own == attribute and name in SAMPLE_PARTS
        }
        assert max(of_samples, key=of_samples.__getitem__) == part
        assert share[attribute, part]["share_low_frac"] > 0.01
    for absent in (("fruit", "cask"), ("wood", "yeast"), ("wood", "grain bill"), ("grain", "yeast")):
        assert share[absent]["share_low_frac"] < 0.05, absent


def test_the_shares_of_an_attribute_make_up_the_whole(season):
    tables, _ = season
    totals = tables["flavour_share"].group_by("attribute").agg(pl.col("share_frac").sum())
    assert totals["share_frac"].to_list() == pytest.approx([1.0] * totals.height)


def test_every_tasted_spirit_has_a_mean_for_every_attribute(season):
    tables, _ = season
    means = tables["sample_mean"]
    assert means["tasted"].n_unique() == tables["tasted"].height
    assert means["panel_mean"].null_count() == 0
    assert means.group_by("tasted").len()["len"].unique().to_list() == [6]
    inside = (pl.col("panel_mean") > pl.col("panel_mean_low")) & (
        pl.col("panel_mean") < pl.col("panel_mean_high")
    )
    assert means.select(inside.all()).item()


def test_who_uses_half_the_scale_is_found(season):
    """The second assessor of the simulator uses half the scale, the last repeats badly."""
    tables, _ = season
    people = tables["assessor"]
    slopes = (
        people.filter(pl.col("scale_slope_se") < 0.3).group_by("assessor").agg(pl.col("scale_slope").mean())
    )
    lowest = slopes.sort("scale_slope").row(0)[0]
    assert lowest == sorted(people["assessor"].unique())[1]
    loose = (
        people.group_by("assessor")
        .agg(pl.col("repeat_sd").mean())
        .sort("repeat_sd", descending=True)
        .row(0)[0]
    )
    assert loose == sorted(people["assessor"].unique())[-1]
