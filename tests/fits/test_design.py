"""Ties, questions and verdicts on small made-up designs."""

import numpy as np
import polars as pl
import pytest
from scipy.stats import pearsonr

from pipeline.fits import aliases, effects
from pipeline.fits.blocks import BlockFit
from pipeline.fits.design import (
    TOGETHER,
    DesignFrames,
    Family,
    Problem,
    _as_many_as_casks_carry,
    fit_problem,
    merge_companions,
    problems,
    with_products,
)
from pipeline.fits.explained import REST, explained_shares, last_in_r2, parts_of_variance
from pipeline.fits.quality import fallen_without, judge, predictions
from pipeline.fits.ranking import rank
from pipeline.fits.responses import response_of
from pipeline.fits.wording import merged_sentence, tie_sentence


def make_problem(shares, yeasts, y=None, process=None, name="yield_lpa_per_kg"):
    """A problem from shares by grain and the yeast of each batch."""
    grains = list(shares)
    columns = np.array([shares[grain] for grain in grains], dtype=float).T
    levels = sorted(set(yeasts))
    chosen = np.array([[float(own == level) for level in levels] for own in yeasts])
    families = [
        Family("grain", tuple(grains), columns, np.ones(len(grains))),
        Family("yeast", tuple(levels), chosen, np.ones(len(levels))),
    ]
    if process is not None:
        column = np.asarray(process, dtype=float)[:, None]
        column = (column - column.mean()) / column.std(ddof=1)
        families.append(Family("process", ("rest_days",), column, np.ones(1)))
    n = len(yeasts)
    y = np.arange(n, dtype=float) if y is None else np.asarray(y, dtype=float)
    recipes = tuple("+".join(f"{s:.1f}" for s in row) for row in columns)
    units = tuple(f"B{k}" for k in range(n))
    return Problem(response_of(name), "batch", units, recipes, y, np.full(n, np.nan), tuple(families))


@pytest.fixture
def tied():
    """Rye only with yeast q, q only with rye; wheat with both other yeasts."""
    return make_problem(
        {
            "malt": [0.8, 0.7, 0.8, 0.9, 0.8, 0.7, 0.9, 0.6],
            "wheat": [0.2, 0.3, 0.2, 0.1, 0.0, 0.0, 0.0, 0.4],
            "rye": [0.0, 0.0, 0.0, 0.0, 0.2, 0.3, 0.1, 0.0],
        },
        ["p", "r", "p", "r", "q", "q", "q", "r"],
    )


def test_a_tie_is_found_and_said_with_what_would_part_it(tied):
    [tie] = [tie for tie in aliases.find_ties(tied) if tie.is_exact]
    assert (tie.level, tie.other_level) == ("rye", "q")
    assert tie_sentence(tie, "batch") == (
        "Rye was only ever used with q, and q only with rye (3 batches): their effects cannot be separated. "
        "Two batches of rye with r would do it."
    )
    assert aliases.tied_levels([tie]) == {("grain", "rye"), ("yeast", "q")}


def test_a_crossed_design_has_no_tie():
    problem = make_problem({"malt": [1.0, 0.7] * 6, "rye": [0.0, 0.3] * 6}, ["p", "p", "q", "q"] * 3)
    assert aliases.find_ties(problem) == []
    assert aliases.find_tangles(problem, []) == []


def test_one_sided_use_is_no_tie():
    """Rye only with q, but q also without rye: the two can be told apart."""
    problem = make_problem({"malt": [1, 1, 1, 0.7, 1, 0.7], "rye": [0, 0, 0, 0.3, 0, 0.3]}, list("ppqqqq"))
    assert [tie for tie in aliases.find_ties(problem) if tie.is_exact] == []


def test_a_temperature_that_rose_with_a_yeast_is_named():
    problem = make_problem(
        {"malt": [1.0, 0.7] * 4, "rye": [0.0, 0.3] * 4},
        list("ppppqqqq"),
        process=[1, 1.1, 1, 0.9, 3, 3.1, 3, 2.9],
    )
    assert any({tie.level, tie.other_level} == {"q", "rest_days"} for tie in aliases.find_ties(problem))


def test_grains_that_only_came_together_become_one():
    oats, oat_malt = np.array([0.0, 0.2, 0.25, 0.0]), np.array([0.0, 0.1, 0.12, 0.0])
    malt = 1.0 - oats - oat_malt
    kept, merged = merge_companions([("flaked oats", oats), ("malt", malt), ("oat malt", oat_malt)])
    assert [name for name, _ in kept] == ["flaked oats with oat malt", "malt"]
    assert merged == ("flaked oats with oat malt",)
    np.testing.assert_allclose(kept[0][1], oats + oat_malt)
    assert merged_sentence(merged[0], 2, "batch").startswith(
        "Flaked oats and oat malt only ever came together"
    )


