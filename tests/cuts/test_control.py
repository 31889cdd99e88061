"""Control charts against printed examples, designed series, published run lengths, and by counting.

Sources are named beside each check. Where it says "from memory", the data were recalled, not read.
"""

from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import kstest, norm
from scipy.stats import t as student_t

from pipeline.cuts import control
from pipeline.cuts.calibration import published_run_length, run_lengths

# NIST/SEMATECH e-Handbook 6.3.2.2, flow rate of ten batches (from memory).
FLOW_RATE = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
# Montgomery and Runger, Applied Statistics and Probability for Engineers, table 16-7 (read).
CONCENTRATION = np.array(
    [
        102,
        94.8,
        98.3,
        98.4,
        102,
        98.5,
        99,
        97.7,
        100,
        98.1,
        101.3,
        98.7,
        101.1,
        98.4,
        97,
        96.7,
        100.3,
        101.4,
        97.2,
        101.0,
    ]
)
# NIST/SEMATECH e-Handbook 6.3.2.4, EWMA of twenty points, target 50, sd 2.0539 (from memory).
EWMA_DATA = np.array(
    [
        52.0,
        47.0,
        53.0,
        49.3,
        50.1,
        47.0,
        51.0,
        50.1,
        51.2,
        50.5,
        49.6,
        47.6,
        49.9,
        51.3,
        47.8,
        51.2,
        52.6,
        52.4,
        53.6,
        52.1,
    ]
)
# Thirty points that Montgomery shifts from 10 to 11 after the twentieth (data read in an example citing him).
SHIFTED = np.array(
    [
        *(9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4, 10.08),
        *(9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62, 11.31, 10.52),
    ]
)


def test_individuals_and_moving_range_of_the_flow_rate():
    chart = control.individuals(FLOW_RATE)
    assert chart.mean == pytest.approx(50.81)
    assert chart.mr_bar == pytest.approx(1.87778, abs=1e-5)
    assert chart.limits == pytest.approx((45.8159, 55.8041), abs=1e-4)
    assert chart.range_limit == pytest.approx(6.1347, abs=1e-4)
    # t prediction limits for the next batch: own computation with scipy, mean -/+ t s sqrt(1 + 1/n).
    assert chart.next_run(0.95) == pytest.approx((45.9845, 55.6355), abs=1e-4)
    assert chart.next_run() == pytest.approx((42.0766, 59.5434), abs=2e-3)


def test_individuals_and_cusum_of_the_concentration():
    chart = control.individuals(CONCENTRATION)
    assert (chart.mean, chart.mr_bar) == pytest.approx((99.095, 2.5895), abs=1e-4)
    assert chart.limits == pytest.approx((92.208, 105.982), abs=5e-4)
    # Table 16-8: target 99, K 1, H 10.
    up, down = control.cusum(CONCENTRATION, 99.0, 1.0, 10.0)
    assert [up[0], up[5], up[17]] == pytest.approx([2.0, 0.5, 1.7], abs=5e-3)
    assert [down[1], down[2], down[3], down[15]] == pytest.approx([3.2, 2.9, 2.5, 2.3], abs=5e-3)
    assert max(up.max(), down.max()) < 10.0


def test_ewma_of_the_handbook():
    average = control.ewma(EWMA_DATA, 50.0, 0.3)
    assert average[[0, 1, 9, 18, 19]] == pytest.approx([50.6, 49.52, 50.33, 51.94, 51.99], abs=6e-3)
    (half,) = control.ewma_half_width(2.0539, np.array([np.inf]), 0.3, 3.0)
    assert (50.0 - half, 50.0 + half) == pytest.approx((47.4116, 52.5884), abs=5e-4)
    assert np.all(np.abs(average - 50.0) < half)


def test_cusum_and_ewma_see_the_shift_at_the_point_the_textbook_does():
    up, down = control.cusum(SHIFTED, 10.0, 0.5)
    assert (up[28], up[29], down[2]) == pytest.approx((5.28, 5.3, 1.77), abs=5e-3)
    assert int(np.flatnonzero(up > 5.0)[0]) == 28
    average = control.ewma(SHIFTED, 10.0, 0.1)
    assert average[[0, 1, 28]] == pytest.approx([9.945, 9.7495, 10.6468], abs=5e-4)
    half = control.ewma_half_width(1.0, np.arange(1.0, 31.0), 0.1, 2.7)
    assert half[0] == pytest.approx(0.27)
    assert half[-1] == pytest.approx(0.6189, abs=2e-3)
    assert int(np.flatnonzero(np.abs(average - 10.0) > half)[0]) == 28


