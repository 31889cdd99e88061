"""A run's fit: unbiased, honest intervals, and the wrong reading found with the value it should have.

Runs are made from the exact curves of the science with the errors of ordinary instruments (0.3 %vol a
strength, 1 % a volume). The counts over 1,000 runs a case stand in DEVELOPERS.md; here fewer,
with the slack that their number leaves (three binomial standard deviations).
"""

from dataclasses import replace

import numpy as np
import pytest

from pipeline import science
from pipeline.cuts.calibration import TYPOS_PCT_VOL, Scenario, count_found, count_stages, simulate_runs
from pipeline.cuts.fit import fit_runs
from pipeline.cuts.model import run_set
from pipeline.cuts.robust import Errors


@pytest.mark.parametrize(
    ("stages", "jars", "jar_l"), [(0.0, 20, 0.75), (0.25, 10, 1.5), (0.5, 20, 0.75), (1.0, 10, 1.5)]
)
def test_stages_are_unbiased_and_their_interval_covers(stages, jars, jar_l):
    runs = 200
    scenario = Scenario(stages=stages, jars=jars, jar_l=jar_l)
    counted = count_stages(scenario, runs, np.random.default_rng(7))
    assert counted.mean == pytest.approx(stages, abs=0.01)
    assert abs(counted.mean - stages) < 3.5 * counted.sd / np.sqrt(runs)
    assert counted.u == pytest.approx(counted.sd, rel=0.2)
    assert 0.93 - 3 * np.sqrt(0.07 * 0.93 / runs) < counted.coverage < 0.97 + 3 * np.sqrt(0.03 * 0.97 / runs)
    assert counted.flagged <= 0.015 + 3 * np.sqrt(0.015 * 0.985 / runs)


def test_a_mistyped_strength_is_found_with_the_value_expected():
    found = [count_found(Scenario(), size, 40, np.random.default_rng(11)) for size in TYPOS_PCT_VOL]
    assert np.mean([share for share, _ in found]) >= 0.95
    # The value expected is as good as one reading, not as good as nothing.
    assert all(error < 0.45 for _, error in found)


def test_a_typo_does_not_pull_the_stages():
    clean = simulate_runs(Scenario(), 40, np.random.default_rng(3))
    jar_abv = clean.jar_abv.copy()
    jar_abv[:, 9] -= 18.0
    before = np.array([fit.stages for fit in fit_runs(clean).runs])
    after = np.array([fit.stages for fit in fit_runs(replace(clean, jar_abv=jar_abv)).runs])
    assert np.abs(after - before).max() < 0.012


@pytest.mark.parametrize(("logged", "jar"), [(7.5, 12), (5.7, 15)])
def test_a_mistyped_volume_is_found_with_the_volume_expected(logged, jar):
    """The point slipped and two digits swapped, for 0.75 L."""
    runs = simulate_runs(Scenario(), 5, np.random.default_rng(5))
    volume_l = runs.volume_l.copy()
    volume_l[:, jar] = logged
    for fit in fit_runs(replace(runs, volume_l=volume_l)).runs:
        first = fit.suspicions[0]
        assert (first.what, fit.shape) == ("volume", "step")
        assert first.jar == jar
        assert logged - first.shift == pytest.approx(0.75, abs=4 * first.shift_u)


def test_a_charge_logged_a_quarter_too_large_is_seen_as_the_charge():
    runs = simulate_runs(Scenario(), 6, np.random.default_rng(5))
    fits = fit_runs(replace(runs, charge_l=runs.charge_l * 1.25)).runs
    # A first jar left out of the log looks nearly the same, so that now and then is what is named.
    assert [fit.shape for fit in fits].count("charge") >= 4
    for fit in fits:
        if fit.shape == "charge":
            assert fit.suspicions[0].shift == pytest.approx(0.2, abs=0.05)
            assert fit.stages == pytest.approx(0.5, abs=0.03)
        else:
            assert (fit.suspicions[0].what, fit.suspicions[0].jar) == ("volume", 0)