def test_grains_in_quite_other_proportions_stay_two():
    kept, merged = merge_companions(
        [
            ("a", np.array([0.0, 0.9, 0.1, 0.5])),
            ("b", np.array([0.0, 0.1, 0.9, 0.5])),
            ("c", np.array([1.0, 0, 0, 0])),
        ]
    )
    assert len(kept) == 3
    assert merged == ()


def test_nothing_is_said_of_a_tied_choice_nor_of_an_average_with_it(tied):
    asked = effects.questions(tied, aliases.tied_levels(aliases.find_ties(tied)))
    by_words = {question.words: question for question in asked}
    assert by_words["10 points more rye, the rest scaled down"].is_tied
    assert by_words["q against the average yeast"].is_tied
    wheat = by_words["10 points more wheat, the rest scaled down"]
    assert not wheat.is_tied
    assert wheat.vector[2] == 0.0, "rye makes no room for wheat: what it does is not known"
    assert wheat.vector[:3].sum() == pytest.approx(0.0)


def test_cox_direction_and_swap():
    change = effects.cox_direction(np.array([0.6, 0.3, 0.1]), 2)
    np.testing.assert_allclose(change, [-0.1 * 0.6 / 0.9, -0.1 * 0.3 / 0.9, 0.1])
    np.testing.assert_allclose(effects.swap(3, 1, 0), [-0.1, 0.1, 0.0])


@pytest.mark.parametrize(
    ("low", "high", "positive", "gate", "untaught", "tied", "units", "verdict"),
    [
        (0.01, 0.03, 0.999, True, False, False, 6, "supported"),
        (0.01, 0.03, 0.999, False, False, False, 6, "cannot tell"),
        (-0.001, 0.003, 0.8, False, False, False, 6, "about the same"),
        (-0.001, 0.03, 0.95, True, False, False, 6, "leaning"),
        (-0.001, 0.03, 0.95, True, True, False, 6, "cannot tell"),
        (-0.02, 0.03, 0.6, True, False, False, 6, "cannot tell"),
        (0.01, 0.03, 0.999, True, False, True, 6, "never apart"),
        (0.01, 0.03, 0.999, True, False, False, 2, "too few"),
    ],
)
def test_verdicts(low, high, positive, gate, untaught, tied, units, verdict):
    question = effects.Question("grain", "rye", "the rest", "more", "w", units, tied, np.zeros(1))
    assert effects.verdict_of(question, low, high, positive, gate, untaught, 0.005) == verdict


@pytest.fixture
def told():
    """Forty batches: rye costs 2, yeast q gives 1, noise 0.2."""
    rng = np.random.default_rng(12)
    rye = rng.uniform(0.0, 0.5, 40)
    yeasts = [str(each) for each in rng.choice(["p", "q"], 40)]
    y = 10.0 - 2.0 * rye + np.array([yeast == "q" for yeast in yeasts]) + 0.2 * rng.standard_normal(40)
    return make_problem({"malt": 1.0 - rye, "rye": rye}, yeasts, y)


def test_planted_effects_come_back_with_size_and_sign(told):
    fit = fit_problem(told)
    asked = effects.questions(told, [])
    said = {each.question.words: each for each in effects.answer(fit, told, asked, {"grain", "yeast"}, True)}
    rye = said["10 points more rye, the rest scaled down"]
    assert rye.verdict == "supported"
    assert rye.low < -0.2 < rye.high < 0
    yeast = said["p against q"]
    assert yeast.verdict == "supported"
    assert yeast.low < -1.0 < yeast.high


def test_shares_of_the_variation_sum_to_one(told):
    fit = fit_problem(told)
    shares = explained_shares(fit, told)
    assert sum(share.share for share in shares) == pytest.approx(1.0)
    rest = next(share for share in shares if share.family == REST)
    assert rest.low < 0.04 / (0.04 + told.y.var()) + 0.1
    assert all(share.low <= share.share <= share.high for share in shares)


def test_parts_of_the_variance_are_covariances_with_the_whole(told):
    drawn = np.random.default_rng(3).standard_normal((5, told.matrix.shape[1]))
    found = parts_of_variance(drawn, told)
    for place, family in enumerate(told.families):
        own = drawn[:, told.columns_of(family.name)] @ family.columns.T
        expected = [
            np.cov(one, whole, ddof=0)[0, 1] for one, whole in zip(own, drawn @ told.matrix.T, strict=True)
        ]
        np.testing.assert_allclose(found[:, place], expected, atol=1e-12, err_msg=family.name)


