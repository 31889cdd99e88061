"""Control charts against general libraries: values recorded once, each with its package and version.

- R 4.2.2, package spc 0.6.7: `xcusum.arl(k, h, mu, sided = "two", r = 100)` and
  `xewma.arl(l, c, mu, sided = "two", r = 100)`, solved there by integral equations, here by Markov chains.
- R 4.2.2, base: d2 by `integrate` over `ptukey(w, 2, Inf)`, the mean range of two; run rules by `embed`, one
  window a row, positions counted from 1.
- Python 3.11, package pyspc 0.4 (numpy 2.4.6): charts `xmr`, `mr`, `ewma(weight=0.2)`, `cusum(interval=5)`.
"""

import numpy as np
import pytest

from pipeline.cuts import control

# The series of test_control.py, whose sources stand there.
FLOW_RATE = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
CONCENTRATION = np.array(
    [
        *(102, 94.8, 98.3, 98.4, 102, 98.5, 99, 97.7, 100, 98.1),
        *(101.3, 98.7, 101.1, 98.4, 97, 96.7, 100.3, 101.4, 97.2, 101.0),
    ]
)
SHIFTED = np.array(
    [
        *(9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.2, 10.34, 9.03, 11.47, 10.51, 9.4, 10.08),
        *(9.37, 10.62, 10.31, 8.52, 10.84, 10.9, 9.33, 12.29, 11.5, 10.6, 11.08, 10.38, 11.62, 11.31, 10.52),
    ]
)

SPC_CUSUM = {
    (0.5, 5.0): {
        0.0: 465.443506,
        0.5: 37.99614319,
        1.0: 10.37596992,
        1.5: 5.747217703,
        2.0: 4.008871061,
        3.0: 2.573252051,
    },
    (0.5, 4.0): {
        0.0: 167.6837888,
        0.5: 26.63020309,
        1.0: 8.38313187,
        1.5: 4.747168199,
        2.0: 3.342770129,
        3.0: 2.194480909,
    },
}
SPC_EWMA = {
    (0.2, 2.962): {
        0.0: 499.7351222,
        0.5: 41.76439576,
        1.0: 10.5416658,
        1.5: 5.500648699,
        2.0: 3.743439061,
        3.0: 2.380903484,
    },
    (0.3, 3.0): {0.0: 465.5534339, 0.5: 53.16028025, 1.0: 11.69862853, 1.5: 5.446892837},
    (0.1, 2.814): {0.0: 499.5795501, 0.5: 31.2974352, 1.0: 10.33066516, 1.5: 6.084184342},
}


@pytest.mark.parametrize("chart", SPC_CUSUM)
def test_cusum_run_lengths_are_those_of_spc(chart):
    for shift, length in SPC_CUSUM[chart].items():
        assert control.arl_cusum(*chart, shift) == pytest.approx(length, rel=5e-4), shift


@pytest.mark.parametrize("chart", SPC_EWMA)
def test_ewma_run_lengths_are_those_of_spc(chart):
    for shift, length in SPC_EWMA[chart].items():
        assert control.arl_ewma(*chart, shift) == pytest.approx(length, rel=5e-4), shift


def test_the_constants_are_those_of_r_to_their_three_decimals():
    """R: d2 1.128379167, d3 0.8525024665, D4 = 1 + 3 d3 / d2 = 3.26653192."""
    assert round(1.128379167, 3) == control.D2
    assert round(3.26653192, 3) == control.D4
    assert round(3.0 / control.D2, 2) == round(2.658680776, 2)


# pyspc 0.4: xmr and mr limits; EWMA at the 1st, 5th and last point, its upper limit there; CUSUM: highest,
# lowest, limit.
PYSPC = {
    "flow rate": (
        FLOW_RATE,
        (45.81591016548463, 55.80408983451537, 6.134700000000002),
        ([50.568, 49.7420928, 51.58323296870402], [51.80881796690308, 52.382786661964865, 52.46507246877357]),
        (4.130606776989751, 3.688258471237212, 8.323483057525614),
    ),
    "concentration": (
        CONCENTRATION,
        (92.20810190369541, 105.98189809630459, 8.459810526315788),
        (
            [99.67600000000002, 99.26120960000003, 99.32590683092914],
            [100.47237961926092, 101.26388799102473, 101.39048012273526],
        ),
        (1.7571836506159002, 3.1471836506159008, 11.478163493840984),
    ),
    "shifted": (
        SHIFTED,
        (6.715403521643433, 13.914596478356566, 4.42171551724138),
        (
            [10.142, 10.4590592, 10.865222014098315],
            [11.034919295671312, 11.448619441622295, 11.514864573390911],
        ),
        (2.3754707752506707, 2.4152017608217147, 5.999327463927612),
    ),
}


@pytest.mark.parametrize("name", PYSPC)
def test_limits_averages_and_sums_are_those_of_pyspc(name):
    values, limits, (averages, widths), (highest, lowest, decision) = PYSPC[name]
    chart = control.individuals(values)
    assert (*chart.limits, chart.range_limit) == pytest.approx(limits, rel=1e-12)
    at = [0, 4, -1]
    assert control.ewma(values, chart.mean, 0.2)[at] == pytest.approx(averages, rel=1e-12)
    points = np.arange(1.0, values.size + 1)
    half = control.ewma_half_width(chart.sigma, points, 0.2, 3.0)
    assert (chart.mean + half)[at] == pytest.approx(widths, rel=1e-12)
    up, down = control.cusum(values, chart.mean, 0.5 * chart.sigma)
    assert (up.max(), down.max()) == pytest.approx((highest, lowest), rel=1e-9)
    assert control.CUSUM_H * chart.sigma == pytest.approx(decision, rel=1e-12)


def _long_series():
    """A series that any program can write down: 80 points of three waves, then one stretch a rule."""
    i, j, k = np.arange(1.0, 81.0), np.arange(1.0, 21.0), np.arange(1.0, 13.0)
    return np.concatenate(
        [
            2.2 * np.sin(0.37 * i**2) + 0.9 * np.sin(0.11 * i) + 0.5 * np.sin(1.9 * i),
            0.7 * np.sin(2.9 * j),
            0.3 * np.arange(1.0, 9.0) - 1.4,
            (-1.0) ** k * (1.3 + 0.1 * np.sin(k)),
        ]
    )


# R 4.2.2, base: which(apply(embed(z, n)[, n:1], 1, rule)) + n - 1.
HITS = {
    "beyond limits": [64, 67],
    "nine on one side": [19, 20, 21, 22, 23],
    "eight on one side": [18, 19, 20, 21, 22, 23],
    "six rising or falling": [106, 107, 108],
    "fourteen alternating": [92, 93, 120],
    "two of three": [19, 43, 48, 56, 68, 69, 76, 77, 78],
    "four of five": [18, 19, 76, 77, 78],
    "fifteen close": [93, 94, 95, 96, 97, 98, 99, 100],
    "eight away": [116, 117, 118, 119, 120],
}


@pytest.mark.parametrize("rule", HITS)
def test_rules_are_met_where_r_meets_them(rule):
    assert [place + 1 for place in control.rule_hits(_long_series(), rule)] == HITS[rule]