def test_a_reflux_that_changes_along_the_run_is_seen_as_a_bow():
    """Neck condensation in place of stages: the first half of the jars from a stronger still."""
    volumes = np.full(20, 0.75)
    weak, strong = (science.jar_strengths(40.0, 28.0, stages, volumes) for stages in (0.3, 0.6))
    mixed = np.linspace(1.0, 0.0, 20) * strong + np.linspace(0.0, 1.0, 20) * weak
    jars = [(0.75, float(abv), np.nan) for abv in mixed]
    (fit,) = fit_runs(run_set([40.0], [28.0], [0.3], [jars])).runs
    assert fit.shape in ("bow", "charge")
    assert fit.reduced_chi2 > 1.5 or fit.suspicions


def test_spout_readings_narrow_the_interval():
    jars = np.full(12, 1.0)
    strengths = science.jar_strengths(40.0, 28.0, 0.4, jars)
    spouts = science.run_curve(40.0, 28.0, 0.4, science.lpa_frac_at_volume(40.0, 28.0, 0.4, np.cumsum(jars)))
    with_spouts = [(1.0, float(a), float(b)) for a, b in zip(strengths, spouts, strict=True)]
    without = [(1.0, float(a), np.nan) for a in strengths]
    noise = 0.3 * np.random.default_rng(2).standard_normal((12, 2))
    noisy = [
        [(v, a + e, b + f) for (v, a, b), (e, f) in zip(each, noise, strict=True)]
        for each in (with_spouts, without)
    ]
    fits = fit_runs(run_set([40.0] * 2, [28.0] * 2, [0.3] * 2, noisy)).runs
    assert fits[0].readings == 24
    assert fits[1].readings == 12
    assert fits[0].stages_u < fits[1].stages_u
    assert all(fit.stages == pytest.approx(0.4, abs=0.05) for fit in fits)


def test_a_strip_is_fitted_from_its_one_vessel_and_its_stop():
    """Wash of 8 %vol down to 5 %vol on a bare pot: 25.43 %vol low wines (pipeline.science.strip_run)."""
    strip = science.strip_run(8.0, 0.0, 5.0)
    vessel = [(80.0 * strip.volume_frac, strip.low_wines_abv_pct_vol, 5.0)]
    (fit,) = fit_runs(run_set([80.0], [8.0], [0.14], [vessel])).runs
    assert fit.stages == pytest.approx(0.0, abs=0.005)
    assert fit.shape == "not judged"
    assert fit.stages_low < 0.0 < fit.stages_high


@pytest.mark.parametrize(
    ("charge_l", "charge_abv", "jars"),
    [
        (np.nan, 28.0, [(0.75, 80.0, np.nan)] * 8),
        (40.0, np.nan, [(0.75, 80.0, np.nan)] * 8),
        (40.0, 28.0, [(0.75, np.nan, np.nan)] * 8),
        (40.0, 28.0, []),
    ],
)
def test_a_run_that_lacks_what_a_fit_needs_is_left_unfitted(charge_l, charge_abv, jars):
    good = [(0.75, float(abv), np.nan) for abv in science.jar_strengths(40.0, 28.0, 0.4, np.full(12, 0.75))]
    fits = fit_runs(run_set([charge_l, 40.0], [charge_abv, 28.0], [0.3, 0.3], [jars, good])).runs
    assert not fits[0].is_fitted
    assert fits[0].shape == "not fitted"
    assert fits[1].stages == pytest.approx(0.4, abs=0.01)


def test_a_run_fits_the_same_alone_and_among_others():
    runs = simulate_runs(Scenario(stages=0.35), 5, np.random.default_rng(9))
    together = fit_runs(runs).runs
    one = replace(
        runs,
        charge_l=runs.charge_l[2:3],
        charge_abv=runs.charge_abv[2:3],
        charge_abv_u=runs.charge_abv_u[2:3],
        volume_l=runs.volume_l[2:3],
        jar_abv=runs.jar_abv[2:3],
        spout_abv=runs.spout_abv[2:3],
    )
    assert fit_runs(one).runs[0].stages == pytest.approx(together[2].stages, abs=5e-4)


def test_a_clumsier_hand_widens_the_interval_and_is_not_called_a_typo():
    """Strengths read to 0.9 %vol where the settings say 0.3."""
    runs = simulate_runs(Scenario(strength_pct_vol=0.9), 60, np.random.default_rng(4))
    fits = fit_runs(replace(runs, charge_abv_u=np.full(60, 0.9)), Errors()).runs
    assert np.mean([fit.stages_low < 0.5 < fit.stages_high for fit in fits]) > 0.86
    assert np.mean([bool(fit.suspicions) for fit in fits]) < 0.15