def test_only_what_the_batches_tell_apart_can_be_answered(tied):
    rows = aliases.row_space(tied.matrix)
    assert len(rows) == aliases.design_rank(tied.matrix - tied.matrix.mean(axis=0))
    np.testing.assert_allclose(rows @ rows.T, np.eye(len(rows)), atol=1e-12)
    # Columns: malt, wheat, rye, p, q, r.
    assert aliases.is_in_rows(rows, np.array([0.0, 0.0, 0.0, 1.0, 0.0, -1.0]))
    assert not aliases.is_in_rows(rows, np.array([1.0, 1.0, 1.0, 0.0, 0.0, 0.0])), "shares sum to one"
    assert aliases.is_in_rows(rows, np.zeros(6))


@pytest.mark.parametrize("times", [1, 40])
def test_three_choices_bound_together_are_named_however_many_batches(times):
    """Oats are always half of wheat and rye together; no two of them go together."""
    wheat = np.tile([0.1, 0.2, 0.3, 0.1, 0.0, 0.2, 0.3, 0.1], times)
    rye = np.tile([0.2, 0.2, 0.1, 0.4, 0.3, 0.0, 0.0, 0.1], times)
    spelt = np.tile([0.0, 0.1, 0.0, 0.0, 0.1, 0.2, 0.1, 0.0], times)
    oats = (wheat + rye) / 2.0
    shares = {
        "malt": 1.0 - wheat - rye - oats - spelt,
        "oats": oats,
        "rye": rye,
        "spelt": spelt,
        "wheat": wheat,
    }
    problem = make_problem(shares, ["p", "p", "q", "p", "q", "q", "p", "q"] * times)
    (tangle,) = aliases.find_tangles(problem, aliases.find_ties(problem))
    assert set(tangle.choices) == {("grain", name) for name in ("oats", "rye", "wheat")}


def test_what_a_family_adds_last_is_what_no_other_could_say():
    """Two columns that are the same add nothing to each other; a third, unrelated, adds its own."""
    x, z = np.array([1.0, -1.0, 1.0, -1.0]), np.array([1.0, 1.0, -1.0, -1.0])
    last = last_in_r2(x + z, [x[:, None], x[:, None], z[:, None]])
    np.testing.assert_allclose(last, [0.0, 0.0, 0.5], atol=1e-12)


def test_ranking_puts_the_better_yeast_first_and_chances_add_up(told):
    ranks = rank(fit_problem(told), told, "yeast", [])
    assert [item.name for item in ranks] == ["q", "p"]
    assert ranks[0].chance_best + ranks[1].chance_best == pytest.approx(1.0)
    assert ranks[0].chance_best > 0.99
    assert ranks[0].units == sum(name > 0 for name in told.families[1].columns[:, 1])


def test_a_mistyped_batch_is_far_off_and_named(told):
    y = told.y.copy()
    y[7] += 5.0
    wrong = make_problem(
        {"malt": told.families[0].columns[:, 0], "rye": told.families[0].columns[:, 1]},
        ["pq"[int(own[1])] for own in told.families[1].columns],
        y,
    )
    fit = fit_problem(wrong)
    quality, left_out = judge(fit, wrong)
    asked = effects.questions(wrong, [])
    sds = np.array([each.sd for each in effects.answer(fit, wrong, asked, [], True)])
    rows = predictions(fit, wrong, left_out, asked, sds).notable()
    assert max(rows, key=lambda row: abs(row.off_by_sd)).unit == "B7"
    assert quality.drift_p > 0.001


def test_an_effect_that_rests_on_one_batch_falls_without_it():
    rng = np.random.default_rng(7)
    rye = np.r_[np.zeros(18), 0.3, 0.3]
    y = 0.1 * rng.standard_normal(20)
    y[-1] += 4.0
    problem = make_problem({"malt": 1 - rye, "rye": rye}, ["p", "q"] * 10, y)
    fit = fit_problem(problem)
    asked = [question for question in effects.questions(problem, []) if question.kind == "more"][:1]
    named = effects.answer(fit, problem, asked, ["grain"], True)
    assert fallen_without(problem, ["B19"], named) == asked
    rye[:9] = 0.3
    steady = make_problem(
        {"malt": 1 - rye, "rye": rye}, ["p", "q"] * 10, 5 * rye + 0.1 * rng.standard_normal(20)
    )
    named = effects.answer(fit_problem(steady), steady, asked, ["grain"], True)
    assert fallen_without(steady, ["B19"], named) == []


