"""Worked examples of others, to the digits printed: tests/data/panel/expected.csv names each source."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.panel.agreement import concordance, intraclass
from pipeline.panel.discrimination import (
    correct_frac,
    critical_number,
    judge_difference,
    power,
    trials_needed,
)
from pipeline.panel.flavour_map import principal_components
from pipeline.panel.kenward import adjusted_covariance, kenward_roger_test
from pipeline.panel.mixed import Block, RemlFit, factor_kernel, fit_reml
from pipeline.panel.scaling import read_scaling
from pipeline.panel.scores import Scores, fit_scores
from pipeline.panel.words import cochran_q, correspondence

from .conftest import EXPECTED, column, levels, numbers


def two_way(name: str, subject: str, kind: str, value: str, *, repeats: bool = False) -> RemlFit:
    """One mean a kind, subjects (and, with repeats, subjects by kinds) random."""
    response, subjects, kinds = column(name, value), levels(name, subject), levels(name, kind)
    design = np.eye(kinds.max() + 1)[kinds]
    blocks = []
    for each in np.unique(subjects):
        own = subjects == each
        inner = (factor_kernel(kinds[own]),) if repeats else ()
        blocks.append(
            Block(response[own], design[own], (np.ones((own.sum(),) * 2), *inner, np.eye(own.sum())))
        )
    return fit_reml(blocks)


def test_ergonomic_stools(agrees):
    fit = two_way("ergostool", "Subject", "Type", "effort")
    f_value, _, df, _ = fit.f_test(np.eye(4)[:3] - np.eye(4)[1:])
    effort, subjects, kinds = (
        column("ergostool", "effort"),
        levels("ergostool", "Subject"),
        levels("ergostool", "Type"),
    )
    table = np.zeros((4, 9))
    table[kinds, subjects] = effort
    ranks = concordance(table)
    agrees(
        "ergostool",
        {
            "sd_subject": np.sqrt(fit.theta[0]),
            "sd_residual": np.sqrt(fit.theta[1]),
            "F_type": f_value,
            "df_den": df,
            **{f"mean_T{place + 1}": fit.beta[place] for place in range(4)},
            "se_mean": fit.estimate(np.eye(4)[0]).se,
            "friedman_chi2": ranks.friedman,
        },
    )


def test_ergonomic_stools_with_empty_cells(agrees):
    fit = two_way("ergostool_missing", "Subject", "Type", "effort")
    one, two = fit.estimate(np.eye(4)[0]), fit.estimate(np.eye(4)[1])
    difference = fit.estimate(np.array([1.0, -1.0, 0.0, 0.0]))
    low, high = one.interval()
    effort, kinds = column("ergostool_missing", "effort"), levels("ergostool_missing", "Type")
    agrees(
        "ergostool_missing",
        {
            "var_subject": fit.theta[0],
            "var_residual": fit.theta[1],
            **{f"adjmean_T{place + 1}": fit.beta[place] for place in range(4)},
            "se_T1_satterthwaite": one.se,
            "se_T2_satterthwaite": two.se,
            "diff_T1_T2": difference.value,
            "se_diff_T1_T2_satterthwaite": difference.se,
            "df_T1_satterthwaite": one.df,
            "df_T2_satterthwaite": two.df,
            "df_diff_T1_T2_satterthwaite": difference.df,
            "ci_T1_low": low,
            "ci_T1_high": high,
            "rawmean_T1": effort[kinds == 0].mean(),
            "rawmean_T4": effort[kinds == 3].mean(),
            "df_T1_kenward_roger": kenward_roger_test(fit, np.eye(4)[:1])[2],
            "F_type_kr": kenward_roger_test(fit, _against_the_first(4))[0],
        },
    )


def _against_the_first(levels_of: int) -> np.ndarray:
    return np.hstack([np.ones((levels_of - 1, 1)), -np.eye(levels_of - 1)])


def test_kenward_and_roger_as_r_has_it():
    """R 4.2.2 on ergoStool with six cells taken out: lmerTest 3.1.3 anova(ddf = "Kenward-Roger") by pbkrtest
    0.5.2; pairs by emmeans 1.8.4.1 (standard error and degrees of freedom)."""
    fit = two_way("ergostool_missing", "Subject", "Type", "effort")
    f_value, _, df, p_value = kenward_roger_test(fit, _against_the_first(4))
    assert f_value == pytest.approx(15.63832, abs=5e-5)
    assert df == pytest.approx(18.558454, abs=5e-4)
    assert p_value == pytest.approx(2.5605e-05, rel=1e-3)
    covariance = adjusted_covariance(fit)
    for one, other, se, df_pair in (
        (0, 1, 0.6042391, 18.56),
        (0, 2, 0.5766395, 18.34),
        (1, 3, 0.6330095, 18.82),
    ):
        pair = np.eye(4)[one] - np.eye(4)[other]
        assert np.sqrt(pair @ covariance @ pair) == pytest.approx(se, abs=5e-6)
        assert kenward_roger_test(fit, pair[None])[2] == pytest.approx(df_pair, abs=5e-3)


def test_on_complete_tables_kenward_roger_and_satterthwaite_are_one():
    """R 4.2.2, lmerTest 3.1.3 gives 22.35564 on 3 and 24 degrees of freedom by either."""
    fit = two_way("ergostool", "Subject", "Type", "effort")
    by_kenward = kenward_roger_test(fit, _against_the_first(4))
    assert by_kenward == pytest.approx(fit.f_test(_against_the_first(4)), rel=1e-5)
    assert by_kenward[:3] == pytest.approx((22.35564, 3.0, 24.0), abs=5e-5)


def test_machines_are_judged_against_the_workers_who_differ(agrees):
    fit = two_way("machines", "Worker", "Machine", "score", repeats=True)
    f_value, _, df, p_value = fit.f_test(np.eye(3)[:2] - np.eye(3)[1:])
    mean = fit.estimate(np.eye(3)[0])
    low, high = mean.interval()
    scores = Scores(
        column("machines", "score"),
        levels("machines", "Worker"),
        levels("machines", "Machine"),
        np.zeros(54, dtype=np.int64),
        np.full(54, np.nan),
    )
    fitted = fit_scores(scores)
    scaling = read_scaling([(scores, fitted)])
    product = 18.0 * np.sum(fitted.places() ** 2) / 2.0
    left = scaling.ss_disagreement / scaling.df_disagreement
    from scipy.stats import f as f_distribution

    agrees(
        "machines",
        {
            "sd_worker": np.sqrt(fit.theta[0]),
            "sd_worker_machine": np.sqrt(fit.theta[1]),
            "sd_residual": np.sqrt(fit.theta[2]),
            "F_product": f_value,
            "df_den": df,
            "p_product": p_value,
            **{f"mean_{name}": value for name, value in zip("ABC", fit.beta, strict=True)},
            "se_mean": mean.se,
            "df_mean": mean.df,
            "ci_A_low": low,
            "ci_A_high": high,
            "se_diff": fit.estimate(np.array([1.0, -1.0, 0.0])).se,
            "ms_interaction": 3.0 * fit.theta[1] + fit.theta[2],
            "ms_residual": fit.theta[2],
            **{f"mam_slope_{place + 1}": slope for place, slope in enumerate(scaling.classic)},
            "mam_ss_scaling": scaling.ss_scaling,
            "mam_ss_disagreement": scaling.ss_disagreement,
            "mam_F_scaling": scaling.f_scaling,
            "mam_F_product": product / left,
            "mam_p_product": f_distribution.sf(product / left, 2, scaling.df_disagreement),
        },
    )


def test_the_panels_own_model_gives_the_same_differences_as_the_plain_one():
    plain = two_way("machines", "Worker", "Machine", "score", repeats=True)
    scores = Scores(
        column("machines", "score"),
        levels("machines", "Worker"),
        levels("machines", "Machine"),
        np.zeros(54, dtype=np.int64),
        np.full(54, np.nan),
    )
    ours, theirs = fit_scores(scores).difference(0, 1), plain.estimate(np.array([1.0, -1.0, 0.0]))
    assert (ours.value, ours.se, ours.df) == pytest.approx((theirs.value, theirs.se, theirs.df), rel=1e-6)


def test_dyestuff(agrees):
    response, batch = column("dyestuff", "Yield"), levels("dyestuff", "Batch")
    fit = fit_reml([Block(response, np.ones((30, 1)), (factor_kernel(batch), np.eye(30)))])
    pulls = [fit.theta[0] * fit.weighted[batch == each].sum() for each in (0, 4, 5)]
    agrees(
        "dyestuff",
        {
            "var_batch": fit.theta[0],
            "var_residual": fit.theta[1],
            "mean": fit.beta[0],
            "reml_criterion": fit.criterion,
            "blup_A": pulls[0],
            "blup_E": pulls[1],
            "blup_F": pulls[2],
        },
    )


def test_penicillin_with_crossed_factors(agrees):
    response, plate, sample = (
        column("penicillin", "diameter"),
        levels("penicillin", "plate"),
        levels("penicillin", "sample"),
    )
    fit = fit_reml(
        [Block(response, np.ones((144, 1)), (factor_kernel(plate), factor_kernel(sample), np.eye(144)))]
    )
    sds = np.sqrt(fit.theta)
    agrees(
        "penicillin",
        {
            "sd_plate": sds[0],
            "sd_sample": sds[1],
            "sd_residual": sds[2],
            "intercept": fit.beta[0],
            "se_intercept": np.sqrt(fit.cov[0, 0]),
            "reml_criterion": fit.criterion,
            "blup_A": fit.theta[1] * fit.weighted[sample == 0].sum(),
            "blup_F": fit.theta[1] * fit.weighted[sample == 5].sum(),
        },
    )


def test_sleep_study_with_correlated_slopes(agrees):
    reaction, days, subject = (
        column("sleepstudy", "Reaction"),
        column("sleepstudy", "Days"),
        levels("sleepstudy", "Subject"),
    )
    slopes, plain = [], []
    for each in np.unique(subject):
        own = subject == each
        ones, day = np.ones(own.sum()), days[own]
        design = np.column_stack([ones, day])
        both = np.outer(ones, day) + np.outer(day, ones)
        error = np.eye(own.sum())
        slopes.append(Block(reaction[own], design, (np.outer(ones, ones), np.outer(day, day), both, error)))
        plain.append(Block(reaction[own], design, (np.outer(ones, ones), error)))
    fit, without = fit_reml(slopes, [True, True, False, True]), fit_reml(plain)
    sds = np.sqrt(fit.theta[[0, 1, 3]])
    agrees(
        "sleepstudy",
        {
            "intercept": fit.beta[0],
            "days": fit.beta[1],
            "se_intercept": np.sqrt(fit.cov[0, 0]),
            "se_days": np.sqrt(fit.cov[1, 1]),
            "sd_intercept": sds[0],
            "sd_days": sds[1],
            "corr": fit.theta[2] / (sds[0] * sds[1]),
            "sd_residual": sds[2],
            "reml_criterion": fit.criterion,
            "ri_only_sd_subject": np.sqrt(without.theta[0]),
            "ri_only_sd_residual": np.sqrt(without.theta[1]),
        },
    )


def test_bitter_wine_with_judges_random(agrees):
    response, judge = column("wine_bitterness", "response"), levels("wine_bitterness", "judge")
    warm = levels("wine_bitterness", "temp") == 1
    contact = levels("wine_bitterness", "contact") == 1
    design = np.column_stack([np.ones(72), warm, contact])
    fit = fit_reml([Block(response, design, (factor_kernel(judge), np.eye(72)))])
    temperature, skins = fit.estimate(np.eye(3)[1]), fit.estimate(np.eye(3)[2])
    agrees(
        "wine_bitterness",
        {
            "warm": temperature.value,
            "warm_se": temperature.se,
            "contact": skins.value,
            "contact_se": skins.se,
            "judge_variance": fit.theta[0],
            "residual_variance": fit.theta[1],
        },
    )


def test_intraclass_correlation_of_shrout_and_fleiss(agrees):
    table = numbers("shrout_fleiss")
    icc = intraclass(table)
    within = np.sum((table - table.mean(axis=1, keepdims=True)) ** 2) / 18.0
    between = 4.0 * np.var(table.mean(axis=1), ddof=1)
    agrees(
        "shrout_fleiss",
        {
            # The one-way forms are not used on a panel; they follow from two mean squares.
            "icc1": (between - within) / (between + 3.0 * within),
            "icc1k": (between - within) / between,
            "icc2": icc.single,
            "icc3": icc.alike,
            "icc2k": icc.panel,
            "icc3k": icc.alpha,
            "icc2_ci_low": icc.single_low,
            "icc2_ci_high": icc.single_high,
            "icc3_ci_low": icc.alike_low,
            "icc3_ci_high": icc.alike_high,
            "F_targets": icc.f_samples,
            "cronbach_alpha": icc.alpha,
        },
    )


def test_friedman_and_kendall_with_ties(agrees):
    found = concordance(numbers("rounding").T)
    agrees(
        "rounding",
        {
            "friedman_chi2": found.friedman,
            "df": found.df,
            "p": found.p_value,
            "kendall_W": found.w,
        },
    )


def test_cochran(agrees):
    found = cochran_q(numbers("cochran"))
    agrees("cochran", {"Q": found.q, "df": found.df, "p": found.p_value})


def test_correspondence_of_eyes_and_hair(agrees):
    counts = numbers("caith")
    found = correspondence(counts)
    agrees(
        "caith",
        {
            **{f"canonical_cor_{place + 1}": value for place, value in enumerate(found.correlations)},
            "chi2": found.chi_square,
            "total_inertia": found.inertia,
            "cramer_v": np.sqrt(found.inertia / (min(counts.shape) - 1)),
        },
    )


def test_principal_components_of_arrests(agrees):
    _, loadings, deviations = principal_components(numbers("usarrests"), scaled=True)
    agrees(
        "usarrests",
        {
            **{f"sdev_{place + 1}": value for place, value in enumerate(deviations)},
            "abs_loading_murder_pc1": abs(loadings[0, 0]),
            "abs_loading_urbanpop_pc2": abs(loadings[2, 1]),
        },
    )


@pytest.mark.parametrize(
    ("trials", "triangle", "pair"),
    [
        (8, (0.06, 0.15, 0.33, 0.75), (0.39, 0.67, 0.87, 0.99)),
        (12, (0.07, 0.21, 0.45, 0.90), (0.42, 0.75, 0.94, 1.0)),
        (24, (0.15, 0.44, 0.80, 1.0), (0.80, 0.98, 1.0, 1.0)),
        (36, (0.20, 0.60, 0.93, 1.0), (0.93, 1.0, 1.0, 1.0)),
    ],
)
def test_power_at_a_known_d_prime(trials, triangle, pair):
    """scipy 1.17.1, binomial tails at shares found by quadrature, d-prime 1, 1.5, 2, 3; two decimals kept."""
    for test, wanted in (("triangle", triangle), ("paired", pair)):
        found = [power(trials, correct_frac(d_prime, test), test) for d_prime in (1.0, 1.5, 2.0, 3.0)]
        assert found == pytest.approx(wanted, abs=0.006), test


PRINTED = [name for example, name in EXPECTED if example == "critical_numbers"]


def test_every_printed_critical_number():
    assert len(PRINTED) == 118
    for name in PRINTED:
        test, trials, level = name.rsplit("_", 2)
        row = EXPECTED[("critical_numbers", name)]
        found = critical_number(int(trials[1:]), test, float(level.removeprefix("alpha")))
        assert found == int(row["value"]), f"{name}: {row['source']}"


def test_difference_tests(agrees):
    ten, duo = judge_difference(10, 15, "triangle"), judge_difference(10, 15, "duo-trio")
    fourteen, pair = judge_difference(14, 24, "triangle"), judge_difference(16, 24, "paired")
    nine = judge_difference(9, 24, "triangle")
    half, third = 1 / 3 + 0.5 * 2 / 3, 1 / 3 + 0.3 * 2 / 3
    agrees(
        "discrimination_cases",
        {
            "tri_10_15_p": ten.p_value,
            "tri_10_15_d": ten.d_prime,
            "tri_10_15_se_d": ten.d_prime_se,
            "tri_10_15_d_low": ten.d_prime_low,
            "tri_10_15_d_high": ten.d_prime_high,
            "tri_10_15_pd": ten.pd,
            "duo_10_15_p": duo.p_value,
            "duo_10_15_d": duo.d_prime,
            "duo_10_15_se_d": duo.d_prime_se,
            "tri_14_24_p": fourteen.p_value,
            "tri_14_24_d": fourteen.d_prime,
            "tri_14_24_se_d": fourteen.d_prime_se,
            "afc_16_24_p": pair.p_value,
            "afc_16_24_d": pair.d_prime,
            "afc_16_24_se_d": pair.d_prime_se,
            "tri_9_24_p": nine.p_value,
            "tri_9_24_d": nine.d_prime,
            "tri_9_24_pd_high": nine.pd_high,
            "pc_triangle_d1": correct_frac(1.0, "triangle"),
            "pc_duotrio_d1": correct_frac(1.0, "duo-trio"),
            "pc_2afc_d1": correct_frac(1.0, "paired"),
            "pc_3afc_d1": correct_frac(1.0, "3-afc"),
            "pc_triangle_d2": correct_frac(2.0, "triangle"),
            "pc_duotrio_d2": correct_frac(2.0, "duo-trio"),
            "pc_2afc_d2": correct_frac(2.0, "paired"),
            "power_triangle_n24_a05_pd50": power(24, half, "triangle"),
            "min_n_triangle_a05_b20_pd50": trials_needed(half, "triangle", 0.8),
            "min_n_triangle_a05_b10_pd50": trials_needed(half, "triangle", 0.9),
            "min_n_triangle_a05_b20_pd30": trials_needed(third, "triangle", 0.8),
            "min_n_triangle_a05_b10_pd30": trials_needed(third, "triangle", 0.9),
            "min_n_triangle_a05_b05_pd30": trials_needed(third, "triangle", 0.95),
        },
    )
