"""Scores in their model: linked sets, missing cells, order, repeats, too few people; figures of assessors."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.panel.assessors import assessor_figures
from pipeline.panel.mixed import Block, factor_kernel, fit_reml
from pipeline.panel.scaling import read_scaling
from pipeline.panel.scores import Scores, fit_scores, linked_sets
from pipeline.panel.tables import LIKE_CASKS, NEW_SPIRITS, SAME_SPIRIT, comparison


def scores_of(rows: list[tuple[float, int, int]], order: list[float] | None = None) -> Scores:
    """Rows of (score, assessor, sample) of one session."""
    value, assessor, sample = (np.array(part) for part in zip(*rows, strict=True))
    return Scores(
        value.astype(float),
        assessor.astype(np.int64),
        sample.astype(np.int64),
        np.zeros(len(rows), dtype=np.int64),
        np.full(len(rows), np.nan) if order is None else np.array(order),
    )


def panel(rng: np.random.Generator, places: list[float], people: int = 6, sd: float = 0.3, **kind) -> Scores:
    offset = rng.normal(0.0, 1.0, people)
    stretch = kind.get("stretch", np.ones(people))
    rows = [
        (5.0 + offset[one] + stretch[one] * place + sd * rng.normal(), one, sample)
        for one in range(people)
        for sample, place in enumerate(places)
        for _ in range(kind.get("glasses", 1))
    ]
    return scores_of(rows)


def test_complete_scores_give_the_paired_t_test_of_two_samples():
    """Two samples, no repeats: the difference is that of Student's paired test, by hand."""
    first, second = np.array([5.0, 6.5, 4.0, 7.0, 5.5]), np.array([4.0, 6.0, 3.5, 5.5, 5.0])
    rows = [(score, one, 0) for one, score in enumerate(first)] + [
        (score, one, 1) for one, score in enumerate(second)
    ]
    found = fit_scores(scores_of(rows)).difference(0, 1)
    gap = first - second
    assert found.value == pytest.approx(gap.mean())
    assert found.se == pytest.approx(gap.std(ddof=1) / np.sqrt(5.0), rel=1e-6)
    assert found.df == pytest.approx(4.0, rel=1e-6)


def test_a_strict_taster_who_tasted_only_some_does_not_move_them():
    """The strict one scored two of four samples: their plain means fall, their adjusted ones do not."""
    rows = [(6.0 + 0.1 * (one - sample), one, sample) for one in range(5) for sample in range(4)]
    rows += [(2.0, 5, 0), (2.1, 5, 1)]
    scores = scores_of(rows)
    fitted = fit_scores(scores)
    assert scores.raw_means()[0] < scores.raw_means()[2] - 0.3
    assert fitted.difference(0, 2).value == pytest.approx(0.2, abs=0.11)


def test_samples_that_nobody_compared_are_in_sets_of_their_own():
    assessor = np.array([0, 0, 1, 1, 0, 1])
    sample = np.array([0, 1, 1, 2, 3, 3])
    session = np.array([0, 0, 0, 0, 1, 1])
    assert linked_sets(assessor, sample, session).tolist() == [0, 0, 0, 0, 1, 1]


def test_a_sample_shared_by_two_evenings_links_them():
    assessor, sample = np.array([0, 0, 0, 0]), np.array([0, 1, 1, 2])
    assert linked_sets(assessor, sample, np.array([0, 0, 1, 1])).tolist() == [0, 0, 0, 0]


def test_evenings_linked_by_a_sample_are_compared_free_of_their_mood():
    rng = np.random.default_rng(1)
    rows, sessions = [], []
    for session, samples in enumerate(([0, 1, 2], [2, 3, 4])):
        for one in range(8):
            for sample in samples:
                # The second evening was kinder by two points; samples 1 and 3 are alike.
                true = {0: 4.0, 1: 5.0, 2: 6.0, 3: 5.0, 4: 7.0}[sample]
                rows.append((true + 2.0 * session + 0.3 * rng.normal(), one, sample))
                sessions.append(session)
    plain = scores_of(rows)
    scores = Scores(plain.value, plain.assessor, plain.sample, np.array(sessions), plain.order)
    found = fit_scores(scores).difference(3, 1)
    assert abs(found.value) < 0.5
    assert plain.raw_means()[3] - plain.raw_means()[1] > 1.5


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        ([(5.0, one, sample) for one in range(2) for sample in range(3)], "fewer than 3 assessors"),
        ([(5.0 + one, one, 0) for one in range(4)], "one sample only"),
        ([(5.0, one, sample) for one in range(4) for sample in range(3)], "no error"),
    ],
)
def test_what_cannot_be_compared_says_why(rows, reason):
    with pytest.raises(ValueError, match=reason):
        fit_scores(scores_of(rows))


