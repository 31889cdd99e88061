"""A spirit run with two balances an operation, against another program's answers (numpy, dense).

Mixing: low wines + feints = charge. Run: charge = foreshots + heads + hearts + tails + lees. Alcohol and
mass, densities by OIML R 22. True values close exactly; readings are true + Gaussian noise, rounded to 0.001.
"""

import numpy as np
import pytest

from pipeline.reconcile.network import LPA, MASS, FlowTerms, MixTerms, Network, PlainTerms
from pipeline.reconcile.solve import reconcile

# volume: reading, u, reconciled, z, z with the hearts typed 12.559; strength: the same.
FLOWS = {
    "low wines": ((90.318, 0.9, 91.110, 1.05, 5.09), (25.103, 0.3, 25.215, 0.46, 7.28)),
    "feints": ((8.978, 0.09, 8.988, 1.09, 8.49), (48.168, 0.4, 48.187, 0.43, 7.16)),
    "charge": ((101.108, 1.0, 100.027, 1.24, 6.65), (27.576, 0.3, 27.297, 1.10, 7.60)),
    "foreshots": ((0.594, 0.01, 0.594, 0.48, 16.66), (77.608, 0.5, 77.611, 0.57, 13.79)),
    "heads": ((2.619, 0.026, 2.620, 0.48, 16.66), (77.654, 0.4, 77.662, 0.57, 13.79)),
    "hearts": ((21.559, 0.215, 21.596, 0.45, 16.69), (68.130, 0.3, 68.165, 0.57, 13.86)),
    "tails": ((8.914, 0.09, 8.917, 0.27, 15.25), (41.640, 0.4, 41.665, 0.57, 14.07)),
    "lees": ((67.240, 0.7, 67.125, 0.22, 4.80), (9.388, 0.3, 9.494, 0.57, 14.23)),
}
NAMES = list(FLOWS)
SIGNS = ([1, 1, -1, 0, 0, 0, 0, 0], [0, 0, 1, -1, -1, -1, -1, -1])
TABLE = np.array([column for flow in FLOWS.values() for column in flow])
HEARTS = 2 * NAMES.index("hearts")


def network() -> Network:
    """Volumes are even, strengths odd; balances: mixing and run, each in alcohol and mass."""
    terms = [
        (2 * place + part, 2 * flow, 2 * flow + 1, float(sign), kind)
        for place, signs in enumerate(SIGNS)
        for part, kind in enumerate((LPA, MASS))
        for flow, sign in enumerate(signs)
        if sign
    ]
    row, volume, strength, sign, kind = (np.array(column) for column in zip(*terms, strict=True))
    nothing, no_factor = np.empty(0, dtype=np.int64), np.empty(0)
    return Network(
        4,
        16,
        FlowTerms(row, volume, strength, sign, kind),
        PlainTerms(nothing, nothing, no_factor),
        MixTerms(nothing, nothing, nothing, nothing),
    )


def test_clean_readings():
    found = reconcile(network(), TABLE[:, 0], TABLE[:, 1])
    np.testing.assert_allclose(found.x, TABLE[:, 2], atol=6e-4)
    np.testing.assert_allclose(np.abs(found.z), TABLE[:, 3], atol=6e-3)
    assert found.total_chi2 == pytest.approx(3.16, abs=6e-3)
    assert found.total_df == 4


def mistyped() -> np.ndarray:
    y = TABLE[:, 0].copy()
    y[HEARTS] = 12.559
    return y


def errors_with_typing_error() -> np.ndarray:
    """One per cent of the volume as it was typed, as for every other volume."""
    u = TABLE[:, 1].copy()
    u[HEARTS] = 0.215
    return u


def test_a_typing_error_shows_in_the_right_balance():
    found = reconcile(network(), mistyped(), errors_with_typing_error())
    assert found.total_chi2 == pytest.approx(281.6, abs=0.06)
    np.testing.assert_allclose(np.abs(found.z), TABLE[:, 4], atol=6e-3)


@pytest.mark.parametrize(
    ("name", "fall", "estimate"),
    [("hearts", 278.6, 21.81), ("foreshots", 277.6, 8.69), ("heads", 277.6, 10.71), ("tails", 232.6, 21.44)],
)
def test_each_reading_left_out_in_turn(name, fall, estimate):
    """The falls of chi-square are nearly equal: an error of the hearts is told from one of the heads by what
    the heads would have had to be."""
    y, u = mistyped(), errors_with_typing_error()
    whole = reconcile(network(), y, u)
    is_free = np.arange(16) == 2 * NAMES.index(name)
    left_out = reconcile(network(), y, np.where(is_free, 1e3, u), is_free)
    assert whole.total_chi2 - left_out.total_chi2 == pytest.approx(fall, abs=0.06)
    assert left_out.x[is_free][0] == pytest.approx(estimate, abs=6e-3)
    assert left_out.total_df == 3


def test_derivatives_of_the_balances():
    """Against central differences; densities come from a grid, straight between its points."""
    balances, x = network(), TABLE[:, 2]
    _, jacobian = balances.evaluate(x)
    for number in range(16):
        step = np.where(np.arange(16) == number, 1e-5, 0.0)
        slope = (balances.evaluate(x + step)[0] - balances.evaluate(x - step)[0]) / 2e-5
        np.testing.assert_allclose(jacobian[:, [number]].toarray().ravel(), slope, atol=2e-5)
