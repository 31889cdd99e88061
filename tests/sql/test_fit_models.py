"""The design tables on a few batches: shares, pooling of rare grains, factors, responses, casks."""

import pytest

BATCHES = """
    1, 2025-09-01 08:00, grain   , , pale malt   ,           ,             ,         , 8   , , , , , , , 8.00
    1, 2025-09-01 08:00, grain   , , raw rye     ,           ,             ,         , 2   , , , , , , , 1.00
    1, 2025-09-01 08:20, mash    , , cereal cook ,           ,             ,         ,     , , , , ,85, 45,
    1, 2025-09-01 09:00, mash    , , main rest   ,           ,             ,         ,     , , , , ,64, 60,
    1, 2025-09-01 10:00, mash    , , second rest ,           ,             ,         ,     , , , , ,68, 30,
    1, 2025-09-01 18:00, yeast   , , ale yeast   ,           ,             ,         , 0.05, , , , ,  ,   ,
    2, 2025-09-08 08:00, grain   , , pale malt   ,           ,             ,         , 10  , , , , , , , 10.0
    2, 2025-09-08 09:00, mash    , , main rest   ,           ,             ,         ,     , , , , ,66, 60,
    2, 2025-09-08 18:00, yeast   , , wine yeast  ,           ,             ,         , 0.03, , , , ,  ,   ,
    3, 2025-09-15 08:00, grain   , , pale malt   ,           ,             ,         , 10  , , , , , , , 10.0
"""


@pytest.fixture
def season(make_season):
    return make_season(BATCHES)


def test_rare_grains_are_pooled_by_kind_and_shares_sum_to_one(season):
    rye = season.one("fit.ingredient", ingredient="unmalted rye")
    assert rye["design_name"] == "other unmalted grain"
    assert rye["batches"] == 1
    assert rye["needs_cooking"] is True
    assert rye["has_enzymes"] is False
    assert rye["price_per_kg"] == pytest.approx(0.5)
    malt = season.one("fit.ingredient", ingredient="pale barley malt, two-row spring")
    assert malt["design_name"] == "pale barley malt, two-row spring"
    assert malt["has_enzymes"] is True
    shares = season.rows(
        "select level, share_frac, extract_share_frac from fit.design_level "
        "where unit = '1' and family = 'grain'"
    )
    assert {row["level"]: row["share_frac"] for row in shares} == {
        "pale barley malt, two-row spring": pytest.approx(0.8),
        "other unmalted grain": pytest.approx(0.2),
    }
    assert sum(row["extract_share_frac"] for row in shares) == pytest.approx(1.0)


def test_factors_of_a_batch(season):
    first = season.one("fit.design", batch="1")
    assert first["batch_no"] == 1
    assert first["yeast"] == "ale yeast"
    assert first["mash_temperature_c"] == pytest.approx(66.0), "the mean of the rests; a cook is no rest"
    assert first["pitch_g_per_kg"] == pytest.approx(5.0)
    third = season.one("fit.design", batch="3")
    assert third["yeast"] == "not logged"
    assert third["mash_temperature_c"] is None, "not measured is not nought"
    assert third["pitch_g_per_kg"] is None


def test_a_batch_without_a_mass_has_no_shares(make_season):
    season = make_season(
        """
        1, 2025-09-01 08:00, grain, , pale malt, , , , 8, , , , , , ,
        2, 2025-09-01 08:00, grain, , pale malt, , , ,  , , , , , , ,
        """
    )
    units = season.rows("select distinct unit from fit.design_level where family = 'grain'")
    assert [row["unit"] for row in units] == ["1"]


def test_few_batches_make_no_fit_but_every_table(season):
    for table in (
        "gate",
        "effect",
        "alias",
        "share",
        "ranking",
        "quality",
        "note",
        "prediction",
        "next_batch",
    ):
        assert season.rows(f"select * from fit.{table}") == [], table


def test_casks_take_their_spirits_grain_and_yeast_by_alcohol(make_season):
    runs = """
        A, 2025-09-01 08:00, grain  , , pale malt , , , , 10, , , , , , ,
        A, 2025-09-01 18:00, yeast  , , ale yeast , , , , 0.05, , , , , , ,
        A, 2025-09-10 08:00, charge , spirit, low wines, , , , , 30, , 25, , 20, ,
        A, 2025-09-10 12:00, collect, spirit, , hearts, , A hearts, , 6, , 70, , 20, ,
        B, 2025-09-02 08:00, grain  , , raw rye   , , , , 10, , , , , , ,
        B, 2025-09-02 18:00, yeast  , , wine yeast, , , , 0.05, , , , , , ,
        B, 2025-09-11 08:00, charge , spirit, low wines, , , , , 30, , 25, , 20, ,
        B, 2025-09-11 12:00, collect, spirit, , hearts, , B hearts, , 6, , 70, , 20, ,
    """
    casks = """
        C1, 2025-10-01 10:00, fill, A hearts, 3, 70, 20, oak, 5
        C1, 2025-10-01 10:05, fill, B hearts, 1, 70, 20,    ,
    """
    tasting = "session,when,assessor,sample,cask,fruit\n"
    tasting += "".join(f"t,2026-10-01 19:00,P{person},1,C1,{score}\n" for person, score in ((1, 5), (2, 7)))
    season = make_season(runs, casks, {"tasting.csv": tasting})
    sources = {row["batch"]: row["share_frac"] for row in season.rows("select * from fit.cask_source")}
    assert sources == {"A": pytest.approx(0.75), "B": pytest.approx(0.25)}
    cask = season.one("fit.cask_design", cask="C1")
    assert cask["wood"] == "oak"
    assert cask["age_years"] == pytest.approx(1.0, abs=0.01)
    levels = season.rows("select family, level, share_frac from fit.design_level where unit_kind = 'cask'")
    by_level = {(row["family"], row["level"]): row["share_frac"] for row in levels}
    assert by_level["yeast", "ale yeast"] == pytest.approx(0.75)
    assert by_level["wood", "oak"] == 1.0
    response = season.one("fit.response", unit_kind="cask", response="score: fruit")
    assert response["value"] == pytest.approx(6.0)
    assert response["value_u"] is None, "two assessors are too few for a panel's error"
