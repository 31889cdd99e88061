"""The table that fits use against the exact curves of the science (tested themselves in tests/science)."""

import numpy as np
import pytest

from pipeline import science
from pipeline.cuts.model import as_drops, course, run_set
from pipeline.cuts.table import curve_of
from pipeline.simulate.liquid import Liquid
from pipeline.simulate.still import distil


def one_run(charge_l, charge_abv, jar_l, jars):
    return run_set([charge_l], [charge_abv], [0.3], [[(jar_l, np.nan, np.nan)] * jars])


@pytest.mark.parametrize(
    ("stages", "off"),
    [(0.0, 0.002), (0.03, 0.002), (0.25, 0.002), (0.47, 0.002), (0.99, 0.06), (1.0, 0.002), (1.6, 0.002)],
)
@pytest.mark.parametrize(("charge_l", "charge_abv", "jar_l"), [(40.0, 28.0, 0.75), (40.0, 22.0, 0.5)])
def test_jars_and_spout_are_those_of_the_exact_curve(stages, off, charge_l, charge_abv, jar_l):
    exact = science.jar_strengths(charge_l, charge_abv, stages, [jar_l] * 16)
    found = course(one_run(charge_l, charge_abv, jar_l, 16), np.array([stages]), np.array([0.0]))
    assert found.jar_abv[0] == pytest.approx(exact, abs=off)
    spout = science.run_curve(charge_l, charge_abv, stages, found.lpa_frac[0])
    assert found.spout_abv[0] == pytest.approx(spout, abs=off)


def test_slope_at_the_spout_is_that_of_the_spout():
    runs = one_run(40.0, 28.0, 0.01, 1500)
    found = course(runs, np.array([0.3]), np.array([0.0]))
    steps = np.diff(found.spout_abv[0]) / 0.01
    middle = 0.5 * (found.spout_slope[0, 1:] + found.spout_slope[0, :-1])
    assert middle == pytest.approx(steps, rel=2e-3, abs=2e-3)


def test_stages_below_nought_go_on_where_those_above_began():
    pot = np.log(0.1)
    spouts = [curve_of(stages).vapour(np.exp(curve_of(stages).log_x)) for stages in (-0.02, 0.0, 0.02)]
    at = int(np.argmin(np.abs(curve_of(0.0).log_x - pot)))
    below, here, above = (float(each[at]) for each in spouts)
    assert below < here < above
    assert above - here == pytest.approx(here - below, rel=0.02)


def test_a_wide_vessel_holds_a_mixture_as_an_independent_still_fills_it():
    """One vessel from 80 down to about 62 % vol, against the simulator, which integrates by mass."""
    w = science.mass_fraction_from_abv(28.0)
    mass_kg = 40.0 * science.density_kg_per_m3(w, 20.0) / 1000.0
    path = distil(Liquid(mass_kg * w, mass_kg * (1.0 - w), {}), 0.45)
    vessel = path.collected(0.0, 11.5)
    runs = run_set([40.0], [28.0], [0.3], [[(vessel.volume_l, vessel.abv_pct_vol, np.nan)]])
    drops = as_drops(runs, np.array([0.45]), np.array([0.0]))
    found = course(drops, np.array([0.45]), np.array([0.0]))
    assert drops.volume_l[0, 0] == pytest.approx(11.5, abs=0.01)
    assert found.jar_abv[0, 0] == pytest.approx(drops.jar_abv[0, 0], abs=0.03)
