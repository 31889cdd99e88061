"""The fermentation functions against published measurements of whole brews (tests/data/published)."""

import csv
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline import science as s

DATA = Path(__file__).parents[1] / "data" / "published"

# The bulletin's temperature, 60 degF, in its own rounding, and the density of ethanol there.
BULLETIN_C = 15.56


def brews() -> pl.DataFrame:
    """One row a fermented product, with its wort's gravity and extract beside it."""
    table = pl.read_csv(DATA / "usda_bulletin_493.csv")
    worts = table.filter(pl.col("stage") == "wort").select(
        "brew", wort_sg="sg_15_6", wort_extract="extract_g_100ml"
    )
    return table.filter(pl.col("stage") != "wort").join(worts, on="brew", how="left")


def sg_20(sg_15_6: np.ndarray) -> np.ndarray:
    """A hydrometer of 60/60 degF reading at its own temperature, brought to 20/20 degC."""
    return s.sg_from_reading(sg_15_6, BULLETIN_C, BULLETIN_C)


def measured_abv(alcohol_g_100ml: np.ndarray) -> np.ndarray:
    return alcohol_g_100ml / (s.density_kg_per_m3(1.0, BULLETIN_C) / 1000.0)


def test_bulletin_has_24_brews_and_34_products() -> None:
    table = brews()
    assert table["brew"].n_unique() == 24
    assert table.height == 34


@pytest.mark.parametrize("row", brews().to_dicts(), ids=lambda row: row["sample"])
def test_alcohol_of_a_brew_follows_from_its_gravities(row: dict[str, float]) -> None:
    """Within 8.5 %: 34 products of several breweries, hydrometers of 1911, another extract scale."""
    predicted = s.wash_abv(
        s.sg_from_reading(row["wort_sg"], BULLETIN_C, BULLETIN_C),
        s.sg_from_reading(row["sg_15_6"], BULLETIN_C, BULLETIN_C),
    )
    measured = row["alcohol_g_100ml"] / (s.density_kg_per_m3(1.0, BULLETIN_C) / 1000.0)
    assert predicted == pytest.approx(measured, rel=0.085)


def test_alcohol_from_gravities_is_right_on_average() -> None:
    """Mean ratio within 3.5 % of one, and not by a wide scatter: its standard deviation is under 4 %."""
    table = brews()
    predicted = s.wash_abv(sg_20(table["wort_sg"].to_numpy()), sg_20(table["sg_15_6"].to_numpy()))
    ratio = predicted / measured_abv(table["alcohol_g_100ml"].to_numpy())
    assert ratio.mean() == pytest.approx(1.0, abs=0.035)
    assert ratio.std() < 0.04


def test_wort_extract_differs_only_by_the_difference_of_the_two_scales() -> None:
    """Printed extract is by another table, 2 to 3.5 % above degrees Plato at every brew."""
    table = pl.read_csv(DATA / "usda_bulletin_493.csv").filter(pl.col("stage") == "wort")
    sg = table["sg_15_6"].to_numpy()
    g_per_100ml = s.plato_from_sg(sg_20(sg)) * sg * s.water_density_kg_per_m3(BULLETIN_C) / 1000.0
    ratio = table["extract_g_100ml"].to_numpy() / g_per_100ml
    assert ratio.min() > 1.02
    assert ratio.max() < 1.035
    assert ratio.std() < 0.004


def test_lpa_never_exceeds_what_the_fermented_extract_can_give() -> None:
    table = brews()
    original, final = sg_20(table["wort_sg"].to_numpy()), sg_20(table["sg_15_6"].to_numpy())
    lpa = s.wash_lpa(100.0, original, final)
    assert np.all(lpa < s.extract_kg(100.0, original) * s.MAX_LPA_PER_KG_EXTRACT)


def grain_yields() -> list[dict[str, str]]:
    with (DATA / "grain_spirit_yields.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize(
    "row", [row for row in grain_yields() if row["input_unit"] == "extract"], ids=lambda row: row["material"]
)
def test_alcohol_from_extract_is_as_balling_printed_it(row: dict[str, str]) -> None:
    alcohol = float(row["input_qty"]) * s.ethanol_kg_from_lpa(s.MAX_LPA_PER_KG_EXTRACT)
    assert alcohol == pytest.approx(float(row["published_derived"]), abs=0.02)


def test_feed_wheat_yields_84_pct_of_theory() -> None:
    """435 L a dry tonne of 69 % starch and 3 % sugar (HGCA Research Review 61)."""
    theory = 690.0 * s.LPA_PER_KG_STARCH + 30.0 * s.LPA_PER_KG_HEXOSE
    assert 435.0 / theory == pytest.approx(0.843, abs=0.002)


def test_malt_whisky_of_1948_lies_below_the_predicted_spirit_yield() -> None:
    """2.65 imperial gallons of British proof (57.1 % vol) from 42 lb of malt: 361 LPA a tonne."""
    lpa_per_tonne = s.lpa(2.65 * 4.54609, 57.1) / (42.0 * 0.45359237) * 1000.0
    assert lpa_per_tonne == pytest.approx(361.1, abs=0.3)
    assert lpa_per_tonne < s.predicted_spirit_yield(77.0, 87.0)


@pytest.mark.parametrize(("replicate", "efficiency"), [(1, 0.933), (2, 0.922), (3, 1.030)])
def test_agave_ferment_efficiency_is_reported_even_above_theory(replicate: int, efficiency: float) -> None:
    """Replicate 3 makes more ethanol than its sugar could: the ratio is never cut off at one."""
    course = pl.read_csv(DATA / "agave_ferment_time_course.csv").filter(pl.col("replicate") == replicate)
    sugar = (course["glucose_g_l"] + course["fructose_g_l"]).to_numpy()
    used = sugar[0] - sugar[-1]
    ethanol = course["ethanol_g_l"].to_numpy()
    theory = used * s.ethanol_kg_from_lpa(s.LPA_PER_KG_HEXOSE)
    assert (ethanol[-1] - ethanol[0]) / theory == pytest.approx(efficiency, abs=0.002)
