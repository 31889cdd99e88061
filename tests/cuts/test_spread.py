"""What spreads a cut: parts planted in made-up runs are found again, and noise is given to nobody."""

import numpy as np
import pytest

from pipeline.cuts.spread import adjust, dummies, split


def made_up(rng, runs=90, charge=0.0, operator=0.0, recipe=0.0, rest=1.0, reading=0.3):
    """Values with planted standard deviations; three operators and four recipes at random."""
    strength = rng.standard_normal((runs, 1))
    people = rng.integers(0, 3, runs)
    recipes = rng.integers(0, 4, runs)
    values = charge * strength[:, 0] + rest * rng.standard_normal(runs) + reading * rng.standard_normal(runs)
    values = (
        values + operator * np.array([-1.22, 0.0, 1.22])[people] + recipe * np.array([-1, -1, 1, 1])[recipes]
    )
    blocks = [
        ("charge and still", strength),
        ("operator", dummies([f"P{each}" for each in people])),
        ("recipe", dummies([f"R{each}" for each in recipes])),
    ]
    return values, blocks


def test_planted_parts_come_out_as_their_share_of_the_variance():
    rng = np.random.default_rng(1)
    found = np.mean(
        [
            [part.share for part in split(*made_up(rng, charge=0.5, operator=1.0, recipe=0.5), 0.3)]
            for _ in range(30)
        ],
        axis=0,
    )
    total = 0.25 + 1.0 + 0.25 + 1.0 + 0.09
    assert found == pytest.approx(np.array([0.25, 1.0, 0.25, 1.0, 0.09]) / total, abs=0.04)
    assert found.sum() == pytest.approx(1.0)


def test_noise_is_given_to_nobody():
    rng = np.random.default_rng(2)
    parts = [split(*made_up(rng), 0.3) for _ in range(30)]
    nose = np.mean([[part.share for part in each[:3]] for each in parts], axis=0)
    assert np.all(nose < 0.03)


def test_the_interval_covers_the_share_most_of_the_time():
    """Of what is between runs alone, where the truth is 1 / 1.09."""
    rng = np.random.default_rng(3)
    covered = []
    for _ in range(60):
        (part,) = (each for each in split(*made_up(rng, operator=1.0), 0.3) if each.name == "run to run")
        covered.append(part.low <= 1.0 / 2.09 <= part.high)
    assert np.mean(covered) > 0.75


def test_what_the_charge_explains_is_taken_out_and_the_mean_kept():
    rng = np.random.default_rng(4)
    strength = rng.standard_normal((60, 1))
    values = 61.0 + 2.0 * strength[:, 0] + 0.1 * rng.standard_normal(60)
    adjusted = adjust(values, strength)
    assert adjusted.mean() == pytest.approx(values.mean())
    assert adjusted.std() < 0.15
    assert np.array_equal(adjust(values, np.empty((60, 0))), values)


def test_a_missing_name_is_a_level_of_its_own():
    assert dummies(["Ines", None, "Ines"]).tolist() == [[1.0], [0.0], [1.0]]