def test_tiring_through_the_flight_is_found_and_taken_off():
    rng = np.random.default_rng(2)
    rows, order = [], []
    for one in range(10):
        for place, sample in enumerate(rng.permutation(6)):
            rows.append((5.0 + 0.5 * sample - 0.3 * place + 0.1 * rng.normal(), one, int(sample)))
            order.append(place + 1.0)
    fitted = fit_scores(scores_of(rows, order))
    low, high = fitted.order_effect().interval()
    assert low < -0.3 < high
    assert high < 0.0
    assert fitted.difference(5, 0).value == pytest.approx(2.5, abs=0.2)


def test_one_order_for_all_cannot_be_told_from_the_samples():
    rows = [(5.0 + sample + 0.1 * one * sample, one, sample) for one in range(5) for sample in range(4)]
    fitted = fit_scores(scores_of(rows, [sample + 1.0 for _ in range(5) for sample in range(4)]))
    assert fitted.order_effect() is None


def test_repeats_are_not_taken_for_more_people():
    """Every glass poured five times makes the panel's error no smaller than its people allow."""
    rng = np.random.default_rng(3)
    people, own = 6, rng.normal(0.0, 1.0, (6, 3))
    rows = [
        (5.0 + own[one, sample] + 0.05 * rng.normal(), one, sample)
        for one in range(people)
        for sample in range(3)
        for _ in range(5)
    ]
    found = fit_scores(scores_of(rows)).difference(0, 1)
    assert found.df <= 15.0 + 1e-6
    assert found.se > 0.3


def test_the_one_who_uses_half_the_scale_and_the_one_at_random_are_told_apart():
    rng = np.random.default_rng(4)
    stretch = np.array([1.0, 1.0, 1.0, 1.0, 0.4, 1.0])
    sets = []
    for _ in range(6):
        scores = panel(rng, list(rng.normal(0.0, 1.5, 7)), stretch=stretch, glasses=2)
        noisy = scores.assessor == 5
        scores.value[noisy] += 2.0 * rng.normal(size=noisy.sum())
        sets.append((scores, fit_scores(scores)))
    hints = {each.assessor: each.hint for each in assessor_figures(sets)}
    assert "little of the scale" in hints[4]
    assert "repeats loosely" in hints[5]
    assert [hints[one] for one in range(4)] == [""] * 4
    scaling = read_scaling(sets)
    assert scaling.is_carried
    assert scaling.drawn[4] == pytest.approx(0.4, abs=0.15)
    assert scaling.drawn[:4] == pytest.approx(1.0, abs=0.15)


def test_slopes_are_not_used_where_samples_are_alike():
    rng = np.random.default_rng(5)
    scores = panel(rng, [0.0] * 6, sd=0.8)
    assert not read_scaling([(scores, fit_scores(scores))]).is_carried


def test_blocks_and_one_whole_matrix_give_the_same_fit():
    rng = np.random.default_rng(6)
    response, group = rng.normal(size=60), np.repeat(np.arange(6), 10)
    design = np.column_stack([np.ones(60), rng.normal(size=60)])
    whole = fit_reml([Block(response, design, (factor_kernel(group), np.eye(60)))])
    parts = fit_reml(
        [
            Block(response[group == each], design[group == each], (np.ones((10, 10)), np.eye(10)))
            for each in range(6)
        ]
    )
    assert parts.theta == pytest.approx(whole.theta, abs=1e-8)
    assert parts.criterion == pytest.approx(whole.criterion)