# Designed series: z with known centre and sigma, each meeting one of Nelson's rules (1984) where named.
DESIGNED = {
    "beyond limits": ([0.2, -0.4, 0.1, 3.2, 0.3], 4),
    "nine on one side": ([-0.5, 0.3, 0.6, 0.2, 0.8, 0.4, 0.1, 0.9, 0.5, 0.3], 10),
    "six rising or falling": ([0.4, -1.1, -0.7, -0.2, 0.1, 0.6, 1.2, -0.3], 7),
    "fourteen alternating": (
        [0.5, -0.5, 0.4, -0.6, 0.3, -0.2, 0.7, -0.4, 0.6, -0.7, 0.2, -0.3, 0.5, -0.1],
        14,
    ),
    "two of three": ([0.1, 2.3, 0.4, 2.1, -0.2], 4),
    "four of five": ([0.2, 1.3, 1.4, 0.3, 1.2, 1.6, -0.1], 6),
    "fifteen close": ([0.5, -0.3, 0.2, -0.8, 0.6, -0.1, 0.4, -0.6, 0.9, -0.2, 0.3, -0.7, 0.1, 0.8, -0.4], 15),
    "eight away": ([1.3, -1.2, 1.6, -1.4, -1.1, 1.2, 1.7, -1.5], 8),
}
SILENT = [0.2, -0.9, 1.4, -0.3, 0.8, -1.6, 0.5, 1.1, -0.4, -0.2]


@pytest.mark.parametrize("rule", control.NELSON)
def test_each_rule_is_met_where_it_was_built_to_be_and_no_other_is(rule):
    series, at = DESIGNED[rule]
    z = np.array(series)
    assert control.rule_hits(z, rule) == [at - 1]
    others = {other for other in control.NELSON if control.rule_hits(z, other)} - {rule}
    assert others == set()


def test_a_quiet_series_meets_no_rule():
    z = np.array(SILENT)
    assert not any(control.rule_hits(z, rule) for rule in {*control.NELSON, *control.WESTERN_ELECTRIC})


def test_western_electric_counts_eight_on_one_side():
    z = np.array([0.3, 0.2, 0.5, 0.1, 0.4, 0.6, 0.2, 0.3])
    assert control.rule_hits(z, "eight on one side") == [7]
    assert control.rule_hits(z, "nine on one side") == []
    # A point on the line breaks the run, as published.
    z[3] = 0.0
    assert control.rule_hits(z, "eight on one side") == []


def on_one_side(z):
    return all(each > 0 for each in z) or all(each < 0 for each in z)


def beyond(z, sigmas, least):
    return any(side * z[-1] > sigmas and sum(side * each > sigmas for each in z) >= least for side in (1, -1))


# Each rule of one stretch of points, as the publications word it.
PLAIN = {
    "beyond limits": (1, lambda z: abs(z[0]) > 3),
    "nine on one side": (9, on_one_side),
    "eight on one side": (8, on_one_side),
    "six rising or falling": (6, lambda z: on_one_side([b - a for a, b in pairwise(z)])),
    "fourteen alternating": (
        14,
        lambda z: all((b - a) * (c - b) < 0 for a, b, c in zip(z, z[1:], z[2:], strict=False)),
    ),
    "two of three": (3, lambda z: beyond(z, 2, 2)),
    "four of five": (5, lambda z: beyond(z, 1, 4)),
    "fifteen close": (15, lambda z: all(abs(each) < 1 for each in z)),
    "eight away": (8, lambda z: all(abs(each) > 1 for each in z)),
}


@pytest.mark.parametrize("rule", PLAIN)
def test_a_rule_is_met_in_a_long_series_where_each_stretch_by_itself_meets_it(rule):
    """Series of tenths, so that points lie on the lines and beside their like, of one sigma, half and two."""
    rng = np.random.default_rng(12)
    length, is_met = PLAIN[rule]
    hits = 0
    for sd in (0.5, 1.0, 2.0):
        z = np.round(rng.normal(0.0, sd, 1_500), 1)
        # Some stretches of each kind that chance would not bring.
        z[100:120] = np.arange(20) / 10.0 + 0.1
        z[200:220] = np.where(np.arange(20) % 2, 1.2, -1.3)
        z[300:320] = np.abs(z[300:320])
        expected = [
            end for end in range(length - 1, z.size) if is_met(z[end - length + 1 : end + 1].tolist())
        ]
        assert control.rule_hits(z, rule) == expected
        hits += len(expected)
    assert hits > 0