def test_noise_alone_leaves_the_mean_the_winner():
    rng = np.random.default_rng(3)
    rye = rng.uniform(0.0, 0.5, 30)
    problem = make_problem(
        {"malt": 1 - rye, "rye": rye},
        [str(each) for each in rng.choice(["p", "q", "r"], 30)],
        rng.standard_normal(30),
    )
    quality, _ = judge(fit_problem(problem), problem)
    assert quality.explained_left_out < 0.1
    assert quality.rmse_fit < quality.rmse_least_squares


def test_drift_is_pearsons_correlation_with_the_order(told):
    quality, left_out = judge(fit_problem(told), told)
    plain = pearsonr(np.arange(len(told.y)), told.y - left_out.mean)
    assert quality.drift == pytest.approx(plain.statistic, rel=1e-12)
    assert quality.drift_p == pytest.approx(plain.pvalue, rel=1e-12)


def test_rows_measured_worse_count_less():
    rye = np.array([0.0, 0.5] * 10)
    y = 2.0 * rye
    y[-1] += 3.0
    sharp = make_problem({"malt": 1 - rye, "rye": rye}, ["p", "p", "q", "q"] * 5, y)
    blunt = Problem(
        sharp.response, "batch", sharp.units, sharp.recipes, y, np.r_[np.full(19, 0.01), 5.0], sharp.families
    )
    ask = np.array([[-0.1, 0.1, 0.0, 0.0]])
    errors = []
    for problem in (sharp, blunt):
        fit = fit_problem(problem)
        errors.append(abs(fit.coefficients @ ask[0] - 0.2))
        assert isinstance(fit, BlockFit)
    assert errors[1] < errors[0]


def test_problems_need_eight_measured_batches():
    units = [f"B{k}" for k in range(8)]
    design = pl.DataFrame({"batch": units, "grain_bill": ["x"] * 8, "yeast": ["p", "q"] * 4})
    for name in ("ferment_temperature_c", "mash_temperature_c", "rest_days", "pitch_g_per_kg"):
        design = design.with_columns(pl.lit(None, dtype=pl.Float64).alias(name))
    for name in ("feints_share_frac", "spirit_charge_abv_pct_vol"):
        design = design.with_columns(pl.lit(None, dtype=pl.Float64).alias(name))
    levels = pl.DataFrame(
        {
            "unit_kind": ["batch"] * 16,
            "unit": units * 2,
            "family": ["grain"] * 8 + ["yeast"] * 8,
            "level": ["malt"] * 8 + ["p", "q"] * 4,
            "share_frac": [1.0] * 16,
        }
    )
    response = pl.DataFrame(
        {
            "unit_kind": ["batch"] * 8,
            "unit": units,
            "response": ["yield_lpa_per_kg"] * 8,
            "value": [0.30, 0.31, 0.29, 0.33, 0.30, 0.32, 0.31, 0.30],
            "value_u": [None] * 8,
        },
        schema_overrides={"value_u": pl.Float64},
    )
    casks = pl.DataFrame(schema={"cask": pl.String})
    [problem] = problems(DesignFrames(design, casks, levels, response))
    assert [family.name for family in problem.families] == ["yeast"], "one grain is no choice"
    assert list(problems(DesignFrames(design, casks, levels, response.head(7)))) == []


def test_products_of_grain_and_yeast_stand_last_and_are_asked_nothing():
    grain = Family("grain", ("malt", "rye"), np.array([[1.0, 0.0], [0.6, 0.4]]), np.ones(2))
    yeast = Family("yeast", ("p", "q"), np.eye(2), np.ones(2))
    setting = Family("setting", ("one", "two"), np.eye(2), np.ones(2))
    families = with_products([grain, yeast, setting])
    assert [family.name for family in families] == ["grain", "yeast", "setting", TOGETHER]
    assert families[-1].levels == ("malt by p", "malt by q", "rye by p", "rye by q")
    np.testing.assert_allclose(families[-1].columns, [[1.0, 0.0, 0.0, 0.0], [0.0, 0.6, 0.0, 0.4]])
    assert with_products([grain, setting]) == (grain, setting), "one yeast has no products"


@pytest.mark.parametrize(("casks", "names"), [(11, ["wood", "yeast"]), (12, ["wood", "yeast", "grain"])])
def test_grain_is_asked_of_casks_only_where_there_are_two_to_a_choice(casks, names):
    families = [
        Family(name, ("a", "b"), np.resize(np.eye(2), (casks, 2)), np.ones(2))
        for name in ("wood", "yeast", "grain")
    ]
    assert [family.name for family in _as_many_as_casks_carry(families, casks) if family] == names
