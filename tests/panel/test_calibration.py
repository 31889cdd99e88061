"""The panel's intervals keep their word on simulated panels: a small part of tests/panel/calibrate.py.

The bounds are four standard errors around what the full run gives (DEVELOPERS.md), so that they fail on a
fault, not on luck; seeds are fixed.
"""

from __future__ import annotations

from dataclasses import replace
from math import sqrt

import numpy as np
import pytest

from pipeline.panel.shares import Part, scaled_columns, split_variance, standings

from .calibrate import HALF, WORLDS, World, judge_panels


@pytest.mark.parametrize("name", [name for name, world in WORLDS.items() if world.evenings == 1])
def test_intervals_cover_and_the_same_spirit_is_rarely_called_different(name):
    world = WORLDS[name]
    panels = 60 // world.attributes
    tally = judge_panels(world, panels, seed=7)
    # Pairs of one panel hang together: a fifth of them counts as independent.
    slack = 4.0 * sqrt(0.95 * 0.05 / (len(tally.covered) / 5.0))
    assert abs(np.mean(tally.covered) - 0.95) < slack
    assert np.mean(tally.twins_apart) < 0.05 + 4.0 * sqrt(0.05 * 0.95 / len(tally.twins_apart))


def test_among_samples_all_alike_a_pair_is_rarely_claimed():
    tally = judge_panels(World(spread=0.0), 60, seed=8)
    assert np.mean(tally.any_claim) < 0.05 + 4.0 * sqrt(0.05 * 0.95 / 60)


@pytest.mark.parametrize("spread", [1.0, 2.0])
def test_people_on_half_the_scale_do_not_bias_differences(spread):
    """The full run gives 1.00 (DEVELOPERS.md); eight seasons of 24 fits leave 0.02 to chance."""
    world = replace(HALF, spread=spread, ends=False)
    mended, plain = judge_panels(world, 5, seed=9), judge_panels(world, 5, seed=9, use_slopes=False)
    assert plain.stretch < 0.9
    assert abs(mended.stretch - 1.0) < 0.06
    slack = 4.0 * sqrt(0.95 * 0.05 / (len(mended.covered) / 5.0))
    assert abs(np.mean(mended.covered) - 0.95) < slack


def _season(rng: np.random.Generator, sizes: dict[str, float], samples: int = 48) -> tuple:
    """Samples made of known parts; what each part really gave, and the means with their error."""
    columns = {
        "grain bill": rng.dirichlet(np.full(5, 0.5), samples),
        "yeast": np.eye(4)[rng.integers(0, 4, samples)],
        "batch": np.eye(samples),
        "evening": np.eye(samples // 8)[np.arange(samples) // 8],
    }
    given = {
        name: scaled_columns(part) @ rng.normal(0.0, sizes[name], part.shape[1])
        for name, part in columns.items()
    }
    means = sum(given.values()) + rng.normal(0.0, 0.3, samples)
    return means, 0.09 * np.eye(samples), [Part(name, part) for name, part in columns.items()], given


def test_shares_cover_what_each_part_really_gave():
    rng = np.random.default_rng(3)
    covered = []
    for _ in range(20):
        sizes = {
            "grain bill": rng.choice([0.4, 1.0]),
            "yeast": rng.choice([0.4, 1.0]),
            "batch": 0.3,
            "evening": 0.2,
        }
        means, errors, parts, given = _season(rng, sizes)
        split = split_variance(means, errors, parts)
        low, high = np.quantile(split.draws, [0.05, 0.95], axis=0)
        covered += [bool(low[k] <= given[name].var(ddof=1) <= high[k]) for k, name in enumerate(split.names)]
    # 80 intervals of 90 %, four standard errors.
    assert np.mean(covered) > 0.9 - 4.0 * sqrt(0.9 * 0.1 / len(covered))


def test_a_part_that_gives_nothing_is_not_said_to():
    rng = np.random.default_rng(4)
    means, errors, parts, _ = _season(rng, {"grain bill": 1.0, "yeast": 0.0, "batch": 0.3, "evening": 0.2})
    split = split_variance(means, errors, parts)
    shares = split.draws / split.draws.sum(axis=1, keepdims=True)
    low = dict(zip(split.names, np.quantile(shares, 0.05, axis=0), strict=True))
    assert low["yeast"] < 0.05
    assert low["grain bill"] > 0.3


def test_the_design_alone_says_what_cannot_be_told_apart():
    yeast = np.eye(2)[[0, 0, 0, 0, 1, 1, 1, 1]]
    cask = np.eye(2)[[0, 0, 0, 0, 1, 1, 1, 1]]
    grain = np.eye(2)[[0, 1, 0, 1, 0, 1, 0, 1]]
    found = {
        each.name: each
        for each in standings([Part("yeast", yeast), Part("cask", cask), Part("grain bill", grain)])
    }
    assert not found["yeast"].is_told_apart
    assert found["yeast"].goes_with == "cask"
    assert found["grain bill"].is_told_apart
    assert found["grain bill"].own_frac == pytest.approx(1.0)


def test_the_same_numbers_give_the_same_split():
    rng = np.random.default_rng(5)
    means, errors, parts, _ = _season(rng, {"grain bill": 1.0, "yeast": 0.5, "batch": 0.3, "evening": 0.2})
    one, other = split_variance(means, errors, parts), split_variance(means, errors, parts)
    assert np.array_equal(one.draws, other.draws)
    assert one.effective > 50