def test_running_charts_are_those_of_their_definition_point_by_point():
    values = np.random.default_rng(13).normal(61.0, 1.5, 300) + np.where(np.arange(300) > 200, 3.0, 0.0)
    averages, last = [], 61.0
    sums, up, down = [], 0.0, 0.0
    for value in values:
        last = 0.2 * value + 0.8 * last
        averages.append(last)
        up, down = max(0.0, value - 61.5 + up), max(0.0, 60.5 - value + down)
        sums.append((up, down))
        if up > 5.0 or down > 5.0:
            up = down = 0.0
    assert control.ewma(values, 61.0, 0.2) == pytest.approx(averages, rel=1e-13)
    for found, expected in zip(control.cusum(values, 61.0, 0.5, 5.0), zip(*sums, strict=True), strict=True):
        assert found == pytest.approx(expected, abs=1e-11)
    # Quesenberry's Q, each from the mean and standard deviation of all runs before it.
    q = control.self_starting(values)
    before = [values[:place] for place in range(2, values.size)]
    t = [
        (value - each.mean()) / (each.std(ddof=1) * np.sqrt(1.0 + 1.0 / each.size))
        for value, each in zip(values[2:], before, strict=True)
    ]
    freedom = np.arange(1, values.size - 1)
    assert np.isnan(q[:2]).all()
    assert q[2:] == pytest.approx(np.clip(norm.ppf(student_t.cdf(t, freedom)), -8.0, 8.0), abs=1e-9)
    assert np.isnan(control.self_starting(np.array([61.0, 61.0, 61.0, 62.0]))[:3]).all()


# Printed: Montgomery, Introduction to Statistical Quality Control (from memory): 168, 465, 8.38, 10.4, 500.
@pytest.mark.parametrize(
    ("found", "printed", "within"),
    [
        (control.arl_cusum(0.5, 4.0, 0.0), 168.0, 1.0),
        (control.arl_cusum(0.5, 5.0, 0.0), 465.0, 1.0),
        (control.arl_cusum(0.5, 4.0, 1.0), 8.38, 0.01),
        (control.arl_cusum(0.5, 5.0, 1.0), 10.4, 0.05),
        (control.arl_ewma(0.2, 2.962, 0.0), 500.0, 1.0),
        (control.arl_ewma(0.2, 2.962, 1.0), 10.5, 0.06),
    ],
)
def test_run_lengths_are_the_printed_ones(found, printed, within):
    assert found == pytest.approx(printed, abs=within)


@pytest.mark.parametrize("chart", ["cusum", "ewma"])
def test_a_shift_of_one_and_a_half_sigma_is_seen_within_the_published_run_length(chart):
    lengths = getattr(run_lengths(400, 200, 1.5, np.random.default_rng(1)), chart)
    u = lengths.std() / np.sqrt(lengths.size)
    assert lengths.mean() < published_run_length(chart, 1.5) + 3 * u


@pytest.mark.parametrize("chart", ["cusum", "ewma"])
def test_in_control_the_charts_signal_as_often_as_they_promise(chart):
    """Exponential in the long run: 150 points hold a first signal in 1 - exp(-150 / run length) of series."""
    series = 300
    lengths = getattr(run_lengths(series, 150, 0.0, np.random.default_rng(2)), chart)
    expected = 1.0 - np.exp(-150.0 / published_run_length(chart, 0.0))
    assert np.mean(lengths < 150) == pytest.approx(
        expected, abs=3.5 * np.sqrt(expected * (1 - expected) / series)
    )


def test_q_is_standard_normal_and_independent_while_nothing_changes():
    """Quesenberry's property, for any mean and sigma, by Kolmogorov's test and by correlation."""
    rng = np.random.default_rng(3)
    q = np.array([control.self_starting(61.0 + 1.7 * rng.standard_normal(30))[2:] for _ in range(120)])
    assert kstest(q.ravel(), norm.cdf).pvalue > 0.01
    assert abs(np.corrcoef(q[:, :-1].ravel(), q[:, 1:].ravel())[0, 1]) < 3.5 / np.sqrt(q[:, 1:].size)


def test_limits_for_the_next_run_hold_their_promise_from_twelve_runs_on():
    rng = np.random.default_rng(4)
    outside = 0
    for _ in range(3000):
        values = rng.standard_normal(13)
        low, high = control.individuals(values[:12]).next_run(0.95)
        outside += not low <= values[12] <= high
    assert outside / 3000 == pytest.approx(0.05, abs=3.5 * np.sqrt(0.05 * 0.95 / 3000))


def test_the_baseline_is_the_first_stretch_without_a_jump():
    rng = np.random.default_rng(8)
    steady = rng.uniform(-1.0, 1.0, 30)
    assert control.first_steady(steady) == (0, 20)
    jumped = np.concatenate([[30.0, -30.0, 30.0], steady])
    first, last = control.first_steady(jumped)
    assert first >= 2
    assert last - first == 20
    assert control.first_steady(steady[:7]) is None
    # Cuts written to whole per cents say nothing of a spread below one.
    assert control.first_steady(np.array([61.0] * 12 + [62.0] + [61.0] * 7)) is None
