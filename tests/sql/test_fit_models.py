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


def test_what_was_pooled_left_out_or_too_seldom_measured_is_said(make_season):
    unweighed = """
    4, 2025-09-22 08:00, grain   , , pale malt   ,           ,             ,         , 8   , , , , , , ,
    4, 2025-09-22 08:01, grain   , , pale malt   ,           ,             ,         ,     , , , , , , ,
    """
    tasting = "session,when,assessor,sample,batch,fruit\n" + "".join(
        f"t,2026-10-01 19:00,P{person},1,4,5\n" for person in (1, 2)
    )
    season = make_season(BATCHES + unweighed, "", {"tasting.csv": tasting})
    said = season.rows("select notice, name, sentence from fit.notice")
    assert [(row["notice"], row["sentence"]) for row in said] == [
        (
            "pooled",
            "Unmalted rye (1 batch) is too rare to be judged alone: it counts as 'other unmalted grain'.",
        ),
        ("left out", "Batch 4 is left out of all fits: not all fermentables were weighed."),
        ("too few", "Fruit (new spirit) is not fitted: measured in 1 batch, and fewer than 8 tell nothing."),
    ]


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


VATTED = """
    A, 2025-09-02 08:00, grain  ,       , pale malt  ,      ,         ,       , 10  ,   , ,   , ,   , ,
    A, 2025-09-02 18:00, yeast  ,       , ale yeast  ,      ,         ,       , 0.05,   , ,   , ,   , ,
    A, 2025-09-10 08:00, charge , spirit, low wines  ,      ,         ,       ,     , 30, , 25, , 20, ,
    A, 2025-09-10 12:00, collect, spirit, jar 1      , hearts,        , A hearts , , 6  , , 70, , 20, ,
    A, 2025-09-10 13:00, collect, spirit, jar 2      , tails ,        , feints , ,   4  , , 40, , 20, ,
    B, 2025-09-03 08:00, grain  ,       , raw rye    ,      ,         ,       , 10  ,   , ,   , ,   , ,
    B, 2025-09-03 18:00, yeast  ,       , wine yeast ,      ,         ,       , 0.05,   , ,   , ,   , ,
    B, 2025-09-11 08:00, charge , spirit, low wines  ,      ,         ,       ,     , 30, , 25, , 20, ,
    B, 2025-09-11 08:05, charge , spirit, feints     ,      , feints  ,       ,     , 4 , , 40, , 20, ,
    B, 2025-09-11 12:00, collect, spirit, jar 1      , hearts,        , B hearts , , 6  , , 70, , 20, ,
"""


def tastings(*evenings: tuple[str, str]) -> dict[str, str]:
    """One sheet: on each evening two people taste one thing; `(day, "cask,C1")` or `(day, "lot,vat")`."""
    rows = []
    for number, (day, what) in enumerate(evenings):
        column, name = what.split(",")
        cells = [name if column == each else "" for each in ("cask", "lot")]
        rows += [f"t{number},{day} 19:00,P{person},1,{','.join(cells)},5" for person in (1, 2)]
    return {"tasting.csv": "session,when,assessor,sample,cask,lot,fruit\n" + "\n".join(rows) + "\n"}


def test_a_cask_filled_from_a_vat_is_the_mixture_that_the_vat_held(make_season):
    """6 L of A and 2 L of B went into the vat; feints that B charged are part of B's spirit."""
    casks = """
        VAT, 2025-10-01 10:00, fill, A hearts, 6, 70, 20, steel, 10
        VAT, 2025-10-01 10:05, fill, B hearts, 2, 70, 20,      ,
        C1 , 2025-10-02 10:00, fill, VAT     , 4, 70, 20, oak  , 5
    """
    season = make_season(VATTED, casks, tastings(("2026-10-01", "cask,C1")))
    sources = {row["batch"]: row["share_frac"] for row in season.rows("select * from fit.cask_source")}
    assert sources == {"A": pytest.approx(0.75, abs=1e-12), "B": pytest.approx(0.25, abs=1e-12)}
    levels = season.rows(
        "select level, share_frac from fit.design_level where unit = 'C1' and family = 'grain'"
    )
    assert sorted(row["share_frac"] for row in levels) == pytest.approx([0.25, 0.75])
    tasted = season.one("fit.tasted", cask="C1")
    assert tasted["spirit_of"] == "75 % batch A, 25 % batch B"
    assert tasted["main_batch"] == "A"


