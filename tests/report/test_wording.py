"""What the page may say: never more than the interval beside it carries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.report.wording import (
    MOST_GROUPS,
    Group,
    clear_differences,
    compare_yields,
    welch_p_value,
)

CLAIM = "gave more than"


def group(name: str, count: int, mean: float | None, half: float | None) -> Group:
    if mean is None or half is None:
        return Group(name, count, mean, None, None)
    return Group(name, count, mean, mean - half, mean + half)


def said(groups: list[Group]) -> str:
    return " ".join(compare_yields(groups, "yeast", "yeasts"))


def test_overlapping_intervals_claim_nothing():
    text = said([group("A", 8, 0.36, 0.02), group("B", 8, 0.33, 0.02)])
    assert CLAIM not in text
    assert "cannot tell" in text
    assert "does not mean they are the same" in text


def test_intervals_apart_name_the_pair_with_both_intervals_and_counts():
    text = said([group("A", 8, 0.36, 0.01), group("B", 6, 0.33, 0.01)])
    assert "A gave more than B" in text
    assert "0.360 LPA per kg (95 % interval 0.350 to 0.370, 8 batches)" in text
    assert "0.330 LPA per kg (95 % interval 0.320 to 0.340, 6 batches)" in text


def test_a_difference_is_never_called_a_cause():
    text = said([group("A", 8, 0.36, 0.01), group("B", 6, 0.33, 0.01)])
    assert "need not be why" in text
    for word in ("because", "due to", "thanks to", "caused", "best"):
        assert word not in text


def test_touching_intervals_are_not_apart():
    touching = [Group("A", 9, 0.35, 0.34, 0.36), Group("B", 9, 0.33, 0.32, 0.34)]
    assert clear_differences(touching) == []


@pytest.mark.parametrize("few", [1, 2])
def test_too_few_batches_are_named_and_not_compared(few):
    text = said([group("A", 9, 0.36, 0.01), group("B", few, 0.2, 0.001 if few > 1 else None)])
    assert CLAIM not in text
    assert f"B ({few})" in text
    assert "cannot tell" in text


def test_one_group_has_nothing_to_be_compared_with():
    text = said([group("A", 9, 0.36, 0.01)])
    assert "nothing to compare it with" in text
    assert "0.360" in text


def test_nothing_measured_says_so():
    assert "nothing can be said" in said([])
    assert "nothing can be said" in said([group("A", 0, None, None)])


def test_a_crowd_of_groups_is_not_ranked():
    crowd = [group(f"G{n}", 9, 0.2 + 0.05 * n, 0.001) for n in range(MOST_GROUPS + 1)]
    assert clear_differences(crowd) == []
    assert CLAIM not in said(crowd)


def as_group(name: str, draws: np.ndarray) -> Group:
    half = stats.t.ppf(0.975, len(draws) - 1) * stats.sem(draws)
    return Group(name, len(draws), draws.mean(), draws.mean() - half, draws.mean() + half)


@pytest.mark.parametrize(
    "counts", [(3, 3), (12, 12), (4, 4, 4, 30), (3,) * 8, (6,) * 8, (4,) * 7 + (30,), (3, 4, 5, 6, 12, 20)]
)
def test_a_season_without_any_difference_is_rarely_said_to_have_one(counts):
    """500 seasons of groups that do not differ: claims in at most 5 %, with three standard errors of room."""
    seasons = 500
    rng = np.random.default_rng(20251125)
    claims = sum(
        bool(clear_differences([as_group(str(g), rng.normal(0.35, 0.02, n)) for g, n in enumerate(counts)]))
        for _ in range(seasons)
    )
    assert claims / seasons <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / seasons), f"{claims} claims in {seasons}"


def test_the_test_behind_a_claim_is_welch_s():
    """Against scipy's own Welch test on the batches themselves."""
    rng = np.random.default_rng(3)
    one, other = rng.normal(0.36, 0.01, 5), rng.normal(0.34, 0.03, 9)
    p_value = welch_p_value(as_group("one", one), as_group("other", other))
    assert p_value == pytest.approx(stats.ttest_ind(one, other, equal_var=False).pvalue, rel=1e-9)


def test_many_comparisons_ask_for_more():
    """One pair just apart is a claim alone, and none among twenty groups that are alike."""
    pair = [Group("A", 4, 0.36, 0.341, 0.379), Group("B", 4, 0.31, 0.285, 0.335)]
    alike = [Group(f"C{n}", 4, 0.335, 0.31, 0.36) for n in range(18)]
    assert len(clear_differences(pair)) == 1
    assert clear_differences(pair + alike) == []


def test_a_real_difference_is_seen():
    rng = np.random.default_rng(7)
    made = [as_group(name, rng.normal(true, 0.02, 8)) for name, true in (("A", 0.36), ("B", 0.30))]
    assert [(pair.more.name, pair.less.name) for pair in clear_differences(made)] == [("A", "B")]
