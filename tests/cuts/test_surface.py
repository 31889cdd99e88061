"""Many surfaces looked up together, against scipy's own look-up of one (scipy.interpolate, FITPACK)."""

import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline

from pipeline.cuts.surface import surfaces_through

FIRST = np.linspace(-0.3, 2.0, 24)
SECOND = np.concatenate([[0.0], np.geomspace(0.01, 1.0, 40)])


@pytest.fixture(name="values")
def _values():
    x, y = np.meshgrid(FIRST, SECOND, indexing="ij")
    return [np.sin(3.0 * x) * np.exp(-2.0 * y), x**2 + np.sqrt(y + 0.1)]


@pytest.mark.parametrize("beyond", [0.0, 0.5])
def test_values_and_slopes_are_those_of_the_library(values, beyond):
    rng = np.random.default_rng(3)
    x = rng.uniform(FIRST[0] - beyond, FIRST[-1] + beyond, 400)
    y = np.concatenate([rng.uniform(-beyond, 1.0 + beyond, 380), SECOND[:20]])
    found, slope = surfaces_through(FIRST, SECOND, values).at_with_slope(x, y)
    for column, each in enumerate(values):
        library = RectBivariateSpline(FIRST, SECOND, each, kx=3, ky=3, s=0)
        assert found[:, column] == pytest.approx(library.ev(x, y), rel=1e-11, abs=1e-12)
        assert slope[:, column] == pytest.approx(library.ev(x, y, dy=1), rel=1e-10, abs=1e-10)


def test_a_surface_passes_through_its_own_values(values):
    x, y = np.meshgrid(FIRST, SECOND, indexing="ij")
    found = surfaces_through(FIRST, SECOND, values).at(x.ravel(), y.ravel())
    assert found[:, 0] == pytest.approx(values[0].ravel(), abs=1e-12)