def grain_of(season, cask):
    """The grain shares of a cask in the design."""
    query = f"select level, share_frac from fit.design_level where unit = '{cask}' and family = 'grain'"
    return {row["level"]: row["share_frac"] for row in season.rows(query)}


@pytest.mark.parametrize(("of_b", "known"), [(2, True), (4, False)])
def test_a_blends_grain_is_that_of_the_sources_weighed_where_they_are_half_of_it(make_season, of_b, known):
    """Not all of B's grain was weighed; of its yeast nothing is missing."""
    logs = VATTED.replace(
        "raw rye    ,      ,         ,       , 10 ", "raw rye    ,      ,         ,       ,    "
    )
    casks = f"""
        C1, 2025-10-01 10:00, fill, A hearts, 3     , 70, 20, oak, 5
        C1, 2025-10-01 10:05, fill, B hearts, {of_b}, 70, 20,    ,
    """
    season = make_season(logs, casks, tastings(("2026-10-01", "cask,C1")))
    assert list(grain_of(season, "C1").values()) == ([pytest.approx(1.0)] if known else [])
    yeasts = season.rows("select share_frac from fit.design_level where unit = 'C1' and family = 'yeast'")
    assert sum(row["share_frac"] for row in yeasts) == pytest.approx(1.0)
    seasons = season.rows("select share_frac from fit.design_level where unit = 'C1' and family = 'season'")
    assert [row["share_frac"] for row in seasons] == [1.0]


def test_an_evening_before_a_top_up_tasted_what_was_in_the_cask_then(make_season):
    casks = """
        C1, 2025-10-01 10:00, fill  , A hearts, 3, 70, 20, oak, 5
        C1, 2026-03-01 10:00, top up, B hearts, 1, 70, 20,    ,
    """
    season = make_season(VATTED, casks, tastings(("2026-02-01", "cask,C1"), ("2026-04-01", "cask,C1")))
    of_evening = season.rows("select tasted, batch, share_frac from fit.tasted_batch order by tasted, batch")
    assert [(row["tasted"][-2:], row["batch"]) for row in of_evening] == [
        ("t0", "A"),
        ("t1", "A"),
        ("t1", "B"),
    ]
    assert [row["share_frac"] for row in of_evening] == pytest.approx([1.0, 0.75, 0.25], abs=1e-12)
    sources = {row["batch"]: row["share_frac"] for row in season.rows("select * from fit.cask_source")}
    assert sources == {"A": pytest.approx(0.875), "B": pytest.approx(0.125)}, "the mean of the two evenings"


def test_a_vat_that_is_nobodys_own_is_known_by_its_shares(make_season):
    poured = VATTED.replace("A hearts", "vat").replace("B hearts", "vat")
    season = make_season(poured, "", tastings(("2026-02-01", "lot,vat")))
    shares = season.rows("select batch, share_frac from fit.tasted_batch order by batch")
    assert [row["batch"] for row in shares] == ["A", "B"]
    assert [row["share_frac"] for row in shares] == pytest.approx([0.5, 0.5])


@pytest.mark.parametrize(("litres_of_b", "shares"), [(0.15, [1.0]), (0.17, [3 / 3.17, 0.17 / 3.17])])
def test_a_cask_of_one_batch_but_for_a_twentieth_is_that_batchs(make_season, litres_of_b, shares):
    casks = f"""
        C1, 2025-10-01 10:00, fill, A hearts, 3            , 70, 20, oak, 5
        C1, 2025-10-01 10:05, fill, B hearts, {litres_of_b}, 70, 20,    ,
    """
    season = make_season(VATTED, casks, tastings(("2026-02-01", "cask,C1")))
    found = season.rows("select share_frac from fit.cask_source order by share_frac desc")
    assert [row["share_frac"] for row in found] == pytest.approx(shares, abs=1e-9)


def test_a_cask_of_which_half_is_not_known_has_no_source(make_season):
    casks = """
        C1, 2025-10-01 10:00, fill, A hearts , 1, 70, 20, oak, 5
        C1, 2025-10-01 10:05, fill, from away, 3, 70, 20,    ,
    """
    season = make_season(VATTED, casks, tastings(("2026-02-01", "cask,C1")))
    assert season.rows("select * from fit.cask_source") == []
    assert season.one("fit.tasted_batch")["share_frac"] == pytest.approx(0.25)
