"""Casks, scores, difference tests, grain bills and the flow, against hand figures and against scipy."""

import numpy as np
import pytest
from scipy import stats

from pipeline.settings import Settings

CASK_ROWS = """
    C1, 2031-01-01, fill,   7 hearts, 50.0, 63.5, , oak, 50
    C1, 2032-07-02, gauge,  ,         46.6, 62.1, , ,
    C2, 2031-01-01, fill,   7 hearts, 20.0, 60.0, , oak, 20
    C2, 2031-07-01, draw,   ,          1.0, 60.0, , ,
    C2, 2032-01-01, gauge,  ,         18.0, 59.0, , ,
"""

SHEET = """session,when,assessor,sample,lot,fruit [0-15],overall
march,2031-03-01,P1,101,7 hearts,6,5
march,2031-03-01,P2,101,7 hearts,9,7
march,2031-03-01,P3,101,7 hearts,12,
march,2031-03-01,P3,101,7 hearts,9,6
march,2031-03-01,P1,102,8 hearts,0,4
"""


def test_cask_loss_is_compounded_pure_alcohol_per_year(make_season):
    cask = make_season(cask=CASK_ROWS).one("metric.cask", cask="C1")
    # Worked example of the maturation reference (computed there): 50.0 L 63.5 % -> 46.6 L 62.1 % in 1.5 years
    # is 5.99 % of the alcohol a year.
    assert cask["years"] == pytest.approx(1.5, abs=0.01)
    assert cask["loss_frac_per_year"] == pytest.approx(0.0599, abs=0.0005)
    assert cask["strength_change_pct_vol"] == pytest.approx(-1.4)


def test_what_is_drawn_from_a_cask_is_not_lost(make_season):
    cask = make_season(cask=CASK_ROWS).one("metric.cask", cask="C2")
    assert cask["drawn_lpa"] == pytest.approx(0.6)
    assert cask["loss_lpa"] == pytest.approx(12.0 - 0.6 - 18.0 * 0.59)
    assert cask["last_lpa"] == pytest.approx(18.0 * 0.59)


def test_scores_are_brought_to_ten_and_averaged_over_assessors(make_season):
    score = make_season(files={"sheet.csv": SHEET}).one(
        "metric.sample_score", sample="101", attribute="fruit"
    )
    # P3 tasted twice: 12 and 9 of 15 count once, as 7.0 of 10.
    by_assessor = np.array([4.0, 6.0, 7.0])
    assert score["assessors"] == 3
    assert score["scores"] == 4
    assert score["score_mean"] == pytest.approx(by_assessor.mean())
    low, high = stats.t.interval(0.95, 2, loc=by_assessor.mean(), scale=stats.sem(by_assessor))
    assert (score["score_low"], score["score_high"]) == pytest.approx((low, high))


def test_one_score_has_a_mean_and_no_interval(make_season):
    score = make_season(files={"sheet.csv": SHEET}).one(
        "metric.sample_score", sample="102", attribute="fruit"
    )
    assert score["score_mean"] == 0.0
    assert score["score_se"] is None
    assert score["score_low"] is None


@pytest.mark.parametrize(("test", "chance"), [("triangle", 1 / 3), ("duo-trio", 0.5), ("paired", 0.5)])
def test_difference_tests_are_exact_binomial(make_season, test, chance):
    trials = [("yes" if n < 9 else "no") for n in range(14)]
    rows = "\n".join(
        f"s,2031-03-01,P{n},{test},{'AB'[n % 2]},{'BA'[n % 2]},{answer}" for n, answer in enumerate(trials)
    )
    season = make_season(
        files={"trials.csv": f"session,when,assessor,test,sample_a,sample_b,correct\n{rows}\n"}
    )
    found = season.one("metric.difference_test", session="s")
    assert (found["trials"], found["correct"]) == (14, 9)
    # scipy.stats.binomtest is the independent calculation.
    assert found["p_value"] == pytest.approx(
        stats.binomtest(9, 14, chance, alternative="greater").pvalue, rel=1e-9
    )