def test_what_a_fit_tells_of_itself_is_its_plain_definition():
    """Covariances, information and what Kenward and Roger need, from whole matrices, kernel by kernel."""
    rng = np.random.default_rng(8)
    group, cell = np.repeat(np.arange(40), 6), np.repeat(np.arange(120), 2)
    design = np.column_stack([np.ones(240), rng.normal(size=240)])
    response = rng.normal(size=40)[group] + rng.normal(size=120)[cell] + rng.normal(size=240)
    kernels = (factor_kernel(group), factor_kernel(cell), np.eye(240))
    own = [np.flatnonzero(group == each) for each in range(40)]
    fit = fit_reml(
        [Block(response[rows], design[rows], tuple(k[np.ix_(rows, rows)] for k in kernels)) for rows in own]
    )
    assert fit.theta.min() > 0.0
    inverse = np.linalg.inv(np.tensordot(fit.theta, kernels, axes=1))
    np.testing.assert_allclose(fit.cov, np.linalg.inv(design.T @ inverse @ design), rtol=1e-9)
    np.testing.assert_allclose(fit.beta, fit.cov @ design.T @ inverse @ response, rtol=1e-9)
    np.testing.assert_allclose(fit.weighted, inverse @ (response - design @ fit.beta), atol=1e-9)
    free = inverse - inverse @ design @ fit.cov @ design.T @ inverse
    expected = [[0.5 * np.trace(free @ one @ free @ other) for other in kernels] for one in kernels]
    np.testing.assert_allclose(fit.theta_expected_cov, np.linalg.inv(expected), rtol=1e-8)
    pull = free @ response
    observed = [[pull @ one @ free @ other @ pull for other in kernels] for one in kernels]
    np.testing.assert_allclose(fit.theta_cov, np.linalg.inv(np.array(observed) - expected), rtol=1e-8)
    solved = inverse @ design
    for i, one in enumerate(kernels):
        np.testing.assert_allclose(fit.moments[i], solved.T @ one @ solved, rtol=1e-9, atol=1e-9)
        for j, other in enumerate(kernels):
            both = solved.T @ one @ inverse @ other @ solved
            np.testing.assert_allclose(fit.crossed[i, j], both, rtol=1e-9, atol=1e-9, err_msg=f"{i}, {j}")


def test_a_variance_that_is_not_there_stays_at_zero():
    """Groups more alike than chance: the estimate stands on the boundary, the likelihood stays finite."""
    response = np.tile([1.0, -1.0, 2.0, -2.0], 5)
    fit = fit_reml(
        [Block(response, np.ones((20, 1)), (factor_kernel(np.repeat(np.arange(5), 4)), np.eye(20)))]
    )
    assert fit.theta[0] == 0.0
    assert np.isfinite(fit.criterion)


def spirit(origins: str | dict[str, float], cask: str | None = None, wood: str | None = None) -> dict:
    """A tasted spirit of one batch, or of several in shares."""
    shares = {origins: 1.0} if isinstance(origins, str) else origins
    cask_facts = {"cask": cask, "wood": wood, "capacity_l": cask and 50.0, "cask_years": cask and 1.0}
    return {"origins": shares, **cask_facts}


def test_pairs_are_compared_for_their_cask_or_their_spirit_only_where_the_other_is_alike():
    assert comparison(spirit("G1", "C1", "oak"), spirit("G1", "C2", "cherry")) == SAME_SPIRIT
    assert comparison(spirit("G1", "C1", "oak"), spirit("G2", "C2", "oak")) == LIKE_CASKS
    assert comparison(spirit("G1", "C1", "oak"), spirit("G2", "C2", "cherry")) is None
    assert comparison(spirit("G1"), spirit("G2")) == NEW_SPIRITS
    assert comparison(spirit("G1"), spirit("G1", "C1", "oak")) == SAME_SPIRIT
    assert comparison(spirit("G1"), spirit("G2", "C1", "oak")) is None


def test_casks_filled_from_one_vat_hold_the_same_spirit():
    vat, nearly = {"G1": 0.6, "G2": 0.4}, {"G1": 0.55, "G2": 0.45}
    assert comparison(spirit(vat, "C1", "oak"), spirit(nearly, "C2", "cherry")) == SAME_SPIRIT
    assert comparison(spirit(vat, "C1", "oak"), spirit({"G3": 1.0}, "C2", "oak")) == LIKE_CASKS
    # Neither the same spirit nor another one, and one whose batches are not known.
    assert comparison(spirit(vat, "C1", "oak"), spirit("G1", "C2", "oak")) is None
    assert comparison(spirit({"G1": 0.5}, "C1", "oak"), spirit("G1", "C2", "oak")) is None
