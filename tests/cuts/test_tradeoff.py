"""Scores against the place of the cut: the slope as scipy fits it, and nothing told where nothing is."""

import numpy as np
import polars as pl
import pytest
from scipy.stats import linregress

from pipeline.cuts.tradeoff import SCHEMA, slope_within, weigh_cuts


def scored(rng, slope=0.0, batches=30, attributes=("overall", "fruit", "grain")):
    cut = 61.0 + 1.2 * rng.standard_normal(batches)
    session = [f"s{i % 3}" for i in range(batches)]
    stern = {"s0": -0.6, "s1": 0.0, "s2": 0.7}
    rows = [
        {
            "season": "2025",
            "session": session[i],
            "attribute": attribute,
            "batch": f"B{i}",
            "score_mean": 6.0 + stern[session[i]] + slope * (cut[i] - 61.0) + 0.4 * rng.standard_normal(),
            "hearts_end_pct_vol": cut[i],
            "fall_lpa": 0.2,
        }
        for attribute in attributes
        for i in range(batches)
    ]
    return pl.DataFrame(rows)


def test_in_one_session_the_slope_is_that_of_a_straight_line():
    rng = np.random.default_rng(1)
    cut, score = rng.standard_normal(20), rng.standard_normal(20)
    found = slope_within(score, cut, np.array(["one"] * 20))
    line = linregress(cut, score)
    assert found.value == pytest.approx(line.slope)
    assert found.p_value == pytest.approx(line.pvalue)


def test_a_planted_slope_is_told_and_a_stern_session_is_not_taken_for_a_cut():
    (table,) = weigh_cuts(scored(np.random.default_rng(2), slope=0.5))
    later = table.filter((pl.col("attribute") == "overall") & (pl.col("cut_shift_pct_vol") == -1.0)).row(
        0, named=True
    )
    assert later["is_told"]
    assert later["score_change_low"] < -0.5 < later["score_change_high"]
    assert later["lpa_change_per_batch"] == pytest.approx(0.2)
    assert later["batches"] == 30


def test_seasons_without_an_effect_tell_one_in_twenty_at_most():
    rng = np.random.default_rng(3)
    told = [bool(next(weigh_cuts(scored(rng)))["is_told"].any()) for _ in range(150)]
    assert np.mean(told) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 150)


def test_too_few_batches_say_nothing():
    (table,) = weigh_cuts(scored(np.random.default_rng(4), batches=7))
    assert table.is_empty()
    (none,) = weigh_cuts(scored(np.random.default_rng(4)).clear())
    assert none.schema == SCHEMA