def _batch(name: str, recipe: str, hearts_l: float) -> str:
    return f"""
        {name}, 2031-02-01 08:00, recipe, , {recipe}, , , , , , , , , , ,
        {name}, 2031-02-01 09:00, grain,  , pale malt, , , , 40, , , , , , ,
        {name}, 2031-02-09 08:00, charge, spirit, low wines, , , , , 40, , 27, , , ,
        {name}, 2031-02-09 09:00, collect,spirit, one, hearts, , , , {hearts_l}, , 70, , , ,""".strip("\n")


def test_a_grain_bills_interval_is_between_its_batches(make_season):
    litres = (11.0, 12.0, 12.4)
    rows = "\n".join(_batch(f"b{n}", "rye", hearts) for n, hearts in enumerate(litres))
    season = make_season(rows + "\n" + _batch("b9", "barley", 11.5))
    yields = np.array(litres) * 0.70 / 40.0
    rye = season.one("metric.grain_bill", grain_bill="rye")
    assert rye["yield_mean_lpa_per_kg"] == pytest.approx(yields.mean())
    low, high = stats.t.interval(0.95, 2, loc=yields.mean(), scale=stats.sem(yields))
    assert (rye["yield_low_lpa_per_kg"], rye["yield_high_lpa_per_kg"]) == pytest.approx((low, high))
    barley = season.one("metric.grain_bill", grain_bill="barley")
    assert barley["batches"] == 1
    assert barley["yield_sd_lpa_per_kg"] is None
    assert barley["yield_low_lpa_per_kg"] is None


def test_two_batches_cannot_tell_how_far_yields_scatter_and_three_give_nothing_below_zero(make_season):
    """Student's t would say 0.09 to 0.31 of the two, and -0.07 to 0.34 of the three: less than nothing."""
    wide = "\n".join(_batch(f"w{n}", "wide", hearts) for n, hearts in enumerate((4.0, 6.0, 13.0)))
    two = "\n".join(_batch(f"t{n}", "two", hearts) for n, hearts in enumerate((11.0, 12.0)))
    season = make_season(wide + "\n" + two)
    found = season.one("metric.grain_bill", grain_bill="two")
    assert found["yield_mean_lpa_per_kg"] == pytest.approx(11.5 * 0.70 / 40.0)
    assert found["yield_sd_lpa_per_kg"] == pytest.approx(np.sqrt(0.5) * 0.70 / 40.0)
    assert (found["yield_low_lpa_per_kg"], found["yield_high_lpa_per_kg"]) == (None, None)
    found = season.one("metric.grain_bill", grain_bill="wide")
    yields = np.array([4.0, 6.0, 13.0]) * 0.70 / 40.0
    high = stats.t.interval(0.95, 2, loc=yields.mean(), scale=stats.sem(yields))[1]
    assert (found["yield_low_lpa_per_kg"], found["yield_high_lpa_per_kg"]) == (0.0, pytest.approx(high))


def test_a_season_of_two_batches_has_no_interval_of_its_yield(make_season):
    season = make_season(_batch("t1", "two", 11.0) + "\n" + _batch("t2", "two", 12.0)).one("metric.season")
    assert season["yield_batches"] == 2
    assert (season["yield_low_lpa_per_kg"], season["yield_high_lpa_per_kg"]) == (None, None)


def test_seasons_begin_when_the_settings_say(make_season):
    rows = _batch("b1", "rye", 11.0) + "\n" + _batch("b2", "rye", 11.0).replace("2031-02", "2031-11")
    by_year = make_season(rows)
    by_harvest = make_season(rows, settings=Settings(season_starts="09-01"))
    assert [row["season"] for row in by_year.rows("select season from metric.season")] == ["2031"]
    assert [row["season"] for row in by_harvest.rows("select season from metric.season")] == [
        "2030-31",
        "2031-32",
    ]


def test_student_quantiles_and_macros_agree_with_scipy(make_season):
    con = make_season().con
    for df in (1, 2, 5, 30, 1000):
        (quantile,) = con.execute(
            f"select quantile from raw.student_t where degrees_of_freedom = {df}"
        ).fetchone()
        assert quantile == pytest.approx(stats.t.ppf(0.975, df), rel=1e-12)
    (tail,) = con.execute("select binomial_tail(0, 5, 0.5)").fetchone()
    assert tail == pytest.approx(1.0)
